"""A system of two buses, sound plans that tie them, and ways to change these, for tests of the plan checker."""

from __future__ import annotations

import copy
import random
from typing import Any

import yaml

Steps = list[dict[str, Any]]

SYSTEM = """
powerfault: 1
name: Two buses
stage_minutes: {automatic: 0.1, commanded: 15, manual: 480}
components:
  SA: {kind: source}
  SB: {kind: source}
  QA: {kind: breaker, operated: manual, site: east, lockable: true}
  QB: {kind: breaker, operated: commanded, site: west, lockable: true}
  A:  {kind: bus, can_fail: false, site: east}
  B:  {kind: bus, can_fail: false, site: west, discharge_min: 6}
feeds: [SA -> QA -> A, SB -> QB -> B]
loads:
  LA: {fed_by: [A], severity: critical, rides_through: commanded}
  LB: {fed_by: [B], severity: major, rides_through: commanded}
proposals:
  TIE:
    add:
      components:
        KA: {kind: breaker, normally: open, site: east, lockable: true}
        CA: {kind: connector, site: east}
        J:  {kind: jumper, length_m: 5}
        CB: {kind: connector, site: west}
      feeds: [A <-> KA <-> CA <-> J <-> CB <-> B]
"""

GO = """
- {id: go-e, do: travel, to: east, who: UMA, after: []}
- {id: go-w, do: travel, to: west, who: ILO, after: []}
"""
OPEN = """
- {id: open-a, do: open, what: QA, who: UMA, minutes: 2, after: [go-e]}
- {id: see-a, do: see-open, what: [QA, KA], who: UMA, minutes: 1, after: [open-a]}
- {id: tag-a, do: tag, what: [QA, KA], who: UMA, minutes: 2, after: [see-a]}
- {id: open-b, do: open, what: QB, who: inside, minutes: 1, after: []}
- {id: see-b, do: see-open, what: QB, who: ILO, minutes: 1, after: [open-b, go-w]}
- {id: tag-b, do: tag, what: QB, who: ILO, minutes: 2, after: [see-b]}
- {id: bleed, do: wait, who: inside, minutes: 6, after: [open-a, open-b]}
"""
DEAD = """
- {id: dead-a, do: prove-dead, what: CA, who: UMA, minutes: 3, after: [tag-a, tag-b, bleed]}
- {id: dead-b, do: prove-dead, what: CB, who: ILO, minutes: 3, after: [tag-a, tag-b, bleed]}
- {id: earth-a, do: earth, what: CA, who: UMA, minutes: 3, after: [dead-a]}
- {id: earth-b, do: earth, what: CB, who: ILO, minutes: 3, after: [dead-b]}
- {id: cover-a, do: cover, what: CA, who: UMA, minutes: 1, after: [earth-a]}
- {id: cover-b, do: cover, what: CB, who: ILO, minutes: 1, after: [earth-b]}
"""
MATE = """
- {id: mate-a, do: mate, what: CA, who: UMA, minutes: 5, after: [cover-a, cover-b]}
- {id: mate-b, do: mate, what: CB, who: ILO, minutes: 5, after: [cover-a, cover-b]}
"""
BACK = """
- {id: bare-a, do: uncover, what: CA, who: UMA, minutes: 1, after: [mate-a, mate-b]}
- {id: bare-b, do: uncover, what: CB, who: ILO, minutes: 1, after: [mate-a, mate-b]}
- {id: lift-a, do: unearth, what: CA, who: UMA, minutes: 3, after: [bare-a]}
- {id: lift-b, do: unearth, what: CB, who: ILO, minutes: 3, after: [bare-b]}
- {id: free-a, do: untag, what: [QA, KA], who: UMA, minutes: 1, after: [lift-a, lift-b]}
- {id: free-b, do: untag, what: QB, who: ILO, minutes: 1, after: [lift-a, lift-b]}
- {id: close-a, do: close, what: QA, who: UMA, minutes: 1, after: [free-a, free-b]}
- {id: close-b, do: close, what: QB, who: inside, minutes: 1, after: [free-b, close-a]}
"""
# Half today: CA is mated, the far end of the jumper is capped, earths and covers come off, the tags stay.
TODAY = """
- {id: mate-a, do: mate, what: CA, who: UMA, minutes: 5, after: [cover-a, cover-b]}
- {id: cap-b, do: cap, what: J, who: ILO, minutes: 2, after: [mate-a]}
- {id: bare-a1, do: uncover, what: CA, who: UMA, minutes: 1, after: [cap-b]}
- {id: bare-b1, do: uncover, what: CB, who: ILO, minutes: 1, after: [cap-b]}
- {id: lift-a1, do: unearth, what: CA, who: UMA, minutes: 3, after: [bare-a1]}
- {id: lift-b1, do: unearth, what: CB, who: ILO, minutes: 3, after: [bare-b1]}
"""
TOMORROW = """
- {id: go-e2, do: travel, to: east, who: UMA, after: []}
- {id: go-w2, do: travel, to: west, who: ILO, after: []}
- {id: dead-a2, do: prove-dead, what: CA, who: UMA, minutes: 3, after: [go-e2]}
- {id: dead-b2, do: prove-dead, what: CB, who: ILO, minutes: 3, after: [go-w2]}
- {id: earth-a2, do: earth, what: CA, who: UMA, minutes: 3, after: [dead-a2]}
- {id: earth-b2, do: earth, what: CB, who: ILO, minutes: 3, after: [dead-b2]}
- {id: cover-a2, do: cover, what: CA, who: UMA, minutes: 1, after: [earth-a2]}
- {id: cover-b2, do: cover, what: CB, who: ILO, minutes: 1, after: [earth-b2]}
- {id: uncap-b, do: uncap, what: J, who: ILO, minutes: 1, after: [cover-a2, cover-b2]}
- {id: mate-b, do: mate, what: CB, who: ILO, minutes: 5, after: [uncap-b]}
- {id: bare-a, do: uncover, what: CA, who: UMA, minutes: 1, after: [mate-b]}
"""


def steps(*texts: str, outing: str = "first", job: str = "tie") -> Steps:
    """The steps of some texts, each in a job of an outing."""
    return [{**s, "outing": outing, "job": job} for text in texts for s in yaml.safe_load(text)]


ONE = steps(GO, OPEN, DEAD, MATE, BACK)
"""The tie fitted in one outing, sound under the fullest practice."""
BARE = [
    {**s, "after": [a for a in s["after"] if a[:5] not in ("earth", "cover")] or s["after"]}
    for s in copy.deepcopy(ONE)
    if s["do"] not in ("earth", "cover", "unearth", "uncover", "see-open")
]
"""The same without the steps that only the fullest practice asks for (their dependencies are put right below)."""
for _step in BARE:
    _known = {"see-a": ["open-a"], "see-b": ["open-b", "go-w"], "cover-a": ["dead-a"], "cover-b": ["dead-b"],
              "lift-a": ["mate-a", "mate-b"], "lift-b": ["mate-a", "mate-b"]}  # fmt: skip
    _step["after"] = list(dict.fromkeys(b for a in _step["after"] for b in _known.get(a, [a])))
    if _step["do"] == "mate":
        _step["after"] = ["dead-a", "dead-b"]
TWO = [
    *steps(GO, OPEN, DEAD, TODAY, outing="today", job="half"),
    *steps(TOMORROW, BACK.partition("\n")[2].partition("\n")[2], outing="tomorrow", job="rest"),
]
"""Half fitted today, capped and left under tags; the rest tomorrow, proved dead again."""
FULL, NONE = {"earth": True, "cover": True, "see_open": True}, {"earth": False, "cover": False, "see_open": False}


def plan(of: Steps, practice: dict[str, bool], points: int = 1) -> str:
    """A plan file with these steps."""
    outings: dict[str, Any] = {}
    for step in of:
        outing = outings.setdefault(step["outing"], {"start_site": "lock", "jobs": {}})
        job = outing["jobs"].setdefault(step["job"], {"fits": ["TIE"], "steps": []})
        job["steps"].append({k: v for k, v in step.items() if k not in ("outing", "job")})
    data = {
        "outing_plan": 1, "name": "tie", "crew": ["UMA", "ILO"], "open_points": points, "practice": practice,
        "sites": {"lock": {}, "east": {}, "west": {}},
        "travel_min": {"lock": {"east": 5, "west": 7}, "east": {"west": 3}}, "outings": outings,
    }  # fmt: skip
    return yaml.safe_dump(data, sort_keys=False, default_flow_style=None, width=200)


def drop(of: Steps, *ids: str) -> Steps:
    """The steps without some of them; what came after one of these comes after what that one came after."""
    of = copy.deepcopy(of)
    for id_ in ids:
        gone = next(s for s in of if s["id"] == id_)
        of.remove(gone)
        for step in of:
            if id_ in step["after"]:
                step["after"] = list(
                    dict.fromkeys(x for a in step["after"] for x in (gone["after"] if a == id_ else [a]))
                )
    return of


def change(of: Steps, id_: str, **fields: Any) -> Steps:
    """The steps with fields of one of them replaced."""
    of = copy.deepcopy(of)
    next(s for s in of if s["id"] == id_).update(fields)
    return of


def insert(of: Steps, before: str | None, text: str) -> Steps:
    """The steps with others put in before one of them (``None``: at the end)."""
    of = copy.deepcopy(of)
    at = len(of) if before is None else next(n for n, s in enumerate(of) if s["id"] == before)
    near = of[min(at, len(of) - 1)]
    of[at:at] = steps(text, outing=near["outing"], job=near["job"])
    return of


def mutant(of: Steps, rng: random.Random) -> Steps:
    """The steps with one change: one left out, two swapped, one done again, re-aimed, done by another, or freed."""
    of = copy.deepcopy(of)
    at = rng.randrange(len(of))
    step, kind = of[at], rng.choice(("drop", "swap", "repeat", "aim", "who", "loose", "after"))
    if kind == "drop":
        return drop(of, step["id"])
    if kind == "swap":
        other = rng.choice(of)
        for key in ("do", "what", "who", "to", "minutes"):
            mine, its = step.pop(key, None), other.pop(key, None)
            step |= {key: its} if its is not None else {}
            other |= {key: mine} if mine is not None else {}
    elif kind == "repeat":
        to = rng.randrange(at, len(of))
        again = {**copy.deepcopy(step), "id": step["id"] + "-again", "after": [of[to]["id"]]}
        of.insert(to + 1, again | {k: of[to][k] for k in ("outing", "job")})
    elif kind == "aim" and "what" in step:
        step["what"] = rng.choice(["QA", "QB", "KA", "CA", "CB", "A", "B", "J"])
    elif kind == "who":
        step["who"] = rng.choice(["UMA", "ILO", "inside"])
    elif kind == "loose" and step["after"]:
        step["after"].remove(rng.choice(step["after"]))
    elif kind == "after" and at:
        step["after"] = [of[rng.randrange(at)]["id"]]
    return of
