"""The section of the report on batteries: after which failure they are flat first, and what then drops."""

from __future__ import annotations

from functools import lru_cache

from powerfault.electrical.currents.derating import read_derating
from powerfault.electrical.endurance.study import Endurance, list_cases, study_endurance
from powerfault.errors import PowerfaultError
from powerfault.model.elements import Topology
from powerfault.output.answers.endurance_text import endurance_blocks
from powerfault.output.blocks.blocks import Paragraph, Section
from powerfault.output.sections.report_input import ReportInput

MOST_CASES = 400
"""More single failures than this are left to the command of its own, which shows progress."""


def section(report: ReportInput) -> Section | None:
    """Batteries of the system after the proposals (or as it stands); ``None`` without a storage of known energy."""
    topology = report.last.topology
    if not any(c.kind == "storage" and c.energy_kwh for c in topology.components.values()):
        return None
    title = "How long batteries last"
    if len(list_cases(topology, 1, given=report.study.given)) > MOST_CASES:
        words = f"Not computed here for more than {MOST_CASES} single failures: run powerfault endurance."
        return Section(title, "endurance", (Paragraph(words, "doubt"),))
    try:
        found = _study(_Key(topology, tuple(map(str, report.study.given))))
    except PowerfaultError as error:
        return Section(title, "endurance", (Paragraph(f"Not computed: {error}", "doubt"),))
    return Section(title, "endurance", tuple(endurance_blocks(topology, found, rows_shown=15)))


class _Key:
    """A topology by what it was made of, so that a report written twice computes this once."""

    def __init__(self, topology: Topology, given: tuple[str, ...]) -> None:
        self.topology, self.given = topology, given

    def __hash__(self) -> int:
        return hash((self.topology.sha256, self.topology.applied, self.given))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self.given == other.given and self.topology == other.topology


@lru_cache(maxsize=8)
def _study(key: _Key) -> Endurance:
    from powerfault.network.failure_modes import parse_event

    events = [parse_event(key.topology, e) for e in key.given]
    cases = list_cases(key.topology, 1, given=events)
    return study_endurance(key.topology, cases, given=events, derating=read_derating(key.topology))
