"""Results as pandas frames: the tidy tables with dtypes, for a notebook or a script."""

from __future__ import annotations

from dataclasses import astuple, fields
from typing import TYPE_CHECKING, Any, Final, get_type_hints

from harness.report.tables import BudgetRow, PointRow, ResponseRow, budget_rows, point_rows, response_rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from harness.report.model import Report

_DTYPE: Final[dict[Any, str]] = {
    str: "string", int: "Int64", int | None: "Int64", float: "float64", float | None: "float64", bool: "bool",
}  # fmt: skip


def frame(report: Report) -> pd.DataFrame:
    """
    Return every result of a report as a DataFrame, one row a point.

    Parameters
    ----------
    report
        The report of a run.

    Returns
    -------
    pandas.DataFrame
        The columns of `harness.report.tables.PointRow`: text as "string", counts and channels as "Int64" (they may be
        missing), numbers as "float64" with NaN for a value that is not there. `kind` is "point",
        "half-power frequency", "finding", "reading", "as found" or "change"; `result` and its uncertainty are in
        `result_unit`.

    Examples
    --------
    The points that did not pass: ``frame(report).query("kind == 'point' and verdict != 'pass'")``.
    """
    return _frame(PointRow, point_rows(report))


def response_frame(report: Report) -> pd.DataFrame:
    """Return every reading of every response: the columns of `harness.report.tables.ResponseRow`."""
    return _frame(ResponseRow, response_rows(report))


def budget_frame(report: Report) -> pd.DataFrame:
    """Return every line of every budget: the columns of `harness.report.tables.BudgetRow`."""
    return _frame(BudgetRow, budget_rows(report))


def _frame(row: type, rows: Sequence[Any]) -> pd.DataFrame:
    import pandas as pd

    hints = get_type_hints(row)
    columns = [f.name for f in fields(row)]
    table = pd.DataFrame([astuple(one) for one in rows], columns=columns)
    return table.astype({name: _DTYPE[hints[name]] for name in columns})
