"""What an isolation or a plan of work breaks, each by its rule and the published practice that the rule follows.

The sequence is that of 29 CFR 1910.147(d), NFPA 70E-2018 article 120.5 and EN 50110-1: know every source, shut down,
open, lock and tag, wait for stored energy, prove dead, earth where the procedure asks. A remark is a *violation*, which
refuses the work, or a *caution*. Local procedures and licensed practice prevail over all of it.
"""

from __future__ import annotations

from dataclasses import dataclass

VIOLATION = "refuses"
CAUTION = "cautions"

_NONE = "common practice, no source"
RULES = {
    "energies": ("every source of energy is known before work begins", "29 CFR 1910.147(d)(1); NFPA 70E-2018 120.5"),
    "shut-down": ("the equipment is shut down in order", "29 CFR 1910.147(d)(2)"),
    "isolate": (
        "every source is isolated from the work by open devices",
        "29 CFR 1910.147(d)(3); NFPA 70E-2018 120.5; EN 50110-1, disconnect; the count of open points is a convention",
    ),
    "position": (
        "a shown or remote position is no proof that a device is open",
        "29 CFR 1910.333(b)(2) in WAC 296-24-975: push-buttons, interlocks are no sole means; NFPA 70E-2018 120.5: "
        "see it open",
    ),
    "see-open": ("each device relied upon is seen open after it was opened", "NFPA 70E-2018 120.5: see them open"),
    "lock-and-tag": (
        "each open device is locked or tagged against closing",
        "29 CFR 1910.147(d)(4); NFPA 70E-2018 120.5; EN 50110-1, secure against reclosing",
    ),
    "owner": ("a tag is removed by the person who put it on", "29 CFR 1910.147(e)(3)"),
    "stored-energy": (
        "stored energy is discharged, and watched if it can build up again",
        "29 CFR 1910.147(d)(5); 1910.333(b)(2) in WAC 296-24-975: discharge capacitors; NFPA 70E-2018 120.5",
    ),
    "prove-dead": (
        "each pole is proved dead at both ends, after everything is open, tagged and discharged",
        "29 CFR 1910.147(d)(6); NFPA 70E-2018 120.5: known live, dead, known live; EN 50110-1, verify dead",
    ),
    "earth": (
        "the work is earthed after it is proved dead, and nothing is closed onto an earth",
        "EN 50110-1, earth and short; NFPA 70E-2018 120.5, ground if needed",
    ),
    "cover": ("adjacent live parts are covered", "EN 50110-1, guard adjacent live parts"),
    "release": (
        "nothing is closed until the work at both ends is done and the tags are off",
        "29 CFR 1910.147(e); EN 50110-1, secure against reclosing",
    ),
    "free-end": ("a free end of what can be energised is capped and isolated", _NONE),
    "incomplete": ("every part and every link of what is fitted is put in by a step", _NONE),
    "closing": ("the plan ends without tags and earths, and with everything closed again", "29 CFR 1910.147(e)"),
    "coolant": ("a coolant line is depressurised and drained or guarded, then filled, bled and leak-checked", _NONE),
    "order": ("the order of safety steps is made by dependencies, not left to the clock", _NONE),
    "window": ("the work fits the time in which it can be isolated", _NONE),
    "interruption": ("no load is interrupted longer than it allows", "the file's rides_through"),
    "operate": ("a device is operated by who can reach or command it", "the file's operated and operated_by"),
    "connector": ("a connector that is mated fits only its partner and has matings left", _NONE),
    "two-places": ("a crew member is in one place at a time, and at what the step is done to", "the plan's own sites"),
    "room": ("a site has room for those who work there", "the plan's own sites"),
    "limit": ("an outing ends within its time limit", "the plan's own limit"),
    "sequence": ("a step does what its state allows", "the plan's own steps"),
}
"""Rule by name: what it asks, and the practice that it follows."""

CAUTIONS_SHOWN = (
    "Connectors are mated and demated only de-energised, isolated, tagged and proved dead at both ends.",
    "Batteries are sources, and so is the far end of a jumper that is mated on one side only.",
    "A position shown by telemetry is no proof that a device is open; absence of voltage is proved at the work.",
    "This sheet models what its file says: a wrong file gives a wrong answer. It supports, and never replaces, the "
    "site's own procedures, hazard analysis, local codes and licensed practice, which prevail.",
)
"""Said on every isolation sheet and every plan."""


@dataclass(frozen=True, slots=True)
class Remark:
    """A violation or a caution. ``ids`` are components or steps; ``line`` and ``column`` are 0 where unknown."""

    rule: str
    weight: str
    message: str
    ids: tuple[str, ...] = ()
    line: int = 0
    column: int = 0

    @property
    def asks(self) -> str:
        return RULES[self.rule][0]

    @property
    def practice(self) -> str:
        return RULES[self.rule][1]

    @property
    def refuses(self) -> bool:
        return self.weight == VIOLATION

    def to_json(self) -> dict[str, object]:
        place = {"line": self.line, "column": self.column} if self.line else {}
        return {
            "rule": self.rule,
            "weight": self.weight,
            "message": self.message,
            "asks": self.asks,
            "practice": self.practice,
            "ids": list(self.ids),
            **place,
        }
