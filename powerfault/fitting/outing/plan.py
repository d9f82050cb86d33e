"""What a plan of outings is made of, as frozen values: who does what, where, for how long and after what.

A plan has outings; an outing has jobs, done one after another; a job has steps, which the two crew members do side by
side as far as their dependencies let them. ``INSIDE`` is whoever sends commands from inside: always there, at no site.
Positions in the plan file are kept beside the values and not compared.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from powerfault.errors import ModelError, Problem

INSIDE = "inside"
ACTIONS = {
    "travel": "go to another site",
    "open": "open a device: a switch then parts, a valve passes",
    "close": "close a device: a switch then passes, a valve parts",
    "see-open": "check the visible break, or the indication, of a device that parts",
    "tag": "lock or tag a device that parts: an open switch, a closed valve, a jumper not mated, a stopped pump",
    "untag": "take one's own tag off",
    "wait": "let stored energy discharge",
    "prove-dead": "prove absence of voltage (or of pressure): tester on a known source, each pole, known source again",
    "earth": "earth and short what was proved dead",
    "unearth": "take the earth off",
    "cover": "cover adjacent live parts, or make sure that there are none",
    "uncover": "take the covers off",
    "cap": "cap a free end",
    "uncap": "take the cap off",
    "demate": "pull a connector or jumper apart",
    "mate": "plug a connector or jumper in",
    "reconnect": "mate again what was demated in this plan",
    "relocate": "move something: what it serves is out meanwhile, then the proposal holds",
    "stop": "stop a pump",
    "restart": "start a pump again",
    "depressurise": "let the pressure of a coolant line go",
    "drain": "drain a coolant line",
    "guard": "put the guard for a spill in place, where a coolant line is opened full",
    "fill": "fill a coolant line",
    "bleed": "bleed a coolant line of gas",
    "leak-check": "check a coolant line for leaks under pressure",
    "work": "anything else; what it names is worked on with the hands",
}
"""Every action and what it is."""
SYNONYMS = {"prove dead": "prove-dead", "see open": "see-open", "leak check": "leak-check",
            "depressurize": "depressurise", "refill": "fill", "ground": "earth", "unground": "unearth"}  # fmt: skip
ON_DEVICES = ("open", "close", "tag", "untag", "see-open")
ON_CONTACTS = ("demate", "mate", "reconnect")
WORKS = (*ON_CONTACTS, "relocate", "work")
"""Steps with hands on what they name."""
ON_COOLANT = ("depressurise", "drain", "guard", "fill", "bleed", "leak-check")
BY_COMMAND = ("open", "close", "stop", "restart", "wait", "work")
"""What can be done from inside to something at a site outside."""


@dataclass(frozen=True, slots=True)
class Practice:
    """Which steps of good practice the site asks for."""

    earth: bool = True
    cover: bool = True
    see_open: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step. ``who`` are the crew members (or :data:`INSIDE`), ``what`` the components it is done to.

    ``minutes`` is ``None`` for a travel that takes its time from the table. ``after`` are steps of the plan; ``at_min``
    a start that the plan fixes, in minutes of the outing. ``by`` says how absence of voltage is proved.
    """

    id: str
    do: str
    who: tuple[str, ...]
    what: tuple[str, ...] = ()
    minutes: float | None = None
    after: tuple[str, ...] = ()
    site: str | None = None
    to: str | None = None
    at_min: float | None = None
    by: str = "meter"
    label: str | None = None
    path: str = field(default="", compare=False)

    @property
    def title(self) -> str:
        return self.label or " ".join((self.do, ", ".join(self.what) or self.to or "")).strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Steps that belong together. ``fits`` are the proposals that hold once it is done; priority 1 comes first."""

    id: str
    steps: tuple[Step, ...]
    label: str | None = None
    fits: tuple[str, ...] = ()
    priority: int = 1
    after: tuple[str, ...] = ()
    path: str = field(default="", compare=False)

    @property
    def title(self) -> str:
        return self.label or self.id


@dataclass(frozen=True, slots=True, kw_only=True)
class Outing:
    """Jobs in the order planned. ``start_phase`` and ``into_phase_min`` say when in the cycle of phases it begins."""

    id: str
    jobs: tuple[Job, ...]
    limit_min: float | None = None
    start_site: str | None = None
    end_site: str | None = None
    start_phase: str | None = None
    into_phase_min: float = 0.0
    label: str | None = None
    path: str = field(default="", compare=False)

    @property
    def title(self) -> str:
        return self.label or self.id


@dataclass(frozen=True, slots=True, kw_only=True)
class OutingPlan:
    """A plan of outings. ``travel_min`` holds both directions; ``rooms`` how many may work at a site at once."""

    name: str
    crew: tuple[str, ...]
    rooms: Mapping[str, int]
    travel_min: Mapping[tuple[str, str], float]
    outings: tuple[Outing, ...]
    about: str | None = None
    open_points: int | None = None
    practice: Practice = Practice()
    file: str = field(default="", compare=False)
    sha256: str = field(default="", compare=False)
    positions: Mapping[str, tuple[int, int]] = field(default_factory=dict, compare=False, repr=False)

    def jobs(self) -> Iterator[tuple[Outing, Job]]:
        for outing in self.outings:
            for job in outing.jobs:
                yield outing, job

    def steps(self) -> Iterator[tuple[Outing, Job, Step]]:
        for outing, job in self.jobs():
            for step in job.steps:
                yield outing, job, step

    def place(self, path: str) -> tuple[int, int]:
        """Line and column of ``path``, or of the nearest thing around it."""
        while path:
            if path in self.positions:
                return self.positions[path]
            path = path.rpartition(".")[0] if not path.endswith("]") else path.rpartition("[")[0]
        return (0, 0)

    def travel(self, a: str | None, b: str | None) -> float | None:
        """Minutes from site ``a`` to ``b``: 0 for the same, ``None`` where the plan does not say."""
        if a == b:
            return 0.0
        return None if a is None or b is None else self.travel_min.get((a, b))


def plan_error(plan: OutingPlan, path: str, message: str) -> ModelError:
    """An error at ``path`` of the plan file."""
    line, column = plan.place(path)
    return ModelError([Problem(plan.file, line, column, path, message)])
