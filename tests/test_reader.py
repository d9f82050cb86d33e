"""Reading topologies: every field, every kind of problem with its place, warnings, waivers, hostile input."""

from __future__ import annotations

import contextlib
import copy
import dataclasses
import hashlib
import json
import random
import time
from pathlib import Path

import pytest

from powerfault.errors import ModelError, Problem, RequestError
from powerfault.model import fields
from powerfault.model.elements import Channel, Component, Event, Function, Load, Need, Phase, Proposal, Topology
from powerfault.model.modify import apply_proposals, check_each
from powerfault.model.reader import (
    load_topology,
    problem_at,
    read_topology_text,
    topology_warnings,
    waivers,
)
from powerfault.model.starter import STARTER
from powerfault.model.yaml_lines import parse_yaml

SMALL = """\
powerfault: 1
components:
  PV: {kind: source}
  BUS: {kind: bus}
  BRK: {kind: breaker}
feeds:
  - PV -> BUS -> BRK
loads:
  FAN: {fed_by: [BRK]}
functions:
  AIR: {of: [FAN]}
"""


def problems(text: str) -> list[str]:
    """The problems of ``text``, without the name of the file."""
    with pytest.raises(ModelError) as caught:
        read_topology_text(text, "f")
    return [str(problem).removeprefix("f:") for problem in caught.value.problems]


def with_lines(*lines: str, section: str | None = None) -> str:
    """The small topology with lines put at its end, or at the beginning of a section."""
    if section is None:
        return SMALL + "\n".join(lines)
    assert f"\n{section}:\n" in SMALL
    return SMALL.replace(f"\n{section}:\n", f"\n{section}:\n" + "".join(f"{line}\n" for line in lines))


def component(line: str) -> str:
    """The small topology with one more component, which stands in line 3."""
    return with_lines(f"  {line}", section="components")


def load(line: str) -> str:
    """The small topology with one more load, which stands in line 9."""
    return with_lines(f"  {line}", section="loads")


def function(line: str) -> str:
    """The small topology with one more function, which stands in line 11."""
    return with_lines(f"  {line}", section="functions")


def feed(line: str) -> str:
    """The small topology with one more feed line, line 7."""
    return with_lines(f"  - {line}", section="feeds")


def warnings(text: str) -> list[str]:
    return [str(warning).removeprefix("f:") for warning in topology_warnings(read_topology_text(text, "f"))]


# --- what is read ---------------------------------------------------------------------------------------------------

WHOLE = """\
powerfault: 1
name: Orrin Fell, south power wing
about: free text
defaults: {rides_through: automatic}
stage_minutes: {automatic: 0.1, commanded: 15, manual: 480}
phases:
  sunlit: {duration_h: 1.0}
  dark: {duration_h: 0.6}
  rest:
channels:
  heron: {label: Heron channel}
  1A:
components:
  PV: {kind: source, channel: heron, capacity_kw: {sunlit: 12, dark: 0}, label: Array, site: roof}
  BAT: {kind: storage, channel: 1A, capacity_kw: 6, energy_kwh: 9, depth_limit: 0.35, charged_by: [BUS],
        charge_kw: 2, charge_efficiency: 0.9, one_feed: true, may_parallel: false, grounded: true}
  BUS: {kind: bus, voltage_v: 120, modes: [short], feeds_needed: 2, can_fail: false, capacitance_mf: 2}
  BRK: {kind: breaker, rating_a: 60, operated: automatic, operated_by: [CTRL, AIR], clears_faults: false,
        lockable: true, isolates: true, trip_a: 80, trip_s: 0.1, modes: [loss, stuck]}
  CV: {kind: converter, rating_kw: 6, efficiency: 0.94, voltage_v: 28, needs: [{id: COOL, bears: commanded}, CTRL],
       isolated: false, limits_at_a: 200, discharge_min: 5,
       failures_per_million_hours: {loss: 3, short: 0.5}, repair_h: 24, error_factor: 3}
  DB: {kind: bus, voltage_v: 28, detection: telemetry, compensation: none, notes: old,
       failures_per_million_hours: 1}
  TIE: {kind: switch, normally: open, operated: commanded, modes: [closed, loss]}
  JMP: {kind: jumper, mated: false, crew_may_mate: true, length_m: 14, gauge_awg: 4, conductors: 2, conductor_c: 70,
        keying: K1, mate_cycles_left: 40}
  CAB: {kind: cable, gauge_awg: 0000}
  FUSE: {kind: fuse}
  DIO: {kind: diode}
  REG: {kind: regulator, efficiency: 1}
  CON: {kind: connector}
  CTRL: {kind: bus}
feeds:
  - PV -> BUS
  - BAT->REG ->BUS
  - BUS -> BRK -> CV -> DB -> CTRL
  - DB <-> TIE <-> JMP <-> CAB -> FUSE -> DIO
  - CON -> FUSE
  - BUS -> BAT
loads:
  FAN: {fed_by: [DB, DIO], demand_kw: {sunlit: 0.4}, priority: 2, severity: critical, severity_basis: air,
        must_tolerate: 0, rides_through: commanded, needs: [COOL], min_voltage_v: 22, max_voltage_v: 29,
        inputs: common, modes: [short], start_kw: 1, must_last_h: 3, rejects_kw: 0.4, feeds_needed: 2,
        label: Fan, channel: heron, site: hab, notes: x}
  PUMP: {fed_by: [CTRL], demand_kw: 1, rides_through_min: 15}
functions:
  COOL: {of: [PUMP, CV], at_least: 2, severity: catastrophic, severity_basis: heat, rides_through: manual, label: Cold}
  AIR: {of: [FAN, COOL], must_tolerate: 3, rides_through_min: 0, notes: y}
standing: {failed: [CON, TIE:stuck, FAN:short]}
proposals:
  J:
    label: The jumper
    about: a tie
    crew_minutes: 55
    length_m: 20
    sites: [roof, hab]
    notes: n
    add: {components: {X: {kind: jumper}}, feeds: [DB <-> X], loads: {L: {fed_by: [X]}}, functions: {F: {of: [L]}}}
    remove: {components: [CON], feeds: [DB <-> TIE], loads: [], functions: []}
    set: {CV: {needs: [CTRL], efficiency: null}, FAN: {priority: 1}, AIR: {at_least: 2}}
  NONE:
expect:
  - {failed: [BUS, TIE:stuck], with: [J], outcomes: {FAN: lost, F: manual}}
  - {outcomes: {AIR: uninterrupted}}
ports: {P1: {site: roof, bus: DB, voltage_v: 28}}
open_points: 2
title_block: {number: 12}
"""


def test_everything_of_the_format_is_read() -> None:
    t = read_topology_text(WHOLE, "dir/whole.yaml")
    assert (t.name, t.about) == ("Orrin Fell, south power wing", "free text")
    assert t.default_rides_through == "automatic"
    assert t.stage_minutes == {"automatic": 0.1, "commanded": 15, "manual": 480}
    assert t.phases == (Phase("sunlit", 1.0), Phase("dark", 0.6), Phase("rest"))
    assert t.channels == {"heron": Channel("heron", "Heron channel"), "1A": Channel("1A")}
    assert " ".join(t.components) == "PV BAT BUS BRK CV DB TIE JMP CAB FUSE DIO REG CON CTRL"
    assert t.components["PV"] == Component(
        id="PV", kind="source", channel="heron", capacity_kw={"sunlit": 12, "dark": 0}, label="Array", site="roof"
    )
    assert t.components["BAT"] == Component(
        id="BAT", kind="storage", channel="1A", capacity_kw=6, energy_kwh=9, depth_limit=0.35, charged_by=("BUS",),
        charge_kw=2, charge_efficiency=0.9, one_feed=True, may_parallel=False, grounded=True,
    )  # fmt: skip
    assert t.components["BUS"] == Component(
        id="BUS", kind="bus", voltage_v=120, modes=("short",), feeds_needed=2, can_fail=False, capacitance_mf=2
    )
    assert t.components["BRK"] == Component(
        id="BRK", kind="breaker", rating_a=60, operated="automatic", operated_by=("CTRL", "AIR"), clears_faults=False,
        lockable=True, isolates=True, trip_a=80, trip_s=0.1, modes=("loss", "stuck"),
    )  # fmt: skip
    assert t.components["CV"] == Component(
        id="CV", kind="converter", rating_kw=6, efficiency=0.94, voltage_v=28, isolated=False, limits_at_a=200,
        needs=(Need("COOL", "commanded"), Need("CTRL")), discharge_min=5, repair_h=24, error_factor=3,
        failures_per_million_hours={"loss": 3, "short": 0.5},
    )  # fmt: skip
    assert t.components["TIE"] == Component(
        id="TIE", kind="switch", normally="open", operated="commanded", modes=("closed", "loss")
    )
    assert t.components["JMP"] == Component(
        id="JMP", kind="jumper", mated=False, crew_may_mate=True, length_m=14, gauge_awg=4, conductors=2,
        conductor_c=70, keying="K1", mate_cycles_left=40,
    )  # fmt: skip
    assert t.components["CAB"].gauge_awg == -3
    assert t.links == (
        ("PV", "BUS"), ("BAT", "REG"), ("REG", "BUS"), ("BUS", "BRK"), ("BRK", "CV"), ("CV", "DB"), ("DB", "CTRL"),
        ("DB", "TIE"), ("TIE", "DB"), ("TIE", "JMP"), ("JMP", "TIE"), ("JMP", "CAB"), ("CAB", "JMP"), ("CAB", "FUSE"),
        ("FUSE", "DIO"), ("CON", "FUSE"), ("BUS", "BAT"),
    )  # fmt: skip
    assert t.loads["FAN"] == Load(
        id="FAN", fed_by=("DB", "DIO"), demand_kw={"sunlit": 0.4}, priority=2, severity="critical",
        severity_basis="air", must_tolerate=0, rides_through="commanded", needs=(Need("COOL"),), min_voltage_v=22,
        max_voltage_v=29, inputs="common", modes=("short",), start_kw=1, must_last_h=3, rejects_kw=0.4, feeds_needed=2,
        label="Fan", channel="heron", site="hab", notes="x",
    )  # fmt: skip
    assert t.loads["PUMP"] == Load(id="PUMP", fed_by=("CTRL",), demand_kw=1, rides_through_min=15)
    assert t.functions["COOL"] == Function(
        id="COOL", of=("PUMP", "CV"), at_least=2, severity="catastrophic", severity_basis="heat",
        rides_through="manual", label="Cold",
    )  # fmt: skip
    assert t.functions["AIR"] == Function(id="AIR", of=("FAN", "COOL"), must_tolerate=3, rides_through_min=0, notes="y")
    assert t.standing == (Event("CON"), Event("TIE", "stuck"), Event("FAN", "short"))
    assert t.rides_through(t.loads["PUMP"]) == "commanded"
    assert t.rides_through(t.functions["AIR"]) == "uninterrupted"
    first, second = t.expect
    assert (first.failed, first.proposals, first.outcomes) == (
        (Event("BUS"), Event("TIE", "stuck")), ("J",), {"FAN": "lost", "F": "manual"}
    )  # fmt: skip
    assert (first.line, first.column) == (64, 5)
    assert (second.failed, second.proposals, second.outcomes) == ((), (), {"AIR": "uninterrupted"})
    assert t.later == {
        "ports": {"P1": {"site": "roof", "bus": "DB", "voltage_v": 28}}, "open_points": 2,
        "title_block": {"number": 12},
    }  # fmt: skip
    assert t.proposals["NONE"] == Proposal(id="NONE")
    j = t.proposals["J"]
    assert (j.title, j.about, j.crew_minutes) == ("The jumper", "a tie", 55)
    assert j.extra == {"length_m": 20, "sites": ("roof", "hab"), "notes": "n"}
    assert t.file == "dir/whole.yaml"
    assert t.sha256 == hashlib.sha256(WHOLE.encode()).hexdigest()
    assert t.applied == ()


def test_every_field_of_the_values_can_be_read() -> None:
    for table, cls in ((fields.COMPONENT, Component), (fields.LOAD, Load), (fields.FUNCTION, Function)):
        assert {"id", *table} == {field.name for field in dataclasses.fields(cls)}
        defaults = {f.name: f.default for f in dataclasses.fields(cls) if f.default is not dataclasses.MISSING}
        for field in table.values():
            assert field.type in fields.TYPES
            if isinstance(field.default, bool | int) and field.default is not None:
                assert defaults[field.name] == field.default


def test_what_is_left_out_has_its_default() -> None:
    t = read_topology_text(SMALL, "dir/small.yaml")
    assert t.name == "small"
    assert t.phases == (Phase("normal"),)
    assert t.components["BRK"] == Component(id="BRK", kind="breaker")
    assert t.loads["FAN"] == Load(id="FAN", fed_by=("BRK",))
    assert t.functions["AIR"] == Function(id="AIR", of=("FAN",))
    assert t.default_rides_through == "uninterrupted"


def test_null_equals_absent_everywhere() -> None:
    empty = "".join(f"{name}: null\n" for name in fields.TOP if name not in SMALL)
    text = SMALL + empty
    for name, table in (("BRK", fields.COMPONENT), ("FAN", fields.LOAD), ("AIR", fields.FUNCTION)):
        nulls = ", ".join(f"{field}: null" for field in table if not table[field].required)
        text = text.replace(f"{name}: {{", f"{name}: {{{nulls}, ")
    plain, nulled = read_topology_text(SMALL, "f"), read_topology_text(text, "f")
    assert (nulled.components, nulled.loads, nulled.functions) == (plain.components, plain.loads, plain.functions)
    assert nulled == plain
    for section in ("phases", "channels", "components", "loads", "feeds", "functions", "proposals", "expect"):
        read_topology_text(f"powerfault: 1\n{section}: null", "f")
    inner = read_topology_text(
        with_lines(
            "proposals: {J: {add: null, remove: {feeds: null, components: null}, set: {BRK: null}}}",
            "expect: [{failed: null, with: null, outcomes: {FAN: null}}]",
            "phases: {a: {duration_h: null}}",
            "standing: {failed: null}",
            "stage_minutes: {manual: null}",
        )
    )
    assert inner.proposals["J"] == Proposal(id="J", set={"BRK": {}})
    assert inner.expect[0].outcomes == {}


def test_a_required_field_that_is_null_is_missing() -> None:
    assert problems(component("X: {kind: null}")) == ["3:6: components.X: must give kind: what it is"]
    assert problems(load("X: {fed_by: null}"))[0].startswith("9:6: loads.X: must give fed_by")
    assert problems(component("X:")) == ["3:3: components.X: must give kind: what it is"]


def test_the_hash_is_that_of_the_file(tmp_path: Path) -> None:
    file = tmp_path / "t.yaml"
    file.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    t = load_topology(file)
    assert t.sha256 == hashlib.sha256(file.read_bytes()).hexdigest()
    assert t == read_topology_text(SMALL, "t")
    assert t.name == "t"


def test_equal_topologies_compare_without_their_places() -> None:
    assert read_topology_text("\n\n" + SMALL, "a/f") == read_topology_text(SMALL, "f")


# --- problems, each at its place ------------------------------------------------------------------------------------

PROBLEMS = [
    # the whole file
    ("[]", "1:1: expected a topology (a mapping of fields), found a list"),
    ("just text", "1:1: expected a topology (a mapping of fields), found text 'just text'"),
    ("", "1:1: is empty"),
    ("components: {}", "1:1: must give powerfault: the version of the format: 1"),
    ("powerfault: 2", "1:13: powerfault: expected 1, the only format version read, found the number 2"),
    ("powerfault: true", "1:13: powerfault: expected a whole number, found true (a boolean)"),
    ("powerfault: '1'", "1:13: powerfault: expected a whole number, found text '1'; write it without quotes"),
    (with_lines("componets: {}"), "12:1: componets: unknown field of a topology (did you mean 'components'?)"),
    (with_lines("name: 12"), "12:7: name: expected text, found the number 12; put it in quotes"),
    (with_lines("phases: [a, b]"), "12:9: phases: expected a mapping, found a list"),
    (with_lines("phases: {a: {duration_h: 0}}"), "phases.a.duration_h: expected a number above 0, found the number 0"),
    (with_lines("phases: {a: 3}"), "phases.a: expected a mapping of fields for a phase, found the number 3"),
    (with_lines("phases: {' ': {}}"), "12:10: phases. : ' ' is no name"),
    (with_lines("channels: {a: {lable: x}}"), "channels.a.lable: unknown field of a channel (did you mean 'label'?)"),
    (with_lines("defaults: {rides_through: off}"), "defaults.rides_through: expected uninterrupted, automatic"),
    (
        with_lines("stage_minutes: {automatic: 5, commanded: 4}"),
        "12:42: stage_minutes.commanded: "
        "minutes rise from stage to stage, but commanded (4) is not above automatic (5)",
    ),
    (with_lines("stage_minutes: {automatic: 5, commanded: 5}"), "commanded (5) is not above automatic (5)"),
    (with_lines("stage_minutes: {uninterrupted: 0}"), "stage_minutes.uninterrupted: unknown field of stage_minutes"),
    # components
    (component("X: {}"), "3:6: components.X: must give kind: what it is"),
    (component("X: bus"), "3:6: components.X: expected a mapping of fields for a component, found text 'bus'"),
    (component("X: {kind: convertor}"), "3:13: components.X.kind: expected source, storage, regulator"),
    (component("X: {kind: convertor}"), "found text 'convertor' (did you mean 'converter'?)"),
    (
        component("X: {kind: bus, rating: 5}"),
        "3:18: components.X.rating: unknown field of a component; give the unit: rating_kw or rating_a",
    ),
    (component("X: {kind: bus, volts: 5}"), "components.X.volts: unknown field of a component"),
    (
        component("X: {kind: bus, normally: open}"),
        "3:18: components.X.normally: a bus takes no normally; only switch, breaker",
    ),
    (component("X: {kind: bus, energy_kwh: 1}"), "a bus takes no energy_kwh; only storage do"),
    (component("X: {kind: switch, mated: true}"), "a switch takes no mated; only jumper"),
    (
        component("X: {kind: bus, voltage_v: -5}"),
        "3:29: components.X.voltage_v: expected a number above 0, found the number -5",
    ),
    (
        component("X: {kind: bus, voltage_v: .nan}"),
        "components.X.voltage_v: expected a finite number, found the number nan",
    ),
    (
        component("X: {kind: bus, voltage_v: .inf}"),
        "components.X.voltage_v: expected a finite number, found the number inf",
    ),
    (
        component("X: {kind: bus, voltage_v: 028}"),
        "expected a number without leading zeros, found the number 028; write 28",
    ),
    (
        component("X: {kind: bus, voltage_v: 28 V}"),
        "expected a number above 0, found text '28 V'; write it without quotes",
    ),
    (component("X: {kind: bus, voltage_v: [28]}"), "components.X.voltage_v: expected a number above 0, found a list"),
    (component("X: {kind: bus, voltage_v: true}"), "found true (a boolean); a boolean is no number"),
    (component("X: {kind: converter, efficiency: 0}"), "expected a number above 0 and at most 1, found the number 0"),
    (
        component("X: {kind: converter, efficiency: 1.01}"),
        "expected a number above 0 and at most 1, found the number 1.01",
    ),
    (component("X: {kind: storage, depth_limit: 35}"), "X.depth_limit: expected a number above 0 and at most 1"),
    (component("X: {kind: storage, charge_efficiency: -1}"), "X.charge_efficiency: expected a number above 0 and"),
    (component("X: {kind: storage, charged_by: []}"), "X.charged_by: expected at least one id, found an empty list"),
    (
        component("X: {kind: storage, charged_by: BUS}"),
        "3:34: components.X.charged_by: expected a list of ids, found text 'BUS'; put it in brackets: [BUS]",
    ),
    (
        component("X: {kind: cable, gauge_awg: 41}"),
        "X.gauge_awg: expected a wire gauge from 0000 (also 4/0), 000, 00, 0 to 40",
    ),
    (component("X: {kind: cable, gauge_awg: -1}"), "X.gauge_awg: expected a wire gauge"),
    (component("X: {kind: cable, gauge_awg: 4.5}"), "X.gauge_awg: expected a wire gauge"),
    (component("X: {kind: cable, gauge_awg: 00000}"), "X.gauge_awg: expected a wire gauge"),
    (component("X: {kind: cable, gauge_awg: true}"), "X.gauge_awg: expected a wire gauge"),
    (component("X: {kind: cable, conductors: 0}"), "X.conductors: expected a whole number of at least 1"),
    (
        component("X: {kind: cable, conductors: 1.0}"),
        "X.conductors: expected a whole number of at least 1, found the number 1.0",
    ),
    (
        component("X: {kind: bus, feeds_needed: 0}"),
        "X.feeds_needed: expected a whole number of at least 1, found the number 0",
    ),
    (component("X: {kind: bus, feeds_needed: 99999999999}"), "X.feeds_needed: expected at most 1000000"),
    (component("X: {kind: bus, error_factor: 0.5}"), "X.error_factor: expected a number of at least 1"),
    (
        component("X: {kind: bus, can_fail: no}"),
        "3:28: components.X.can_fail: expected true or false, found text 'no'; write false",
    ),
    (component("X: {kind: bus, can_fail: 1}"), "components.X.can_fail: expected true or false, found the number 1"),
    (component("X: {kind: switch, normally: off}"), "X.normally: expected closed or open, found text 'off'"),
    (component("X: {kind: switch, normally: true}"), "X.normally: expected closed or open, found true (a boolean)"),
    (component("X: {kind: switch, operated: uninterrupted}"), "X.operated: expected automatic, commanded or manual"),
    (component("X: {kind: switch, operated: comanded}"), "(did you mean 'commanded'?)"),
    (component("X: {kind: bus, label: 5}"), "X.label: expected text, found the number 5; put it in quotes"),
    (component("X: {kind: bus, channel: 1}"), "X.channel: expected an id, found the number 1; put it in quotes"),
    (
        component("X: {kind: bus, channel: heron}") + "channels: {rook: {}}\n",
        "X.channel: unknown channel 'heron'; declare it under",
    ),
    (
        component("X: {kind: bus, modes: short}"),
        "X.modes: expected a list of words, found text 'short'; put it in brackets",
    ),
    (component("X: {kind: bus, modes: [shorts]}"), "found text 'shorts' (did you mean 'short'?)"),
    (
        component("X: {kind: bus, modes: [stuck]}"),
        "X.modes[0]: stuck does not apply to a bus; to X apply loss and short",
    ),
    (component("X: {kind: source, modes: [short]}"), "short does not apply to a source; to X apply loss"),
    (component("X: {kind: fuse, modes: [short]}"), "short does not apply to a fuse; to X apply loss"),
    (
        component("X: {kind: breaker, modes: [closed]}"),
        "closed applies only to a breaker that is normally open; to X apply loss, short and stuck",
    ),
    (component("X: {kind: bus, failures_per_million_hours: {stuck: 1}}"), "stuck does not apply to a bus"),
    (
        component("X: {kind: bus, failures_per_million_hours: {smoke: 1}}"),
        "unknown failure mode 'smoke'; known: loss, short",
    ),
    (
        component("X: {kind: bus, failures_per_million_hours: -1}"),
        "expected a number of at least 0, found the number -1",
    ),
    (
        component("X: {kind: source, capacity_kw: {normal: 1, dusk: 2}}"),
        "3:46: components.X.capacity_kw.dusk: unknown phase 'dusk'; known: normal",
    ),
    (
        component("X: {kind: source, capacity_kw: {normal: -1}}"),
        "X.capacity_kw.normal: expected a number of at least 0",
    ),
    (
        component("X: {kind: source, capacity_kw: lots}"),
        "X.capacity_kw: expected a number of at least 0, or a mapping with one for each phase, found text 'lots'",
    ),
    (
        component("X: {kind: bus, needs: [BUZ]}"),
        "3:26: components.X.needs[0]: 'BUZ' is no component, load or function (did you mean 'BUS'?)",
    ),
    (
        component("X: {kind: bus, needs: BUS}"),
        "X.needs: expected a list of ids, found text 'BUS'; put it in brackets: [BUS]",
    ),
    (
        component("X: {kind: bus, needs: [off, true]}"),
        "3:31: components.X.needs[1]: expected an id, found true (a boolean); an id is text, not a boolean",
    ),
    (component("X: {kind: bus, needs: [5]}"), "X.needs[0]: expected an id, found the number 5"),
    (component("X: {kind: bus, needs: [null]}"), "X.needs[0]: expected an id, found nothing"),
    (
        component("X: {kind: bus, needs: [{id: BUS, bears: off}]}"),
        "X.needs[0].bears: expected uninterrupted, automatic",
    ),
    (component("X: {kind: bus, needs: [{bears: manual}]}"), "X.needs[0]: must give id"),
    (component("X: {kind: bus, needs: [{id: BUS, bear: manual}]}"), "unknown field of a need (did you mean 'bears'?)"),
    (component("X: {kind: bus, needs: [BUS, {id: BUS, bears: manual}]}"), "BUS is named twice with different 'bears'"),
    (component("X: {kind: switch, operated_by: [BUZ]}"), "X.operated_by[0]: 'BUZ' is no component, load or function"),
    (component("X: {kind: storage, charged_by: [BUZ]}"), "X.charged_by[0]: 'BUZ' is no component, load or function"),
    (component("1X: {kind: bus}"), "3:3: components.1X: '1X' is no id: an id begins with a letter"),
    (component("'a b': {kind: bus}"), "'a b' is no id"),
    (component("../../etc/passwd: {kind: bus}"), "'../../etc/passwd' is no id"),
    (component("'<script>': {kind: bus}"), "'<script>' is no id"),
    (component("true: {kind: bus}"), "3:3: components: a key must be text, found a boolean ('true')"),
    (component("PV: {kind: bus}"), "4:3: components.PV: is given twice (first in line 3)"),
    (component("FAN: {kind: bus}"), "loads.FAN: FAN is also under components; an id is used once"),
    (component("a" * 201 + ": {kind: bus}"), "an id has at most 200 characters, found 201"),
    # feeds
    (with_lines("  x: 1", section="feeds"), "is not valid YAML"),
    (
        SMALL.replace("feeds:\n  - PV -> BUS -> BRK", "feeds: PV -> BUS"),
        "6:8: feeds: expected a list of feed lines, found text 'PV -> BUS'; put it in brackets: [PV -> BUS]",
    ),
    (feed("[PV, BUS]"), "7:5: feeds[0]: expected a feed line such as A -> B, found a list"),
    (feed("PV -> BUS: x"), "7:5: feeds[0]: expected a feed line such as A -> B, found a mapping"),
    (feed("5"), "feeds[0]: expected a feed line such as A -> B, found the number 5"),
    (feed("~"), "feeds[0]: expected a feed line such as A -> B, found nothing"),
    (feed("''"), "feeds[0]: is empty"),
    (feed("PV"), "7:5: feeds[0]: 'PV' links nothing"),
    (feed("PV --> BUS"), "7:5: feeds[0]: '-->' is no arrow; write '->' for one way or '<->' for both"),
    (feed("PV-->BUS"), "'-->' is no arrow"),
    (feed("PV => BUS"), "'=>' is no arrow"),
    (feed("PV <- BUS"), "'<-' is no arrow; write '->' for one way or '<->' for both (turn the line round"),
    (feed("PV <--> BUS"), "'<-->' is no arrow"),
    (feed("PV → BUS"), "'→' is no arrow"),
    (feed("PV > BUS"), "'>' is no arrow"),
    (feed("PV -> -> BUS"), "an id is missing between arrows of 'PV -> -> BUS'"),
    (feed("'-> BUS'"), "an id is missing at the beginning of '-> BUS'"),
    (feed("PV ->"), "an id is missing at the end of 'PV ->'"),
    (
        feed("PV -> BUS, BRK"),
        "'BUS, BRK' is no id: an id begins with a letter and holds letters, digits, '_', '.' and '-' only; "
        "give each branch a line of its own",
    ),
    (feed("PV -> BUZ"), "7:5: feeds[0]: 'BUZ' is no component (did you mean 'BUS'?)"),
    (feed("BUZ -> BUS -> BUZ"), "7:5: feeds[0]: 'BUZ' is no component"),
    (feed("BUS -> FAN"), "7:5: feeds[0]: FAN is a load; a load stands in no feed line; use fed_by of the load"),
    (feed("FAN -> BUS"), "feeds[0]: FAN is a load; a load stands in no feed line"),
    (feed("BUS -> AIR"), "feeds[0]: AIR is a function; a function stands in no feed line"),
    (feed("BUS -> BUS"), "7:5: feeds[0]: BUS is linked to itself; remove the link"),
    (feed("BUS <-> BUS"), "7:5: feeds[0]: BUS is linked to itself"),
    # loads
    (load("X: {}"), "9:6: loads.X: must give fed_by"),
    (load("X: {fed_by: []}"), "9:15: loads.X.fed_by: expected at least one id, found an empty list"),
    (
        load("X: {fed_by: BRK}"),
        "9:15: loads.X.fed_by: expected a list of ids, found text 'BRK'; put it in brackets: [BRK]",
    ),
    (load("X: {fed_by: [BRQ]}"), "9:16: loads.X.fed_by[0]: 'BRQ' is no component (did you mean 'BRK'?)"),
    (load("X: {fed_by: [FAN]}"), "loads.X.fed_by[0]: FAN is a load, and a load feeds nothing"),
    (load("X: {fed_by: [X]}"), "loads.X.fed_by[0]: X is a load, and a load feeds nothing"),
    (load("X: {fed_by: [AIR]}"), "loads.X.fed_by[0]: AIR is a function, and a function feeds nothing"),
    (load("X: {fed_by: [BRK], demand_kw: {nite: 1}}"), "loads.X.demand_kw.nite: unknown phase 'nite'; known: normal"),
    (load("X: {fed_by: [BRK], demand_kw: -1}"), "loads.X.demand_kw: expected a number of at least 0"),
    (load("X: {fed_by: [BRK], priority: 0}"), "loads.X.priority: expected a whole number of at least 1"),
    (
        load("X: {fed_by: [BRK], severity: high}"),
        "loads.X.severity: expected catastrophic, critical, major or minor, found",
    ),
    (load("X: {fed_by: [BRK], must_tolerate: -1}"), "loads.X.must_tolerate: expected a whole number of at least 0"),
    (
        load("X: {fed_by: [BRK], must_tolerate: false}"),
        "must_tolerate: expected a whole number of at least 0, found false",
    ),
    (
        load("X: {fed_by: [BRK], min_voltage_v: 30, max_voltage_v: 20}"),
        "9:37: loads.X.min_voltage_v: min_voltage_v 30 is above max_voltage_v 20",
    ),
    (load("X: {fed_by: [BRK], modes: [loss]}"), "loads.X.modes[0]: expected short, found text 'loss'"),
    (load("X: {fed_by: [BRK], inputs: diode}"), "loads.X.inputs: expected isolated or common, found text 'diode'"),
    (load("X: {fed_by: [BRK], can_fail: true}"), "loads.X.can_fail: unknown field of a load"),
    (
        load("X: {fed_by: [BRK], rides_through_min: 5}"),
        "needs the minutes of every stage; stage_minutes does not give automatic, commanded and manual",
    ),
    (
        load("X: {fed_by: [BRK], rides_through_min: 5}") + "stage_minutes: {automatic: 1, manual: 2}",
        "stage_minutes does not give commanded",
    ),
    (
        load("X: {fed_by: [BRK], rides_through: manual, rides_through_min: 5}"),
        "loads.X.rides_through_min: rides_through and rides_through_min are both given; keep one",
    ),
    # functions
    (function("X: {}"), "11:6: functions.X: must give of"),
    (function("X: {of: [FAN, FAN]}"), "functions.X.of[1]: FAN is named twice; name each member once"),
    (function("X: {of: []}"), "functions.X.of: expected at least one id, found an empty list"),
    (function("X: {of: FAN}"), "functions.X.of: expected a list of ids, found text 'FAN'; put it in brackets: [FAN]"),
    (
        function("X: {of: [FUN]}"),
        "11:12: functions.X.of[0]: 'FUN' is no component, load or function (did you mean 'FAN'?)",
    ),
    (
        function("X: {of: [FAN], at_least: 2}"),
        "11:28: functions.X.at_least: at_least is 2, but the function has 1 member",
    ),
    (
        function("X: {of: [FAN, FAN], at_least: 2}"),
        "functions.X.at_least: at_least is 2, but the function has 1 member",
    ),
    (function("X: {of: [FAN], at_least: 0}"), "functions.X.at_least: expected a whole number of at least 1"),
    (function("X: {of: [X]}"), "11:12: functions.X.of[0]: a function contains itself: X -> X"),
    (
        function("X: {of: [FAN, Y]}\n  Y: {of: [Z]}\n  Z: {of: [FAN, X]}"),
        "13:17: functions.Z.of[1]: a function contains itself: X -> Y -> Z -> X",
    ),
    # standing failures and expectations
    (with_lines("standing: {failed: [BUZ]}"), "12:21: standing.failed[0]: 'BUZ' is no component (did you mean 'BUS'?)"),
    (
        with_lines("standing: {failed: BUS}"),
        "standing.failed: expected a list of events, found text 'BUS'; put it in brackets",
    ),
    (with_lines("standing: [BUS]"), "standing: expected a mapping, found a list"),
    (
        with_lines("standing: {failed: [BUS:stuck]}"),
        "standing.failed[0]: stuck does not apply to BUS, a bus; to it apply loss and short",
    ),
    (
        with_lines("standing: {failed: [BRK:closed]}"),
        "closed does not apply to BRK, a breaker that is normally closed; to it apply loss, short and stuck",
    ),
    (with_lines("standing: {failed: [BUS:shorted]}"), "unknown failure mode 'shorted' (did you mean 'short'?)"),
    (
        with_lines("standing: {failed: [BUS: short]}"),
        "12:21: standing.failed[0]: expected an event, found a mapping; write BUS:short without a space",
    ),
    (
        with_lines("standing: {failed: [BUS, BUS:short]}"),
        "standing.failed: BUS has two events; a component has at most one",
    ),
    (with_lines("standing: {failed: [FAN:short]}"), "the load FAN fails by its own short only, and only if it says"),
    (with_lines("standing: {failed: [AIR]}"), "AIR is a function; only components fail"),
    (with_lines("standing: {failed: [true]}"), "standing.failed[0]: expected an event, found true (a boolean)"),
    (
        load("X: {fed_by: [BRK], modes: [short]}") + "standing: {failed: [X]}",
        "the load X can fail as X:short only, found 'X'",
    ),
    (with_lines("expect: {failed: [BUS]}"), "expect: expected a list of {failed, with, outcomes}, found a mapping"),
    (with_lines("expect: [{failed: [BUS]}]"), "expect[0]: must give outcomes"),
    (with_lines("expect: [~]"), "expect[0]: expected {failed, with, outcomes}, found nothing"),
    (
        with_lines("expect: [{faild: [BUS], outcomes: {}}]"),
        "expect[0].faild: unknown field of an expectation (did you mean",
    ),
    (with_lines("expect: [{failed: [BUZ], outcomes: {}}]"), "expect[0].failed[0]: 'BUZ' is no component"),
    (with_lines("expect: [{failed: [BUS:stuck], outcomes: {}}]"), "expect[0].failed[0]: stuck does not apply to BUS"),
    (with_lines("expect: [{failed: [BUS, BUS:short], outcomes: {}}]"), "expect[0].failed: BUS has two events"),
    (with_lines("expect: [{with: [J], outcomes: {}}]"), "12:18: expect[0].with[0]: unknown proposal 'J'"),
    (
        with_lines("expect: [{with: J, outcomes: {}}]"),
        "expect[0].with: expected a list of ids, found text 'J'; put it in",
    ),
    (
        with_lines("expect: [{outcomes: {FEN: lost}}]"),
        "12:22: expect[0].outcomes.FEN: 'FEN' is no load or function (did you mean 'FAN'?)",
    ),
    (
        with_lines("expect: [{outcomes: {BUS: lost}}]"),
        "expect[0].outcomes.BUS: BUS is a component; only loads and functions",
    ),
    (
        with_lines("expect: [{outcomes: {FAN: loss}}]"),
        "12:27: expect[0].outcomes.FAN: expected uninterrupted, automatic, "
        "commanded, manual or lost, found text 'loss' (did you mean 'lost'?)",
    ),
    (with_lines("expect: [{outcomes: {FAN: true}}]"), "expect[0].outcomes.FAN: expected uninterrupted"),
]


@pytest.mark.parametrize(("text", "expected"), PROBLEMS, ids=[p[1][:70] for p in PROBLEMS])
def test_each_problem_has_its_own_message_and_place(text: str, expected: str) -> None:
    found = problems(text)
    assert expected in "\n".join(found)
    if expected[0].isdigit():
        assert any(line.startswith(expected) for line in found)


@pytest.mark.parametrize("line", ["5", "~", "[PV, BUS]"])
def test_what_is_no_feed_line_is_said_once(line: str) -> None:
    assert len([problem for problem in problems(feed(line)) if "expected a feed line" in problem]) == 1


def test_one_fault_gives_one_problem() -> None:
    """No cascade: a component that could not be read is known to what refers to it."""
    text = SMALL.replace("BUS: {kind: bus}", "BUS: {kind: buss}") + "standing: {failed: [BUS]}\n"
    text += "expect: [{failed: [BUS], outcomes: {FAN: lost}}]\nproposals: {J: {set: {BUS: {label: x}}}}"
    assert len(problems(text)) == 1
    single = [case for case in PROBLEMS if "PV: {kind: bus}" not in case[0]]
    assert sum(len(problems(text)) == 1 for text, _ in single) > 0.9 * len(single)


def test_all_problems_are_reported_at_once_in_the_order_of_the_file() -> None:
    text = (
        "powerfault: 3\nnam: x\ncomponents:\n  PV: {kind: sorce}\n  BUS: {kind: bus, rating_kw: -1, lable: x}\n"
        "feeds: [PV --> BUS, BUS -> BOX]\nloads:\n  FAN: {fed_by: [BUSS], severity: bad}\n"
    )
    found = problems(text)
    assert [line.split(":")[0] for line in found] == ["1", "2", "4", "5", "5", "6", "6", "8", "8"]


def test_error_text_holds_every_problem() -> None:
    with pytest.raises(ModelError) as caught:
        read_topology_text("powerfault: 2\nx: 1", "f.yaml")
    assert str(caught.value).splitlines() == [
        "f.yaml:1:13: powerfault: expected 1, the only format version read, found the number 2",
        "f.yaml:2:1: x: unknown field of a topology",
    ]


# --- one-way kinds, voltages -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["diode", "converter"])
def test_a_two_way_link_at_a_one_way_kind_is_refused(kind: str) -> None:
    one = component(f"X: {{kind: {kind}}}")
    message = f"X is a {kind} and takes one-way links only; BUS <-> X goes both ways"
    assert problems(one.replace("feeds:\n", "feeds:\n  - BUS <-> X\n")) == [f"8:5: feeds[0]: {message}"]
    two = one.replace("feeds:\n", "feeds:\n  - BUS -> X\n  - PV -> BUS\n  - X -> BUS\n")
    assert problems(two) == [f"10:5: feeds[2]: {message}"]
    read_topology_text(one.replace("feeds:\n", "feeds:\n  - BUS -> X\n"))


def voltage_text(between: str, feeds: str, more: str = "") -> str:
    return (
        f"powerfault: 1\ncomponents:\n  A: {{kind: bus, voltage_v: 120}}\n  B: {{kind: bus, voltage_v: 28}}\n"
        f"  X: {{kind: {between}}}\n  Y: {{kind: fuse}}\n{more}feeds:\n  - {feeds}\n"
    )


@pytest.mark.parametrize("kind", ["switch, normally: open", "fuse", "jumper, mated: false", "source", "diode", "bus"])
def test_a_way_between_voltages_without_a_converter_is_refused(kind: str) -> None:
    found = problems(voltage_text(kind, "A -> X -> Y -> B"))
    assert found == [
        "8:5: feeds[0]: joins A (120 V) and B (28 V) without a converter or regulator between them: A - X - Y - B"
    ]
    # links count in either direction
    assert len(problems(voltage_text(kind, "X -> A\n  - X -> B"))) == 1


@pytest.mark.parametrize("kind", ["converter", "regulator"])
def test_a_converter_or_regulator_parts_voltages(kind: str) -> None:
    read_topology_text(voltage_text(kind, "A -> X -> Y -> B"))
    found = problems(voltage_text(kind, "A -> X -> B\n  - A -> Y -> B"))
    assert "A - Y - B" in found[0]


def test_a_load_joins_no_voltages_and_equal_voltages_may_be_joined() -> None:
    text = "powerfault: 1\ncomponents:\n  A: {kind: bus, voltage_v: 120}\n  B: {kind: bus, voltage_v: 28}\n"
    read_topology_text(text + "loads: {L: {fed_by: [A, B]}}")
    read_topology_text(text.replace("28", "120.0") + "feeds: [A <-> B]")


def test_each_further_voltage_is_one_problem() -> None:
    lines = "".join(f"  B{i}: {{kind: bus, voltage_v: {100 + i % 3}}}\n" for i in range(30))
    feeds = "".join(f"  - B{i} -> B{i + 1}\n" for i in range(29))
    assert len(problems(f"powerfault: 1\ncomponents:\n{lines}feeds:\n{feeds}")) == 2


# --- proposals, as far as they can be judged unapplied ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("proposal", "expected"),
    [
        ("{addd: {}}", "addd: unknown field of a proposal (did you mean 'add'?)"),
        ("{add: {component: {}}}", "add.component: unknown field of 'add' of a proposal (did you mean 'components'?)"),
        ("{add: {components: {X: {kind: bux}}}}", "12:46: proposals.J.add.components.X.kind: expected source"),
        ("{add: {components: {X: {kind: bus, rating_kw: -1}}}}", "X.rating_kw: expected a number of at least 0"),
        ("{add: {components: {X: {kind: bus, needs: [Q]}}}}", "X.needs[0]: 'Q' is no component, load or function"),
        ("{add: {components: {PV: {kind: bus}}}}", "proposals.J.add.components.PV: there is already a PV"),
        ("{add: {components: {X: {kind: bus}}, loads: {X: {fed_by: [BUS]}}}}", "X is also under components"),
        ("{add: {components: [X]}}", "add.components: expected a mapping, found a list"),
        ("{add: {feeds: [PV --> BUS]}}", "proposals.J.add.feeds[0]: '-->' is no arrow"),
        ("{add: {feeds: [PV -> QQ]}}", "proposals.J.add.feeds[0]: 'QQ' is no component"),
        ("{add: {feeds: PV -> BUS}}", "add.feeds: expected a list of feed lines, found text 'PV -> BUS'; put it in"),
        ("{add: {loads: {L: {fed_by: [QQ]}}}}", "L.fed_by[0]: 'QQ' is no component"),
        ("{add: {functions: {F: {of: [QQ]}}}}", "F.of[0]: 'QQ' is no component, load or function"),
        (
            "{remove: {components: BUS}}",
            "remove.components: expected a list of ids, found text 'BUS'; put it in brackets",
        ),
        (
            "{remove: {components: [BUZ]}}",
            "remove.components[0]: cannot remove 'BUZ': there is none (did you mean 'BUS'",
        ),
        ("{remove: {feeds: [BUS -> PV]}}", "remove.feeds[0]: cannot remove BUS -> PV: there is no such link"),
        ("{remove: {feeds: [PV <-> BUS]}}", "remove.feeds[0]: cannot remove BUS -> PV: there is no such link"),
        ("{remove: {feeds: [BUZ -> PV]}}", "cannot remove BUZ -> PV: 'BUZ' is no component"),
        ("{set: {BUZ: {label: x}}}", "proposals.J.set.BUZ: cannot set 'BUZ': there is none (did you mean 'BUS'?)"),
        ("{set: {BUS: {lable: x}}}", "set.BUS.lable: unknown field of a component (did you mean 'label'?)"),
        ("{set: {BUS: {normally: open}}}", "set.BUS.normally: a bus takes no normally"),
        ("{set: {BUS: {voltage_v: -1}}}", "set.BUS.voltage_v: expected a number above 0"),
        ("{set: {BUS: {kind: null}}}", "set.BUS.kind: cannot be taken away: a component must have kind"),
        ("{set: {FAN: {fed_by: null}}}", "set.FAN.fed_by: cannot be taken away"),
        ("{set: {BUS: {needs: [QQ]}}}", "set.BUS.needs[0]: 'QQ' is unknown"),
        ("{set: {BUS: open}}", "set.BUS: expected a mapping of the fields to replace, found text 'open'"),
        ("{set: [BUS]}", "proposals.J.set: expected a mapping, found a list"),
        ("{crew_minutes: -5}", "proposals.J.crew_minutes: expected a number of at least 0"),
        ("5", "proposals.J: expected a mapping of fields for a proposal, found the number 5"),
    ],
)
def test_malformed_proposals_are_found_when_the_file_is_read(proposal: str, expected: str) -> None:
    found = problems(with_lines(f"proposals: {{J: {proposal}}}"))
    assert len(found) == 1
    assert expected in found[0]


def test_names_of_proposals_are_ids() -> None:
    assert "'J 1' is no id" in problems(with_lines("proposals: {J 1: {}}"))[0]


def test_a_proposal_may_name_what_another_adds() -> None:
    read_topology_text(
        with_lines(
            "proposals:",
            "  A: {add: {components: {X: {kind: bus}}, feeds: [BUS -> X]}}",
            "  B: {add: {feeds: [X -> BRK], components: {Y: {kind: bus, needs: [X]}}}, set: {X: {label: x}}}",
            "  C: {remove: {components: [X], feeds: [BUS -> X]}}",
        )
    )


# --- warnings and waivers --------------------------------------------------------------------------------------------

QUIET = (
    SMALL.replace("BRK: {kind: breaker}", "BRK: {kind: breaker, operated: manual}")
    + "defaults: {rides_through: uninterrupted}\n"
)

WARNINGS = [
    (
        SMALL,
        "5:8: components.BRK: is operated automatically or by command but does not say operated_by, so nothing is "
        "needed to operate it: BRK",
    ),
    (
        SMALL.replace("FAN: {", "OTHER: {fed_by: [BRK, BUS]}\n  FAN: {"),
        "9:10: loads.OTHER: has two feeds or more and does not say inputs",
    ),
    (
        QUIET.replace("PV: {kind: source}", "PV: {kind: storage}"),
        "3:7: components.PV: does not say charged_by, so it counts as always charged",
    ),
    (
        QUIET.replace("PV: {kind: source}", "PV: {kind: storage, charged_by: [BUS], energy_kwh: 4}"),
        "energy_kwh counts only over a phase with duration_h; without it: normal",
    ),
    (
        QUIET.replace("BUS: {kind: bus}", "BUS: {kind: bus, feeds_needed: 2}"),
        "4:34: components.BUS.feeds_needed: needs 2 live feeds and has 1: never live",
    ),
    (
        QUIET.replace("FAN: {", "FAN: {feeds_needed: 2, "),
        "loads.FAN.feeds_needed: needs 2 live feeds and has 1: never live",
    ),
    (
        QUIET.replace("- PV -> BUS -> BRK", "- BUS -> BRK"),
        "loads.FAN: no source can reach it: it is lost in every case",
    ),
    (QUIET.replace("- PV -> BUS -> BRK", "- BUS -> BRK"), "components.BUS: nothing feeds it, so it is never live"),
    (
        QUIET.replace("- PV -> BUS -> BRK", "- BUS -> BRK"),
        "functions.AIR: sources can reach 0 of its members and it needs 1",
    ),
    (
        SMALL.replace("{of: [FAN]}", "{of: [FAN], severity: critical}"),
        "11:8: functions.AIR: is critical and does not say rides_through; taken as uninterrupted",
    ),
    (
        SMALL.replace("{fed_by: [BRK]}", "{fed_by: [BRK], severity: catastrophic}"),
        "loads.FAN: is catastrophic and does not say",
    ),
    (
        QUIET.replace("{fed_by: [BRK]}", "{fed_by: [BRK], severity: critical, must_tolerate: 0}"),
        "9:59: loads.FAN.must_tolerate: must tolerate 0, below the 1 usual for critical",
    ),
    (
        QUIET.replace("BUS: {kind: bus}", "BUS: {kind: bus}\n  LONE: {kind: cable}"),
        "components.LONE: no load or function depends",
    ),
    (
        QUIET.replace("BUS: {kind: bus}", "BUS: {kind: bus, voltage_v: 28}").replace(
            "PV: {kind: source}", "PV: {kind: source, voltage_v: 30}"
        ),
        "components.PV.voltage_v: gives 30 V, but it is joined to BUS of 28 V",
    ),
    (
        QUIET.replace(
            "BUS: {kind: bus}", "BUS: {kind: bus, voltage_v: 28}\n  CV: {kind: converter, voltage_v: 120}"
        ).replace("PV -> BUS", "PV -> CV -> BUS"),
        "components.CV.voltage_v: gives 120 V, but it feeds BUS of 28 V",
    ),
    (
        QUIET.replace("{fed_by: [BRK]}", "{fed_by: [BRK], demand_kw: {normal: 0}}"),
        "loads.FAN.demand_kw: takes no power in any phase, so it is judged in none",
    ),
    (
        QUIET.replace("{kind: source}", "{kind: source, capacity_kw: 0}"),
        "components.PV.capacity_kw: gives no power in any phase",
    ),
    (
        QUIET.replace("- PV -> BUS -> BRK", "- PV -> BUS -> BRK\n  - PV -> BUS"),
        "8:5: feeds[1]: the link PV -> BUS is given twice (first in feeds[0]); it counts once",
    ),
    (
        QUIET.replace("fed_by: [BRK]", "fed_by: [BRK, BRK]"),
        "9:23: loads.FAN.fed_by[1]: BRK is named twice; it counts once",
    ),
    ("powerfault: 1", "there are no components, so nothing can fail"),
    ("powerfault: 1\ncomponents: {B: {kind: bus}}", "there is no source and no storage, so nothing is ever live"),
    ("powerfault: 1\ncomponents: {B: {kind: source}}", "there are no loads and no functions, so nothing is judged"),
]


@pytest.mark.parametrize(("text", "expected"), WARNINGS, ids=[w[1][:60] for w in WARNINGS])
def test_each_warning(text: str, expected: str) -> None:
    found = warnings(text)
    assert expected in "\n".join(found)
    if expected[0].isdigit():
        assert any(line.startswith(expected) for line in found)


def test_a_sound_file_has_no_warnings() -> None:
    assert warnings(QUIET) == []
    assert warnings(STARTER) == []


def test_a_component_counts_as_used_through_needs_operation_and_charge() -> None:
    text = QUIET.replace("BUS: {kind: bus}", "BUS: {kind: bus, needs: [A]}\n" + "".join(
        f"  {name}: {{kind: bus}}\n" for name in "ABC"
    ) + "  BAT: {kind: storage, charged_by: [B]}\n  SW: {kind: switch, operated: manual, operated_by: [C]}").replace(
        "- PV -> BUS", "- PV -> A\n  - PV -> B\n  - PV -> C\n  - BAT -> SW -> BUS\n  - PV -> BUS"
    )  # fmt: skip
    assert warnings(text) == []


def test_an_unmated_jumper_that_no_crew_may_mate_reaches_nothing() -> None:
    text = QUIET.replace("BUS: {kind: bus}", "BUS: {kind: jumper, mated: false}")
    assert any("no source can reach it" in line for line in warnings(text))
    assert warnings(text.replace("mated: false", "mated: false, crew_may_mate: true")) == []


def test_waivers() -> None:
    text = QUIET.replace(
        "  FAN: {fed_by: [BRK]}",
        "  FAN: {fed_by: [BRK], severity: critical, must_tolerate: 0, severity_basis: spare kept}\n"
        "  A: {fed_by: [BRK], severity: critical, must_tolerate: 1}\n"
        "  B: {fed_by: [BRK], severity: major, must_tolerate: 0}\n"
        "  C: {fed_by: [BRK], must_tolerate: 0}",
    ).replace("{of: [FAN]}", "{of: [FAN], severity: catastrophic, must_tolerate: 1}")
    found = [(w.id, w.type, w.severity, w.must_tolerate, w.usual, w.basis) for w in waivers(read_topology_text(text))]
    assert found == [
        ("FAN", "load", "critical", 0, 1, "spare kept"),
        ("AIR", "function", "catastrophic", 1, 2, None),
    ]


# --- places of later modules -----------------------------------------------------------------------------------------


def test_problems_of_later_modules_find_their_place() -> None:
    text = with_lines("ports:", "  P1: {site: roof, bus: BUS}", "exclusive:", "  - [BRK, BUS]")
    t = read_topology_text(text, "f")
    assert str(problem_at(t, "ports.P1.bus", "x")) == "f:13:25: ports.P1.bus: x"
    assert str(problem_at(t, "ports.P1.absent.deeper", "x")) == "f:13:7: ports.P1.absent.deeper: x"
    assert str(problem_at(t, "exclusive[0][1]", "x")) == "f:15:11: exclusive[0][1]: x"
    assert str(problem_at(t, "links.PV -> BUS", "x")) == "f:7:5: feeds[0]: x"
    assert str(problem_at(t, "components.BUS", "x")) == "f:4:8: components.BUS: x"


# --- hostile and large input -----------------------------------------------------------------------------------------

HOSTILE = [
    "<script>alert(1)</script>", "' OR 1=1 --", '"quoted"', "../../etc/passwd", "=1+1", "@SUM(A1)", "-2+3", "{{7*7}}",
    "$(reboot)", "`ls`", "%s%n", "x" * 10_000, "\u202e reversed", "𝔘𝔫𝔦𝔠𝔬𝔡𝔢", "a\nb\tc", "&amp;", "]]>", "</title>",
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_labels_are_kept_as_they_are(text: str) -> None:
    quoted = json.dumps(text, ensure_ascii=False)
    t = read_topology_text(
        component(f"X: {{kind: source, label: {quoted}, site: {quoted}, notes: {quoted}}}") + f"name: {quoted}\n"
    )
    assert (t.components["X"].label, t.components["X"].notes, t.name) == (text, text, text)


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_ids_and_references_are_refused_shortly(text: str) -> None:
    quoted = json.dumps(text, ensure_ascii=False)
    for place in (
        component(f"{quoted}: {{kind: bus}}"),
        component(f"X: {{kind: bus, needs: [{quoted}]}}"),
        component(f"X: {{kind: {quoted}}}"),
        component(f"X: {{kind: bus, {quoted}: 1}}"),
        feed(quoted),
        with_lines(f"standing: {{failed: [{quoted}]}}"),
        with_lines(f"proposals: {{{quoted}: {{}}}}"),
        with_lines(f"proposals: {{J: {{set: {{{quoted}: {{}}}}}}}}"),
        with_lines(f"{quoted}: 1"),
    ):
        found = problems(place)
        assert found
        assert all(len(line) < 1000 for line in found)


ODD = [
    None, True, False, 0, -1, 10**30, 1.5, -0.0, 1e308, "", "x", "off", "BUS", "DB:short", ":", "A -> B", "x" * 5000,
    [], {}, [[]], [None], [True, 1], {"x": None}, {"": 1}, {"a": {"b": {}}}, ["BUS", "BUS"], [{"id": "BUS"}], [{}],
]  # fmt: skip


def topology_or_none(text: str) -> Topology | None:
    """Read ``text``; where it is refused, every problem has a place and is a line fit for a terminal."""
    refused: list[Problem] = []
    try:
        return read_topology_text(text, "f")
    except ModelError as error:
        refused.extend(error.problems)
    assert refused
    for problem in refused:
        assert str(problem).isprintable()
        assert len(str(problem)) < 2500
        assert min(problem.line, problem.column) >= 1
    return None


@pytest.mark.parametrize("seed", range(150))
def test_any_value_anywhere_ends_in_a_topology_or_in_problems(seed: int) -> None:
    """Replace, drop or add values at random places of a whole file: never another exception."""
    rng = random.Random(seed)
    data = parse_yaml(WHOLE, "f").data
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        holder, key = data, rng.choice(list(data))
        while isinstance(holder[key], dict | list) and holder[key] and rng.random() < 0.85:
            holder = holder[key]
            key = rng.choice(list(holder) if isinstance(holder, dict) else range(len(holder)))
        action = rng.random()
        if action < 0.1 and isinstance(holder, dict):
            del holder[key]
        elif action < 0.2 and isinstance(holder, dict):
            holder[rng.choice(["X", "kind", "", "a b", "needs", "BUS"])] = copy.deepcopy(rng.choice(ODD))
        else:
            holder[key] = copy.deepcopy(rng.choice(ODD))
        if not isinstance(data, dict) or not data:
            break
    text = json.dumps(data)
    topology = topology_or_none(text)
    if topology is None:
        return
    topology_warnings(topology)
    check_each(topology)
    with contextlib.suppress(ModelError, RequestError):
        apply_proposals(topology, list(topology.proposals))


@pytest.mark.parametrize("seed", range(150))
def test_any_character_anywhere_ends_in_a_topology_or_in_problems(seed: int) -> None:
    rng = random.Random(seed)
    text = list(WHOLE)
    for _ in range(rng.choice((1, 2, 5, 40))):
        place = rng.randrange(len(text))
        action = rng.random()
        if action < 0.3:
            del text[place : place + rng.randint(1, 30)]
        elif action < 0.6:
            text[place:place] = rng.choice("{}[]:,-&*!|>'\"%@`#?~\n\t \x85\u2028\ufeffé\r")
        else:
            text[place] = chr(rng.choice([rng.randrange(32, 127), rng.randrange(0, 0x3000)]))
    topology = topology_or_none("".join(text))
    if topology is not None:
        topology_warnings(topology)


def test_many_misspelt_names_are_answered_in_time() -> None:
    names = [f"COMPONENT-{i:05}" for i in range(3000)]
    lines = "".join(f"  {name}: {{kind: bus, needs: [{name}-x]}}\n" for name in names)
    begun = time.perf_counter()
    found = problems(f"powerfault: 1\ncomponents:\n{lines}")
    assert time.perf_counter() - begun < 30
    assert "COMPONENT-00000-x' is no component, load or function (did you mean 'COMPONENT-" in found[0]
    assert len(found) == 1001
    assert "and 2000 more problems" in "\n".join(found)


def test_thousands_of_nested_functions_need_no_recursion() -> None:
    count = 5000
    chain = "".join(f"  F{i}: {{of: [F{i + 1}]}}\n" for i in range(count))
    read_topology_text(SMALL + chain + f"  F{count}: {{of: [FAN]}}\n")
    found = problems(SMALL + chain + f"  F{count}: {{of: [F0]}}\n")
    assert len(found) == 1
    assert len(found[0]) < 300


def test_a_file_of_five_thousand_components_is_read_in_time() -> None:
    lines, feeds, loads = [], [], []
    for i in range(1000):
        lines += [f"PV{i}: {{kind: source}}", f"B{i}: {{kind: bus, voltage_v: 120, needs: [B{i // 2}]}}",
                  f"X{i}: {{kind: breaker, rating_a: 20, operated: manual}}", f"D{i}: {{kind: bus, voltage_v: 28}}",
                  f"C{i}: {{kind: converter, efficiency: 0.9, failures_per_million_hours: {{loss: 3}}}}"]  # fmt: skip
        feeds += [f"PV{i} -> B{i} -> C{i} -> D{i} -> X{i}", f"B{i} <-> B{(i + 1) % 1000}"]
        loads += [f"L{i}: {{fed_by: [X{i}, D{(i + 7) % 1000}], demand_kw: 0.3, severity: critical}}"]
    text = "powerfault: 1\ncomponents:\n  " + "\n  ".join(lines) + "\nfeeds:\n  - " + "\n  - ".join(feeds)
    text += "\nloads:\n  " + "\n  ".join(loads)
    begun = time.process_time()
    t = read_topology_text(text)
    topology_warnings(t)
    spent = time.process_time() - begun
    assert len(t.components) == 5000
    assert spent < 6, f"{spent:.1f} s; about 1 s when the machine is idle"


@pytest.mark.parametrize("value", ["1e300", "1.1e9", "1e-300", "5e-324", "-1e300"])
@pytest.mark.parametrize("field", ["capacity_kw", "limits_at_a", "voltage_v", "error_factor"])
def test_numbers_beyond_their_range_are_refused(field: str, value: str) -> None:
    """Where results would leave the range of numbers; the schema says the same."""
    text = f"powerfault: 1\ncomponents:\n  S: {{kind: source, {field}: {value}}}\nfeeds: []\n"
    with pytest.raises(ModelError, match=rf"S.{field}: expected (0, or )?a number"):
        read_topology_text(text)
