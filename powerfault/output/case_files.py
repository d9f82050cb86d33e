"""Every case as CSV, a row a case and consumer, streamed so that the file may be larger than memory."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from pathlib import Path

from powerfault.errors import OutputError
from powerfault.model.elements import OUTCOMES
from powerfault.study import Study

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def guarded(text: str) -> str:
    """Return ``text`` so that a spreadsheet takes it as text and not as a formula."""
    return "'" + text if text.startswith(FORMULA_STARTS) else text


def write_cases_csv(path: str, study: Study) -> None:
    """Write each case in which some consumer is not uninterrupted: failed, order, phase, consumer, outcome, fails."""
    rides = {v.id: OUTCOMES.index(v.rides_through) for v in study.verdicts}
    target = Path(path)
    temporary = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=".cases-")
        with io.TextIOWrapper(os.fdopen(handle, "wb"), "utf-8", newline="") as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow(["failed", "order", "phase", "consumer", "outcome", "fails"])
            for failed, outcomes, by_phase in study.iter_cases_by_phase():
                case = guarded(" + ".join(map(str, failed)))
                for phase, found in (("worst", outcomes), *by_phase.items()):
                    for consumer, outcome in found.items():
                        fails = OUTCOMES.index(outcome) > rides[consumer]
                        writer.writerow([case, len(failed), phase, consumer, outcome, "yes" if fails else "no"])
        os.chmod(temporary, 0o644)
        os.replace(temporary, target)
    except OSError as error:
        raise OutputError(f"cannot write {target}: {error.strerror or error}") from error
    finally:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
