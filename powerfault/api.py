"""The commands as functions, for scripts and notebooks: the same options as keyword arguments, the same JSON.

::

    import powerfault as pf

    change = pf.compare("outpost.yaml", with_="J-OUT", modes=["loss", "short"])
    print(change)               # what the terminal shows
    change.frame                # pandas, a row a load or function
    change.to_json()            # what --json prints
    change.value.met            # the typed result behind it

``topology`` is a :class:`Topology` or the path of its file. Lists of ids or events take one string for a single item,
``modes`` also ``"loss,short"``. What a command calls ``--with`` and ``--from`` are ``with_`` and ``from_``. All raise
:class:`ModelError` for a wrong file and :class:`RequestError` for a wrong question.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Union

from powerfault.errors import RequestError, nearest
from powerfault.model.elements import MODES, STAGES, Event, Topology
from powerfault.model.modify import apply_proposals
from powerfault.model.reader import load_topology
from powerfault.network.failure_modes import check_modes, parse_event

if TYPE_CHECKING:
    import networkx as nx
    import pandas as pd

    from powerfault.output.blocks.blocks import Block
    from powerfault.output.blocks.screen import Screen
    from powerfault.output.pictures.diagrams import Drawing

System = Union["Topology", "Result", str, Path]
Ids = str | Iterable[str]
Events = str | Event | Iterable[str | Event]
LINES_SHOWN = 40


@dataclass(frozen=True, eq=False)
class Result:
    """The answer of one command. Attributes that it has not itself are those of ``value``."""

    value: Any
    """The typed result, as the rooms of the package define it."""
    as_json: Callable[[], Any] = field(repr=False)
    show: Callable[[Screen], None] = field(repr=False)
    rows: str = ""
    """Where in the JSON stands what ``frame`` shows, a row an entry."""

    @cached_property
    def data(self) -> Any:
        """What ``--json`` prints, as dictionaries and lists."""
        return self.as_json()

    def to_json(self) -> str:
        """What ``--json`` prints, as text."""
        return json.dumps(self.data, ensure_ascii=False, allow_nan=False)

    @cached_property
    def frame(self) -> pd.DataFrame:
        """The main table of the answer; units stand in the names of the columns."""
        import pandas as pd

        listed = self.data
        for key in self.rows.split(".") if self.rows else ():
            listed = listed[key]
        if self.rows and isinstance(listed, dict):
            listed = [{"id": key, **value} for key, value in listed.items()]
        return pd.json_normalize(listed)

    def __str__(self) -> str:
        from powerfault.output.blocks.screen import Screen

        stream = io.StringIO()
        self.show(Screen(stream, colour=False))
        return stream.getvalue().rstrip("\n")

    def __repr__(self) -> str:
        lines = str(self).splitlines()
        left_out = len(lines) - LINES_SHOWN
        more = [f"... and {left_out:,} more lines: print() it whole"] if left_out > 0 else []
        return "\n".join([*lines[:LINES_SHOWN], *more])

    def _repr_html_(self) -> str:
        from html import escape

        return f"<pre>{escape(repr(self))}</pre>"

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_") or name == "value":
            raise AttributeError(name)
        return getattr(self.value, name)


def faults(
    topology: System,
    order: int = 2,
    modes: Ids = "loss",
    given: Events = (),
    *,
    with_: Ids = (),
    by_phase: bool = False,
    cut_sets_only: bool = False,
    jobs: int | None = None,
    keep: str | Path | None = None,
    ratings: bool = False,
    when_flat: bool = False,
    yes: bool = False,
) -> Result:
    """Which loads and functions fail under every case of 1 to ``order`` failures? ``value`` is a ``Study``."""
    from powerfault.output.answers.verdicts_text import print_study
    from powerfault.tolerance.study import LANES_WITHOUT_ASKING, study

    found = study(
        applied(topology, with_),
        order,
        _modes(modes),
        _events(given),
        by_phase=by_phase,
        limit=None if yes else LANES_WITHOUT_ASKING,
        jobs=jobs,
        keep=Path(keep) if keep else None,
        cut_sets_only=cut_sets_only,
        ratings=ratings,
        when_flat=when_flat,
    )
    return Result(
        found, lambda: found.to_json(cases=not cut_sets_only), lambda screen: print_study(found, screen), "consumers"
    )


def compare(
    topology: System,
    with_: Ids | Topology = (),
    order: int = 2,
    modes: Ids = "loss",
    given: Events = (),
    *,
    after: System | None = None,
    ratings: bool = False,
    yes: bool = False,
) -> Result:
    """What do proposals change, or what does the system ``after`` do otherwise? ``value`` is a ``Comparison``."""
    from powerfault.output.answers.verdicts_text import print_comparison
    from powerfault.tolerance.comparison.study import compare as compare_systems
    from powerfault.tolerance.study import CASES_WITHOUT_ASKING

    if isinstance(with_, Topology):
        after, with_ = with_, ()
    before = load(topology)
    proposals = as_list(with_)
    if after is None and not proposals:
        known = ", ".join(before.proposals) or "none"
        raise RequestError(f"nothing to compare with: name a proposal in with_ (the file has: {known}) or after=")
    changed = applied(before if after is None else after, proposals)
    limit = None if yes else CASES_WITHOUT_ASKING
    found = compare_systems(before, changed, order, _modes(modes), _events(given), limit=limit, ratings=ratings)
    return Result(found, found.to_json, lambda screen: print_comparison(found, screen), "changes")


def explain(topology: System, fail: Events, load: str, *, phase: str | None = None, with_: Ids = ()) -> Result:
    """Why does ``load`` (a load or function) lose power when ``fail`` fails, and what restores it?"""
    from powerfault.failures.case_state import case_states
    from powerfault.network.graph import build_network
    from powerfault.tolerance.explain.carried import hours_of
    from powerfault.tolerance.explain.reasons import explain as find_reasons

    system = applied(topology, with_)
    known = {**system.loads, **system.functions}
    if load not in known:
        raise RequestError(f"load {load!r}: no load or function of that id{nearest(load, known)}")
    _check_phases(system, (phase,) if phase else ())
    network = build_network(system)
    state = case_states(network, [[parse_event(system, e) for e in _events(fail)]], at_once=True)[0]
    found = find_reasons(network, state, load, phase, hours_of(system, state.failed))

    def show(screen: Screen) -> None:
        for sentence in found.sentences():
            screen.line(sentence)

    return Result(found, found.to_json, show)


def worksheet(topology: System, modes: Ids = MODES, given: Events = (), *, with_: Ids = ()) -> Result:
    """The failure worksheet: a row per component and failure mode. ``value`` is a list of rows."""
    from dataclasses import asdict

    from powerfault.network.graph import build_network
    from powerfault.output.answers.worksheet import worksheet_markdown
    from powerfault.tolerance.worksheet import worksheet_rows

    system = applied(topology, with_)
    rows = worksheet_rows(build_network(system), _modes(modes), [parse_event(system, e) for e in _events(given)])
    return Result(
        rows, lambda: [asdict(row) for row in rows], lambda screen: screen.line(worksheet_markdown(system.name, rows))
    )


def sequence(
    topology: System, modes: Ids = "loss", given: Events = (), *, with_: Ids = (), answered: str = "commanded"
) -> Result:
    """What fails under every ordered pair of failures, the first answered up to ``answered`` before the next?"""
    from powerfault.output.answers.sequence_text import sequence_blocks, sequence_json
    from powerfault.tolerance.sequence.study import study_sequence

    before, proposals = load(topology), as_list(with_)
    found = study_sequence(before, _modes(modes), _events(given), answered=answered)
    after = None
    if proposals:
        after = study_sequence(applied(before, proposals), _modes(modes), _events(given), answered=answered)
    side = "after" if after is not None else "before"
    return Result(
        after or found,
        lambda: sequence_json(found, after),
        _blocks(lambda: sequence_blocks(found, after)),
        f"{side}.consumers",
    )


def capacity(
    topology: System,
    order: int = 1,
    modes: Ids = "loss",
    given: Events = (),
    *,
    fail: Events = (),
    with_: Ids = (),
    stage: str = "commanded",
    seconds: float | None = None,
    jobs: int | None = None,
    yes: bool = False,
) -> Result:
    """What can the surviving equipment carry in each case, or in the one case of ``fail``?"""
    from powerfault.electrical.served.study import CASES_WITHOUT_ASKING, capacity_study
    from powerfault.output.answers.capacity_text import capacity_json, print_capacity

    found = capacity_study(
        applied(topology, with_),
        order,
        _modes(modes),
        _events(given),
        stage=stage,
        failed=_events(fail) or None,
        seconds=seconds or float("inf"),
        jobs=jobs,
        limit=None if yes else CASES_WITHOUT_ASKING,
    )
    return Result(
        found,
        lambda: json.loads("".join(capacity_json(found))),
        lambda screen: print_capacity(found, screen),
        "cases",
    )


def restore(
    topology: System,
    fail: Events,
    given: Events = (),
    *,
    with_: Ids = (),
    phase: Ids = (),
    seconds: float | None = None,
) -> Result:
    """Which switching restores most after ``fail``, step by step?"""
    from powerfault.electrical.restore.study import plan_restoration
    from powerfault.output.answers.restore_text import print_restoration

    found = plan_restoration(
        applied(topology, with_),
        _events(fail),
        _events(given),
        phases=as_list(phase) or None,
        seconds=seconds or float("inf"),
    )
    return Result(found, found.to_json, lambda screen: print_restoration(found, screen), "plans")


def size(
    topology: System,
    of: Ids = (),
    order: int = 1,
    modes: Ids = "loss",
    given: Events = (),
    *,
    with_: Ids = (),
    stage: Ids = STAGES,
    derating: str | None = None,
    conductor_c: float | None = None,
    max_drop: float | None = None,
    ratings: bool = False,
    yes: bool = False,
) -> Result:
    """What must a cable or jumper carry in the worst case, and which gauge does it need?"""
    from powerfault.electrical.sizing.study import study_size
    from powerfault.electrical.sizing.transfer import CASES_WITHOUT_ASKING
    from powerfault.output.answers.size_tables import size_json
    from powerfault.output.sections.size_section import size_blocks

    found = study_size(
        applied(topology, with_),
        as_list(of),
        order,
        _modes(modes),
        _events(given),
        rule=derating,
        conductor_c=conductor_c,
        drop_percent=max_drop,
        stages=as_list(stage),
        ratings=ratings,
        limit=None if yes else CASES_WITHOUT_ASKING,
    )
    return Result(found, lambda: size_json(found), _blocks(lambda: size_blocks(found)), "conductors")


def voltages(
    topology: System,
    fail: Events = (),
    given: Events = (),
    *,
    with_: Ids = (),
    stage: str = "commanded",
    phase: Ids = (),
    rated: bool = False,
) -> Result:
    """Which voltage has every bus and load in one case?"""
    from powerfault.electrical.voltages import study_voltages
    from powerfault.output.answers.voltage_text import voltage_blocks, voltage_json

    system, phases = applied(topology, with_), as_list(phase)
    _check_phases(system, phases)
    found = study_voltages(system, _events(fail), stage, _events(given), rated=rated, phases=phases)
    return Result(found, lambda: voltage_json(found), _blocks(lambda: voltage_blocks(found)), "phases")


def endurance(
    topology: System,
    order: int = 1,
    modes: Ids = "loss",
    given: Events = (),
    *,
    fail: Events = (),
    with_: Ids = (),
    stage: str = "commanded",
    rated: bool = False,
    yes: bool = False,
) -> Result:
    """How long do batteries last in each case, or in the one case of ``fail``?"""
    from powerfault.electrical.currents.derating import read_derating
    from powerfault.electrical.endurance.study import CASES_WITHOUT_ASKING, list_cases, study_endurance
    from powerfault.output.answers.endurance_text import endurance_blocks, endurance_json

    system = applied(topology, with_)
    events = tuple(parse_event(system, e) for e in _events(given))
    failed = tuple(parse_event(system, e) for e in _events(fail))
    limit = None if yes else CASES_WITHOUT_ASKING
    cases = [failed] if failed else list_cases(system, order, _modes(modes), events, limit)
    found = study_endurance(system, cases, stage, events, read_derating(system), rated=rated, spare=not failed)
    return Result(
        found, lambda: endurance_json(system, found), _blocks(lambda: endurance_blocks(system, found)), "cases"
    )


def protection(topology: System, of: Ids = (), *, with_: Ids = ()) -> Result:
    """Does the device nearest to a fault clear it, and nothing further up?"""
    from powerfault.electrical.currents.derating import read_derating
    from powerfault.electrical.protection.study import study_protection
    from powerfault.output.answers.protection_text import protection_answer, protection_blocks

    system = applied(topology, with_)
    found = study_protection(system, read_derating(system), as_list(of) or None)
    return Result(
        found, lambda: protection_answer(system, found), _blocks(lambda: protection_blocks(system, found)), "infeed"
    )


def likelihood(
    topology: System,
    with_: Ids | Topology = (),
    *,
    hours: float = 1000.0,
    order: int = 3,
    modes: Ids = "loss",
    given: Events = (),
    consumer: Ids = (),
    after: System | None = None,
    **settings: Any,
) -> Result:
    """How likely does each load and function fail within ``hours``, before and after?

    ``settings`` are the further fields of ``LikelihoodSettings``: ``samples``, ``seed``, ``alike``, ``gap``,
    ``success`` and so on.
    """
    from powerfault.output.answers.likelihood_tables import likelihood_json
    from powerfault.output.sections.likelihood_section import likelihood_blocks
    from powerfault.reliability.change import compare_likelihoods
    from powerfault.reliability.study import Settings

    if isinstance(with_, Topology):
        after, with_ = with_, ()
    before = load(topology)
    proposals = as_list(with_)
    changed = applied(before if after is None else after, proposals) if proposals or after is not None else None
    asked = Settings(hours=hours, order=order, modes=_modes(modes), **settings)
    found = compare_likelihoods(before, changed, asked, [parse_event(before, e) for e in _events(given)])
    focus = list(as_list(consumer)) or found.focus()
    return Result(
        found,
        lambda: likelihood_json(found, focus),
        _blocks(lambda: likelihood_blocks(found, focus, len(focus) or 1)),
        "changes" if changed is not None else "before.consumers",
    )


def rank(
    topology: System,
    order: int = 2,
    modes: Ids = "loss",
    *,
    budget_min: float | None = None,
    max_length_m: float | None = None,
    from_: str = "both",
    only: Ids = (),
) -> Result:
    """Which candidate jumpers are worth the crew's minutes? ``from_`` is ``both``, ``proposals`` or ``ports``."""
    from powerfault.fitting.ranking.study import rank_candidates
    from powerfault.output.answers.ranking_text import print_ranking, ranking_json

    if from_ not in ("both", "proposals", "ports"):
        raise RequestError(f"from_ {from_!r}: expected both, proposals or ports")
    found = rank_candidates(
        load(topology),
        order=order,
        modes=_modes(modes),
        budget_min=budget_min,
        max_length_m=max_length_m,
        proposals=from_ != "ports",
        ports=from_ != "proposals",
        only=as_list(only),
    )
    return Result(found, lambda: ranking_json(found), lambda screen: print_ranking(found, screen), "candidates")


def isolate(
    topology: System,
    at: Ids = (),
    *,
    with_: Ids = (),
    phase: Ids = (),
    open_points: int | None = None,
    minutes: float | None = None,
) -> Result:
    """Which devices isolate a work site: the components ``at``, else the jumpers that ``with_`` brings?"""
    from powerfault.fitting.isolation.study import study_isolation, with_what_was
    from powerfault.output.answers.isolation_text import isolation_json, print_isolation

    before = load(topology)
    system = with_what_was(before, apply_proposals(before, as_list(with_)))
    ends = list(as_list(at)) or [i for i in system.added if i in system.components and system.components[i].is_jumper]
    if not ends:
        raise RequestError("say where the work is with at=, or which proposal is fitted with with_=")
    found = study_isolation(system, ends, points=open_points, phases=as_list(phase), minutes=minutes)
    return Result(found, lambda: isolation_json(found), lambda screen: print_isolation(found, screen), "isolations")


def outing(
    topology: System, plan: str | Path, order: int = 2, modes: Ids = "loss", *, find_order: bool = True
) -> Result:
    """Is the plan of outings in the file ``plan`` in order, step by step?"""
    from powerfault.fitting.outing.reader import load_plan
    from powerfault.fitting.outing.study import study_plan
    from powerfault.output.answers.outing_text import outing_json, print_plan

    system = load(topology)
    found = study_plan(system, load_plan(str(plan), system), order=order, modes=_modes(modes), find_order=find_order)
    return Result(found, lambda: outing_json(found), lambda screen: print_plan(found, screen), "outings")


def draw(topology: System, with_: Ids | Topology = (), fail: Events = (), **view: Any) -> Drawing:
    """Draw the system whole or in the case of ``fail``; shown inline by notebooks, ``.save(path)`` writes the SVG.

    ``view`` are ``phase``, ``stage``, ``side`` (``before``, ``after``, ``both``), ``needs``, ``functions`` and
    ``touched``.
    """
    from powerfault.output.pictures.case_pictures import draw as draw_case

    before = load(topology)
    if isinstance(with_, Topology):
        after: Topology | None = with_
    else:
        after = applied(before, with_) if as_list(with_) else None
    return draw_case(before, after, _events(fail), **view)


def to_networkx(
    topology: System, case: Events | None = None, *, phase: str | None = None, stage: str = STAGES[-1], with_: Ids = ()
) -> nx.DiGraph[str]:
    """The system as a networkx graph (``network.digraph``), with the ``state`` of each node in a case.

    ``case`` are the failed events (none: nothing failed beyond what stands failed). ``state`` is ``failed``, ``in fault
    zone``, ``live``, ``restored`` (live at ``stage``, not at stage uninterrupted) or ``de-energised``, in ``phase``
    (default: the first of the file). Without ``case`` nodes have no state.
    """
    from powerfault.failures.case_state import case_states
    from powerfault.network.digraph import to_digraph
    from powerfault.network.graph import build_network

    system = applied(topology, with_)
    graph = to_digraph(system)
    if case is None:
        return graph
    if stage not in STAGES:
        raise RequestError(f"stage {stage!r}: expected one of {', '.join(STAGES)}")
    _check_phases(system, (phase,) if phase else ())
    number, in_phase = STAGES.index(stage), phase or system.phase_names[0]
    found = case_states(build_network(system), [[parse_event(system, e) for e in _events(case)]])[0]
    failed = {e.id for e in (*found.failed, *found.standing)}
    for id_ in graph:
        if id_ in failed:
            state = "failed"
        elif id_ in found.zone[number][in_phase]:
            state = "in fault zone"
        elif id_ in found.live[number][in_phase]:
            state = "live" if id_ in found.live[0][in_phase] else "restored"
        else:
            state = "de-energised"
        graph.nodes[id_]["state"] = state
    return graph


def report(
    topology: System,
    output: str | Path,
    *,
    with_: Ids = (),
    order: int = 2,
    modes: Ids = "loss",
    given: Events = (),
    ratings: bool = False,
    xlsx: bool = False,
    yes: bool = False,
) -> list[str]:
    """Write the before-and-after report into the folder ``output`` and return the names of its files."""
    from powerfault.output.report import write_report
    from powerfault.output.sections.report_input import ReportInput
    from powerfault.tolerance.comparison.study import compare as compare_systems
    from powerfault.tolerance.study import CASES_WITHOUT_ASKING, study

    before, proposals = load(topology), as_list(with_)
    limit = None if yes else CASES_WITHOUT_ASKING
    base = study(before, order, _modes(modes), _events(given), limit=limit, ratings=ratings)
    comparison = compare_systems(base, applied(before, proposals), limit=limit) if proposals else None
    source = {} if isinstance(topology, Topology) else {"file": Path(topology).name}
    return write_report(ReportInput(base, comparison, source), str(output), workbook=xlsx)


def load(topology: System) -> Topology:
    """The topology itself, that of the file, or that of an answer (such as of ``faults``)."""
    if isinstance(topology, Result):
        return load(topology.value.topology)
    return topology if isinstance(topology, Topology) else load_topology(str(topology))


def applied(topology: System, with_: Ids = ()) -> Topology:
    """The system with the proposals ``with_`` applied in the order given."""
    proposals = as_list(with_)
    return apply_proposals(load(topology), proposals) if proposals else load(topology)


def as_list(words: Ids) -> tuple[str, ...]:
    """One string as one item: a string is never taken letter by letter."""
    return (words,) if isinstance(words, str) else tuple(words)


def _modes(modes: Ids) -> tuple[str, ...]:
    return tuple(check_modes(m.strip() for word in as_list(modes) for m in word.split(",") if m.strip()))


def _events(events: Events) -> tuple[str, ...]:
    return (str(events),) if isinstance(events, str | Event) else tuple(str(e) for e in events)


def _blocks(make: Callable[[], Iterable[Block]]) -> Callable[[Screen], None]:
    def show(screen: Screen) -> None:
        from powerfault.output.blocks.text import print_blocks

        print_blocks(make(), screen, 20)

    return show


def _check_phases(system: Topology, phases: Iterable[str]) -> None:
    for phase in phases:
        if phase not in system.phase_names:
            raise RequestError(
                f"no phase {phase!r}{nearest(phase, system.phase_names)}; known: {', '.join(system.phase_names)}"
            )
