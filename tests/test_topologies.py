"""The example topologies are valid, keep their authors' promises, and tell the story that the README tells of them.

Their data are invented. What is checked here was reasoned out on the drawing; the numbers of cut sets are not.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

import pytest

import powerfault as pf
from powerfault.failures.expectations import unmet_expectations
from powerfault.model.elements import Topology
from powerfault.model.modify import apply_proposals, check_each
from powerfault.model.reader import load_topology, topology_warnings

FOLDER = Path(__file__).parent.parent / "topologies"
PLANS = {f for f in FOLDER.glob("*.yaml") if "\nouting_plan:" in f.read_text(encoding="utf-8")}
FILES = sorted(set(FOLDER.glob("*.yaml")) - PLANS)
DEMO = FOLDER / "orrin-fell.yaml"
POWER_KINDS = (
    "source", "storage", "regulator", "bus", "converter", "switch", "breaker", "fuse", "diode", "cable", "jumper",
    "connector",
)  # fmt: skip


@cache
def load(name: str) -> Topology:
    return load_topology(str(FOLDER / f"{name}.yaml"))


@cache
def unmet(name: str, proposals: tuple[str, ...], modes: tuple[str, ...]) -> frozenset[str]:
    """The consumers whose requirement is not met, single and double failures considered."""
    found = pf.faults(apply_proposals(load(name), proposals), order=2, modes=modes)
    assert all(v.meets is not None for v in found.verdicts if v.must_tolerate is not None)
    return frozenset(v.id for v in found.verdicts if v.meets is False)


LOSS, SHORT = ("loss",), ("loss", "short")


def test_there_are_examples() -> None:
    assert {f.stem for f in FILES} >= {"two-channels", "orrin-fell", "tallow-ledge"}


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.stem)
def test_valid_and_every_expectation_holds(file: Path) -> None:
    topology = load(file.stem)
    problems, warnings, *_ = check_each(topology)
    assert problems == []
    held, wrong = unmet_expectations(topology)
    assert [str(p) for p in wrong] == []
    assert held == len(topology.expect) >= 5
    # The one warning is a waiver that is there to be seen.
    messages = [str(w) for w in (*topology_warnings(topology), *warnings)]
    assert all("NET-1.must_tolerate" in m for m in messages), messages
    assert len(messages) == (1 if file == DEMO else 0)


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.stem)
def test_reads_as_made_by_hand(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    assert text.isascii()
    assert [n for n, line in enumerate(text.splitlines(), 1) if len(line) > 120 or line != line.rstrip()] == []
    assert text.startswith("# ")
    assert "invented" in text


def test_the_demo_is_as_large_as_a_real_outpost() -> None:
    demo = load("orrin-fell")
    assert 120 <= len(demo.components) <= 180
    assert len(demo.channels) >= 4
    assert demo.phase_names == ("sunlit", "dark")
    assert all(phase.duration_h for phase in demo.phases)
    # A jumper comes by proposal only; every other kind that carries power stands already.
    assert {c.kind for c in demo.components.values()} >= set(POWER_KINDS) - {"jumper"}
    assert all(c.failures_per_million_hours is not None and c.site for c in demo.components.values())
    assert {load_.inputs for load_ in demo.loads.values() if len(load_.fed_by) > 1} == {"isolated", "common"}


def test_two_channels_is_small_enough_to_read() -> None:
    assert len(load("two-channels").components) == 12


@pytest.mark.parametrize("modes", [LOSS, SHORT], ids=["loss", "short"])
def test_the_demo_today(modes: tuple[str, ...]) -> None:
    assert unmet("orrin-fell", (), modes) == {
        "GLV-1", "ALM-1", "LHT-1", "WST-1", "LCK-1", "SUP-1", "cabin-air", "oxygen", "scrubbing", "smoke-watch",
    }  # fmt: skip


@pytest.mark.parametrize("modes", [LOSS, SHORT], ids=["loss", "short"])
def test_the_laboratory_jumper_is_worth_it(modes: tuple[str, ...]) -> None:
    """Both feeds of four consumers come from one main bus; a third way in from the other side frees all four."""
    before, after = unmet("orrin-fell", (), modes), unmet("orrin-fell", ("J-LAB",), modes)
    assert before - after == {"GLV-1", "LHT-1", "cabin-air", "oxygen"}
    assert after <= before
    assert "ALM-1" in after, "restored by command, which comes too late for it"
    assert "SUP-1" in after, "behind one breaker"
    assert "scrubbing" in after, "its members hang on the two buses that the jumper ties"


def test_the_bare_jumper_looks_as_good_until_shorts_count() -> None:
    before = unmet("orrin-fell", (), LOSS)
    assert before - unmet("orrin-fell", ("J-HAB",), LOSS) == {"WST-1", "LCK-1", "cabin-air", "smoke-watch"}
    assert unmet("orrin-fell", ("J-HAB",), LOSS) <= before
    before, after = unmet("orrin-fell", (), SHORT), unmet("orrin-fell", ("J-HAB",), SHORT)
    assert after - before == {"MED-1", "night-air"}, "one short in the quarters takes both of their feeds"
    assert "smoke-watch" in after


def test_the_bare_jumper_spreads_a_short_and_the_protected_one_does_not() -> None:
    demo = load("orrin-fell")
    bare = pf.compare(demo, ["J-HAB"], order=1, modes=SHORT)
    assert "DB-T1:short" in {str(s.event) for s in bare.spread}
    protected = pf.compare(demo, ["J-LAB"], order=1, modes=SHORT)
    own = set(protected.after.topology.added)
    assert {s.event.id for s in protected.spread} <= own


@pytest.mark.parametrize("modes", [LOSS, SHORT], ids=["loss", "short"])
def test_the_coolant_jumper_frees_the_smoke_watch(modes: tuple[str, ...]) -> None:
    """Three channels share loop a until wren goes back to loop b."""
    before, after = unmet("orrin-fell", (), modes), unmet("orrin-fell", ("J-COOL",), modes)
    assert before - after == {"smoke-watch"}
    assert after <= before
    both = unmet("orrin-fell", ("J-LAB", "J-COOL"), modes)
    assert both == {"ALM-1", "WST-1", "LCK-1", "SUP-1", "scrubbing"}


@pytest.mark.parametrize("modes", [LOSS, SHORT], ids=["loss", "short"])
def test_the_stowed_jumper_counts_for_what_can_wait(modes: tuple[str, ...]) -> None:
    before, after = unmet("tallow-ledge", (), modes), unmet("tallow-ledge", ("J-PODS",), modes)
    assert before - after == {"trim"}
    assert after <= before
    assert {"HOT-1", "hull-dry"} <= after


def test_a_moved_coolant_jumper_is_judged_like_a_power_jumper() -> None:
    modes = ("loss", "leak")
    assert unmet("coolant-lines", (), modes) == {"air"}
    assert unmet("coolant-lines", ("J-MOVE",), modes) == frozenset()


@pytest.mark.parametrize(
    ("name", "proposals"), [("orrin-fell", ("J-LAB", "J-HAB")), ("tallow-ledge", ("J-PODS",))], ids=["demo", "seabed"]
)
def test_every_failure_that_can_happen_has_a_rate(name: str, proposals: tuple[str, ...]) -> None:
    """One number is a rate of loss; a kind with further modes gives one for each."""
    topology = apply_proposals(load(name), proposals)
    missing = []
    for component in topology.components.values():
        rates = component.failures_per_million_hours
        given = set(rates) if isinstance(rates, Mapping) else {"loss"} if rates is not None else set()
        missing += [f"{component.id}:{mode}" for mode in component.applicable_modes if mode not in given]
    assert missing == []
