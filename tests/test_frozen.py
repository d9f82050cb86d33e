"""Values made by ``frozen`` behave as those of a frozen dataclass with slots: the same calls on both."""

from __future__ import annotations

import copy
import dataclasses
import pickle
from collections.abc import Mapping
from typing import Any

import pytest

from powerfault.model.elements import Component, Need, Phase, Topology
from powerfault.model.frozen import frozen


@frozen(kw_only=True)
class Base:
    id: str
    label: str | None = None


@frozen(kw_only=True)
class Ours(Base):
    size: int = 1
    parts: Mapping[str, int] = dataclasses.field(default_factory=dict)
    place: int = dataclasses.field(default=0, compare=False)
    hidden: str = dataclasses.field(default="", repr=False)


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class TheirBase:
    id: str
    label: str | None = None


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Theirs(TheirBase):
    size: int = 1
    parts: Mapping[str, int] = dataclasses.field(default_factory=dict)
    place: int = dataclasses.field(default=0, compare=False)
    hidden: str = dataclasses.field(default="", repr=False)


@frozen()
class OurPlaced:
    line: int
    column: int = 1


@dataclasses.dataclass(frozen=True, slots=True)
class TheirPlaced:
    line: int
    column: int = 1


BOTH = pytest.mark.parametrize("made", [Ours, Theirs])
PLACED = pytest.mark.parametrize("made", [OurPlaced, TheirPlaced])


@BOTH
def test_fields_equality_and_copies(made: Any) -> None:
    value = made(id="a", size=2, place=7, hidden="x")
    assert [f.name for f in dataclasses.fields(value)] == ["id", "label", "size", "parts", "place", "hidden"]
    assert repr(value) == f"{made.__name__}(id='a', label=None, size=2, parts={{}}, place=7)"
    assert value == made(id="a", size=2, place=8, hidden="x")
    assert value != made(id="a", size=3, hidden="x")
    assert value != "a"
    assert value.__eq__("a") is NotImplemented
    changed = dataclasses.replace(value, label="b")
    assert (changed.label, changed.place, value.label) == ("b", 7, None)
    for other in (pickle.loads(pickle.dumps(value)), copy.copy(value), copy.deepcopy(value)):
        assert other == value
        assert (other.place, other.hidden) == (7, "x")
    assert made(id="a").parts is not made(id="b").parts
    assert not hasattr(value, "__dict__")


@BOTH
def test_nothing_is_set_or_deleted(made: Any) -> None:
    value = made(id="a")
    # An unknown name ends in an unhelpful TypeError where the class is a dataclass's.
    for name in ("id", "other") if made is Ours else ("id",):
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(value, name, "b")
        with pytest.raises(dataclasses.FrozenInstanceError):
            delattr(value, name)
    assert value.id == "a"


@BOTH
@pytest.mark.parametrize("call", [lambda m: m(), lambda m: m("a"), lambda m: m(id="a", sise=2)])
def test_wrong_calls_are_refused(made: Any, call: Any) -> None:
    with pytest.raises(TypeError):
        call(made)


@PLACED
def test_values_by_place(made: Any) -> None:
    assert made(3) == made(3, 1) == made(column=1, line=3)
    assert len({made(3), made(3, 1), made(4)}) == 2
    assert hash(made(3)) == hash((3, 1))
    for wrong in (lambda: made(1, 2, 3), lambda: made(1, line=2), lambda: made()):
        with pytest.raises(TypeError):
            wrong()
    match made(5, 6):
        case OurPlaced(line, column) | TheirPlaced(line, column):
            assert (line, column) == (5, 6)


@BOTH
def test_a_value_that_holds_a_mapping_has_no_hash(made: Any) -> None:
    with pytest.raises(TypeError, match="unhashable"):
        hash(made(id="a"))


def test_the_values_of_the_model_are_such_values() -> None:
    assert Component(id="A", kind="bus") == Component(id="A", kind="bus", label=None)
    assert hash(Need("A")) == hash(Need("A", "uninterrupted"))
    assert dataclasses.replace(Phase("sunlit"), duration_h=1.0) == Phase("sunlit", 1.0)
    topology = Topology(name="x", content=b"powerfault: 1")
    assert pickle.loads(pickle.dumps(topology)).sha256 == topology.sha256
    assert Topology(name="x").sha256 == ""
    with pytest.raises(dataclasses.FrozenInstanceError):
        topology.name = "y"  # type: ignore[misc]
