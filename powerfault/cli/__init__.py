"""The command line: parse, call, print, exit code. It catches one base class of errors and computes nothing.

Commands live in one module each and are imported only when called, so that ``validate`` starts without the
libraries that ``report`` needs.
"""

from __future__ import annotations

import contextlib
import errno
import gc
import importlib
import io
import os
import signal
import sys
import threading
import warnings
from typing import Any

import click

from powerfault import __version__
from powerfault.errors import ModelError, PowerfaultError

GROUPS: dict[str, dict[str, str]] = {
    "What does the file say?": {
        "starter": "write a small commented first topology file",
        "schema": "print the JSON Schema of the topology format, or of saved results",
        "gather": "make a topology file from wiring, load and equipment lists",
        "tables": "write a system as a workbook, to be edited and gathered again",
        "show": "show the files and patterns of a system, or one file with all of them put in",
        "validate": "check a topology file and the author's own expectations",
    },
    "Which failures does it tolerate?": {
        "faults": "find which loads and functions fail under every single and double failure",
        "compare": "compare before and after a proposal, two files or two saved results",
        "explain": "say why a load or function loses power in one failure case",
        "draw": "draw the system, whole or in one failure case",
        "sequence": "find what the next failure does once the one before has been answered",
        "worksheet": "write the failure worksheet, a row per component and mode",
    },
    "Is there power for everything that has a path?": {
        "capacity": "find what the surviving equipment can carry in each case",
        "restore": "plan the switching that restores service after a failure",
        "size": "find what a jumper must carry and the conductor it needs",
        "voltages": "find the voltage at every bus and load in one case",
        "endurance": "find how long batteries last in each case",
        "protection": "check whether the device nearest to a fault clears it",
    },
    "How likely is it?": {
        "likelihood": "compute probabilities, importance and their uncertainty",
    },
    "Which jumper is worth it, and how is it fitted?": {
        "rank": "rank candidate jumpers and choose the best set for the crew's minutes",
        "isolate": "find the devices to open so that a work site is de-energised",
        "outing": "check an installation plan step by step",
    },
    "What does the board sign?": {
        "report": "write the before-and-after report for the review board",
    },
}
"""The commands in groups by question, in the order of the help."""
COMMANDS = {name: what for group in GROUPS.values() for name, what in group.items()}
EXIT_USAGE = 2
EXIT_UNMET = 3
EXIT_INTERRUPTED = 130


class _Commands(click.Group):
    """A group whose commands are modules of this package, imported when asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        found: click.Command = importlib.import_module(f"powerfault.cli.{cmd_name}").command
        return found

    def make_context(self, *arguments: Any, **options: Any) -> click.Context:
        try:
            return super().make_context(*arguments, **options)
        except OSError as error:  # the help
            raise _OutputGoneError(error) from error

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except OSError as error:
            # What a command writes to files ends in errors of its own; this is standard output.
            raise _OutputGoneError(error) from error

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        widest = max(map(len, COMMANDS))
        for question, group in GROUPS.items():
            formatter.write(f"\n{question}\n")
            with formatter.indentation():
                formatter.write_dl([(name.ljust(widest), what) for name, what in group.items()])


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="powerfault")
def program() -> None:
    """Show what each jumper is worth: which loads lose power under every failure, before and after it is fitted.

    The tool models what its file says: a wrong file gives a wrong answer. It supports, and never replaces, the
    project's own hazard analysis, local codes and licensed practice.
    """


class _OutputGoneError(Exception):
    """Standard output took no more; carries the error."""


class _Closed(io.TextIOBase):
    """Stands for a standard output that was closed before the start: nothing can be written, and is not lost unsaid."""

    def write(self, text: str) -> int:
        raise OSError(errno.EBADF, os.strerror(errno.EBADF))


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 2 bad input, 3 unmet (when asked), 130 interrupted."""
    # Nearly all objects of a short command live to its end; looking for garbage less often saves a twentieth of it.
    gc.set_threshold(50_000, 20, 20)
    _open_standard_streams()
    _hear_signals()
    warnings.showwarning = _say_warning
    status = _run(arguments)
    # From here on a signal ends the process as it ends any other.
    for number in (signal.SIGINT, signal.SIGTERM):
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, signal.SIG_DFL)
    gc.freeze()  # at exit all memory is given back at once; no need to search it for garbage first
    sys.exit(status)


def _run(arguments: list[str] | None) -> int:
    try:
        status = program.main(args=arguments, prog_name="powerfault", standalone_mode=False)
        _flush()
        return status if isinstance(status, int) else 0
    except (click.exceptions.Abort, KeyboardInterrupt):
        _say("interrupted; nothing was left half written")
        return EXIT_INTERRUPTED
    except click.ClickException as error:
        with contextlib.suppress(OSError):
            error.show()
        return EXIT_USAGE
    except _OutputGoneError as gone:
        return _without_output(gone.args[0])
    except ModelError as error:
        for problem in error.problems:
            _say(str(problem))
        count = len(error.problems)
        _say(f"error: {count} problem{'s' if count != 1 else ''} found; nothing was computed")
        return EXIT_USAGE
    except PowerfaultError as error:
        _say(f"error: {error}")
        return EXIT_USAGE
    except MemoryError:
        _say("error: there is not the memory for this; ask for a lower --order, or fewer --modes")
        return EXIT_USAGE


def _say(line: str) -> None:
    """A line on standard error, where there is one that takes it."""
    with contextlib.suppress(OSError, ValueError):
        click.echo(line, err=True)


def _say_warning(message: Warning | str, *_: object, **__: object) -> None:
    _say(f"warning: {message}")


def _flush() -> None:
    try:
        sys.stdout.flush()
    except OSError as error:
        raise _OutputGoneError(error) from error


def _without_output(error: OSError) -> int:
    """Say that standard output is full or closed; nothing where a pager or ``head`` has read enough."""
    # Python flushes standard output once more at its end: to nowhere.
    with contextlib.suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    if error.errno == errno.EPIPE:
        return 0
    _say(f"error: cannot write to standard output: {error.strerror or error}")
    return EXIT_USAGE


def _open_standard_streams() -> None:
    """Let no file that is opened later take the number of a standard stream that was closed."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number: this one
    if sys.stdout is None:
        sys.stdout = _Closed()
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - to the end of the process


def _hear_signals() -> None:
    """A request to end is an interruption, as Ctrl-C is; once interrupted, tidying up is not interrupted again."""

    def interrupt(*_: object) -> None:
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, signal.SIG_IGN)
        raise KeyboardInterrupt

    if threading.current_thread() is threading.main_thread():
        for number in (signal.SIGINT, signal.SIGTERM):
            if signal.getsignal(number) is not signal.SIG_IGN:  # as under nohup
                signal.signal(number, interrupt)
