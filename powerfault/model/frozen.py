"""How is a value frozen without code made for its class at import?

``dataclasses.dataclass`` writes the source of some eight methods for every class and compiles it each time the module
is imported; for the values of the model that took a tenth of ``powerfault validate``. The decorator here makes the same
kind of class (a dataclass with slots: ``dataclasses.fields`` and ``replace`` work) with methods that are written once
and look the fields up. To type checkers it is a frozen dataclass. Making, comparing and hashing a value takes up to
twice as long, so it is for modules that ``validate`` imports and for values that are not made by the hundred thousand.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from operator import attrgetter
from typing import Any, TypeVar, dataclass_transform

Made = TypeVar("Made")
_REQUIRED = dataclasses.MISSING


@dataclass_transform(frozen_default=True, field_specifiers=(dataclasses.field,))
def frozen(*, kw_only: bool = False) -> Callable[[type[Made]], type[Made]]:
    """Make a class a frozen dataclass with slots, equal and hashed by the fields that compare.

    >>> @frozen()
    ... class Place:
    ...     line: int
    ...     column: int = 1
    >>> Place(3), Place(3) == Place(column=1, line=3), len({Place(3), Place(3, 1), Place(4)})
    (Place(line=3, column=1), True, 2)
    >>> Place(3).line = 4
    Traceback (most recent call last):
    dataclasses.FrozenInstanceError: cannot assign to field 'line'
    """

    def make(cls: type[Made]) -> type[Made]:
        made = dataclasses.dataclass(init=False, repr=False, eq=False, slots=True, kw_only=kw_only)(cls)
        for name, method in _methods(made).items():
            setattr(made, name, method)
        return made

    return make


def _methods(cls: type[Any]) -> dict[str, Callable[..., Any]]:
    """The methods of a frozen value of the dataclass ``cls``, which has slots."""
    own = dataclasses.fields(cls)
    names = tuple(f.name for f in own)
    by_place = tuple(f.name for f in own if not f.kw_only)
    shown = tuple(f.name for f in own if f.repr)
    # Slots are set by their descriptors, since the class itself refuses to.
    steps = tuple((f.name, getattr(cls, f.name).__set__, f.default, f.default_factory) for f in own)
    compared = attrgetter(*[f.name for f in own if f.compare])

    def initialise(self: Any, *values: Any, **named: Any) -> None:
        if values:
            if len(values) > len(by_place):
                raise TypeError(f"{cls.__name__} takes at most {len(by_place)} values by place, found {len(values)}")
            for name, value in zip(by_place, values, strict=False):
                if name in named:
                    raise TypeError(f"{cls.__name__}: {name} is given twice")
                named[name] = value
        left = len(named)
        for name, put, default, factory in steps:
            if name in named:
                put(self, named[name])
                left -= 1
            elif default is not _REQUIRED:
                put(self, default)
            elif factory is not _REQUIRED:
                put(self, factory())
            else:
                raise TypeError(f"{cls.__name__}: {name} is required")
        if left:
            unknown = ", ".join(name for name in named if name not in names)
            raise TypeError(f"{cls.__name__} has no field {unknown}")

    def show(self: Any) -> str:
        return f"{cls.__qualname__}({', '.join(f'{name}={getattr(self, name)!r}' for name in shown)})"

    def equal(self: Any, other: object) -> Any:
        return compared(self) == compared(other) if other.__class__ is self.__class__ else NotImplemented

    def number(self: Any) -> int:
        return hash(compared(self))

    def refuse_to_set(self: Any, name: str, value: Any) -> None:
        raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")

    def refuse_to_delete(self: Any, name: str) -> None:
        raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")

    def state(self: Any) -> list[Any]:
        return [getattr(self, name) for name in names]

    def restore(self: Any, values: list[Any]) -> None:
        for (_, put, _, _), value in zip(steps, values, strict=True):
            put(self, value)

    return {
        "__init__": initialise, "__repr__": show, "__eq__": equal, "__hash__": number,
        "__setattr__": refuse_to_set, "__delattr__": refuse_to_delete, "__getstate__": state, "__setstate__": restore,
    }  # fmt: skip
