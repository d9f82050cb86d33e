"""Plans written by hand, as data: a sound plan, what is changed in it, and the rule that must refuse it (or none).

``source`` is where the rule comes from: OSHA is 29 CFR 1910.147 and 1910.333(b); EN is EN 50110-1:2013, 6.2; NFPA is
70E-2018, 120.5; "practice" is common practice without a source.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from tests.plans import BARE, FULL, NONE, ONE, SYSTEM, TWO, Steps, change, drop, insert, plan

Edit = tuple[Any, ...]


class Case(NamedTuple):
    name: str
    edits: tuple[Edit, ...]
    rule: str | None = None
    source: str = ""
    base: Steps = ONE
    practice: dict[str, bool] = FULL
    system: tuple[tuple[str, str], ...] = ()
    points: int = 1
    twin: bool = True
    """Whether the slow reference knows what the case is about."""

    def texts(self) -> tuple[str, str]:
        """The system and the plan."""
        steps, system = self.base, SYSTEM
        for do, *rest in self.edits:
            if do == "drop":
                steps = drop(steps, *rest)
            elif do == "insert":
                steps = insert(steps, *rest)
            else:
                steps = change(steps, do, **rest[0])
        for old, new in self.system:
            assert old in system, old
            system = system.replace(old, new)
        return system, plan(steps, self.practice, self.points)


STAND = ("proposals:", "standing: {failed: [QA:stuck]}\nproposals:")
TIE_OPEN = (
    ("SB -> QB -> B", "SX -> QX -> B, SB -> QB -> B"),
    ("  QB: {", "  SX: {kind: source}\n  QX: {kind: breaker, normally: open, site: west}\n  QB: {"),
)
CLOSED = ("proposals:", "standing: {failed: [QX:closed]}\nproposals:")
UPSTREAM = (
    ("SA -> QA -> A", "SA -> QU -> QA -> A"),
    ("  QB: {", "  QU: {kind: breaker, operated: manual, site: east, lockable: true}\n  QB: {"),
)
FUSE = (("QA: {kind: breaker, operated: manual,", "QA: {kind: fuse, isolates: true,"),)
CONVERTER = (
    ("  A:  {kind: bus", "  CV: {kind: converter, site: east}\n  A:  {kind: bus"),
    ("SA -> QA -> A", "SA -> QA -> CV -> A"),
)
PARKED = (
    ("  A:  {kind: bus", "  JP: {kind: jumper, mated: false}\n  A:  {kind: bus"),
    ("SB -> QB -> B]", "SB -> QB -> B, A <-> JP <-> B]"),
)
WITH_TIE = tuple((i, {"what": ["QB", "QX"]}) for i in ("see-b", "tag-b", "free-b"))
UMA, ILO, INSIDE = "UMA", "ILO", "inside"

SOUND = (
    Case("the fullest practice", ()),
    Case("the least practice", (), base=BARE, practice=NONE),
    Case("half today, the rest tomorrow", (), base=TWO),
    Case("no earths asked", (("drop", "earth-a", "earth-b", "lift-a", "lift-b"),), practice=FULL | {"earth": False}),
    Case("no covers asked", (("drop", "cover-a", "cover-b", "bare-a", "bare-b"),), practice=FULL | {"cover": False}),
    Case("nothing seen open, not asked", (("drop", "see-a", "see-b"),), practice=FULL | {"see_open": False}),
    Case("more than the site asks", (), practice=NONE),
    Case("a longer wait", (("bleed", {"minutes": 30}),)),
    Case("the wait kept by a crew member", (("bleed", {"who": UMA}),)),
    Case(
        "each device tagged by a step of its own",
        (
            ("tag-a", {"what": ["QA"]}),
            ("insert", "dead-a", "- {id: tag-ka, do: tag, what: KA, who: UMA, minutes: 1, after: [tag-a]}"),
        ),
    ),
    Case(
        "two tags on one device, each taken off by its owner",
        (
            ("insert", "dead-a", "- {id: tag-b2, do: tag, what: QB, who: UMA, minutes: 1, after: [tag-a]}"),
            ("tag-b2", {"who": ILO, "after": ["tag-b"]}),
        ),
    ),
    Case("one end after the other", (("mate-b", {"after": ["cover-a", "cover-b", "mate-a"]}),)),
    Case("the other end first", (("mate-a", {"after": ["cover-a", "cover-b", "mate-b"]}),)),
    Case(
        "the tie closed at the end",
        (("insert", None, "- {id: tie, do: close, what: KA, who: inside, minutes: 1, after: [close-b, close-a]}"),),
    ),
    Case(
        "pulled apart and mated again, dead throughout",
        (
            (
                "insert",
                "bare-a",
                "- {id: pull, do: demate, what: CA, who: UMA, minutes: 2, after: [mate-a, mate-b]}\n"
                "- {id: push, do: mate, what: CA, who: UMA, minutes: 2, after: [pull]}",
            ),
            ("bare-a", {"after": ["push", "mate-b"]}),
            ("bare-b", {"after": ["push", "mate-b"]}),
        ),
    ),
    Case(
        "an inspection of the connector, dead",
        (
            ("insert", "bare-a", "- {id: look, do: work, what: CA, who: UMA, minutes: 2, after: [mate-a, mate-b]}"),
            ("bare-b", {"after": ["look"]}),
        ),
    ),
    Case(
        "work that touches nothing",
        (("insert", "dead-a", "- {id: lay, do: work, who: both, minutes: 9, after: [go-e, go-w]}"),),
    ),
    Case(
        "work on a bus that is dead, earthed and covered",
        (
            ("dead-a", {"what": ["CA", "A"]}),
            ("earth-a", {"what": ["CA", "A"]}),
            ("cover-a", {"what": ["CA", "A"]}),
            ("insert", "bare-a", "- {id: bolt, do: work, what: A, who: UMA, minutes: 2, after: [mate-a, mate-b]}"),
            ("bare-a", {"what": ["CA", "A"], "after": ["bolt", "mate-b"]}),
            ("lift-a", {"what": ["CA", "A"]}),
            ("bare-b", {"after": ["bolt", "mate-b"]}),
        ),
    ),
    Case("the connector is covered by a cover at its site", (("cover-a", {"what": "A"}), ("bare-a", {"what": "A"}))),
    Case(
        "a free end covered instead of capped", (("cap-b", {"do": "cover"}), ("uncap-b", {"do": "uncover"})), base=TWO
    ),
    Case("a pulled fuse, seen and tagged", (), system=FUSE),
    Case(
        "a stuck device, with another open upstream",
        (
            ("open-a", {"what": "QU"}),
            ("see-a", {"what": "QU"}),
            ("tag-a", {"what": "QU"}),
            ("free-a", {"what": "QU"}),
            ("close-a", {"what": "QU"}),
        ),
        system=(*UPSTREAM, STAND),
    ),
    Case(
        "two points on each side",
        (
            ("open-a", {"what": ["QA", "QU"]}),
            ("see-a", {"what": ["QA", "QU"]}),
            ("tag-a", {"what": ["QA", "QU"]}),
            ("free-a", {"what": ["QA", "QU"]}),
            ("close-a", {"what": ["QA", "QU"]}),
            ("open-b", {"what": ["QB", "QV"]}),
            ("see-b", {"what": ["QB", "QV"]}),
            ("tag-b", {"what": ["QB", "QV"]}),
            ("free-b", {"what": ["QB", "QV"]}),
            ("close-b", {"what": ["QB", "QV"]}),
        ),
        points=2,
        system=(
            *UPSTREAM,
            ("SB -> QB -> B", "SB -> QV -> QB -> B"),
            ("  QB: {", "  QV: {kind: breaker, operated: commanded, site: west, lockable: true}\n  QB: {"),
        ),
    ),
    Case(
        "a converter worked on dead",
        (
            ("dead-a", {"what": ["CA", "CV"]}),
            ("earth-a", {"what": ["CA", "CV"]}),
            ("cover-a", {"what": ["CA", "CV"]}),
            ("insert", "bare-a", "- {id: turn, do: work, what: CV, who: UMA, minutes: 2, after: [mate-a, mate-b]}"),
            ("bare-a", {"what": ["CA", "CV"]}),
            ("lift-a", {"what": ["CA", "CV"]}),
        ),
        system=CONVERTER,
    ),
    Case(
        "a load that allows the time",
        (),
        system=(("severity: major, rides_through: commanded", "severity: major, rides_through_min: 600"),),
    ),
    Case("a second infeed whose breaker is open already", WITH_TIE, system=TIE_OPEN),
    Case("the covers off one after the other", (("bare-b", {"after": ["bare-a", "mate-b"]}),)),
    Case("the earths off one after the other", (("lift-b", {"after": ["lift-a", "bare-b"]}),)),
    Case(
        "side B given back first", (("close-b", {"after": ["free-a", "free-b"]}), ("close-a", {"after": ["close-b"]}))
    ),
    Case(
        "proved again after the earths",
        (("insert", "mate-a", "- {id: again, do: prove-dead, what: CA, who: UMA, minutes: 2, after: [cover-a]}"),),
    ),
    Case(
        "a parked jumper left parked, under tag",
        (
            (
                "insert",
                "dead-a",
                "- {id: tag-jp, do: tag, what: JP, who: UMA, minutes: 1, after: [tag-a]}\n"
                "- {id: see-jp, do: see-open, what: JP, who: UMA, minutes: 1, after: [tag-jp]}",
            ),
            ("dead-a", {"after": ["tag-a", "tag-b", "bleed", "see-jp"]}),
            ("dead-b", {"after": ["tag-a", "tag-b", "bleed", "see-jp"]}),
            ("free-a", {"what": ["QA", "KA", "JP"]}),
        ),
        system=PARKED,
        twin=False,
    ),
)

DANGEROUS = (
    # Standing failures are no open points.
    Case("a stuck breaker taken as open", (), "operate", "practice", system=(STAND,)),
    Case("a breaker that stands closed by failure taken as open", WITH_TIE, "isolate", "OSHA (d)(3)",
         system=(*TIE_OPEN, CLOSED)),
    # Every part is put in by a step.
    Case("one end never mated", (("drop", "mate-b"),), "incomplete", "practice"),
    Case("the other end never mated", (("drop", "mate-a"),), "incomplete", "practice"),
    Case("one work step fits it", (("drop", "mate-b"), ("mate-a", {"do": "work"})), "incomplete", "practice"),
    Case("half today and never the rest", (("drop", "mate-b"),), "incomplete", "practice", TWO),
    Case("the free end left without a cap", (("drop", "cap-b", "uncap-b"),), "free-end", "practice", TWO),
    Case("side B given back overnight", (
        ("insert", "go-e2", "- {id: early, do: untag, what: QB, who: ILO, minutes: 1, after: [lift-a1, lift-b1]}\n"
         "- {id: alive, do: close, what: QB, who: inside, minutes: 1, after: [early]}"),
        ("drop", "free-b", "close-b")), "prove-dead", "OSHA (d)(6)", TWO),
    Case("side A given back overnight", (
        ("insert", "go-e2", "- {id: early, do: untag, what: [QA, KA], who: UMA, minutes: 1, after: [lift-a1, lift-b1]}"
         "\n- {id: alive, do: close, what: [QA, KA], who: UMA, minutes: 1, after: [early]}"),
        ("early", {"outing": "today", "job": "half"}), ("alive", {"outing": "today", "job": "half"}),
        ("drop", "free-a", "close-a")), "free-end", "practice", TWO),
    Case("not proved again tomorrow", (("drop", "dead-a2", "dead-b2"),), "prove-dead", "EN 6.2.4", TWO),
    # Hands on what is live.
    Case("work on a live bus", (("insert", "open-a", "- {id: bolt, do: work, what: A, who: UMA, minutes: 2, "
                                 "after: [go-e]}"),), "isolate", "OSHA 1910.333(b)(2)"),
    Case("a live converter moved", (("insert", "open-a", "- {id: turn, do: relocate, what: CV, who: UMA, minutes: 2, "
                                     "after: [go-e]}"),), "isolate", "OSHA 1910.333(b)(2)", system=CONVERTER),
    Case("a live breaker worked on", (("insert", "open-a", "- {id: turn, do: work, what: QA, who: UMA, minutes: 2, "
                                       "after: [go-e]}"),), "isolate", "OSHA 1910.333(b)(2)"),
    Case("work at the breaker that isolates", (("insert", "bare-a", "- {id: turn, do: work, what: QA, who: UMA, "
                                                "minutes: 2, after: [mate-a]}"),), "isolate", "OSHA 1910.333(b)(2)"),
    # People.
    Case("one person at two sites", (("mate-a", {"what": ["CA", "CB"]}), ("drop", "mate-b")), "two-places", "practice"),
    Case("a travel is missing", (("drop", "go-w"),), "two-places", "practice"),
    Case("mated from inside", (("mate-a", {"who": INSIDE}),), "two-places", "practice"),
    Case("tagged at the other site", (("tag-a", {"what": ["QA", "KA", "QB"]}),), "two-places", "practice"),
    # Open, tagged, seen.
    Case("not opened", (("drop", "open-b", "close-b"),), "sequence", "OSHA (d)(3)"),
    Case("not tagged", (("drop", "tag-b", "free-b"),), "lock-and-tag", "OSHA (d)(4)"),
    Case("not seen open", (("drop", "see-b"),), "see-open", "NFPA 120.5(3)"),
    Case("seen before it is opened", (("see-b", {"after": ["go-w"]}),), "sequence", "NFPA 120.5(3)"),
    Case("opened again after it was seen", (("insert", "dead-a", "- {id: move, do: open, what: QA, who: UMA, "
                                             "minutes: 1, after: [tag-a]}"),), "see-open", "NFPA 120.5(3)"),
    Case("the tag of another taken off", (("free-a", {"who": ILO, "what": ["QB", "QA"]}), ("drop", "free-b")), "owner",
         "OSHA (e)(3)"),
    Case("closed under its tag", (("drop", "free-b"),), "release", "OSHA (e)"),
    Case("a tag left at the end", (("free-a", {"what": ["QA"]}),), "closing", "OSHA (e)(3)"),
    Case("a breaker left open at the end", (("drop", "close-b"),), "closing", "practice"),
    Case("a breaker of the proposal counted before it is in", (
        ("drop", "open-a", "close-a"), ("see-a", {"what": ["KA"]}),
        ("tag-a", {"what": ["KA"]}), ("free-a", {"what": ["KA"]})), "isolate", "OSHA (d)(3)"),
    Case("one open point where two are asked", (), "isolate", "practice", points=2),
    Case("a parked jumper without a tag", (), "lock-and-tag", "practice", system=(
        *PARKED, ("A <-> JP <-> B]", "A <-> JP <-> X, SX -> X]"),
        ("  A:  {kind: bus", "  SX: {kind: source}\n  X: {kind: bus}\n  A:  {kind: bus")), twin=False),
    # Stored energy and the proof.
    Case("no wait", (("drop", "bleed"),), "stored-energy", "OSHA (d)(5)"),
    Case("too short a wait", (("bleed", {"minutes": 5}),), "stored-energy", "OSHA (d)(5)"),
    Case("the wait before the last opening", (("bleed", {"after": ["open-a"]}),), "stored-energy", "OSHA (d)(5)"),
    Case("not proved dead", (("drop", "dead-b"),), "prove-dead", "OSHA (d)(6)"),
    Case("proved dead by telemetry", (("dead-a", {"by": "telemetry"}),), "position", "EN 6.2.4"),
    Case("proved dead too early", (("dead-a", {"after": ["tag-a"]}),), "prove-dead", "EN 6.2.4"),
    # Earths and covers.
    Case("not earthed", (("drop", "earth-b", "lift-b"),), "earth", "EN 6.2.5"),
    Case("earthed live", (("insert", "open-a", "- {id: bad, do: earth, what: A, who: UMA, minutes: 1, after: [go-e]}\n"
                           "- {id: bad2, do: unearth, what: A, who: UMA, minutes: 1, after: [bad]}"),), "earth",
         "EN 6.2.5"),
    Case("an earth left at the end", (("drop", "lift-a"),), "closing", "EN 6.2.8"),
    Case("closed onto an earth", (("drop", "lift-b"), ("insert", None, "- {id: lift-b, do: unearth, what: CB, "
                                  "who: ILO, minutes: 1, after: [close-b]}")), "earth", "EN 6.2.8"),
    Case("not covered", (("drop", "cover-a", "bare-a"),), "cover", "EN 6.2.6"),
    Case("uncovered during the work", (("bare-b", {"after": ["cover-b"]}),
         ("mate-b", {"after": ["bare-b", "cover-a"]})),
         "cover", "EN 6.2.6"),
    # Release.
    Case("released while the far end is being mated", (("free-b", {"after": ["mate-b"]}),), "earth", "OSHA (e)"),
    Case("closed while work may not be done", (("free-b", {"after": ["dead-b"]}), ("close-b", {"after": ["dead-b"]})),
         "release", "OSHA (e)"),
    Case("isolated by the clock alone", (("dead-a", {"after": ["tag-a", "bleed"]}), ("mate-a", {"after": ["cover-a"]})),
         "order", "practice"),
    Case("mated twice", (("insert", "bare-a", "- {id: twice, do: mate, what: CA, who: UMA, minutes: 1, "
                          "after: [mate-a]}"),), "sequence", "practice"),
    Case("demated after it is live", (("insert", None, "- {id: pull, do: demate, what: CA, who: UMA, minutes: 1, "
                                       "after: [close-b]}"),), "isolate", "OSHA 1910.333(b)(2)"),
    Case("a load interrupted for longer than it allows", (), "interruption", "practice",
         system=(("severity: major, rides_through: commanded", "severity: major, rides_through_min: 3"),), twin=False),
)  # fmt: skip
