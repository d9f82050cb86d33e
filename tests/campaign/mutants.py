"""Hostile files, made from sound ones by structure and by bytes, and the commands that read them, in this process.

A mutant passes where the command succeeds or refuses it by an error of its own; anything else is a finding.
"""

from __future__ import annotations

import contextlib
import copy
import io
import json
import random
import signal
import sys
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import click
import yaml

from powerfault import files
from powerfault.cli import program
from powerfault.errors import PowerfaultError

ROOT = Path(__file__).parent.parent.parent
SYSTEM = """
powerfault: 1
name: two buses (invented)
about: with a bit of everything
title_block: {document: D-1, revision: B}
defaults: {rides_through: uninterrupted}
stage_minutes: {automatic: 0.1, commanded: 15, manual: 480}
phases: {sunlit: {duration_h: 1.0}, dark: {duration_h: 0.5}}
channels: {a: {label: A side}, b: {}}
components:
  SA: {kind: source, capacity_kw: {sunlit: 6, dark: 0}, voltage_v: 120, limits_at_a: 80, trip_s: 1, channel: a}
  BAT: {kind: storage, energy_kwh: 4, capacity_kw: 3, depth_limit: 0.6, charged_by: [A], charge_kw: 2, voltage_v: 120,
        failures_per_million_hours: 3, error_factor: 3}
  SB: {kind: source, capacity_kw: 5, voltage_v: 120, limits_at_a: 60, failures_per_million_hours: {loss: 2}}
  QA: {kind: breaker, operated: manual, site: east, lockable: true, trip_a: 50, trip_s: 0.1, repair_h: 9}
  QB: {kind: breaker, operated: commanded, operated_by: [CTRL], site: west, lockable: true, trip_a: 40, trip_s: 0.1}
  A: {kind: bus, voltage_v: 120, site: east, failures_per_million_hours: 0.1}
  B: {kind: bus, voltage_v: 120, discharge_min: 6, capacitance_mf: 2, site: west}
  CV: {kind: converter, rating_kw: 2, efficiency: 0.9, voltage_v: 28, limits_at_a: 90}
  W: {kind: cable, length_m: 8, gauge_awg: 8, rating_a: 60, conductors: 1, conductor_c: 70}
  D: {kind: bus, voltage_v: 28}
feeds: [SA -> QA -> A, BAT -> A, SB -> QB -> B, A -> CV -> W -> D]
loads:
  CTRL: {fed_by: [A, B], severity: critical, inputs: isolated, demand_kw: 0.2, priority: 1}
  LA: {fed_by: [A], severity: critical, rides_through: commanded, demand_kw: {sunlit: 1, dark: 0.5}, start_kw: 2}
  LB: {fed_by: [B], severity: major, rides_through_min: 20, demand_kw: 1.5, must_last_h: 2, min_voltage_v: 100}
  LD: {fed_by: [D], demand_kw: 0.4, min_voltage_v: 24, max_voltage_v: 32, needs: [{id: CTRL, bears: commanded}]}
functions:
  AIR: {of: [LA, LB], at_least: 1, severity: catastrophic}
common_causes:
  tray: {members: [A, B], beta: 0.1}
switching_success: {automatic: 0.99, commanded: 0.98, QB: 0.9}
derating: {rule: table, ampacity_a: {"8": 73, "4": 135}, source: list, drop_percent: 5}
proposals:
  TIE:
    about: a tie of A and B
    add:
      components:
        KA: {kind: breaker, normally: open, operated_by: [CTRL], site: east, lockable: true, trip_a: 45, trip_s: 0.1}
        CA: {kind: connector, site: east, mate_cycles_left: 5}
        J: {kind: jumper, length_m: 5, gauge_awg: 4}
        CB: {kind: connector, site: west}
      feeds: [A <-> KA <-> CA <-> J <-> CB <-> B]
    crew_minutes: 30
expect:
  - {failed: [QA], with: [TIE], outcomes: {LB: uninterrupted}}
"""
PLAN = """
outing_plan: 1
name: tie A and B
crew: [UMA, ILO]
sites: {lock: {}, east: {room: 1}, west: {room: 1}}
travel_min: {lock: {east: 5, west: 7}, east: {west: 3}}
practice: {earth: false, cover: false, see_open: false}
outings:
  first:
    limit_min: 120
    start_site: lock
    end_site: lock
    jobs:
      tie:
        fits: [TIE]
        steps:
          - {id: go-e, do: travel, to: east, who: UMA, after: []}
          - {id: go-w, do: travel, to: west, who: ILO, after: []}
          - {id: open-a, do: open, what: QA, who: UMA, minutes: 2, after: [go-e]}
          - {id: tag-a, do: tag, what: QA, who: UMA, minutes: 2}
          - {id: bleed, do: wait, who: inside, minutes: 6, after: [open-a]}
          - {id: mate-a, do: mate, what: CA, who: UMA, minutes: 5, after: [bleed]}
"""
COMMANDS: tuple[tuple[str, ...], ...] = (
    ("validate", "F"), ("faults", "F", "--modes", "loss,short,stuck,closed", "--json"),
    ("faults", "F", "--order", "1", "--ratings"), ("compare", "F", "--with", "TIE"),
    ("compare", "F", "--with", "TIE", "--json"), ("explain", "F", "--load", "LA", "--fail", "SA"),
    ("worksheet", "F", "--csv"),
    ("capacity", "F", "--json", "--jobs", "1"), ("restore", "F", "--fail", "QA", "--json"),
    ("size", "F", "--with", "TIE", "--json"), ("voltages", "F", "--json"), ("endurance", "F", "--json"),
    ("protection", "F", "--with", "TIE", "--json"), ("likelihood", "F", "--samples", "20", "--json"),
    ("isolate", "F", "--at", "CA", "--with", "TIE", "--json"), ("rank", "F", "--json"), ("draw", "F", "-o", "O.dot"),
    ("outing", "F", "P", "--json", "--no-order"), ("sequence", "F", "--with", "TIE", "--json"),
    ("faults", "F", "--after", "QA", "--json"), ("faults", "F", "--when-flat", "--json"), ("show", "F", "--expanded"),
)  # fmt: skip
"""Every command that takes a file; F is the topology, P the plan, O an output."""
QUICK = COMMANDS[:1] * 16 + COMMANDS
HOSTILE: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2, 1e9, 1e-9, 1e-10, 1e300, 5e-324, float("nan"), float("inf"), 10**40, "", " ", "x",
    "A", "LA", "A -> B", "A <->", "=1+1", "\u202ecba", "\u0301", "<b>&</b>", "a" * 400, "\U0001f600", [], {}, [[]],
    ["A"], [None], {"A": 1}, {"sunlit": 1e9}, {"": ""}, ["A", "A"], {"id": "A", "bears": "manual"}, "lost", "manual",
)  # fmt: skip


def places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every (container, key) below ``value``."""
    for key in list(value) if isinstance(value, dict) else range(len(value)):
        yield value, key
        if isinstance(value[key], dict | list):
            yield from places(value[key])


def by_structure(text: str, generator: random.Random) -> bytes:
    data = yaml.safe_load(text)
    if generator.random() < 0.5:
        return _by_value(data, generator)
    for _ in range(generator.choice((1, 1, 1, 2, 4))):
        spots = list(places(data))
        if not spots:
            break
        holder, key = generator.choice(spots)
        other, other_key = generator.choice(spots)
        what = generator.randrange(6)
        if what == 0:
            del holder[key]
        elif what == 1:
            holder[key] = copy.deepcopy(other[other_key])
        elif what == 2 and isinstance(holder, dict):
            holder[generator.choice(("A", "nope", "kind", "QA", "\u2066x", "needs"))] = holder.pop(key)
        elif what == 3 and isinstance(holder, list):
            holder.insert(key, copy.deepcopy(holder[key]))
        else:
            holder[key] = copy.deepcopy(generator.choice(HOSTILE))
    return yaml.safe_dump(data, sort_keys=False, allow_unicode=True).encode("utf-8", "replace")


def _by_value(data: Any, generator: random.Random) -> bytes:
    """Other values of the same type: numbers to the ends of their range, ids and words to others of the file."""
    spots = [(h, k) for h, k in places(data) if not isinstance(h[k], dict | list)]
    words = sorted({h[k] for h, k in spots if isinstance(h[k], str)})
    for holder, key in generator.sample(spots, generator.choice((1, 2, 4))):
        old = holder[key]
        if isinstance(old, bool):
            holder[key] = not old
        elif isinstance(old, int | float):
            holder[key] = generator.choice((0, 1, old * 1e3, old / 1e3, 1e9, 1e-9, 1e6, 0.5, 3, 2.0))
        elif isinstance(old, str):
            holder[key] = generator.choice(words)
    return yaml.safe_dump(data, sort_keys=False, allow_unicode=True).encode()


def by_bytes(text: str, generator: random.Random) -> bytes:
    data = bytearray(text.encode())
    for _ in range(generator.choice((1, 2, 5, 20))):
        at, what = generator.randrange(len(data) or 1), generator.randrange(6)
        if what == 0 and data:
            data[at % len(data)] ^= 1 << generator.randrange(8)
        elif what == 1:
            data[at:at] = generator.choice(
                (b":", b"- ", b"\t", b"{", b"]", b"&a", b"*a", b"!!x ", b"\0", b"\xff", b"\n")
            )
        elif what == 2:
            del data[at : at + generator.choice((1, 3, 40))]
        elif what == 3:
            data[at:at] = data[at : at + 60] * 2
        elif what == 4:
            del data[at:]
        else:
            line = data.find(b"\n", at)
            data[at:at] = data[line : line + 80]
        if not data:
            data = bytearray(b"x")
    return bytes(data)


@dataclass
class Tally:
    """What a run found: mutants by command, how many were refused, and each finding once with how to make it again."""

    ran: Counter[str] = field(default_factory=Counter)
    refused: int = 0
    findings: dict[str, str] = field(default_factory=dict)

    @property
    def mutants(self) -> int:
        return sum(self.ran.values())


class TooLongError(BaseException):
    """Raised by the alarm in whatever is running."""


def run(arguments: list[str], seconds: int = 60) -> bool:
    """Run one command here and now; whether it was refused. Raises what is a defect."""

    def stop(*_: object) -> None:
        raise TooLongError(" ".join(arguments))

    files._read.clear()
    begun = time.monotonic()
    before, (left, _) = signal.signal(signal.SIGALRM, stop), signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        with contextlib.redirect_stdout(io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True)) as out:
            with contextlib.redirect_stderr(io.StringIO()):
                status = program.main(arguments, prog_name="powerfault", standalone_mode=False)
            if "--json" in arguments and out.tell():  # with -o a command may print nothing
                out.seek(0)
                json.load(out, parse_constant=_refuse_constant)
        assert status in (None, 0, 3) or (status == 2 and arguments[0] == "validate"), status
    except (PowerfaultError, click.ClickException) as error:
        if len(str(error)) > 200_000:
            raise ValueError("a message without end") from error
        return True
    finally:
        signal.signal(signal.SIGALRM, before)
        # The time limit of the test, which was counting down, goes on.
        signal.setitimer(signal.ITIMER_REAL, max(0.1, left - (time.monotonic() - begun)) if left else 0)
    return False


def _refuse_constant(text: str) -> float:
    raise AssertionError(f"{text} in JSON")


def campaign(count: int, seed: int, folder: Path, commands: tuple[tuple[str, ...], ...]) -> Tally:
    """Run ``count`` mutants, each by one command drawn at random; a mutant of the plan where the command takes one."""
    generator, tally = random.Random(seed), Tally()
    system, plan, out = folder / "m.yaml", folder / "p.yaml", folder / "o"
    for number in range(count):
        command = generator.choice(commands)
        mutate = by_structure if generator.random() < 0.7 else by_bytes
        of_plan = "P" in command and generator.random() < 0.7
        system.write_bytes(SYSTEM.encode() if of_plan else mutate(SYSTEM, generator))
        plan.write_bytes(mutate(PLAN, generator) if of_plan else PLAN.encode())
        names = {"F": str(system), "P": str(plan), "O.dot": f"{out}.dot"}
        tally.ran[command[0]] += 1
        try:
            tally.refused += run([names.get(word, word) for word in command])
        except (Exception, TooLongError, SystemExit) as error:
            at = traceback.extract_tb(sys.exc_info()[2])[-1]
            name = f"{command[0]}: {type(error).__name__} {str(error)[:80]} at {Path(at.filename).name}:{at.lineno}"
            if name not in tally.findings:
                kept = folder / f"finding-{len(tally.findings)}.yaml"
                kept.write_bytes((plan if of_plan else system).read_bytes())
                tally.findings[name] = f"mutant {number} of seed {seed}, {kept}"
    return tally
