"""Gauge, resistance, drop, ampacity: against published figures."""

from __future__ import annotations

import math

import pytest
import scipy.optimize
from hypothesis import given
from hypothesis import strategies as st

from powerfault.electrical.currents import conductors as wire
from powerfault.electrical.currents.derating import AC_AMPACITY_A, Derating, bundle_factor, read_derating
from powerfault.errors import ModelError, RequestError
from powerfault.model.elements import Component, Topology

# Solid copper at 1/58 ohm mm2/m, ohm/km at 20 C, recomputed from ASTM B258 and IEC 60028.
SOLID_OHM_PER_KM = {4: 0.8152, 8: 2.0610, 10: 3.2771, 12: 5.2108, 14: 8.2855, 16: 13.1745, 20: 33.3090, 24: 84.2151}
# FAA AC 43.13-1B change 1 (2001), table 11-9: amperes at 105, 150, 200 C, and ohm per 1000 ft at 20 C.
TABLE_11_9 = """
24 2.5 4 5 28.40
22 3 5 6 16.20
20 4 7 9 9.88
18 6 9 12 6.23
16 7 11 14 4.81
14 10 14 18 3.06
12 13 19 25 2.02
10 17 26 32 1.26
8 38 57 71 .70
6 50 76 97 .44
4 68 103 133 .28
2 95 141 179 .18
"""
# The same circular, page 11-22: voltage-drop examples at 20 A (gauge, feet, volts), without the two misprints.
DROP_EXAMPLES = [(6, 107, 0.942), (4, 90, 0.504), (14, 100, 6.12), (10, 39, 0.98), (10, 156, 3.93), (10, 273, 6.88)]


def test_gauge_geometry_astm_b258() -> None:
    assert wire.diameter_mm(36) == pytest.approx(0.127)
    assert wire.diameter_mm(-3) == pytest.approx(11.684)  # 0000 is 460 mil by definition
    assert wire.diameter_mm(4) == pytest.approx(5.1894, abs=5e-5)
    assert wire.area_mm2(4) == pytest.approx(21.1506, abs=5e-5)
    assert wire.diameter_mm(4) / wire.diameter_mm(10) == pytest.approx(2.00503, abs=5e-6)
    assert wire.area_mm2(4) / wire.area_mm2(7) == pytest.approx(2.00503, abs=5e-6)
    assert wire.ohm_per_m(14) / wire.ohm_per_m(4) == pytest.approx(10.1641, abs=5e-5)


@pytest.mark.parametrize(("gauge", "ohm"), SOLID_OHM_PER_KM.items())
def test_solid_copper_iec_60028(gauge: int, ohm: float) -> None:
    assert 1000 * wire.ohm_per_m(gauge) == pytest.approx(ohm, abs=5e-5)


def test_temperature_iec_60028() -> None:
    resistivity = wire.COPPER_OHM_MM2_PER_M
    assert resistivity == pytest.approx(0.017241, abs=5e-7)
    assert wire.temperature_factor(90) == pytest.approx(1.2751)
    assert wire.temperature_factor(20) == 1
    with pytest.raises(RequestError, match="linear law"):
        wire.temperature_factor(-260)


@pytest.mark.parametrize("row", TABLE_11_9.split("\n")[1:-1])
def test_table_11_9(row: str) -> None:
    gauge, *rest = row.split()
    *amps, ohm = map(float, rest)
    assert AC_AMPACITY_A[int(gauge)] == tuple(amps)
    assert wire.STRANDED_OHM_PER_1000_FT[int(gauge)] == ohm
    # Stranded and tinned: more than solid copper of the same gauge from AWG 16 up, about the same below.
    ratio = wire.ohm_per_m(int(gauge), basis="stranded") / wire.ohm_per_m(int(gauge))
    assert 1.11 < ratio < 1.31 if int(gauge) <= 16 else 0.97 < ratio < 1.11
    for column, expected in zip((105, 150, 200), amps, strict=True):
        assert Derating("ac-43.13-1b", conductor_rating_c=column).ampacity(int(gauge)).value == expected


@pytest.mark.parametrize(("gauge", "feet", "volts"), DROP_EXAMPLES)
def test_drop_examples_of_the_circular(gauge: int, feet: float, volts: float) -> None:
    ohm = wire.ohm_per_m(gauge, basis="stranded") * feet * 0.3048
    assert ohm * 20 == pytest.approx(volts, abs=0.006)


@pytest.mark.parametrize(
    ("source_v", "ohm", "watts", "volts", "amperes", "greatest_w"),
    [
        (28, 0.05, 1000, 26.0830460, 38.3390805, 3920),
        (120, 0.25, 5000, 108.4767986, 46.0928057, 14400),
        (270, 0.5, 20000, 225.6917857, 20000 / 225.6917857, 36450),
    ],
)  # closed form from memory, recomputed; scipy gives the second opinion
def test_constant_power_load(
    source_v: float, ohm: float, watts: float, volts: float, amperes: float, greatest_w: float
) -> None:
    state = wire.line_state(source_v, ohm, watts)
    assert state.voltage_v == pytest.approx(volts, abs=5e-8)
    assert state.current_a == pytest.approx(amperes, abs=5e-8)
    assert state.greatest_w == pytest.approx(greatest_w)
    second = scipy.optimize.brentq(lambda v: v * (source_v - v) / ohm - watts, source_v / 2, source_v, xtol=1e-13)
    assert state.voltage_v == pytest.approx(second, abs=1e-9)
    assert source_v * amperes == pytest.approx(watts + (state.loss_w or 0), rel=1e-7)


def test_the_lower_root_is_rejected() -> None:
    state = wire.line_state(28, 0.05, 1000)
    other = 1.9169540
    assert other * (28 - other) / 0.05 == pytest.approx(1000, abs=1e-3)  # it does solve the equation
    assert state.voltage_v is not None
    assert state.voltage_v > 14 > other
    assert state.loss_w == pytest.approx(73.4943, abs=5e-5)
    assert wire.line_state(28, 0.05, 3920).voltage_v == pytest.approx(14)
    assert wire.line_state(28, 0.05, 3920.001).voltage_v is None


def test_sizing_example() -> None:
    # 120 V, 3 kW constant power, 10 m one way, 70 C, 2 % = 2.4 V: AWG 12 fails, AWG 10 passes (recomputed).
    thin = wire.line_state(120, wire.loop_resistance_ohm(12, 10, conductor_c=70), 3000)
    thick_ohm = wire.loop_resistance_ohm(10, 10, conductor_c=70)
    thick = wire.line_state(120, thick_ohm, 3000)
    assert thin.drop_v == pytest.approx(3.2029, abs=5e-5)
    assert thick_ohm == pytest.approx(0.07842, abs=5e-6)
    assert (thick.voltage_v, thick.current_a, thick.drop_v) == pytest.approx((118.0063, 25.4224, 1.9937), abs=5e-5)
    assert thin.drop_v > 2.4 > (thick.drop_v or 9)  # type: ignore[operator]


def test_efficiency_chain() -> None:
    assert wire.input_power(1000, [0.98, 0.95, 0.92]) == pytest.approx([1086.9565, 1144.1648, 1167.5151], abs=5e-5)
    assert 1000 / wire.input_power(1000, [0.98, 0.95, 0.92])[-1] == pytest.approx(0.85652)
    with pytest.raises(RequestError, match="efficiency"):
        wire.input_power(1, [1.01])


@given(st.floats(10, 400), st.floats(1e-4, 10), st.floats(0, 1), st.floats(0, 1))
def test_more_power_never_less_drop(source_v: float, ohm: float, share: float, more: float) -> None:
    greatest = source_v**2 / (4 * ohm)
    a = wire.line_state(source_v, ohm, share * more * greatest * 0.999)
    b = wire.line_state(source_v, ohm, share * greatest * 0.999)
    assert a.drop_v is not None
    assert b.drop_v is not None
    assert a.drop_v <= b.drop_v + 1e-12 * source_v
    assert b.voltage_v is not None
    assert b.voltage_v >= source_v / 2
    current = b.current_a or 0.0
    assert source_v * current == pytest.approx(b.power_w + (b.loss_w or 0.0), rel=1e-6, abs=1e-9)


@given(st.integers(-3, 39), st.floats(0.1, 100), st.integers(1, 8))
def test_thicker_longer_parallel(gauge: int, length: float, n: int) -> None:
    ohm = wire.loop_resistance_ohm(gauge, length, n)
    assert wire.loop_resistance_ohm(gauge + 1, length, n) > ohm
    assert wire.loop_resistance_ohm(gauge, 2 * length, n) == pytest.approx(2 * ohm)
    assert wire.loop_resistance_ohm(gauge, length, 2 * n) == pytest.approx(ohm / 2)


@pytest.mark.parametrize("text", ["41", "-4", "5/0", "00000", "ten", ""])
def test_no_such_gauge(text: str) -> None:
    with pytest.raises(RequestError, match="gauge"):
        wire.parse_gauge(text)


def test_bundle_rule() -> None:
    # From memory, MIL-STD-975: (29 - N)/28 up to 15 wires, then one half.
    assert bundle_factor(8) == 0.75
    assert [bundle_factor(n) for n in (1, 15, 16, 100)] == [1, 0.5, 0.5, 0.5]
    rule = Derating("bundle", {10: 33}, "an invented list", bundle_wires=8, factor=0.8)
    assert rule.ampacity(10, conductors=2).value == pytest.approx(2 * 33 * 0.75 * 0.8)
    assert rule.ampacity(12).value is None
    own = Derating("bundle")
    assert own.ampacity(10, conductors=4, given_a=80).value == pytest.approx(80 * 21 / 28)


def topology(derating: object) -> Topology:
    return Topology(name="t", later={"derating": derating}, file="t.yaml", positions={"derating": (7, 1)})


def test_derating_is_read() -> None:
    assert read_derating(Topology(name="t")).rule == "none"
    assert read_derating(topology("ac-43.13-1b")).rule == "ac-43.13-1b"
    found = read_derating(topology({"ampacity_a": {"10": 33, "1/0": 150}, "source": "s", "drop_percent": 2}))
    assert (found.rule, found.ampacity_a, found.drop_percent) == ("table", {10: 33, 0: 150}, 2)
    assert found.temperature_c(Component(id="A", kind="cable")) == 90
    assert found.temperature_c(Component(id="A", kind="cable", conductor_c=20)) == 20
    assert read_derating(topology("bundle"), "none").rule == "none"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ({"rule": "bundel"}, "did you mean 'bundle'"),
        ({"rule": "table"}, "needs ampacity_a"),
        ({"ampacity_a": {10: 33}}, "who says these amperes"),
        ({"ampacity_a": {10: 33, 12: 40}, "source": "s"}, "more amperes"),
        ({"ampacity_a": {99: 33}, "source": "s"}, "gauge"),
        ({"ampacity_a": {10: True}, "source": "s"}, "amperes above 0"),
        ({"rule": "none", "factor": 1.2}, "at most 1"),
        ({"rule": "none", "faktor": 1}, "did you mean 'factor'"),
        ({"rule": "ac-43.13-1b", "conductor_rating_c": 260}, "105, 150, 200"),
        ({"bundle_wires": 0}, "whole number"),
        ([1], "expected a rule's name"),
    ],
)
def test_wrong_derating(data: object, says: str) -> None:
    with pytest.raises(ModelError, match=says) as caught:
        read_derating(topology(data))
    assert caught.value.problems[0].line == 7


def test_unlisted_stranded_gauge() -> None:
    with pytest.raises(RequestError, match="not in the table"):
        wire.ohm_per_m(3, basis="stranded")
    assert math.isinf(wire.line_state(28, 0, 10).greatest_w)
