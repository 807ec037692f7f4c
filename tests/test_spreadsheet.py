"""A spreadsheet as another library reads it: numbers, text, the same bytes; and tables with a byte order mark."""

from __future__ import annotations

import csv
import datetime as dt
import io
import sys
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from harness.errors import HalfpowerError
from harness.report.spreadsheet import report_sheets, workbook
from harness.report.tables import budget_rows, point_rows, response_rows
from tests.golden.render import FORMATS, report_of
from tests.helpers.demo_lab import halfpower
from tests.helpers.report_examples import HOSTILE

DIGITAL = FORMATS[0] / "digital"


def read(content: bytes) -> Any:
    return openpyxl.load_workbook(io.BytesIO(content))


def test_another_library_reads_every_value_back() -> None:
    report = report_of(DIGITAL)
    book = read(report_sheets(report))
    assert book.sheetnames == ["results", "budgets", "responses", "particulars"]
    for name, rows in zip(
        book.sheetnames, (point_rows(report), budget_rows(report), response_rows(report)), strict=False
    ):
        head, *cells = book[name].values
        assert len(cells) == len(rows) > 5
        for row, some in zip(rows, cells, strict=True):
            for (key, value), column, cell in zip(asdict(row).items(), head, some, strict=True):
                assert key == column
                if isinstance(value, float) and value not in (float("inf"), float("-inf")):
                    assert cell == pytest.approx(value, rel=1e-15, abs=0)
                else:
                    assert cell == (None if value in ("", None) or isinstance(value, float) else value)
    assert ("Customer", "Contact", report.setup.job.customer_contact) in [*book["particulars"].values]
    assert report_sheets(report) == report_sheets(replace(report))  # to the byte


@pytest.mark.parametrize("text", ["=1+1", "+1", '=HYPERLINK("http://192.0.2.1")', HOSTILE, "http://192.0.2.1", "12"])
def test_text_is_text_whatever_it_looks_like(text: str) -> None:
    cell = read(workbook({"one": (("text",), [(text,)])}))["one"]["A2"]
    assert cell.data_type == "s"
    assert cell.hyperlink is None
    assert text != HOSTILE or "\x1b" not in cell.value


def test_days_are_days_and_what_has_no_value_is_empty() -> None:
    sheet = read(workbook({"one": (("a", "b", "c"), [(dt.date(2026, 11, 30), float("nan"), True)])}))["one"]
    assert sheet["A2"].value == dt.datetime(2026, 11, 30)
    assert sheet["A2"].number_format == "yyyy-mm-dd"
    assert (sheet["B2"].value, sheet["C2"].value) == (None, True)


def test_without_the_library_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "xlsxwriter", None)  # type: ignore[arg-type]  # as where it is not installed
    with pytest.raises(HalfpowerError, match=r"pip install \"halfpower\[spreadsheet\]\", or write --csv"):
        workbook({})


def test_tables_and_a_spreadsheet_are_written_and_a_mark_where_it_is_asked_for(tmp_path: Path) -> None:
    one, other, xlsx = tmp_path / "points.csv", tmp_path / "budgets.csv", tmp_path / "report.xlsx"
    done = halfpower("report", DIGITAL, "--csv", one, "--budgets", other, "--bom", "--xlsx", xlsx)
    assert done.exit_code == 0, done.stderr
    assert all(path.read_bytes().startswith(b"\xef\xbb\xbf") for path in (one, other))
    lines = list(csv.DictReader(io.StringIO(other.read_text("utf-8-sig"))))
    assert len(lines) == len(budget_rows(report_of(DIGITAL)))
    assert read(xlsx.read_bytes())["results"].max_row == len(point_rows(report_of(DIGITAL))) + 1
    assert halfpower("report", DIGITAL, "--csv", one).exit_code == 0
    assert one.read_bytes().startswith(b"part,")
    refused = halfpower("report", DIGITAL, "--bom")
    assert refused.exit_code == 2
    assert "--bom is about the tables; write one: --csv FILE." in " ".join(refused.stderr.split())
