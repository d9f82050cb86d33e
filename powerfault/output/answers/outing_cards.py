"""A card for each crew member and one for the control room: own steps by the clock, calls, hold points, ways out.

Before a hold point (hands on something, earthing, closing, taking off a tag) the crew member asks the control room for
the go, which is on its card with all that must be done first. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from powerfault.fitting.outing.plan import INSIDE, WORKS, Step
from powerfault.fitting.outing.study import OutingResult, PlanStudy, StepState
from powerfault.output.answers.isolation_text import markdown_text as md
from powerfault.output.answers.outing_text import STOP_WORDS
from powerfault.output.blocks.tables import csv_text

CONTROL = "control room"
HOLDS = (*WORKS, "earth", "unearth", "close", "untag", "restart")
COLUMNS = ("from", "to", "where", "step", "do", "hold", "wait for", "report to", "if it stops here")
REFUSED = "REFUSED PLAN, NOT FOR USE"
RULES = (
    "Hold: do not begin before the control room gives the go and everything under 'wait for' is reported done.",
    "The clock is the plan's and gives no go. In doubt stop, hands off, and say so.",
    "Local lock-out rules and licensed practice come first.",
)


@dataclass(frozen=True, slots=True)
class Card:
    """What one person does in one outing. ``rows`` are of :data:`COLUMNS`."""

    outing: str
    holder: str
    rows: tuple[tuple[str, ...], ...]

    @property
    def title(self) -> str:
        return f"{'Control room' if self.holder == CONTROL else self.holder}: {self.outing}"


def cards_of(study: PlanStudy) -> tuple[Card, ...]:
    """The cards of every outing: those of the crew, then that of the control room."""
    found = []
    for result in study.results:
        for holder in (*study.plan.crew, CONTROL):
            rows = _rows(study, result, holder)
            if rows:
                found.append(Card(result.outing.title, holder, tuple(rows)))
    return tuple(found)


def _holders(step: Step) -> list[str]:
    return [CONTROL if m == INSIDE else m for m in step.who]


def _rows(study: PlanStudy, result: OutingResult, holder: str) -> list[tuple[str, ...]]:
    steps = {s.id: s for _, _, s in study.plan.steps()}
    jobs = {j.id: j for j in result.outing.jobs}
    by_end = {s.slot.step.id: s for s in result.steps}
    rows: list[tuple[str, ...]] = []
    begun: set[str] = set()
    for slot in sorted(result.timeline.slots, key=lambda s: (s.begin, s.end)):
        step = slot.step
        own = holder in _holders(step)
        hold = is_hold(step)
        if not own and not (holder == CONTROL and hold):
            continue
        calls = [steps[a] for a in step.after if holder not in _holders(steps[a])]
        wait = [f"{a.id} ({', '.join(_holders(a))})" for a in calls]
        turn = result.timeline.jobs.index(slot.job)
        if turn and slot.job not in begun:
            wait.insert(0, f"all of: {jobs[result.timeline.jobs[turn - 1]].title}")
        begun.add(slot.job)
        told = [s for s in steps.values() if step.id in s.after]
        report = dict.fromkeys(h for s in told for h in _holders(s) if h != holder and h not in _holders(step))
        if hold and own and holder != CONTROL:
            report = dict.fromkeys((CONTROL, *report))
        if own:
            do, mark = step.title, "HOLD" if hold else ""
        else:
            do, mark, report = f"give the go for: {step.title} ({', '.join(_holders(step))})", "GO", {}
        where = (step.to if step.do == "travel" else None) or next((w for w in slot.at.values() if w), None) or ""
        rows.append((
            f"{slot.begin:g}", f"{slot.end:g}", where, step.id, do, mark, "; ".join(wait), ", ".join(report),
            if_it_stops(result, by_end[step.id]),
        ))  # fmt: skip
    home = result.timeline.home.get(holder)
    if home is not None and result.outing.end_site:
        rows.append((f"{home[0]:g}", f"{home[1]:g}", result.outing.end_site, "", "way back", "", "", CONTROL, ""))
    return rows


def is_hold(step: Step) -> bool:
    """Whether a step waits for the go: what it names is touched, earthed, freed or put back."""
    return step.do in HOLDS and bool(step.what)


def if_it_stops(result: OutingResult, state: StepState) -> str:
    """What to do if the outing stops once a step has ended."""
    words = STOP_WORDS[state.stop] + (f": {'; '.join(state.reasons)}" if state.reasons else "")
    if state.stop != "no":
        return words
    order = list(result.steps)
    later = next((s for s in order[order.index(state) + 1 :] if s.stop != "no"), None)
    if later is None:
        return f"{words}. Hands off, stay isolated, ask the control room"
    return f"{words}. Go on as far as {later.slot.step.id} (minute {later.slot.end:g}); if not possible, hands off"


def cards_csv(cards: tuple[Card, ...]) -> str:
    """All cards as one table."""
    return csv_text(("outing", "card", *COLUMNS), [(c.outing, c.holder, *row) for c in cards for row in c.rows])


def cards_markdown(study: PlanStudy, cards: tuple[Card, ...]) -> str:
    """All cards in Markdown, one after the other."""
    out = []
    for card in cards:
        out += [f"# {md(card.title)}", "", f"Plan: {md(study.plan.name)}", ""]
        if study.refused:
            out += [f"**{REFUSED}**", ""]
        out += [f"- {rule}" for rule in RULES]
        out += ["", "| " + " | ".join(COLUMNS) + " |", "|" + "---|" * len(COLUMNS)]
        out += ["| " + " | ".join(md(cell) for cell in row) + " |" for row in _shortened(card)]
        out.append("")
    return "\n".join(out)


def _shortened(card: Card) -> list[tuple[str, ...]]:
    """The rows with what to do if it stops said once, where it stays the same."""
    before, rows = None, []
    for row in card.rows:
        rows.append((*row[:-1], "as above" if row[-1] and row[-1] == before else row[-1]))
        before = row[-1]
    return rows


def cards_data(study: PlanStudy, cards: tuple[Card, ...]) -> dict[str, Any]:
    """What :data:`TEMPLATE` sets."""
    return {
        "plan": study.plan.name,
        "digest": study.plan.sha256[:12],
        "refused": REFUSED if study.refused else "",
        "rules": list(RULES),
        "columns": list(COLUMNS),
        "cards": [{"title": c.title, "rows": [list(row) for row in _shortened(c)]} for c in cards],
    }


TEMPLATE = """
#set page(paper: "a4", flipped: true, margin: 9mm, footer: none)
#let cell(row, n) = if n == 5 and row.at(5) != "" { strong(row.at(5)) } else { row.at(n) }
#let card(c) = {
  grid(columns: (1fr, auto), strong(text(size: 1.5em, c.title)),
    [#data.plan, plan file #data.digest])
  if data.refused != "" { block(fill: black, inset: 4pt, text(fill: white, weight: "bold", data.refused)) }
  for rule in data.rules { [- #rule] }
  table(
    columns: (auto, auto, auto, auto, 2fr, auto, 1.6fr, auto, 3fr), inset: 3pt, stroke: 0.4pt + gray,
    fill: (x, y) => if y == 0 { luma(225) } else if c.rows.at(y - 1).at(5) != "" { luma(242) },
    table.header(..data.columns.map(strong)),
    ..c.rows.map(row => range(9).map(n => cell(row, n))).flatten(),
  )
}
#let fitted(body) = layout(size => {
  let points = 10pt
  let set-at(points) = block(width: size.width, { set text(size: points); set par(leading: 0.45em); body })
  while points > 5pt and measure(set-at(points), width: size.width).height > size.height { points -= 0.25pt }
  set-at(points)
})
#for (n, c) in data.cards.enumerate() {
  if n > 0 { pagebreak() }
  fitted(card(c))
}
"""
"""The cards, one page each: the type shrinks until a card fits, to 5 points at the least."""
