"""A ranking of candidate jumpers as JSON, as text for a terminal and as Markdown."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

from powerfault.fitting.isolation.remarks import CAUTIONS_SHOWN
from powerfault.fitting.ranking.baseline import ORDER_SHARE, WEIGHTS, Worth
from powerfault.fitting.ranking.candidates import ROUTE_FACTOR
from powerfault.fitting.ranking.selection import BestSet
from powerfault.fitting.ranking.study import Interaction, Ranked, Ranking
from powerfault.model.elements import Proposal
from powerfault.output.answers.isolation_text import markdown_text as md
from powerfault.output.blocks.screen import Screen

SHOWN = 25
INTERACTIONS_SHOWN = 10

PASTE = "To look further at the ties of the best set, put them among the file's proposals"
NOTES = (
    "Best first: weight of the requirements newly met less those lost or harmed; then cured less broken and own harm; "
    "then the fewest shorts spread, crew minutes and metres. Efficient: no other candidate is at least as good in "
    "every measure and better in one; else such a one is named.",
    "A tie between two ports bears their names: bare it is mated and closed for good, _brk has an open breaker at each "
    "end.",
    "Weights by severity, a convention: "
    + ", ".join(f"{s or 'none'} {w:g}" for s, w in WEIGHTS.items())
    + f"; a minimal cut set of k events weighs {ORDER_SHARE:g} of one of k-1.",
    "Lost: requirements met today and not with it, in the modes asked. Harmed: met in these modes, but a single "
    "failure of another mode (a short that the tie lets in) newly fails the consumer.",
    "Cured: minimal cut sets of today that no longer fail their consumer. Broken: cases that fail a consumer and did "
    "not. Own harm: single failures of the candidate's own components that fail a consumer. Spread: single shorts that "
    "reach a channel which they did not reach.",
    f"Lengths of ties between ports are {ROUTE_FACTOR:g} times the straight line; their breakers are operated by "
    "command. Whether a tie carries the load is not looked at here: size it before choosing.",
    "Cautions: " + " ".join(CAUTIONS_SHOWN),
)


def ranking_json(ranking: Ranking) -> dict[str, Any]:
    """Return ``ranking`` as plain data."""
    return {
        "format": 1,
        "topology": ranking.topology.name,
        "sha256": ranking.topology.sha256,
        "order": ranking.order,
        "modes": list(ranking.modes),
        "evaluations": ranking.evaluations,
        "pairs": ranking.pairs,
        "left_out": dict(ranking.left_out),
        "candidates": [_ranked(r, ranking.made) for r in ranking.ranked],
        "efficient": [r.candidate.id for r in ranking.efficient],
        "interactions": [
            {
                "candidates": [x.first, x.second],
                "kind": x.kind,
                "amount": x.amount,
                "share": round(x.share, 6),
                "met_only_together": list(x.consumers),
            }
            for x in ranking.interactions
        ],
        "budget_min": ranking.budget_min,
        "without_minutes": list(ranking.without_minutes),
        "best_set": ranking.best and _best(ranking.best),
        "best_set_of_harmless": ranking.best_harmless and _best(ranking.best_harmless),
        "notes": list(NOTES),
    }


def _best(best: BestSet) -> dict[str, Any]:
    return {
        "members": list(best.members),
        "crew_minutes": best.minutes,
        **_worth(best.worth),
        "proved": best.proved,
        "bound": best.bound and [None if abs(x) == float("inf") else x for x in best.bound],
        "sets_within_budget": best.feasible,
        "evaluations": best.evaluations,
        "next": [{"members": list(m), "crew_minutes": t, **_worth(w)} for m, w, t in best.runners_up],
    }


def _worth(worth: Worth) -> dict[str, Any]:
    return {
        "newly_met": list(worth.gained),
        "no_longer_met": list(worth.lost),
        "harmed_by_single_failures": list(worth.harmed),
        "cured": worth.cured,
        "broken": worth.broken,
        "own_harm": worth.own_harm,
        "shorts_spread": worth.spread,
    }


def _ranked(r: Ranked, made: Mapping[str, Proposal]) -> dict[str, Any]:
    data: dict[str, Any] = {
        "id": r.candidate.id,
        "title": r.candidate.title,
        "length_m": r.candidate.length_m,
        "crew_minutes": r.candidate.crew_minutes,
        "ports": list(r.candidate.ports),
    }
    if r.candidate.id in made:
        proposal = made[r.candidate.id]
        data["proposal"] = {"label": proposal.title, "crew_minutes": proposal.crew_minutes, "add": proposal.add}
    if r.worth is None:
        return {**data, "refused": r.refused}
    return {**data, **_worth(r.worth), "efficient": r.efficient, "dominated_by": r.dominated_by}


def summary(ranking: Ranking) -> str:
    """The answer in a sentence."""
    judged = [r for r in ranking.ranked if r.worth is not None]
    text = f"{len(judged)} candidate{'s' * (len(judged) != 1)}, {len(ranking.efficient)} of them efficient"
    if judged and judged[0].worth:
        first, worth = judged[0].candidate.id, judged[0].worth
        text += f"; worth most alone: {first} ({_count(len(worth.gained), 'requirement')} newly met)"
    return text + "."


def best_sentences(ranking: Ranking) -> list[str]:
    """The best set, and where it does harm the best of candidates that alone do none, each with its proof."""
    best, other = ranking.best, ranking.best_harmless
    if best is None:
        return ["No budget of crew minutes was given, so no set was chosen (--budget-min M)."]
    text = f"Best for {ranking.budget_min:g} crew minutes: {_set_text(best)}"
    if best.members and best.worth.harmless:
        text += ". It breaks nothing and spreads no short"
    said = [f"{text}. {_proof(best)}"]
    if other is not None:
        said.append(f"Of what alone breaks nothing and spreads no short, the best: {_set_text(other)}. {_proof(other)}")
    return said


def _set_text(best: BestSet) -> str:
    if not best.members:
        return "nothing (no set within the budget is worth more than the system as it is)"
    w = best.worth
    text = f"{' + '.join(best.members)} ({best.minutes:g} min): {_count(len(w.gained), 'requirement')} newly met"
    text += f" ({', '.join(w.gained)})" if w.gained else ""
    text += f"; NO LONGER MET: {', '.join(w.lost)}" if w.lost else ""
    text += f"; broken by a single short or the like: {', '.join(w.harmed)}" if w.harmed else ""
    text += f"; cured {w.cured:g}, broken {w.broken:g}, own harm {w.own_harm:g}"
    if w.spread:
        text += f", {_count(w.spread, 'single short')} spread to another channel"
    return text


def _proof(best: BestSet) -> str:
    if best.proved and best.feasible is not None:
        return f"Proved: all {best.feasible:,} sets that fit were tried."
    if best.proved:
        return f"Proved by branch and bound ({best.evaluations:,} evaluations)."
    if best.bound is None:
        return "NOT proved: too many sets fit, and too many candidates remove or set things for a bound."
    return (
        f"NOT proved: after {best.evaluations:,} evaluations another set might still reach {best.bound[0]:g} in "
        f"requirements (this one {best.worth.key[0]:g}) and {best.bound[1]:g} in cases ({best.worth.key[1]:g})."
    )


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'s' * (number != 1)}"


def chosen_ties(ranking: Ranking) -> tuple[str, ...]:
    """The ties between ports in the best sets: they are in no file yet."""
    chosen = [i for best in (ranking.best, ranking.best_harmless) if best for i in best.members]
    return tuple(i for i in dict.fromkeys(chosen) if i in ranking.made)


def proposals_yaml(ranking: Ranking, ids: Sequence[str]) -> str:
    """Ties between ports as ``proposals`` of a file, to be pasted there and looked at with every command."""
    lines = ["proposals:"]
    for id_ in ids:
        proposal = ranking.made[id_]
        lines += [f"  {_flow(id_)}:", f"    label: {json.dumps(proposal.title, ensure_ascii=False)}"]
        if proposal.crew_minutes is not None:
            lines.append(f"    crew_minutes: {proposal.crew_minutes:g}")
        lines += ["    add:", "      components:"]
        lines += [f"        {_flow(i)}: {_flow(fields)}" for i, fields in proposal.add["components"].items()]
        lines += ["      feeds:", *(f"        - {feed}" for feed in proposal.add["feeds"])]
    return "\n".join(lines) + "\n"


def _flow(value: Any) -> str:
    """Plain data on one line of YAML."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_flow(k)}: {_flow(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_flow, value)) + "]"
    if isinstance(value, str) and re.fullmatch(r"[A-Za-z][\w.-]*", value) and value not in ("true", "false", "null"):
        return value
    return json.dumps(value, ensure_ascii=False)


HEADER = ("candidate", "min", "m", "newly met", "lost", "harmed", "cured", "broken", "own", "spread", "efficient")


def ranking_rows(ranked: Sequence[Ranked]) -> list[tuple[str, ...]]:
    """The table of candidates as text, by :data:`HEADER`."""
    rows = []
    for r in ranked:
        c, w = r.candidate, r.worth
        minutes = "?" if c.crew_minutes is None else f"{c.crew_minutes:g}"
        length = "-" if c.length_m is None else f"{c.length_m:.1f}"
        if w is None:
            rows.append((c.id, minutes, length, f"refused: {r.refused}", *[""] * 7))
            continue
        met = f"{len(w.gained)}" + (f" ({', '.join(w.gained)})" if w.gained else "")
        mark = "yes" if r.efficient else f"no: {r.dominated_by}"
        rows.append(
            (c.id, minutes, length, met, ", ".join(w.lost) or "-", ", ".join(w.harmed) or "-", f"{w.cured:g}",
             f"{w.broken:g}", f"{w.own_harm:g}", str(w.spread), mark)
        )  # fmt: skip
    return rows


def interaction_text(x: Interaction) -> str:
    """An interaction in words."""
    if x.kind == "together":
        text = f"{x.first} and {x.second} are worth more together"
        if x.consumers:
            text += f": only both meet {', '.join(x.consumers)}"
        return text + (f"; {x.amount:g} cured beyond their sum" if x.amount else "")
    if x.kind == "repeats":
        share = "all" if x.share > 1 - 1e-9 else f"{100 * x.share:.0f} %"
        return f"{x.first} and {x.second} duplicate: {share} of the lesser one's cures ({x.amount:g})"
    return f"{x.first} and {x.second} do harm together: {x.amount:g} beyond their sum"


def print_ranking(ranking: Ranking, screen: Screen) -> None:
    """Write the summary, the best set, the table, interactions and notes."""
    screen.line(screen.paint(f"{ranking.topology.name}: {summary(ranking)}", "strong"))
    for sentence in best_sentences(ranking):
        screen.line(sentence)
    screen.line(
        f"{ranking.evaluations:,} sets evaluated; requirements at order {ranking.order} in {', '.join(ranking.modes)}, "
        "single failures in every mode."
    )
    screen.heading("Candidates, best first")
    screen.table(HEADER, ranking_rows(ranking.ranked[:SHOWN]))
    if len(ranking.ranked) > SHOWN:
        screen.line(f"  {len(ranking.ranked) - SHOWN} more: --json lists all")
    for kind, title in (
        ("together", "Worth more together"), ("repeats", "Duplicates"), ("harm", "Harm only together")
    ):  # fmt: skip
        own = [x for x in ranking.interactions if x.kind == kind]
        if own:
            screen.heading(f"{title}: {_count(len(own), 'pair')}")
            for x in own[:INTERACTIONS_SHOWN]:
                screen.line(f"  {interaction_text(x)}")
            if len(own) > INTERACTIONS_SHOWN:
                screen.line(f"  {len(own) - INTERACTIONS_SHOWN} more: --json lists all")
    if ranking.without_minutes:
        screen.heading("Left out of the set: no crew minutes given")
        screen.line(f"  {', '.join(ranking.without_minutes)}")
    if ranking.left_out:
        screen.heading("Pairs of ports left out")
        for reason, count in ranking.left_out.items():
            screen.line(f"  {count}: {reason}")
    ties = chosen_ties(ranking)
    if ties:
        screen.heading(PASTE)
        for line in proposals_yaml(ranking, ties).splitlines():
            screen.line(f"  {line}")
    screen.heading("What this ranking rests on")
    for note in NOTES:
        screen.line(f"  - {note}")


def ranking_markdown(ranking: Ranking) -> str:
    """Return ``ranking`` in Markdown."""
    out = [f"# Candidate jumpers: {md(ranking.topology.name)}", ""]
    for sentence in (summary(ranking), *best_sentences(ranking)):
        out += [md(sentence), ""]
    out += ["| " + " | ".join(HEADER) + " |", "|" + "---|" * len(HEADER)]
    out += ["| " + " | ".join(md(cell) for cell in row) + " |" for row in ranking_rows(ranking.ranked)]
    out += ["", "## Interactions", ""]
    out += [f"- {md(interaction_text(x))}" for x in ranking.interactions[: 3 * INTERACTIONS_SHOWN]] or ["None."]
    ties = chosen_ties(ranking)
    if ties:
        out += ["", f"## {PASTE}", "", "```yaml", proposals_yaml(ranking, ties).rstrip(), "```"]
    out += ["", "## What this ranking rests on", "", *(f"- {note}" for note in NOTES)]
    return "\n".join(out) + "\n"
