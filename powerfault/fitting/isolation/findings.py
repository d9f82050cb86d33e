"""What an isolation or a plan of work breaks, each by its rule and the published practice that the rule follows.

The sequence is that of 29 CFR 1910.147(d), NFPA 70E-2018 article 120.5 and EN 50110-1: know every source, shut down,
open, lock and tag, wait for stored energy, prove dead, earth where the procedure asks. A finding either *refuses* the
work or *cautions*. Local procedures and licensed practice prevail over all of it.
"""

from __future__ import annotations

from dataclasses import dataclass

REFUSES = "refuses"
CAUTIONS = "cautions"

RULES = {
    "energies": ("every source of energy is known before work begins", "29 CFR 1910.147(d)(1); NFPA 70E-2018 120.5"),
    "shut-down": ("the equipment is shut down in order", "29 CFR 1910.147(d)(2)"),
    "isolate": (
        "every source is parted from the work by open devices",
        "29 CFR 1910.147(d)(3); NFPA 70E-2018 120.5; EN 50110-1, disconnect; the count of open points is a convention",
    ),
    "position": (
        "a shown or remote position is no proof that a device is open",
        "29 CFR 1910.333(b)(2): push-buttons, interlocks are no sole means; NFPA 70E-2018 120.5: see it open",
    ),
    "lock-and-tag": (
        "each open device is locked or tagged against closing",
        "29 CFR 1910.147(d)(4); NFPA 70E-2018 120.5; EN 50110-1, secure against reclosing",
    ),
    "stored-energy": (
        "stored energy is let go, and watched if it can build up again",
        "29 CFR 1910.147(d)(5); 1910.333(b)(2): discharge capacitors; NFPA 70E-2018 120.5",
    ),
    "prove-dead": (
        "each pole is proved dead at both ends, after everything is open, tagged and discharged",
        "29 CFR 1910.147(d)(6); NFPA 70E-2018 120.5: known live, dead, known live; EN 50110-1, verify dead",
    ),
    "release": (
        "nothing is closed until the work at both ends is done and the tags are off",
        "29 CFR 1910.147(e), release from lockout or tagout (from memory); EN 50110-1, secure against reclosing",
    ),
    "order": ("the order of safety steps is made by dependencies, not left to the clock", "common practice, no source"),
    "window": ("the work fits the time in which it can be made dead", "common practice, no source"),
    "interruption": ("nobody is dark longer than it bears", "the file's rides_through"),
    "operate": ("a device is operated by who can reach or command it", "the file's operated and operated_by"),
    "connector": ("a connector that is mated fits only its partner and has matings left", "common practice, no source"),
    "two-places": ("a crew member is in one place at a time", "the plan's own sites"),
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
class Finding:
    """One finding. ``ids`` are the components or steps concerned; ``line`` and ``column`` are 0 where unknown."""

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
        return self.weight == REFUSES

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
