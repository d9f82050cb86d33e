"""Options and arguments that several commands share, each said once."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from powerfault.errors import OutputError
from powerfault.model.elements import MODES, STAGES, Topology
from powerfault.model.fields import GREATEST

if TYPE_CHECKING:
    from powerfault.output.blocks.blocks import Block
    from powerfault.tolerance.sequence.answered import Answered

Decorated = TypeVar("Decorated", bound=Callable[..., Any])


class NumberRange(click.FloatRange):
    """A range of numbers of which none is NaN or infinite: at most 1e9, as the numbers of the file."""

    def __init__(self, min: float, max: float = GREATEST, **more: Any) -> None:
        super().__init__(min, max, **more)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a finite number.", param, ctx)
        return number


file_argument = click.argument("file", type=click.Path())
with_option = click.option(
    "--with", "proposals", multiple=True, metavar="PROPOSAL", help="Apply this proposal of the file (repeatable)."
)
given_option = click.option(
    "--given", multiple=True, metavar="EVENT", help="Failed already in every case, beside the file's standing failures."
)


def _order_option(default: int) -> Callable[[Decorated], Decorated]:
    return click.option(
        "--order", type=click.IntRange(1, 1000), default=default, show_default=True, help="Failures at once, at most."
    )


order_option = _order_option(2)
modes_option = click.option(
    "--modes",
    default="loss",
    show_default=True,
    metavar="MODE,...",
    callback=lambda _context, _parameter, value: _split_modes(value),
    help=f"Failure modes to enumerate: {', '.join(MODES)}.",
)
case_option = click.option(
    "--fail", "failed", multiple=True, metavar="EVENT", help="Only the case of this event (repeatable)."
)
stage_option = click.option(
    "--stage", type=click.Choice(STAGES), default="commanded", show_default=True, help="How far switching has got."
)
rated_option = click.option(
    "--rated", is_flag=True, help="With only the loads on that ratings allow, in their best positions."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print the results as JSON.")
ratings_option = click.option(
    "--ratings", is_flag=True, help="Count a load that the ratings do not allow to be served as lost."
)
yes_option = click.option("--yes", is_flag=True, help="Run however many cases there are.")
after_option = click.option(
    "--after",
    "earlier",
    multiple=True,
    metavar="EVENT",
    help="Ask of the system after this event was answered by switching (repeatable, in order).",
)
answered_option = click.option(
    "--answered",
    type=click.Choice(STAGES),
    default="commanded",
    show_default=True,
    help="How far each answer goes before the next event.",
)
unmet_option = click.option("--fail-on-unmet", is_flag=True, help="Exit with 3 where a requirement is not met.")


def _split_modes(value: str) -> tuple[str, ...]:
    from powerfault.network.failure_modes import check_modes

    return check_modes(m.strip() for m in value.split(",") if m.strip())


def question_options(command: Decorated) -> Decorated:
    """Add ``--order``, ``--modes``, ``--given`` and ``--yes``: what is asked of a system."""
    return _asking(command, order_option)


def singles_options(command: Decorated) -> Decorated:
    """As :func:`question_options`, for what takes long: single failures unless more is asked for."""
    return _asking(command, _order_option(1))


def _asking(command: Decorated, order: Callable[[Decorated], Decorated]) -> Decorated:
    for option in (yes_option, given_option, modes_option, order):
        command = option(command)
    return command


def check_sheet_name(output: str | None) -> None:
    """Raise :class:`OutputError` for a file that is neither a picture nor a sheet, before anything is computed."""
    if output and not output.endswith((".svg", ".md")):
        raise OutputError(f"cannot write {output}: a picture ends in .svg, a sheet in .md")


def print_json(value: Any) -> None:
    """Print a result as one line of JSON."""
    from powerfault.files import json_text

    click.echo(json_text(value))


def show_blocks(blocks: Iterable[Block], rows_shown: int | None = None) -> None:
    """Print blocks of a section; of each table at most ``rows_shown`` rows."""
    from powerfault.output.blocks.screen import Screen
    from powerfault.output.blocks.text import print_blocks

    print_blocks(blocks, Screen(), rows_shown)


def load_applied(file: str, proposals: tuple[str, ...]) -> Topology:
    """Read ``file`` and apply ``proposals`` in the order given; say on standard error how they change the question."""
    from powerfault.model.modify import apply_proposals
    from powerfault.model.reader import load_topology

    topology = load_topology(file)
    if proposals:
        topology = apply_proposals(topology, proposals)
        for change in topology.question_changes:
            click.echo(f"the question was changed: {change}", err=True)
    return topology


def after_options(command: Decorated) -> Decorated:
    """Add ``--after`` and ``--answered``: the question is asked of the system that answered failures leave."""
    return after_option(answered_option(command))


def answer(
    topology: Topology, earlier: tuple[str, ...], answered: str, given: tuple[str, ...] = ()
) -> tuple[Topology, tuple[str, ...], Answered | None]:
    """Return the system after the events ``earlier`` were answered, and all events given in it."""
    if not earlier:
        return topology, given, None
    from powerfault.tolerance.sequence.answered import answer_in_turn

    state = answer_in_turn(topology, earlier, answered, given)
    return state.topology, tuple(map(str, state.given)), state


class Progress:
    """Cases done and time left, on standard error, where that is a terminal and the work takes longer than a second.

    Use as ``with Progress("cases") as progress: ... progress(done, total)``.
    """

    def __init__(self, noun: str = "cases") -> None:
        self.noun = noun
        self.shown = False
        self.begun = self.last = time.monotonic()

    def __enter__(self) -> Progress:
        return self

    def __call__(self, done: int, total: int) -> None:
        now = time.monotonic()
        if not sys.stderr.isatty() or now - self.begun < 1 or now - self.last < 0.2:
            return
        self.last, self.shown = now, True
        left = (now - self.begun) * (total - done) / max(1, done)
        share = 100 * done // max(1, total)
        sys.stderr.write(f"\r{done:,} of {total:,} {self.noun} ({share} %), about {left:.0f} s left \x1b[K")
        sys.stderr.flush()

    def __exit__(self, *_: object) -> None:
        if self.shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
