"""What an isolation is made of, as frozen values: devices, loads not served, paths, remarks."""

from __future__ import annotations

from dataclasses import dataclass

from powerfault.fitting.isolation.open_points import WeakestPath
from powerfault.fitting.isolation.remarks import Remark


@dataclass(frozen=True, slots=True)
class HeldDevice:
    """A device held open. ``stood_open`` before; ``lockable`` as the file says, ``None`` if it does not."""

    id: str
    title: str
    kind: str
    site: str | None
    stood_open: bool
    operated: str
    operated_by: tuple[str, ...]
    lockable: bool | None


@dataclass(frozen=True, slots=True)
class DarkConsumer:
    """A consumer that the isolation takes down, or that must be switched over (``stage`` before ``lost``)."""

    id: str
    title: str
    severity: str | None
    priority: int
    demand_kw: float
    stage: str
    bears: str
    bears_min: float | None
    allows_own_min: bool = False
    """Whether the file gives these minutes for the consumer itself (``rides_through_min``)."""


@dataclass(frozen=True, slots=True)
class OpenWay:
    """A path that cannot be given enough open devices, and why."""

    path: WeakestPath
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Isolation:
    """The isolation of one set of ends in one set of phases. ``harm`` is (priority, kW dark, consumers dark)."""

    ends: tuple[str, ...]
    points: int
    phases: tuple[str, ...]
    every_phase: bool
    window_min: float | None
    """The length of the phase it holds in; ``None`` without bound (or where the file gives no duration)."""
    work_min: float | None
    held: tuple[HeldDevice, ...]
    paths: tuple[WeakestPath, ...]
    ways: tuple[OpenWay, ...]
    resting: tuple[str, ...]
    """Sources that reach the work and give nothing in these phases, though they do in others."""
    dark: tuple[DarkConsumer, ...]
    moved: tuple[DarkConsumer, ...]
    already_dark: tuple[str, ...]
    harm: tuple[tuple[int, float, int], ...]
    section: tuple[str, ...]
    stored: tuple[tuple[str, float | None], ...]
    wait_min: float
    findings: tuple[Remark, ...]

    @property
    def holds(self) -> bool:
        """Whether every path holds enough open devices."""
        return not self.ways

    @property
    def may_work(self) -> bool:
        """Whether nothing found refuses the work."""
        return self.holds and not any(f.refuses for f in self.findings)

    @property
    def sources(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(p.source for p in self.paths))
