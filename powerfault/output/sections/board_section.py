"""The board page: the values of ``board`` as blocks, for one screen and one sheet of paper."""

from __future__ import annotations

from collections.abc import Sequence

from powerfault.output.blocks.blocks import Block, Bullets, Columns, Figure, Heading, Paragraph, Section, TableBlock
from powerfault.output.blocks.tables import Cell, LinkCell, Table, ToneCell
from powerfault.output.pictures.case_pictures import beside
from powerfault.output.sections.board import CONDITIONS, RECOMMEND, REFUSE, RULES, Board, Requirement, board_of
from powerfault.output.sections.report_input import ReportInput, listed

TONES = {RECOMMEND: "good", CONDITIONS: "doubt", REFUSE: "bad"}
WEIGHTS = {
    "refuse": ToneCell("rules it out", "bad"),
    "harm": ToneCell("harm", "bad"),
    "open": ToneCell("open", "doubt"),
}
POINTS_SHOWN = 8
MOST_IN_PICTURE = 60
"""More boxes than this in the part that changes are left to the drawings below."""


def section(report: ReportInput) -> Section:
    board = board_of(report)
    blocks: list[Block] = []
    if report.comparison is None:
        blocks += [Paragraph(_met(board), "lead"), TableBlock(_requirement_table(board.requirements, board))]
        blocks += [TableBlock(t) for t in (_margin_table(board), _point_table(board)) if t.rows]
        return Section("For the board", "board", tuple(blocks))
    shown = [r for r in board.requirements if r.changed]
    same = [r for r in board.requirements if not r.changed]
    blocks.append(Paragraph(_decision(board), f"lead {TONES[board.recommendation]}"))
    gain, harm = _sentences(board)
    blocks.append(Columns(((Paragraph(gain, "good"),), (Paragraph(harm, "bad" if _harmed(board) else "good"),))))
    left: list[Block] = [Heading("What is proposed"), *_proposed(report, board)]
    middle: list[Block] = []
    if shown:
        middle.append(TableBlock(_requirement_table(shown, board)))
    if same:
        middle.append(TableBlock(_requirement_table(same, board, "unchanged"), f"{len(same)} unchanged"))
    middle += [TableBlock(t) for t in (_effect_table(board),) if t.rows]
    blocks.append(Columns((tuple(left), tuple(middle))))
    lower: list[Block] = [TableBlock(t) for t in (_margin_table(board),) if t.rows]
    lower += [Heading("Energy, ratings and work"), Bullets((*board.energy, board.ratings, *board.work))]
    blocks.append(Columns((tuple(lower), tuple(TableBlock(t) for t in (_point_table(board),) if t.rows))))
    blocks.append(TableBlock(_rule_table(), "The rules of the recommendation"))
    return Section("For the board", "board", tuple(blocks))


def _met(board: Board) -> str:
    return f"{board.met_after} of {board.required} requirements are met."


def _decision(board: Board) -> str:
    return (f"{board.recommendation}: {', '.join(i for i, _ in board.proposals)}. Requirements met: "
            f"{board.met_before} before, {board.met_after} after, of {board.required}.")  # fmt: skip


def _harmed(board: Board) -> bool:
    return any(p.weight != "open" for p in board.points)


def _split(board: Board, new: bool) -> str:
    sizes = sorted({e.failures for e in board.effects})
    parts = []
    for size in sizes:
        count = sum((e.new if new else e.gone) for e in board.effects if e.failures == size)
        word = {1: "single", 2: "double"}.get(size, f"{size}-fold")
        parts.append(f"{count:,} {word} failure{'s' * (count != 1)}")
    return " and ".join(parts) or "no failure"


def _sentences(board: Board) -> tuple[str, str]:
    """What is gained and what is lost, in the same words and order."""
    newly = [r.id for r in board.requirements if r.met_after is True and r.met_before is not True]
    lost = [r.id for r in board.requirements if r.met_before is True and r.met_after is not True]
    over = [m for m in board.margins if m.ok is False]
    gain = (
        f"Gain: {_split(board, False)} no longer fail something. Requirements newly met: {listed(newly, 8) or 'none'}."
    )
    harm = f"Harm: {_split(board, True)} newly fail something. Requirements no longer met: {listed(lost, 8) or 'none'}."
    harm += f" Faults that propagate to a further channel: {board.spread}."
    return gain, harm + (f" Limits passed: {len(over)}." if over else "")


def _proposed(report: ReportInput, board: Board) -> list[Block]:
    blocks: list[Block] = [
        Paragraph(f"{id_}: {about.rstrip('.')}." if about else f"{id_}.") for id_, about in board.proposals
    ]
    if board.places:
        blocks.append(Paragraph(f"Where: {', '.join(board.places)}."))
    pictures = report.pictures
    near = pictures.touched(()) if pictures.topology("after").added else frozenset()
    if near:
        small = pictures.narrowed(near)
        if len(small.diagram.graph.boxes) <= MOST_IN_PICTURE:
            drawing = beside([small.draw((), side, legend=False) for side in small.sides])
            words = (
                "The part that changes, before and after, with nothing failed. A halo marks what is added or changed."
            )
            blocks.append(Figure(drawing.svg, words))
    return blocks


def _mark(met: bool | None, must: int | None, tolerates: str) -> Cell:
    if tolerates == "absent":
        return ToneCell("not in this system")
    if must is None:
        return ToneCell(tolerates)
    return ToneCell(
        {True: "● ", False: "✕ ", None: "? "}[met] + tolerates, {True: "good", False: "bad", None: "doubt"}[met]
    )


def _requirement_table(rows: Sequence[Requirement], board: Board, name: str = "") -> Table:
    both = board.met_before is not None
    columns = ("load / function", "severity", "must tolerate", *(("before", "after") if both else ("tolerates",)))
    made = []
    for r in rows:
        sides = (_mark(r.met_before, r.must_tolerate, r.tolerates_before),) if both else ()
        must = "none stated" if r.must_tolerate is None else r.must_tolerate
        cells = (*sides, _mark(r.met_after, r.must_tolerate, r.tolerates_after))
        made.append((r.id if r.title == r.id else f"{r.id}, {r.title}", r.severity, must, *cells))
    title = "Failures tolerated: ● requirement met, ✕ not met, ? not judged"
    if both:
        title = ("Unchanged" if name else "Changed") + f". {title}"
    return Table(f"board-requirements{f'-{name}' if name else ''}", title, columns, tuple(made))


def _effect_table(board: Board) -> Table:
    words = {1: "single", 2: "double"}
    return Table(
        "board-effects",
        "Failures that no longer, and that newly, fail something (smallest cases; own parts: of the proposal)",
        ("failures", "most severe", "no longer fail", "newly fail", "of these, own parts"),
        tuple((words.get(e.failures, str(e.failures)), e.severity, e.gone, e.new, e.new_own) for e in board.effects),
    )


def percent_text(percent: float | None, ok: bool | None) -> ToneCell:
    if ok is None:
        return ToneCell("not judged", "doubt")
    if percent is None:
        return ToneCell("no limit reached", "good")
    return ToneCell(f"{percent:.3g} %" if ok else f"{percent:.3g} % LIMIT PASSED", "good" if ok else "bad")


def _margin_table(board: Board) -> Table:
    return Table(
        "board-margins", "Margins, in percent of the limit", ("what", "value", "limit", "margin"),
        tuple((LinkCell(m.what, m.evidence), m.value, m.limit, percent_text(m.percent, m.ok)) for m in board.margins),
    )  # fmt: skip


def _point_table(board: Board) -> Table:
    title = {
        CONDITIONS: "Conditions: each must be accepted or cleared, with its evidence",
        REFUSE: "Why not, and what else is open, with the evidence",
    }.get(board.recommendation, "Open items, with the evidence")
    rows = tuple((WEIGHTS[p.weight], p.text, LinkCell(p.evidence, p.evidence)) for p in board.points)
    shown = max(POINTS_SHOWN, sum(p.weight != "open" for p in board.points))
    return Table("board-conditions", title, ("weight", "condition", "evidence"), rows, shown)


def _rule_table() -> Table:
    return Table("board-rules", "The first rule that applies decides", ("rule",), tuple((r,) for r in RULES))
