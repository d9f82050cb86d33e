"""Run the command line, as ``powerfault`` or ``python -m powerfault``."""

from __future__ import annotations

import os
import signal
from typing import Any


def _leave(number: int, _frame: Any) -> None:
    os._exit(130)  # asked to stop before anything was begun: no traceback of a library being imported


def main() -> None:
    """Run the command line; a signal that comes before it can hear one ends the process without a word."""
    for number in (signal.SIGINT, signal.SIGTERM):
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _leave)
    from powerfault.cli import main as run

    run()


if __name__ == "__main__":
    main()
