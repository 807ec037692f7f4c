"""Tables as a spreadsheet (.xlsx, ISO/IEC 29500): a sheet a table; text is never a formula."""

from __future__ import annotations

import datetime as dt
import io
import math
from dataclasses import fields
from typing import TYPE_CHECKING, Any, Final

from harness.errors import HalfpowerError
from harness.report.tables import BudgetRow, PointRow, ResponseRow, budget_rows, point_rows, response_rows
from harness.words.clean import clean

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from harness.report.model import Report

_MOST_ROWS: Final = 1_048_575  # of a sheet, below its heads
_LONGEST: Final = 32_767  # characters of a cell
_WIDEST: Final = 40  # characters of a column
_CREATED: Final = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)  # the same report gives the same bytes


def report_sheets(report: Report) -> bytes:
    """A report: its results, every line of every budget, the readings of responses, and what it says besides."""
    tables = {
        "results": (PointRow, point_rows(report)),
        "budgets": (BudgetRow, budget_rows(report)),
        "responses": (ResponseRow, response_rows(report)),
    }
    sheets: dict[str, tuple[Sequence[str], Iterable[Sequence[Any]]]] = {}
    for name, (kind, rows) in tables.items():
        columns = [field.name for field in fields(kind)]
        sheets[name] = columns, [[getattr(row, column) for column in columns] for row in rows]
    said = [(group.title, fact.name, fact.text) for group in report.facts for fact in group.facts]
    said += [("Statements", fact.name, fact.text) for fact in report.statements]
    said += [("Deviations", "", text) for text in report.deviations] + [("Notes", "", text) for text in report.notes]
    return workbook(sheets | {"particulars": (("group", "name", "text"), said)})


def workbook(sheets: Mapping[str, tuple[Sequence[str], Iterable[Sequence[Any]]]]) -> bytes:
    """
    Write tables as a spreadsheet.

    Parameters
    ----------
    sheets
        The columns and rows of each sheet, by its name.

    Raises
    ------
    HalfpowerError
        The library for it is not installed, or a table has more rows than a sheet may have.
    """
    held = io.BytesIO()
    book = _library().Workbook(held, {"in_memory": True, "default_date_format": "yyyy-mm-dd"})
    book.set_properties({"created": _CREATED})
    head = book.add_format({"bold": True})
    for name, (columns, rows) in sheets.items():
        sheet = book.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        widths = [len(column) for column in columns]
        sheet.write_row(0, 0, columns, head)
        for n, row in enumerate(rows, start=1):
            if n > _MOST_ROWS:
                raise HalfpowerError(f"A sheet has at most {_MOST_ROWS} rows, and {name} has more. Write --csv.")
            for x, value in enumerate(row):
                _write(sheet, n, x, value)
                widths[x] = max(widths[x], len(value) if isinstance(value, str) else 0)
        for x, width in enumerate(widths):
            sheet.set_column(x, x, min(width, _WIDEST) + 2)
    book.close()
    return held.getvalue()


def _write(sheet: Any, row: int, column: int, value: Any) -> None:
    match value:
        case bool():
            sheet.write_boolean(row, column, value)
        case int() | float():
            if math.isfinite(value):
                sheet.write_number(row, column, value)
        case dt.datetime():
            sheet.write_string(row, column, value.isoformat())
        case dt.date():
            sheet.write_datetime(row, column, value)
        case str() if value:
            sheet.write_string(row, column, clean(value)[:_LONGEST])
        case _:
            pass


def _library() -> Any:
    try:
        import xlsxwriter
    except ImportError:
        raise HalfpowerError(
            "A spreadsheet needs the package 'xlsxwriter', which is not installed: pip install "
            '"halfpower[spreadsheet]", or write --csv instead.'
        ) from None
    return xlsxwriter
