"""The fields that likelihoods rest on: failure rates, ``common_causes`` and ``switching_success``.

They are kept by the reader as numbers and plain data; here they become values, and what is wrong with them is said
as flaws with paths. Shapes::

    common_causes:
      tray-3: {members: [CV-1, CV-2], beta: 0.1, about: both run in one tray}       # a share of the members' rates
      rack-4: {site: rack-4, failures_per_million_hours: 0.2, mode: loss}           # a rate of its own
    switching_success: {automatic: 0.999, commanded: 0.99, manual: 0.95, TIE-HT: 0.9}

A cause is one event: it puts all its members into ``mode`` (default ``loss``) at once. With ``beta`` it takes that
share of each member's failure rate; with a rate it comes on top. ``site`` stands for all components of that site.
``switching_success`` is a probability per operation by stage, or for one switched component by its id.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from powerfault.errors import ModelError
from powerfault.model.elements import MODES, STAGES, Component, Topology
from powerfault.model.places import Flaw, Suggestions, any_of, describe, problem_at, shorten

SWITCHING_STAGES = STAGES[1:]
HIGHEST_RATE = 1e6
"""Failures per million hours: one failure an hour. Above it a rate is taken for a mistake."""
LOWEST_RATE = 1e-5
"""One failure in eleven million years; a rate below it (and above 0) was meant per hour."""
_CAUSE_FIELDS = (
    "members", "site", "beta", "failures_per_million_hours", "mode", "repair_h", "error_factor", "label", "about",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonCause:
    """One shared cause. Exactly one of ``beta`` and ``failures_per_million_hours`` is given."""

    name: str
    members: tuple[str, ...]
    beta: float | None = None
    failures_per_million_hours: float | None = None
    mode: str = "loss"
    repair_h: float | None = None
    error_factor: float | None = None
    site: str | None = None
    label: str | None = None
    about: str | None = None

    @property
    def title(self) -> str:
        return self.label or self.name


@dataclass(frozen=True, slots=True)
class SwitchingSuccess:
    """The probability that an operation asked for succeeds, by stage, and for single components by id."""

    by_stage: Mapping[str, float]
    by_id: Mapping[str, float]

    def __bool__(self) -> bool:
        return bool(self.by_stage or self.by_id)

    def of(self, component: Component) -> float | None:
        """The success of operating (or mating) ``component``; ``None`` where the file does not say."""
        stage = operation_stage(component)
        if stage is None:
            return None
        return self.by_id.get(component.id, self.by_stage.get(stage))


def operation_stage(component: Component) -> str | None:
    """The stage at which a component is operated or mated; ``None`` for one that is not."""
    number = component.operated_stage
    if number is not None:
        return STAGES[max(number, 1)]
    if component.is_jumper and not component.mated and component.crew_may_mate:
        return "manual"
    return None


def common_causes(topology: Topology) -> tuple[CommonCause, ...]:
    """Return the shared causes of a topology, in the order of the file.

    Members that are not in the topology (a proposal brings them, or took them out) are left out; a cause by ``beta``
    needs two that are there, one with a rate of its own needs one. Raises :class:`ModelError` for a wrong shape.
    """
    causes, flaws = _read_causes(topology)
    _raise(topology, flaws)
    present = []
    for cause in causes:
        members = tuple(m for m in cause.members if m in topology.components)
        if len(members) >= (2 if cause.beta is not None else 1):
            present.append(_with_members(cause, members))
    return tuple(present)


def switching_success(topology: Topology) -> SwitchingSuccess:
    """Return the success of switching operations; raises :class:`ModelError` for a wrong shape."""
    success, flaws = _read_success(topology)
    _raise(topology, flaws)
    return success


def rates_are(topology: Topology) -> str:
    """What a rate with an ``error_factor`` is in this file: ``median`` or ``mean`` of its lognormal distribution."""
    return str(topology.later.get("rates") or "median")


def shared_flaws(topology: Topology) -> Iterator[Flaw]:
    """Yield what is wrong with common causes and switching success."""
    yield from _read_causes(topology)[1]
    yield from _read_success(topology)[1]


def rate_flaws(component: Component) -> Iterator[Flaw]:
    """Rates that are out of all proportion: more than one failure an hour, or so few that the unit is in doubt."""
    rates = component.failures_per_million_hours
    path = f"components.{component.id}.failures_per_million_hours"
    spelt = {f"{path}.{mode}": rate for mode, rate in rates.items()} if isinstance(rates, Mapping) else {path: rates}
    for where, rate in spelt.items():
        message = None if rate is None else _rate_message(rate)
        if message:
            yield Flaw(where, message)


def _rate_message(rate: float) -> str | None:
    if not math.isfinite(rate) or rate < 0:
        return f"expected failures per million hours, a number of at least 0, found {rate:g}"
    if rate > HIGHEST_RATE:
        return f"{rate:g} failures per million hours is more than one an hour; the unit is failures per million hours"
    if 0 < rate < LOWEST_RATE:
        return (
            f"{rate:g} failures per million hours is one in {1e6 / rate / 8766:.2g} years; a rate per hour is "
            f"written {rate * 1e6:g} here, one that is never to happen 0"
        )
    return None


def _raise(topology: Topology, flaws: list[Flaw]) -> None:
    if flaws:
        raise ModelError([problem_at(topology, flaw.path, flaw.message) for flaw in flaws])


def _with_members(cause: CommonCause, members: tuple[str, ...]) -> CommonCause:
    from dataclasses import replace

    return replace(cause, members=members)


def _read_causes(topology: Topology) -> tuple[list[CommonCause], list[Flaw]]:
    data = topology.later.get("common_causes")
    flaws: list[Flaw] = []
    if data is None:
        return [], flaws
    if not isinstance(data, Mapping):
        flaws.append(Flaw("common_causes", f"expected groups by name, each {{members: [...], beta: ...}}, "
                                           f"found {describe(data)}"))  # fmt: skip
        return [], flaws
    reader = _CauseReader(topology, flaws)
    causes = [c for name, fields in data.items() if (c := reader.read(str(name), fields)) is not None]
    shares: dict[str, float] = {}
    for cause in causes:
        for member in cause.members:
            shares[member] = shares.get(member, 0.0) + (cause.beta or 0.0)
            if shares[member] > 1 + 1e-12:
                message = f"the betas of all groups of {member} together are {shares[member]:g}, above 1"
                flaws.append(Flaw(f"common_causes.{cause.name}.beta", message))
                shares[member] = 0.0
    return causes, flaws


class _CauseReader:
    """Reads groups one by one; what is wrong goes to ``flaws``."""

    def __init__(self, topology: Topology, flaws: list[Flaw]) -> None:
        self.topology = topology
        self.flaws = flaws
        self.suggest = Suggestions()
        added = [p.add.get("components") for p in topology.proposals.values() if isinstance(p.add, Mapping)]
        self.proposed: dict[str, Mapping[str, Any]] = {}
        for components in added:
            if isinstance(components, Mapping):
                self.proposed |= {str(i): f if isinstance(f, Mapping) else {} for i, f in components.items()}

        # A group may still name what an applied proposal took out.
        self.removable = {
            str(i)
            for p in topology.proposals.values()
            if p.id in topology.applied and isinstance(p.remove, Mapping)
            for i in p.remove.get("components") or ()
        }

    def read(self, name: str, fields: Any) -> CommonCause | None:
        path = f"common_causes.{name}"
        before = len(self.flaws)
        if not isinstance(fields, Mapping):
            self._flaw(path, f"expected {{members: [...], beta: ...}}, found {describe(fields)}")
            return None
        for key in fields:
            if key not in _CAUSE_FIELDS:
                hint = self.suggest(str(key), _CAUSE_FIELDS)
                self._flaw(f"{path}.{key}", f"unknown field {shorten(str(key))!r}{hint}")
        mode = fields.get("mode", "loss")
        if mode is None:
            mode = "loss"
        if mode not in MODES:
            self._flaw(f"{path}.mode", f"expected {any_of(MODES)}, found {describe(mode)}")
            mode = "loss"
        members = self._members(path, fields, str(mode))
        beta = self._number(path, "beta", fields, 0.0, 1.0)
        rate = self._number(path, "failures_per_million_hours", fields, 0.0, None)
        if rate is not None and (message := _rate_message(rate)):
            self._flaw(f"{path}.failures_per_million_hours", message)
        given = [k for k in ("beta", "failures_per_million_hours") if fields.get(k) is not None]
        if len(given) != 1:
            found = "neither" if not given else "both"
            self._flaw(path, f"expected beta (a share of the members' failure rates) or failures_per_million_hours "
                             f"(a rate of its own), found {found}")  # fmt: skip
        cause = CommonCause(
            name=name,
            members=members,
            beta=beta,
            failures_per_million_hours=rate,
            mode=str(mode),
            repair_h=self._number(path, "repair_h", fields, 0.0, None),
            error_factor=self._number(path, "error_factor", fields, 1.0, None),
            site=fields.get("site") if isinstance(fields.get("site"), str) else None,
            label=self._text(path, "label", fields),
            about=self._text(path, "about", fields),
        )
        return cause if len(self.flaws) == before else None

    def _members(self, path: str, fields: Mapping[str, Any], mode: str) -> tuple[str, ...]:
        given, site = fields.get("members"), fields.get("site")
        if (given is None) == (site is None):
            found = "neither" if given is None else "both"
            self._flaw(path, f"expected members (a list of ids) or site (all components there), found {found}")
            return ()
        if site is not None:
            return self._at_site(path, site, mode)
        if not isinstance(given, list):
            self._flaw(f"{path}.members", f"expected a list of component ids, found {describe(given)}")
            return ()
        members: list[str] = []
        for number, member in enumerate(given):
            here = f"{path}.members[{number}]"
            if not isinstance(member, str):
                self._flaw(here, f"expected the id of a component, found {describe(member)}")
            elif member in members:
                self._flaw(here, f"{shorten(member)} is named twice")
            elif self._known(here, member, mode):
                members.append(member)
        if len(given) < 2 and fields.get("beta") is not None:
            self._flaw(f"{path}.members", f"a shared cause takes at least two members, found {len(given)}")
        elif not given:
            self._flaw(f"{path}.members", "expected at least one component, found none")
        return tuple(members)

    def _at_site(self, path: str, site: Any, mode: str) -> tuple[str, ...]:
        if not isinstance(site, str):
            self._flaw(f"{path}.site", f"expected the name of a site, found {describe(site)}")
            return ()
        sites = {c.site for c in self.topology.components.values()} | {f.get("site") for f in self.proposed.values()}
        if site not in sites:
            hint = self.suggest(site, [s for s in sites if isinstance(s, str)])
            self._flaw(f"{path}.site", f"no component stands at site {shorten(site)!r}{hint}")
        present = [
            c.id
            for c in self.topology.components.values()
            if c.site == site and c.can_fail and mode in c.possible_modes
        ]
        later = [i for i, f in self.proposed.items() if f.get("site") == site and i not in self.topology.components]
        return tuple(present + later)

    def _known(self, here: str, member: str, mode: str) -> bool:
        component = self.topology.components.get(member)
        if component is not None:
            if not component.can_fail:
                self._flaw(here, f"{member} has can_fail: false, so no shared cause fails it; take it out of the group")
            elif mode not in component.possible_modes:
                modes = any_of(component.possible_modes, "and")
                self._flaw(here, f"{mode} does not apply to {member}, a {component.kind}; to it apply {modes}")
            else:
                return True
            return False
        if member in self.proposed or member in self.removable:
            return True
        if member in self.topology.loads or member in self.topology.functions:
            what = "load" if member in self.topology.loads else "function"
            self._flaw(here, f"{member} is a {what}; name components, the things that fail")
        else:
            self._flaw(here, f"{shorten(member)!r} is no component{self.suggest(member, self.topology.components)}")
        return False

    def _number(
        self, path: str, name: str, fields: Mapping[str, Any], least: float, most: float | None
    ) -> float | None:
        value = fields.get(name)
        if value is None:
            return None
        span = f"from {least:g} to {most:g}" if most is not None else f"of at least {least:g}"
        good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if not good or value < least or (most is not None and value > most):
            self._flaw(f"{path}.{name}", f"expected a number {span}, found {describe(value)}")
            return None
        return float(value)

    def _text(self, path: str, name: str, fields: Mapping[str, Any]) -> str | None:
        value = fields.get(name)
        if value is None or isinstance(value, str):
            return value
        self._flaw(f"{path}.{name}", f"expected text, found {describe(value)}")
        return None

    def _flaw(self, path: str, message: str) -> None:
        self.flaws.append(Flaw(path, message))


def _read_success(topology: Topology) -> tuple[SwitchingSuccess, list[Flaw]]:
    data = topology.later.get("switching_success")
    flaws: list[Flaw] = []
    by_stage: dict[str, float] = {}
    by_id: dict[str, float] = {}
    if data is None:
        return SwitchingSuccess(by_stage, by_id), flaws
    if not isinstance(data, Mapping):
        message = f"expected a probability for each of {any_of(SWITCHING_STAGES, 'and')}, found {describe(data)}"
        return SwitchingSuccess({}, {}), [Flaw("switching_success", message)]
    suggest = Suggestions()
    reader = _CauseReader(topology, flaws)
    for key, value in data.items():
        path = f"switching_success.{key}"
        good = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 1
        if not good:
            flaws.append(Flaw(path, f"expected a probability from 0 to 1, found {describe(value)}"))
        elif key in SWITCHING_STAGES:
            by_stage[key] = float(value)
        elif key in topology.components or key in reader.proposed:
            component = topology.components.get(key)
            if component is not None and operation_stage(component) is None:
                flaws.append(Flaw(path, f"{key} is a {component.kind} that nobody operates; "
                                        "name a switch, a breaker or a jumper that the crew may mate"))  # fmt: skip
            else:
                by_id[key] = float(value)
        else:
            switched = [c.id for c in topology.components.values() if c.is_switched]
            hint = suggest(str(key), [*SWITCHING_STAGES, *switched])
            flaws.append(Flaw(path, f"{shorten(str(key))!r} is neither a stage ({any_of(SWITCHING_STAGES)}) "
                                    f"nor a switched component{hint}"))  # fmt: skip
    return SwitchingSuccess(by_stage, by_id), flaws
