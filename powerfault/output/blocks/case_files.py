"""Every case as CSV or Parquet, a row a case and consumer, streamed so that the file may be larger than memory."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from itertools import islice

from powerfault.errors import ToolError
from powerfault.files import opened
from powerfault.model.elements import OUTCOMES
from powerfault.tolerance.study import Study

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def guarded(text: str) -> str:
    """Return ``text`` so that a spreadsheet takes it as text and not as a formula."""
    return "'" + text if text.startswith(FORMULA_STARTS) else text


COLUMNS = ("failed", "order", "phase", "consumer", "outcome", "fails")
ROWS_AT_ONCE = 100_000
CaseRow = tuple[str, int, str, str, str, bool]


def case_rows(study: Study) -> Iterator[CaseRow]:
    """Yield a row a case, phase (``worst`` first) and consumer that is not uninterrupted in it, in case order."""
    rides = {v.id: OUTCOMES.index(v.rides_through) for v in study.verdicts}
    for failed, outcomes, by_phase in study.iter_cases_by_phase():
        case = " + ".join(map(str, failed))
        for phase, found in (("worst", outcomes), *by_phase.items()):
            for consumer, outcome in found.items():
                yield case, len(failed), phase, consumer, outcome, OUTCOMES.index(outcome) > rides[consumer]


def write_cases_csv(path: str, study: Study) -> None:
    """Write :func:`case_rows` as CSV."""
    with opened(path) as raw:
        stream = io.TextIOWrapper(raw, "utf-8", newline="")
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(COLUMNS)
        for case, order, phase, consumer, outcome, fails in case_rows(study):
            writer.writerow([guarded(case), order, phase, consumer, outcome, "yes" if fails else "no"])
        stream.flush()
        stream.detach()


def write_cases_parquet(path: str, study: Study) -> None:
    """Write :func:`case_rows` as Parquet, a row group at a time.

    Raises :class:`ToolError` where the ``parquet`` extra is not installed.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise ToolError("Parquet needs the parquet extra: pip install 'powerfault[parquet]', or use --csv") from error
    types = (pa.string(), pa.int32(), pa.string(), pa.string(), pa.string(), pa.bool_())
    schema = pa.schema(list(zip(COLUMNS, types, strict=True)))
    rows = case_rows(study)
    with opened(path) as raw, pq.ParquetWriter(raw, schema) as writer:
        while chunk := list(islice(rows, ROWS_AT_ONCE)):
            columns = [pa.array(values, kind) for values, kind in zip(zip(*chunk, strict=True), types, strict=True)]
            writer.write_table(pa.Table.from_arrays(columns, schema=schema))
