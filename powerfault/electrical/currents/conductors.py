"""What a conductor of a given gauge is: its area, resistance, voltage drop and greatest transferable power.

Geometry from the gauge number (ASTM B258), resistance from the standard resistivity of annealed copper (IEC 60028),
and the closed form for one constant-power load at the end of a resistive line. Stranded and tinned wire of AWG 16 and
thicker has 1.1 to 1.3 times the resistance of solid copper; the maxima of AC 43.13-1B table 11-9 are offered for it.
How many amperes a gauge may carry is another question: see ``currents.derating``.

Sources: ASTM B258 (diameters); IEC 60028 (1/58 ohm mm2/m at 20 C, 3.93e-3 per K); FAA AC 43.13-1B change 1 (2001),
table 11-9 (ohm per 1000 ft at 20 C, tin-plated stranded).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from powerfault.errors import RequestError

LARGEST_GAUGE, SMALLEST_GAUGE = -3, 40
"""AWG 0000 is written -3, so that a larger number is always a thinner wire."""
TRADE_GAUGES = (-3, -2, -1, 0, 1, *range(2, 31, 2))
"""The gauges offered when a conductor is chosen: those commonly stocked, thickest first."""
COPPER_OHM_MM2_PER_M = 1 / 58
COPPER_PER_K = 3.93e-3
REFERENCE_C = 20.0
METRES_PER_FOOT = 0.3048
SOURCE_GAUGE = "ASTM B258"
SOURCE_COPPER = "IEC 60028"
SOURCE_STRANDED = "FAA AC 43.13-1B change 1, table 11-9"
STRANDED_OHM_PER_1000_FT = {
    24: 28.40, 22: 16.20, 20: 9.88, 18: 6.23, 16: 4.81, 14: 3.06,
    12: 2.02, 10: 1.26, 8: 0.70, 6: 0.44, 4: 0.28, 2: 0.18,
}  # fmt: skip
"""Maximum resistance at 20 C of tin-plated stranded copper by gauge, in ohm per 1000 ft."""
BASES = ("solid", "stranded")


def gauge_name(gauge: int) -> str:
    """Return the trade's name of a gauge.

    >>> gauge_name(10), gauge_name(0), gauge_name(-3)
    ('AWG 10', 'AWG 1/0', 'AWG 4/0')
    """
    return f"AWG {gauge}" if gauge > 0 else f"AWG {1 - gauge}/0"


def parse_gauge(text: str) -> int:
    """Read a gauge as people write it: ``10``, ``AWG 4``, ``0``, ``1/0``, ``0000``, ``4/0``.

    Raises :class:`RequestError` where it is none, or outside 0000 to 40.

    >>> [parse_gauge(t) for t in ("10", "AWG 4", "0", "2/0", "0000", "-3")]
    [10, 4, 0, -1, -3, -3]
    """
    bare = re.sub(r"^\s*awg\s*", "", text.strip(), flags=re.IGNORECASE)
    if re.fullmatch(r"[1-4]/0", bare):
        return 1 - int(bare[0])
    if re.fullmatch(r"0{1,4}", bare):
        return 1 - len(bare)
    if re.fullmatch(r"-?\d{1,2}", bare) and LARGEST_GAUGE <= int(bare) <= SMALLEST_GAUGE:
        return int(bare)
    raise RequestError(f"expected a wire gauge from 4/0 (0000) to 40, found {text[:40]!r}; write it as 10, 1/0 or 0000")


def diameter_mm(gauge: int) -> float:
    """Diameter in mm of solid wire: 0.127 mm x 92^((36 - gauge)/39), ASTM B258.

    >>> round(diameter_mm(36), 3), round(diameter_mm(4), 4)
    (0.127, 5.1894)
    """
    if not LARGEST_GAUGE <= gauge <= SMALLEST_GAUGE:
        raise RequestError(f"expected a gauge from 4/0 (written -3 here) to {SMALLEST_GAUGE}, found {gauge}")
    return float(0.127 * 92 ** ((36 - gauge) / 39))


def area_mm2(gauge: int) -> float:
    """Cross section in mm2 of solid wire.

    >>> round(area_mm2(4), 4)
    21.1506
    """
    return math.pi / 4 * diameter_mm(gauge) ** 2


def temperature_factor(conductor_c: float) -> float:
    """Resistance of copper at ``conductor_c`` over that at 20 C (IEC 60028: 3.93e-3 per K).

    >>> round(temperature_factor(90), 4)
    1.2751
    """
    factor = 1 + COPPER_PER_K * (conductor_c - REFERENCE_C)
    if factor <= 0:
        raise RequestError(f"a conductor at {conductor_c:g} C is outside the linear law of copper's resistance")
    return factor


def ohm_per_m(gauge: int, conductor_c: float = REFERENCE_C, basis: str = "solid") -> float:
    """Resistance in ohm per metre of one conductor.

    ``basis`` is ``solid`` (computed) or ``stranded`` (the maxima of AC 43.13-1B table 11-9, where it lists the gauge;
    raises :class:`RequestError` where it does not).

    >>> round(1000 * ohm_per_m(10), 4)
    3.2771
    """
    if basis == "stranded":
        if gauge not in STRANDED_OHM_PER_1000_FT:
            raise RequestError(
                f"{gauge_name(gauge)} is not in the table of stranded wire ({SOURCE_STRANDED}); it lists the even "
                "gauges 2 to 24. Use the basis 'solid' and a margin of your own"
            )
        at_20 = STRANDED_OHM_PER_1000_FT[gauge] / (1000 * METRES_PER_FOOT)
    elif basis == "solid":
        at_20 = COPPER_OHM_MM2_PER_M / area_mm2(gauge)
    else:
        raise RequestError(f"expected a resistance basis of {' or '.join(BASES)}, found {basis!r}")
    return at_20 * temperature_factor(conductor_c)


def loop_resistance_ohm(
    gauge: int, length_m: float, conductors: int = 1, conductor_c: float = REFERENCE_C, basis: str = "solid"
) -> float:
    """Resistance in ohm there and back: 2 x ``length_m`` (one way) over ``conductors`` in parallel per pole.

    >>> round(loop_resistance_ohm(10, 10, conductor_c=70), 5)
    0.07842
    """
    if length_m < 0 or conductors < 1:
        raise RequestError(f"expected a length of 0 m or more and 1 or more conductors, found {length_m}, {conductors}")
    return 2 * length_m * ohm_per_m(gauge, conductor_c, basis) / conductors


@dataclass(frozen=True, slots=True)
class LineState:
    """One constant-power load at the end of one resistive line, at the root where it works.

    Powers in W, voltages in V, current in A. ``voltage_v`` is ``None`` where there is no operating point: the power
    asked for is above ``greatest_w``.
    """

    sending_v: float
    resistance_ohm: float
    power_w: float
    voltage_v: float | None

    @property
    def current_a(self) -> float | None:
        return None if self.voltage_v is None else self.power_w / self.voltage_v

    @property
    def drop_v(self) -> float | None:
        return None if self.voltage_v is None else self.sending_v - self.voltage_v

    @property
    def drop_fraction(self) -> float | None:
        return None if self.voltage_v is None else 1 - self.voltage_v / self.sending_v

    @property
    def loss_w(self) -> float | None:
        current = self.current_a
        return None if current is None else current * current * self.resistance_ohm

    @property
    def greatest_w(self) -> float:
        """Vs^2 / 4R, reached at half the sending voltage; infinite for a line without resistance."""
        return self.sending_v**2 / (4 * self.resistance_ohm) if self.resistance_ohm else math.inf


def line_state(sending_v: float, resistance_ohm: float, power_w: float) -> LineState:
    """Solve V (Vs - V) / R = P for the load's voltage: V = (Vs + sqrt(Vs^2 - 4 R P)) / 2.

    The other root of the quadratic lies below half the sending voltage; there more current gives less power, so that
    a source that starts from the full voltage never settles on it. It is rejected.

    >>> state = line_state(28, 0.05, 1000)
    >>> round(state.voltage_v, 4), round(state.current_a, 4), round(state.loss_w, 4), state.greatest_w
    (26.083, 38.3391, 73.4943, 3920.0)
    >>> line_state(28, 0.05, 3921).voltage_v is None
    True
    """
    if sending_v <= 0 or resistance_ohm < 0 or power_w < 0:
        raise RequestError(
            f"expected a sending voltage above 0 and resistance and power of 0 or more, found {sending_v} V, "
            f"{resistance_ohm} ohm and {power_w} W"
        )
    inside = sending_v**2 - 4 * resistance_ohm * power_w
    return LineState(sending_v, resistance_ohm, power_w, None if inside < 0 else (sending_v + math.sqrt(inside)) / 2)


def input_power(output: float, efficiencies: list[float]) -> list[float]:
    """Power into each stage of a chain that gives ``output`` at its end, last stage first.

    ``efficiencies`` are in the order of the power's way. Raises :class:`RequestError` outside (0, 1].

    >>> [round(p, 4) for p in input_power(1000, [0.98, 0.95, 0.92])]
    [1086.9565, 1144.1648, 1167.5151]
    """
    found = []
    for efficiency in reversed(efficiencies):
        if not 0 < efficiency <= 1:
            raise RequestError(f"expected an efficiency above 0 and at most 1, found {efficiency}")
        output = output / efficiency
        found.append(output)
    return found
