"""The one door to the HiGHS solver: mixed-integer linear programs, solved to proven optimality or said not to be.

A :class:`Program` is filled with columns and rows, then solved for one objective after another; rows and bounds added
in between stay. Gaps are set to 0 and one thread is used, so that a result depends on the program alone. HiGHS writes
to file descriptor 1 even when told to be silent; while it runs that descriptor points elsewhere.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from powerfault.errors import ToolError

INFINITY = float("inf")
INTEGRALITY = 1e-7
FEASIBILITY = 1e-9


class SolverStoppedError(ToolError):
    """The solver ended without proof: out of time, out of memory, or in numerical trouble."""


@dataclass(frozen=True, slots=True)
class Answer:
    """An optimum: the objective and the value of each column."""

    objective: float
    values: tuple[float, ...]


@dataclass
class Program:
    """A mixed-integer linear program. Columns are numbered from 0 in the order in which they are added."""

    seconds: float = INFINITY
    """Time allowed to each call of :meth:`solve`."""
    lower: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    integer: list[bool] = field(default_factory=list)
    rows: list[tuple[list[int], list[float], float, float]] = field(default_factory=list)
    _highs: Any = None
    _passed_rows: int = 0

    def column(self, lower: float = 0.0, upper: float = INFINITY, integer: bool = False) -> int:
        """Add a column and return its number. All columns are added before the first solve."""
        assert self._highs is None
        self.lower.append(lower)
        self.upper.append(upper)
        self.integer.append(integer)
        return len(self.lower) - 1

    def binary(self) -> int:
        return self.column(0.0, 1.0, True)

    def row(self, terms: Iterable[tuple[int, float]], lower: float = -INFINITY, upper: float = INFINITY) -> None:
        """Add ``lower <= sum(coefficient x column) <= upper``; terms of one column are added up."""
        total: dict[int, float] = {}
        for column, coefficient in terms:
            total[column] = total.get(column, 0.0) + coefficient
        self.rows.append((list(total), list(total.values()), lower, upper))

    def bound(self, column: int, lower: float, upper: float) -> None:
        """Replace the bounds of a column."""
        self.lower[column], self.upper[column] = lower, upper
        if self._highs is not None:
            self._highs.changeColBounds(column, lower, upper)

    def solve(
        self, objective: Mapping[int, float], maximise: bool = False, *, above: float | None = None
    ) -> Answer | None:
        """Return the proven optimum, or ``None`` where no values satisfy all rows.

        With ``above`` the objective must be at least that, in this call alone: often refuted sooner than maximised.
        Raises :class:`SolverStoppedError` where the solver ends without proof of either.
        """
        import highspy

        if not self.lower:
            return Answer(0.0, ()) if all(low <= 0.0 <= high for _, _, low, high in self.rows) else None
        with _quiet():
            highs = self._highs if self._highs is not None else self._load(highspy)
            for columns, coefficients, lower, upper in self.rows[self._passed_rows :]:
                highs.addRow(lower, upper, len(columns), columns, coefficients)
            self._passed_rows = len(self.rows)
            if above is not None:
                highs.addRow(above, INFINITY, len(objective), list(objective), list(objective.values()))
            n = len(self.lower)
            costs = [0.0] * n
            for column, cost in objective.items():
                costs[column] = cost
            highs.changeColsCost(n, list(range(n)), costs)
            sense = highspy.ObjSense.kMaximize if maximise else highspy.ObjSense.kMinimize
            highs.changeObjectiveSense(sense)
            highs.setOptionValue("time_limit", highs.getRunTime() + self.seconds)
            highs.run()
            values = tuple(highs.getSolution().col_value)
            worth = highs.getInfo().objective_function_value
            status = highs.getModelStatus()
            if above is not None:
                highs.deleteRows(1, [len(self.rows)])
            if status in (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible):
                return None
            if status != highspy.HighsModelStatus.kOptimal:
                reason = highs.modelStatusToString(status)
                raise SolverStoppedError(f"the solver stopped without proof of an optimum: {reason}")
        return Answer(worth, values)

    def fix_integers(self, values: Iterable[float]) -> None:
        """Fix every integer column at its value rounded, so that the next solve is a plain linear program."""
        for column, value in enumerate(values):
            if self.integer[column]:
                whole = float(round(value))
                self.bound(column, whole, whole)

    def _load(self, highspy: Any) -> Any:
        import numpy as np

        highs = highspy.Highs()
        for option, setting in (
            ("output_flag", False),
            ("log_to_console", False),
            ("threads", 1),
            ("parallel", "off"),
            ("random_seed", 1),
            ("mip_rel_gap", 0.0),
            ("mip_abs_gap", 0.0),
            ("mip_feasibility_tolerance", INTEGRALITY),
            ("mip_heuristic_run_feasibility_jump", False),
            ("primal_feasibility_tolerance", FEASIBILITY),
            ("dual_feasibility_tolerance", FEASIBILITY),
        ):
            highs.setOptionValue(option, setting)
        lp = highspy.HighsLp()
        lp.num_col_ = len(self.lower)
        lp.num_row_ = len(self.rows)
        lp.col_cost_ = np.zeros(len(self.lower))
        lp.col_lower_ = np.array(self.lower)
        lp.col_upper_ = np.array(self.upper)
        lp.row_lower_ = np.array([r[2] for r in self.rows])
        lp.row_upper_ = np.array([r[3] for r in self.rows])
        starts: list[int] = [0]
        index: list[int] = []
        value: list[float] = []
        for columns, coefficients, _, _ in self.rows:
            index += columns
            value += coefficients
            starts.append(len(index))
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.num_col_ = len(self.lower)
        lp.a_matrix_.num_row_ = len(self.rows)
        lp.a_matrix_.start_ = np.array(starts, dtype=np.int32)
        lp.a_matrix_.index_ = np.array(index, dtype=np.int32)
        lp.a_matrix_.value_ = np.array(value, dtype=np.float64)
        kinds = highspy.HighsVarType
        lp.integrality_ = [kinds.kInteger if i else kinds.kContinuous for i in self.integer]
        if highs.passModel(lp) == highspy.HighsStatus.kError:
            raise ToolError("the solver refused the program: a defect, please report the topology")
        self._passed_rows = len(self.rows)
        self._highs = highs
        return highs


@contextmanager
def _quiet() -> Iterator[None]:
    """Point file descriptor 1 at nothing for a while."""
    sys.stdout.flush()
    try:
        kept = os.dup(1)
    except OSError:  # no descriptor 1 at all: nothing to keep clean
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)
