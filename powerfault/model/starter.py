"""A small commented first topology, to be changed into one's own."""

from __future__ import annotations

STARTER = """\
# A first topology: two channels, one load that has a feed from each, one that has not, and a jumper proposed
# between the two buses. Check it with:   powerfault validate FILE
# Find what each failure takes out with:  powerfault faults FILE
# Compare before and after the jumper:    powerfault compare FILE --with JUMPER
#
# Everything that can fail is a component. A link between components is ideal and never fails: name a cable as a
# component if it may. Power flows along the arrows.
powerfault: 1                  # version of the format
name: Two channels
about: A first system, to be changed into your own.

phases:                        # without this there is one phase, called normal
  day:   {duration_h: 14}
  night: {duration_h: 10}

channels:                      # for colour and grouping
  a: {label: Channel A}
  b: {label: Channel B}

components:
  # A source or storage gives power; capacity_kw is a number, or one for each phase.
  PV-A:  {kind: source, channel: a, capacity_kw: {day: 5, night: 0}}
  PV-B:  {kind: source, channel: b, capacity_kw: {day: 5, night: 0}}
  # A storage counts where one of charged_by is alive in some phase of the case.
  BAT-A: {kind: storage, channel: a, capacity_kw: 3, energy_kwh: 30, depth_limit: 0.8, charged_by: [BUS-A]}
  BAT-B: {kind: storage, channel: b, capacity_kw: 3, energy_kwh: 30, depth_limit: 0.8, charged_by: [BUS-B]}
  BUS-A: {kind: bus, channel: a, voltage_v: 120}
  BUS-B: {kind: bus, channel: b, voltage_v: 120}
  # A breaker is switched: normally closed unless it says open; operated automatic, commanded or manual.
  BRK-A: {kind: breaker, channel: a, rating_a: 25, operated: manual}
  BRK-B: {kind: breaker, channel: b, rating_a: 25, operated: manual}

feeds:                         # -> is one way, <-> both ways; both may stand in one line
  - PV-A -> BUS-A
  - BAT-A -> BUS-A -> BRK-A
  - PV-B -> BUS-B
  - BAT-B -> BUS-B -> BRK-B

loads:
  # rides_through is the worst interruption a load bears: uninterrupted, automatic, commanded or manual.
  # severity says how bad its loss is, and so how many failures it must tolerate: catastrophic 2, critical 1.
  AIR:   {fed_by: [BRK-A, BRK-B], inputs: isolated, demand_kw: 1.2, severity: critical, rides_through: automatic}
  RADIO: {fed_by: [BRK-A], demand_kw: 0.3, severity: critical, rides_through: manual}

functions:                     # what must be done by at least so many of several members
  habitable: {of: [AIR, RADIO], at_least: 2, severity: major, rides_through: manual}

proposals:
  JUMPER:
    about: A cable between the two buses, behind a breaker that a crew closes by hand.
    crew_minutes: 45
    add:
      components:
        JMP: {kind: jumper, length_m: 12, gauge_awg: 6}
        TIE: {kind: breaker, normally: open, operated: manual, rating_a: 25}
      feeds:
        - BUS-A <-> TIE <-> JMP <-> BUS-B

expect:                        # your own checks, run by: powerfault validate FILE
  - {failed: [BRK-A], outcomes: {AIR: uninterrupted, RADIO: lost}}
  - {failed: [PV-A, BAT-A], outcomes: {RADIO: lost}}
  - {failed: [PV-A, BAT-A], with: [JUMPER], outcomes: {RADIO: manual, AIR: uninterrupted}}
"""
