"""Likelihoods over time: repair, frequency, importance, common causes, switching, uncertainty, what is missing."""

from __future__ import annotations

import itertools
import math
import time
from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from bench.systems import channels_system
from likelihood_systems import (
    HOURS,
    k_of_n,
    rate,
    read,
    ring_of_channels,
    series_parallel,
    solve,
    unavailability,
)
from random_topologies import random_topology
from scipy.linalg import expm

from powerfault.errors import ModelError, RequestError
from powerfault.model.elements import MODES, Topology
from powerfault.model.likelihood_fields import common_causes, switching_success
from powerfault.model.modify import apply_proposals
from powerfault.output.answers.likelihood_tables import likelihood_json, uncertainty_table
from powerfault.reliability.brackets import bracket_structure
from powerfault.reliability.change import compare_likelihoods
from powerfault.reliability.importance import importance
from powerfault.reliability.probability import OverMission, over_mission
from powerfault.reliability.rates import rate_table
from powerfault.reliability.structure import build_structure
from powerfault.reliability.study import Likelihood, Settings, assumptions, likelihood
from powerfault.reliability.uncertainty import draw_factors, quantiles

LONG = 1e8
"""Hours after which every transient is over."""
YEAR = 8760.0


def numbers(result: Likelihood, consumer: str) -> OverMission:
    found = result.by_id[consumer].over_mission
    assert found is not None
    return found


def parallel(*units: tuple[float, float]) -> str:
    """A load fed by chains of one repaired unit each: (failures per hour, repair hours)."""
    lines = ["powerfault: 1", "components:"]
    for i, (per_hour, repair_h) in enumerate(units):
        million = per_hour * 1e6
        lines.append(f"  U{i}: {{kind: source, failures_per_million_hours: {million!r}, repair_h: {repair_h!r}}}")
    return "\n".join([*lines, f"loads: {{L: {{fed_by: [{', '.join(f'U{i}' for i in range(len(units)))}]}}}}"])


# ---- repair


def test_one_repaired_unit_and_two() -> None:
    """Rate 1e-4/h, repair 24 h: U = .00239425379; two: 5.732451e-6, failing 4.777043e-7 times an hour (recomputed)."""
    one = numbers(solve(parallel((1e-4, 24.0)), LONG), "L")
    assert one.at_end.low == pytest.approx(0.00239425379, rel=1e-8)
    two = numbers(solve(parallel((1e-4, 24.0), (1e-4, 24.0)), LONG), "L")
    assert two.at_end.low == pytest.approx(5.732451e-6, rel=1e-6)
    assert two.mean.low == pytest.approx(5.732451e-6, rel=1e-6)
    assert two.failures.low / LONG == pytest.approx(4.777043e-7, rel=1e-6)


SUBSTATION = """
powerfault: 1
components:
  IN: {kind: source, can_fail: false}
  BUS-1: {kind: bus, failures_per_million_hours: 1.14155251, repair_h: 5}
  LINE-1: {kind: cable, failures_per_million_hours: 57.0776256, repair_h: 10}
  LINE-2: {kind: cable, failures_per_million_hours: 57.0776256, repair_h: 10}
  XF-1: {kind: converter, failures_per_million_hours: 1.14155251, repair_h: 100}
  XF-2: {kind: converter, failures_per_million_hours: 1.14155251, repair_h: 100}
  BUS-2: {kind: bus, failures_per_million_hours: 2.28310502, repair_h: 2}
feeds:
  - IN -> BUS-1
  - BUS-1 -> LINE-1 -> XF-1 -> BUS-2
  - BUS-1 -> LINE-2 -> XF-2 -> BUS-2
loads: {L: {fed_by: [BUS-2]}}
"""


def test_substation_with_repair() -> None:
    """Billinton and Allan, Reliability Evaluation of Power Systems, ch. 8 (from memory; printed results read).

    0.5 failures a year and 10 h a line, 0.01 and 100 h a transformer, busbars 0.01 and 5 h, 0.02 and 2 h. The printed
    numbers come from the rule l1 l2 (r1 + r2) for a pair, which leaves out terms of the order of l r: within 1 %.
    """
    whole = numbers(solve(SUBSTATION, LONG), "L")
    per_year = whole.failures.low / LONG * YEAR
    hours_per_year = whole.at_end.low * YEAR
    assert per_year == pytest.approx(3.070e-2, rel=2e-3)
    assert hours_per_year == pytest.approx(9.411e-2, rel=2e-3)
    assert hours_per_year / per_year == pytest.approx(3.07, rel=2e-3)
    branches = SUBSTATION.replace("{kind: bus,", "{kind: bus, can_fail: false,")
    parts = numbers(solve(branches, LONG), "L")
    per_year, hours_per_year = parts.failures.low / LONG * YEAR, parts.at_end.low * YEAR
    assert per_year == pytest.approx(6.986e-4, rel=5e-3)
    assert hours_per_year / per_year == pytest.approx(5.88, rel=5e-3)
    assert hours_per_year == pytest.approx(4.110e-3, rel=5e-3)


@pytest.mark.parametrize(
    ("first", "second", "per_year", "hours"),
    [
        ((0.5, 10.0), (0.5, 10.0), 5.708e-4, 5.0),
        ((0.5, 10.0), (0.01, 100.0), 6.2785e-5, 9.0909),
        ((0.01, 100.0), (0.01, 100.0), 2.2831e-6, 50.0),
    ],
)
def test_substation_pairs(
    first: tuple[float, float], second: tuple[float, float], per_year: float, hours: float
) -> None:
    """The pairs of the same example, by the rule l1 l2 (r1 + r2) / 8760 and r1 r2 / (r1 + r2)."""
    own = numbers(solve(parallel((first[0] / YEAR, first[1]), (second[0] / YEAR, second[1])), LONG), "L")
    assert own.failures.low / LONG * YEAR == pytest.approx(per_year, rel=2e-3)
    assert own.at_end.low / own.failures.low * LONG == pytest.approx(hours, rel=1e-5)


@pytest.mark.parametrize("hours", [0.5, 20.0, 300.0, 9000.0])
def test_one_repaired_unit_over_time_is_the_alternating_renewal_process(hours: float) -> None:
    """Closed forms of U(t) and of the expected failures (renewal function of exponential times)."""
    per_hour, repair_h = 2e-3, 30.0
    mu, total = 1 / repair_h, 2e-3 + 1 / 30.0
    own = numbers(solve(parallel((per_hour, repair_h)), hours), "L")
    assert own.at_end.low == pytest.approx(per_hour / total * (1 - math.exp(-total * hours)), rel=1e-12)
    grown = 1 - math.exp(-total * hours)
    failures = per_hour * mu * hours / total + per_hour**2 / total**2 * grown
    assert own.failures.low == pytest.approx(failures, rel=1e-9)
    mean = per_hour / total * (1 - grown / (total * hours))
    assert own.mean.low == pytest.approx(mean, rel=1e-9)


def test_modes_of_a_repaired_component_follow_its_markov_chain() -> None:
    text = """
powerfault: 1
components:
  S: {kind: source, can_fail: false}
  B: {kind: breaker, failures_per_million_hours: {loss: 900, short: 300, stuck: 50}, repair_h: 200}
feeds: [S -> B]
loads: {L: {fed_by: [B]}}
"""
    t = read(text)
    structure = build_structure(t, MODES)
    table = rate_table(t, structure.variables)
    generator = np.zeros((4, 4))
    for i, x in enumerate((900e-6, 300e-6, 50e-6), start=1):
        generator[0, i], generator[i, 0] = x, 1 / 200
    generator -= np.diag(generator.sum(axis=1))
    own = [("loss", "short", "stuck").index(v.events[0].mode) for v in structure.variables]
    for hours in (10.0, 400.0, 5000.0):
        expected = expm(generator * hours)[0, 1:][own]
        assert table.states(hours)[:, 0] == pytest.approx(expected, rel=1e-9)
        # The variables of the diagram stand for "this mode, given none before it".
        p = table.probabilities(hours)[:, 0]
        assert p[0] == pytest.approx(expected[0], rel=1e-9)
        assert (1 - p[0]) * p[1] == pytest.approx(expected[1], rel=1e-9)
        assert (1 - p[0]) * (1 - p[1]) * p[2] == pytest.approx(expected[2], rel=1e-9)


def test_without_repair_the_integral_of_the_frequency_is_the_unavailability() -> None:
    """A repair that takes for ever goes the way of the integral and must end where the short cut ends."""
    text = series_parallel(dict.fromkeys("ABCD", 0.3), ["A -> B", "C -> D"], "L")
    quick = numbers(solve(text), "L")
    slow = numbers(solve(text.replace("kind: cable", "repair_h: 1e15, kind: cable")), "L")
    assert quick.failures.low == quick.at_end.low
    assert slow.failures.low == pytest.approx(quick.failures.low, rel=1e-10)
    assert slow.mean.low == pytest.approx(quick.mean.low, rel=1e-10)


@pytest.mark.parametrize("seed", range(12))
def test_frequency_of_modes_is_the_growth_of_unavailability(seed: int) -> None:
    """The same identity where components have several exclusive modes."""
    base = random_topology(seed, 6, 11)
    rates = {"loss": 90.0, "short": 60.0, "stuck": 30.0, "closed": 20.0, "leak": 10.0}

    def rated(t: Topology, repair_h: float | None) -> Topology:
        components = {
            c.id: replace(
                c,
                failures_per_million_hours={m: rates[m] for m in c.possible_modes},
                repair_h=repair_h,
            )
            for c in t.components.values()
        }
        return replace(t, components=components, loads={x.id: replace(x, modes=()) for x in t.loads.values()})

    structure = build_structure(rated(base, None), MODES)
    quick = rate_table(rated(base, None), structure.variables)
    slow = rate_table(rated(base, 1e15), structure.variables)
    short_cut, integral = (over_mission(structure, table, 2000.0) for table in (quick, slow))
    for id_ in structure.failing:
        a, b = short_cut[id_], integral[id_]
        assert a.failures.low == pytest.approx(b.failures.low, rel=1e-8, abs=1e-15)
        assert a.at_end.low == pytest.approx(b.at_end.low, rel=1e-9, abs=1e-15)


def test_repair_in_no_time_never_lasts() -> None:
    own = numbers(solve(parallel((1e-3, 0.0)), 500.0), "L")
    assert own.at_end.low == 0.0
    assert own.failures.low == pytest.approx(0.5, rel=1e-9)  # it fails and is whole again at once


# ---- importance


@pytest.mark.parametrize("seed", range(15))
def test_importance_equals_its_definition_by_all_states(seed: int) -> None:
    """U with a component whole or failed for certain, summed over all states; modes in proportion."""
    base = random_topology(seed, 5, 9)
    modes = ("loss", "short") if seed % 2 else ("loss",)
    rates = {"loss": 90.0, "short": 45.0}
    t = replace(
        base,
        components={
            c.id: replace(c, failures_per_million_hours={m: rates[m] for m in c.possible_modes if m in rates})
            for c in base.components.values()
        },
        loads={x.id: replace(x, modes=()) for x in base.loads.values()},
    )
    structure = build_structure(t, modes)
    table = rate_table(t, structure.variables)
    state = table.states(HOURS)[:, 0]
    chains = [list(c) for c in table.chains]
    for consumer, own in structure.failing.items():

        def summed(forced: dict[int, list[tuple[int | None, float]]], own: object = own) -> float:
            total = 0.0
            options = [
                forced.get(n) or [(None, 1 - sum(state[i] for i in chain)), *((i, state[i]) for i in chain)]
                for n, chain in enumerate(chains)
            ]
            for choice in itertools.product(*options):
                weight = math.prod(w for _, w in choice)
                if weight and own.diagram.value(own.lower, [i for i, _ in choice if i is not None]):  # type: ignore[attr-defined]
                    total += weight
            return total

        u = summed({})
        found = {x.id: x for x in importance(structure, table, consumer, HOURS)}
        for n, chain in enumerate(chains):
            id_ = structure.variables[chain[0]].component
            whole = summed({n: [(None, 1.0)]})
            q = sum(state[i] for i in chain)
            failed = summed({n: [(i, state[i] / q) for i in chain]})
            if id_ not in found:
                assert failed == pytest.approx(whole, abs=1e-14)
                continue
            x = found[id_]
            assert x.unavailability == pytest.approx(u, rel=1e-10, abs=1e-16)
            assert x.if_whole == pytest.approx(whole, rel=1e-9, abs=1e-16)
            assert x.if_failed == pytest.approx(failed, rel=1e-9, abs=1e-16)
            assert x.probability == pytest.approx(q, rel=1e-12)
            assert q * failed + (1 - q) * whole == pytest.approx(u, rel=1e-9, abs=1e-16)


def test_a_single_point_has_no_limit_to_its_risk_reduction() -> None:
    found = solve(k_of_n(1, 1, 0.01)).importance("L")
    assert [x.id for x in found] == ["U0"]
    assert found[0].fussell_vesely == 1.0
    assert math.isinf(found[0].risk_reduction)
    assert found[0].risk_achievement == pytest.approx(100.0)


# ---- common causes

TIED = f"""
powerfault: 1
components:
  SRC-A: {{kind: source, failures_per_million_hours: {rate(1e-3)!r}}}
  SRC-B: {{kind: source, failures_per_million_hours: {rate(1e-3)!r}, site: south}}
  BUS-A: {{kind: bus, can_fail: false}}
  BUS-B: {{kind: bus, can_fail: false, site: south}}
  TIE: {{kind: switch, normally: open, operated: commanded, failures_per_million_hours: {rate(2e-3)!r}}}
feeds:
  - SRC-A -> BUS-A
  - SRC-B -> BUS-B
  - BUS-A <-> TIE <-> BUS-B
loads:
  L: {{fed_by: [BUS-A], rides_through: commanded}}
  M: {{fed_by: [BUS-A]}}
"""


def test_one_shared_cause_in_a_cross_tied_pair_stands_beside_the_independent_result() -> None:
    own = solve(TIED + "common_causes: {dust: {members: [SRC-A, SRC-B], beta: 0.1}}").by_id["L"]
    assert own.over_mission is not None
    assert own.independent is not None
    independent = 1e-3 * (1 - (1 - 1e-3) * (1 - 2e-3))
    assert own.independent.low == pytest.approx(independent, rel=1e-9)
    c = 1 - (1 - 1e-3) ** 0.1
    q = 1 - (1 - 1e-3) ** 0.9
    expected = c + (1 - c) * q * (1 - (1 - q) * (1 - 2e-3))
    assert own.over_mission.at_end.low == pytest.approx(expected, rel=1e-9)
    assert own.cut_sets[0].events == ("cause dust",)
    found = {x.id: x.role for x in solve(TIED + "common_causes: {dust: {members: [SRC-A, SRC-B], beta: 0.1}}")
             .importance("L")}  # fmt: skip
    assert found["cause dust"] == "cause"


def test_the_whole_rate_of_a_member_is_kept() -> None:
    """What the cause takes, the member loses: the load on A alone is as likely to fail as without groups."""
    plain = unavailability(TIED, "M")
    assert unavailability(TIED + "common_causes: {dust: {members: [SRC-A, SRC-B], beta: 0.3}}", "M") == pytest.approx(
        plain, rel=1e-12
    )
    two = "common_causes: {a: {members: [SRC-A, SRC-B], beta: 0.3}, b: {members: [SRC-A, TIE], beta: 0.2}}"
    result = solve(TIED + two)
    # Rates differ in group b, and the event has the greater share: it errs on the safe side.
    assert numbers(result, "M").at_end.low > plain
    assert [c.name for c in result.causes] == ["a", "b"]


def test_a_shared_site_is_one_event() -> None:
    text = TIED + "common_causes: {flood: {site: south, failures_per_million_hours: 3, repair_h: 50}}"
    (cause,) = common_causes(read(text))
    assert cause.members == ("SRC-B",)  # what cannot fail is left out
    assert "cause flood" in [v.name for v in solve(text).structure.variables]


def test_a_group_of_modes_not_counted_takes_nothing_out() -> None:
    text = TIED + "common_causes: {weld: {members: [TIE, TIE2], mode: stuck, beta: 0.5}}"
    text = text.replace("  TIE: ", "  TIE2: {kind: switch, failures_per_million_hours: 1}\n  TIE: ")
    assert unavailability(text, "L") == pytest.approx(unavailability(TIED, "L"), rel=1e-12)


# ---- switching


@pytest.mark.parametrize(("success", "given"), [(0.99, ""), (0.9, "TIE: 0.9, "), (1.0, "TIE: 1, ")])
def test_restoration_by_command_is_not_free(success: float, given: str) -> None:
    result = solve(TIED + f"switching_success: {{{given}commanded: 0.99}}")
    own = result.by_id["L"]
    assert own.over_mission is not None
    assert own.switching is not None

    def expected(p: float) -> float:
        return 1e-3 * (1 - (1 - 1e-3) * (1 - 2e-3) * p)

    assert own.over_mission.at_end.low == pytest.approx(expected(success), rel=1e-9)
    assert own.switching.all_succeed.low == pytest.approx(expected(1.0), rel=1e-9)
    assert own.switching.none_succeed.low == pytest.approx(1e-3, rel=1e-9)
    assert own.switching.by_stage["commanded"].low == pytest.approx(expected(1.0), rel=1e-9)
    # Who bears no interruption gains nothing from the tie, and nothing hangs on switching.
    assert result.by_id["M"].switching is None


def test_success_can_be_asked_for_without_the_file() -> None:
    result = solve(TIED, success={"commanded": 0.5})
    assert numbers(result, "L").at_end.low == pytest.approx(1e-3 * (1 - (1 - 1e-3) * (1 - 2e-3) * 0.5), rel=1e-9)
    assert "commanded 0.5" in " ".join(assumptions(result))
    assert "succeed always" in " ".join(assumptions(solve(TIED)))


# ---- missing rates


def test_no_number_where_a_rate_is_missing_and_a_list_of_what_is() -> None:
    text = TIED.replace(f"TIE: {{kind: switch, normally: open, operated: commanded, failures_per_million_hours: "
                        f"{rate(2e-3)!r}}}", "TIE: {kind: switch, normally: open, operated: commanded}")  # fmt: skip
    result = solve(text)
    assert result.by_id["L"].missing == ("TIE",)
    assert result.by_id["L"].over_mission is None
    assert result.by_id["L"].cut_sets == ()
    assert result.importance("L") == []
    assert result.curve("L", [1.0]) is None
    assert numbers(result, "M").at_end.low == pytest.approx(1e-3)
    assert result.missing == ("TIE",)


def test_a_plain_rate_is_that_of_loss_alone() -> None:
    result = solve(TIED, modes=("loss", "short"))
    assert "TIE:short" in result.missing
    assert "TIE" not in result.missing
    only = TIED.replace("TIE: {kind: switch,", "TIE: {kind: switch, modes: [short],")
    assert solve(only, modes=("loss", "short")).by_id["L"].missing == ()


def test_a_mode_that_excludes_one_that_matters_needs_a_rate_too() -> None:
    """A stuck breaker feeds its load, but a breaker that is stuck is not lost: its loss has no number without both."""
    text = """
powerfault: 1
components:
  S: {kind: source, failures_per_million_hours: 2}
  B: {kind: breaker, failures_per_million_hours: 3}
  C: {kind: breaker, failures_per_million_hours: {loss: 3, stuck: 900}}
feeds: [S -> B, S -> C]
loads: {L: {fed_by: [B]}, M: {fed_by: [C]}}
"""
    result = solve(text, 1000.0, modes=("loss", "stuck"))
    assert result.by_id["L"].missing == ("B:stuck",)
    assert result.by_id["L"].over_mission is None
    lost = 3 / 903 * (1 - math.exp(-0.903))
    assert numbers(result, "M").at_end.low == pytest.approx(1 - math.exp(-0.002) * (1 - lost), rel=1e-12)


def test_what_can_never_or_must_always_fail_is_said_exactly() -> None:
    text = """
powerfault: 1
components:
  S: {kind: source, can_fail: false}
  B: {kind: bus, failures_per_million_hours: 0}
  C: {kind: bus, failures_per_million_hours: 900000}
  D: {kind: bus}
feeds: [S -> B, S -> C]
loads: {SAFE: {fed_by: [S]}, SURE: {fed_by: [B]}, WORN: {fed_by: [C]}, DARK: {fed_by: [D]}}
standing: {failed: [D]}
"""
    found = {c.id: (c.never, c.always) for c in solve(text, 5000.0).consumers}
    assert found == {"SAFE": (True, False), "SURE": (True, False), "WORN": (False, False), "DARK": (False, True)}


# ---- uncertainty


def uncertain(error_factor: float = 3.0) -> str:
    return TIED.replace("kind: source,", f"kind: source, error_factor: {error_factor},")


def test_the_median_of_a_sampled_rate_is_the_rate_and_its_error_factor_the_95th_percentile() -> None:
    factors = draw_factors("SRC-A", 4.0, seed=7, samples=200_000)
    low, median, high = np.quantile(factors, [0.05, 0.5, 0.95])
    assert (low, median, high) == pytest.approx((0.25, 1.0, 4.0), rel=0.02)
    assert (draw_factors("SRC-A", None, 7, 3) == 1.0).all()
    assert (draw_factors("SRC-A", 4.0, 7, 10) == draw_factors("SRC-A", 4.0, 7, 10)).all()
    assert (draw_factors("SRC-A", 4.0, 7, 10) != draw_factors("SRC-B", 4.0, 7, 10)).any()
    assert quantiles(np.array([np.nan])) is None


@pytest.mark.parametrize("error_factor", [1.5, 3.0, 10.0])
def test_rates_mean_takes_the_rate_as_the_mean_of_the_lognormal(error_factor: float) -> None:
    """Against the lognormal distribution of SciPy with mean 1: median, 95th percentile and mean."""
    sigma = math.log(error_factor) / scipy.stats.norm.ppf(0.95)
    expected = scipy.stats.lognorm(s=sigma, scale=math.exp(-(sigma**2) / 2))
    assert expected.mean() == pytest.approx(1.0)
    factors = draw_factors("SRC-A", error_factor, seed=7, samples=400_000, rates="mean")
    assert np.quantile(factors, [0.05, 0.5, 0.95]) == pytest.approx(expected.ppf([0.05, 0.5, 0.95]), rel=0.02)
    assert factors.mean() == pytest.approx(1.0, rel=0.03)
    assert np.quantile(factors, 0.95) / np.median(factors) == pytest.approx(error_factor, rel=0.02)
    assert factors == pytest.approx(draw_factors("SRC-A", error_factor, 7, 400_000) * math.exp(-(sigma**2) / 2))


def test_rates_mean_is_read_from_the_file_and_said_beside_the_quantiles() -> None:
    text = k_of_n(1, 1, 1e-6).replace("kind: source,", "kind: source, error_factor: 10,")
    median, mean = read(text), read(text + "\nrates: mean\n")
    by_median, by_mean = (likelihood(t, Settings(samples=4000)).by_id["L"].uncertainty for t in (median, mean))
    assert by_median is not None
    assert by_mean is not None
    sigma = math.log(10) / 1.6448536
    # So small a probability is proportional to the rate.
    assert by_mean.high / by_median.high == pytest.approx(math.exp(-(sigma**2) / 2), rel=1e-3)
    for topology, word in ((median, "median"), (mean, "mean")):
        change = compare_likelihoods(topology, None, Settings(samples=50))
        assert f"the {word} of its lognormal" in uncertainty_table(change).title
        assert any(f"rate given as their {word}" in note for note in assumptions(change.before))
        assert likelihood_json(change, [])["rates"] == word
    with pytest.raises(ModelError, match="median or mean"):
        read(text + "\nrates: average\n")


def test_what_common_causes_assume_is_said() -> None:
    text = """
powerfault: 1
components:
  A: {kind: source, failures_per_million_hours: 4, repair_h: 10}
  B: {kind: source, failures_per_million_hours: 9, repair_h: 30}
  C: {kind: source, failures_per_million_hours: 4}
  D: {kind: bus, failures_per_million_hours: 0, repair_h: 1}
feeds: [A -> D, B -> D, C -> D]
loads: {L: {fed_by: [D]}}
common_causes:
  unequal: {members: [A, B], beta: 0.1}
  unrepaired: {members: [A, C], beta: 0.1}
  own-rate: {members: [A, B], failures_per_million_hours: 0.2}
  given: {members: [A, B], failures_per_million_hours: 0.2, repair_h: 5}
"""
    result = likelihood(read(text), Settings(samples=0))
    said = {note.split()[2]: note for note in assumptions(result) if note.startswith("Common cause")}
    assert "rates differ: of the greatest" in said["unequal"]
    assert "repaired in 30 h on average, as the slowest of its members" in said["unequal"]
    assert "never repaired, as C has no repair_h" in said["unrepaired"]
    assert "differ" not in said["unrepaired"]
    assert "no repair_h and is never repaired" in said["own-rate"]
    assert "repaired in 5 h" in said["given"]
    assert result.unrepaired == ("common cause unrepaired", "common cause own-rate", "C")
    (listed,) = (note for note in assumptions(result) if "not repaired within the mission" in note)
    assert "common cause own-rate" in listed


def test_ratio_is_of_like_with_like_and_reproducible() -> None:
    text = (
        uncertain()
        + """
proposals:
  NOTHING: {add: {components: {X: {kind: bus, failures_per_million_hours: 1}}}}
  BETTER: {set: {TIE: {failures_per_million_hours: 0}}}
"""
    )
    t = read(text)
    settings = Settings(samples=400, seed=5)
    same = compare_likelihoods(t, apply_proposals(t, ["NOTHING"]), settings).consumers[0]
    assert same.unchanged
    assert same.spread is not None
    assert (same.spread.low, same.spread.high) == (1.0, 1.0)
    first, second = (compare_likelihoods(t, apply_proposals(t, ["BETTER"]), settings).consumers[0] for _ in range(2))
    assert first.spread == second.spread
    assert first.ratio is not None
    assert first.spread is not None
    assert first.spread.low < first.ratio.low < first.spread.high
    assert first.spread.low > 1.0
    other = compare_likelihoods(t, apply_proposals(t, ["BETTER"]), replace(settings, seed=6)).consumers[0]
    assert other.spread != first.spread


def test_components_of_the_same_data_drawing_alike_widen_a_redundant_pair() -> None:
    text = k_of_n(1, 2, 1e-3).replace("kind: source,", "kind: source, error_factor: 5,")
    apart = likelihood(read(text), Settings(samples=4000)).by_id["L"].uncertainty
    alike = likelihood(read(text), Settings(samples=4000, alike=True)).by_id["L"].uncertainty
    assert apart is not None
    assert alike is not None
    sigma = math.log(5) / 1.6448536
    assert alike.mean / apart.mean == pytest.approx(math.exp(sigma**2), rel=0.35)  # E[x^2] / E[x]^2 of a lognormal
    assert alike.high > 1.5 * apart.high


def test_no_spread_without_error_factors() -> None:
    result = likelihood(read(TIED), Settings(samples=50))
    assert result.sampled == {}
    assert all(c.uncertainty is None for c in result.consumers)


def test_a_common_cause_is_as_uncertain_as_its_members() -> None:
    text = uncertain() + "common_causes: {dust: {members: [SRC-A, SRC-B], beta: 0.5}}"
    own = likelihood(read(text), Settings(samples=2000)).by_id["L"].uncertainty
    assert own is not None
    assert own.high / own.median > 2.0


# ---- bounds in results


def test_bounds_stand_for_the_exact_value_where_it_is_out_of_reach() -> None:
    t = random_topology(11, 12, 16)
    t = replace(
        t,
        components={
            c.id: replace(c, failures_per_million_hours=20.0, repair_h=300.0, modes=None, can_fail=True)
            for c in t.components.values()
        },
    )
    exact = likelihood(t, Settings(samples=0))
    structure = bracket_structure(t, ("loss",), (), (), lambda v: rate_table(t, v).probabilities(1000.0)[:, 0], gap=0.2)
    table = rate_table(t, structure.variables)
    between = over_mission(structure, table, 1000.0)
    for own in exact.consumers:
        assert own.over_mission is not None
        found = between[own.id]
        for truth, span in (
            (own.over_mission.at_end, found.at_end),
            (own.over_mission.mean, found.mean),
            (own.over_mission.failures, found.failures),
        ):
            assert span.low <= truth.low * (1 + 1e-9) + 1e-18
            assert truth.low <= span.high * (1 + 1e-9) + 1e-18


def test_a_small_limit_gives_bounds_and_says_so() -> None:
    lines = ["powerfault: 1", "components:", "  SRC: {kind: source, can_fail: false}"]
    feeds = ["  - SRC -> B0.0"]
    for i, j in itertools.product(range(4), repeat=2):
        lines.append(f"  B{i}.{j}: {{kind: bus, failures_per_million_hours: 1}}")
        feeds += [f"  - B{i}.{j} <-> B{a}.{b}" for a, b in ((i + 1, j), (i, j + 1)) if a < 4 and b < 4]
    text = "\n".join([*lines, "feeds:", *feeds, "loads: {L: {fed_by: [B3.3, B2.3]}}"])
    exact = numbers(likelihood(read(text), Settings(samples=0)), "L").at_end
    bounded = likelihood(read(text), Settings(samples=0, node_limit=120))
    assert not bounded.exact
    span = numbers(bounded, "L").at_end
    assert span.low <= exact.low <= span.high
    assert 0 < bounded.greatest_gap <= 0.005
    assert "strict lower and upper bound" in " ".join(assumptions(bounded))


def test_a_ring_of_channels_is_bracketed_around_its_exact_value() -> None:
    """On a system where both run; the bounds come from the search that large systems are left to."""
    t = ring_of_channels(4, 6)
    exact = likelihood(t, Settings(samples=0))
    assert exact.exact
    bounded = likelihood(t, Settings(samples=0, node_limit=500, gap=0.01))
    assert not bounded.exact
    assert bounded.greatest_gap <= 0.01
    for a, b in zip(exact.consumers, bounded.consumers, strict=True):
        assert a.over_mission is not None
        assert b.over_mission is not None
        assert b.over_mission.at_end.low <= a.over_mission.at_end.low * (1 + 1e-9)
        assert a.over_mission.at_end.low <= b.over_mission.at_end.high * (1 + 1e-9)


@pytest.mark.full
def test_a_thousand_components_at_one_per_million_hours_within_a_minute() -> None:
    """All rates 1 per million hours over 1,000 h: a gap below 1 % within 60 s of processor time."""
    for t in (
        ring_of_channels(25, 16),
        replace(
            (plain := channels_system(20)),
            components={c.id: replace(c, failures_per_million_hours=1.0) for c in plain.components.values()},
        ),
    ):
        assert len(t.components) == 1000
        begun = time.process_time()
        result = likelihood(t, Settings(samples=0))
        assert time.process_time() - begun < 60
        assert result.missing == ()
        assert result.greatest_gap < 0.01


# ---- wrong input


BAD_FIELDS = [
    ("common_causes: [1]", "expected groups by name"),
    ("common_causes: {t: 5}", "expected {members"),
    ("common_causes: {t: {members: [SRC-A, SRC-C], beta: 0.1}}", "'SRC-C' is no component (did you mean 'SRC-"),
    ("common_causes: {t: {members: [SRC-A, L], beta: 0.1}}", "L is a load; name components"),
    ("common_causes: {t: {members: [SRC-A, BUS-A], beta: 0.1}}", "BUS-A has can_fail: false"),
    ("common_causes: {t: {members: [SRC-A, SRC-A], beta: 0.1}}", "SRC-A is named twice"),
    ("common_causes: {t: {members: [SRC-A], beta: 0.1}}", "at least two members, found 1"),
    ("common_causes: {t: {members: [SRC-A, SRC-B], beta: 1.1}}", "from 0 to 1, found the number 1.1"),
    ("common_causes: {t: {members: [SRC-A, SRC-B], beta: -0.1}}", "from 0 to 1, found the number -0.1"),
    ("common_causes: {t: {members: [SRC-A, SRC-B], beta: ten}}", "from 0 to 1, found text 'ten'"),
    ("common_causes: {t: {members: [SRC-A, SRC-B]}}", "found neither"),
    ("common_causes: {t: {members: [SRC-A, SRC-B], beta: 0.1, failures_per_million_hours: 1}}", "found both"),
    ("common_causes: {t: {beta: 0.1}}", "expected members"),
    ("common_causes: {t: {members: [SRC-A, SRC-B], site: south, beta: 0.1}}", "found both"),
    ("common_causes: {t: {site: nowhere, beta: 0.1}}", "no component stands at site 'nowhere'"),
    ("common_causes: {t: {members: [SRC-A, SRC-B], mode: short, beta: 0.1}}", "short does not apply to SRC-A"),
    ("common_causes: {t: {members: [SRC-A, SRC-B], mode: bang, beta: 0.1}}", "expected loss, short"),
    ("common_causes: {t: {members: [SRC-A, SRC-B], betta: 0.1}}", "did you mean 'beta'"),
    ("common_causes: {t: {members: [SRC-A, SRC-B], failures_per_million_hours: 2e6}}", "more than one an hour"),
    ("common_causes: {t: {members: [SRC-A, SRC-B], beta: 0.6}, u: {members: [SRC-A, TIE], beta: 0.6}}", "above 1"),
    ("common_causes: {t: {members: [SRC-A, SRC-B], beta: 0.1, error_factor: 0.5}}", "of at least 1"),
    ("switching_success: 5", "expected a probability for each of"),
    ("switching_success: {commanded: 1.5}", "from 0 to 1"),
    ("switching_success: {comanded: 0.5}", "did you mean 'commanded'"),
    ("switching_success: {SRC-A: 0.5}", "nobody operates"),
]


@pytest.mark.parametrize(("field", "message"), BAD_FIELDS)
def test_wrong_fields_are_named_with_their_place(field: str, message: str) -> None:
    text = TIED + field
    with pytest.raises(ModelError) as caught:
        likelihood(read(text))
    assert any(message in problem.message for problem in caught.value.problems)
    for problem in caught.value.problems:
        assert problem.line == text.count("\n") + 1
        assert problem.column > 1


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ("2000000", "more than one an hour"),
        ("1e-9", "a rate per hour is written 0.001 here"),
        ("{loss: 5, stuck: 3e6}", "more than one an hour"),
    ],
)
def test_absurd_rates_are_named_with_their_place(given: str, message: str) -> None:
    text = TIED.replace(f"failures_per_million_hours: {rate(2e-3)!r}", f"failures_per_million_hours: {given}")
    with pytest.raises(ModelError, match=message) as caught:
        likelihood(read(text))
    assert caught.value.problems[0].line == 8


@pytest.mark.parametrize("given", ["-1", "0.5/yr", "'3 per year'", "true", ".inf"])
def test_negative_rates_and_rates_with_units_are_refused_by_the_reader(given: str) -> None:
    text = TIED.replace(f"failures_per_million_hours: {rate(2e-3)!r}", f"failures_per_million_hours: {given}")
    with pytest.raises(ModelError, match="number") as caught:
        read(text)
    assert caught.value.problems[0].line == 8


@pytest.mark.parametrize(
    "settings",
    [
        {"hours": 0.0},
        {"hours": math.inf},
        {"order": 0},
        {"samples": -1},
        {"seed": -1},
        {"success": {"commanded": 2.0}},
        {"success": {"comanded": 0.5}},
        {"modes": ("bang",)},
    ],
)
def test_settings_out_of_range_are_refused(settings: dict[str, object]) -> None:
    with pytest.raises(RequestError):
        likelihood(read(TIED), Settings(**settings))  # type: ignore[arg-type]


def test_members_that_a_proposal_brings_or_takes_count_where_they_are() -> None:
    text = (
        TIED
        + f"""
common_causes:
  tray: {{members: [SRC-A, SRC-B, NEW], beta: 0.1}}
  duct: {{members: [SRC-B, NEW], beta: 0.1}}
proposals:
  P:
    add:
      components: {{NEW: {{kind: source, failures_per_million_hours: {rate(1e-3)!r}}}}}
      feeds: [NEW -> BUS-A]
  Q: {{remove: {{components: [SRC-B]}}}}
"""
    )
    t = read(text)
    assert [(c.name, c.members) for c in common_causes(t)] == [("tray", ("SRC-A", "SRC-B"))]
    more = apply_proposals(t, ["P"])
    assert [len(c.members) for c in common_causes(more)] == [3, 2]
    less = apply_proposals(t, ["Q"])
    assert common_causes(less) == ()
    assert numbers(likelihood(less), "M").at_end.low == pytest.approx(1e-3)


def test_success_of_a_single_component_goes_before_that_of_its_stage() -> None:
    t = read(TIED + "switching_success: {commanded: 0.99, TIE: 0.5}")
    success = switching_success(t)
    assert success.of(t.components["TIE"]) == 0.5
    assert success.of(t.components["SRC-A"]) is None
    assert not switching_success(read(TIED))
