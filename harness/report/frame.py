"""Results as pandas frames: the tidy tables with dtypes, for a notebook or a script."""

from __future__ import annotations

from dataclasses import astuple, fields
from typing import TYPE_CHECKING, Any, Final, get_type_hints

from harness.measurement import knowing, quantity_of
from harness.report.tables import BudgetRow, PointRow, ResponseRow, budget_rows, point_rows, response_rows
from harness.steps import Measure, Reading
from harness.words.signals import describe

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from harness.journal.journal import Contents, Record
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


def readings_frame(contents: Contents) -> pd.DataFrame:
    """
    Return every reading that stands in a journal, in its order: what was applied and set, what was read, and when.

    `scatter` is the standard uncertainty of the value as its own record shows it, `at` a time with its zone; each
    further number of a reading has a column of its own, `more.NAME`.
    """
    import pandas as pd

    with knowing(contents.quantities):
        rows = [
            _reading(record, record.step, record.reply)
            for record in contents.records
            if isinstance(record.step, Measure) and isinstance(record.reply, Reading)
        ]
    more = {name: "float64" for row in rows for name in row if name.startswith("more.")}
    table = pd.DataFrame(rows, columns=[*READING, *more])
    table["at"] = pd.to_datetime(table["at"], utc=True, format="ISO8601")
    return table.astype({**READING, **more})


READING: Final = {
    "part": "string", "n": "Int64", "at": "datetime64[ns, UTC]", "purpose": "string", "path": "string",
    "source": "string", "applied": "string", "display": "string", "channel": "Int64", "volts_per_div": "float64",
    "s_per_div": "float64", "quantity": "string", "unit": "string", "expected": "float64", "value": "float64",
    "scatter": "float64", "status": "string", "frequency_hz": "float64", "said": "string", "flags": "string",
}  # fmt: skip
"""The columns of `readings_frame`."""


def _reading(record: Record, step: Measure, reply: Reading) -> dict[str, Any]:
    return {
        "part": record.part, "n": record.n, "at": record.at, "purpose": step.purpose, "path": step.path,
        "source": step.source, "applied": describe(step.stimulus), "display": step.display,
        "channel": step.view.channel, "volts_per_div": step.view.volts_per_div, "s_per_div": step.view.s_per_div,
        "quantity": step.quantity, "unit": quantity_of(step).unit, "expected": step.expected, "value": reply.value,
        "scatter": reply.scatter, "status": reply.status, "frequency_hz": reply.frequency_hz, "said": reply.said,
        "flags": ", ".join(reply.flags),
    } | {f"more.{name}": value for name, value in reply.more.items()}  # fmt: skip


def _frame(row: type, rows: Sequence[Any]) -> pd.DataFrame:
    import pandas as pd

    hints = get_type_hints(row)
    columns = [f.name for f in fields(row)]
    table = pd.DataFrame([astuple(one) for one in rows], columns=columns)
    return table.astype({name: _DTYPE[hints[name]] for name in columns})
