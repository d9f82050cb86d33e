"""The command line: parse, call, print, exit code. It catches one base class of errors and computes nothing.

Commands live in one module each and are imported only when called, so that ``validate`` starts without the
libraries that ``report`` needs.
"""

from __future__ import annotations

import gc
import importlib
import os
import sys

import click

from powerfault import __version__
from powerfault.errors import ModelError, PowerfaultError

GROUPS: dict[str, dict[str, str]] = {
    "What does the file say?": {
        "starter": "write a small commented first topology file",
        "schema": "print the JSON Schema of the topology format",
        "validate": "check a topology file and the author's own expectations",
    },
    "Which failures does it tolerate?": {
        "faults": "find which loads and functions fail under every single and double failure",
        "compare": "compare before and after a proposal, two files or two saved results",
        "explain": "say why a load or function loses power in one failure case",
        "draw": "draw the system, whole or in one failure case",
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


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 2 bad input, 3 unmet (when asked), 130 interrupted."""
    # Nearly all objects of a short command live to its end; looking for garbage less often saves a twentieth of it.
    gc.set_threshold(50_000, 20, 20)
    try:
        status = program.main(args=arguments, prog_name="powerfault", standalone_mode=False)
        sys.stdout.flush()
        gc.freeze()  # at exit all memory is given back at once; no need to search it for garbage first
        sys.exit(status if isinstance(status, int) else 0)
    except click.exceptions.Abort:
        click.echo("interrupted; nothing was left half written", err=True)
        sys.exit(EXIT_INTERRUPTED)
    except click.ClickException as error:
        error.show()
        sys.exit(EXIT_USAGE)
    except KeyboardInterrupt:
        click.echo("interrupted; nothing was left half written", err=True)
        sys.exit(EXIT_INTERRUPTED)
    except BrokenPipeError:
        # The reader (a pager, head) went away: no complaint, and none at interpreter shutdown either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except ModelError as error:
        for problem in error.problems:
            click.echo(str(problem), err=True)
        count = len(error.problems)
        click.echo(f"error: {count} problem{'s' if count != 1 else ''} found; nothing was computed", err=True)
        sys.exit(EXIT_USAGE)
    except PowerfaultError as error:
        click.echo(f"error: {error}", err=True)
        sys.exit(EXIT_USAGE)
