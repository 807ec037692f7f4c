"""The short form: one page with every range, in plain words, and the label that leads to it."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from harness.report import shown
from harness.report.html import short_page
from harness.report.model import LookedAt, Report
from harness.report.pdf import pdf
from harness.report.sheet import sheet
from harness.words.spelling import SIGN
from tests.golden.render import FORMATS, report_of
from tests.helpers.html_reader import Page
from tests.helpers.report_examples import EXAMPLES, HOSTILE

NAMES = (
    "does_not_meet", "conditional",
    *(pytest.param(name, marks=pytest.mark.soak) for name in ("incomplete", "above_generator", "plain_only")),
)  # fmt: skip


@cache
def page_of(name: str) -> str:
    return short_page(EXAMPLES[name]())


def tables(report: Report) -> list[dict[str, Any]]:
    found = []
    for beside in (block for block in sheet(report, part="short")["blocks"] if block["is"] == "beside"):
        for column in beside["columns"]:
            heads = [block for block in column if block["is"] == "heading"]
            bodies = [block for block in column if block["is"] == "table"]
            found += [{"caption": h["text"], "note": h["note"], **t} for h, t in zip(heads, bodies, strict=True)]
    return found


def cells(report: Report) -> list[str]:
    return [
        span["text"].replace("\N{NO-BREAK SPACE}", " ")
        for table in tables(report)
        for row in table["rows"]
        for cell in row["cells"]
        for span in cell
    ]


@pytest.mark.parametrize("name", NAMES)
def test_every_setting_and_every_result_stands_in_it(name: str) -> None:
    report: Report = EXAMPLES[name]()
    found = cells(report)
    results = [result for part in report.parts for result in part.results if result.curve is None]
    for result in results:
        assert result.setting.split("/div")[0] in found
        assert shown.cells(result).value in found
    page = page_of(name)
    for response in (result for part in report.parts for result in part.results if result.curve is not None):
        assert shown.cells(response).value in page.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize("name", NAMES)
def test_a_listener_hears_the_verdict_that_an_eye_sees_as_a_sign(name: str) -> None:
    report: Report = EXAMPLES[name]()
    page = page_of(name)
    for word in {result.word for part in report.parts for result in part.results}:
        assert f'<span class="heard">, {word}</span>' in page


def test_the_short_form_has_no_list_of_what_is_not_stated_and_names_the_whole_report() -> None:
    report: Report = EXAMPLES["does_not_meet"]()
    report = replace(report, not_stated=("the customer's contact",))
    page = short_page(report)
    assert "Not stated" not in page
    assert f"Short form of report {report.number}" in page
    assert report.sentence in page


@pytest.mark.parametrize("name", NAMES)
def test_the_words_that_stand_on_it_are_explained_and_no_others(name: str) -> None:
    said = page_of(name)
    used = {result.word for part in EXAMPLES[name]().parts for result in part.results}
    for word in shown.WORDS:
        assert (f"{SIGN[word]} {word}" in said) is (word in used)


def test_half_power_is_explained() -> None:
    """1/√2 of the voltage is 71 % (a textbook's)."""
    assert "−3 dB (half power): the frequency at which the trace has shrunk to 71 %" in page_of("does_not_meet")


def test_of_several_results_at_one_setting_the_worst_is_shown() -> None:
    report: Report = EXAMPLES["does_not_meet"]()
    part = report.parts[0]
    good = next(result for result in part.results if result.word == "pass")
    bad = next(result for result in part.results if result.word == "fail")
    worse = replace(bad, channel=good.channel, path=good.path, setting=good.setting, setting_value=good.setting_value)
    found = cells(replace(report, parts=(replace(part, results=(good, worse)),)))
    assert f"{shown.cells(worse).value} (worst of 2)" in found
    assert shown.cells(good).value not in found


def test_what_was_looked_at_is_said_in_a_line() -> None:
    report: Report = EXAMPLES["meets"]()
    seen = LookedAt(what="trace rotation", question="Is the trace level?", answer="yes", remark="")
    tilted = replace(seen, answer="no", remark="tilted by a third of a division")
    for looks, said in (
        ((seen, seen), "2 checks, all as they should be"),
        ((seen, tilted), "2 checks, trace rotation: no, tilted by a third of a division"),
    ):
        part = replace(report.parts[0], looks=looks)
        assert said in short_page(replace(report, parts=(part, *report.parts[1:])))


def test_data_is_shown_and_never_obeyed() -> None:
    page = page_of("hostile")
    assert HOSTILE not in page
    assert "<script" not in page
    assert Page(page)


def test_the_magnifier_has_a_column_of_its_own_and_its_own_limits() -> None:
    report = report_of(FORMATS[0] / "by_eye")
    (table,) = (t for t in tables(report) if "Time base" in t["caption"])
    assert [column["name"] for column in table["columns"]] == ["s/div", "Ch. 1", "Ch. 1 ×10", "±"]
    assert table["note"] == "limits Ch. 1 ±3 %, Ch. 1 ×10 ±5 %"
    magnified = [r for part in report.parts for r in part.results if r.setting.endswith("×10")]
    shown_there = [row["cells"][2][0]["text"].replace("\N{NO-BREAK SPACE}", " ") for row in table["rows"]]
    assert [text for text in shown_there if text != "–"] == [shown.cells(r).value for r in magnified[::-1]]


def test_paper_folds_a_long_table_and_leaves_no_row_out() -> None:
    report = report_of(FORMATS[0] / "digital")
    results = [r for part in report.parts if "ime base" in part.title for r in part.results]
    assert len(results) > 12
    folded = cells(report)
    assert all(shown.cells(result).value in folded for result in results)
    assert {r.setting.replace("/div", "") for r in results} <= set(folded)


@pytest.mark.parametrize("name", NAMES[:1] + NAMES[2:])
def test_it_is_one_printed_page_the_same_each_time(name: str) -> None:
    report: Report = EXAMPLES[name]()
    once = pdf(report, part="short")
    assert pages(once) == 1
    assert pdf(report, part="short") == once


@pytest.mark.soak
@pytest.mark.parametrize("channels", [4, 8])
def test_a_scope_of_many_channels_stays_on_one_page(channels: int) -> None:
    report: Report = EXAMPLES["does_not_meet"]()
    part = report.parts[0]
    more = tuple(replace(r, channel=c) for c in range(1, channels + 1) for r in part.results if r.channel == 1)
    assert pages(pdf(replace(report, parts=(replace(part, results=more), *report.parts[1:])), part="short")) == 1


def pages(file: bytes) -> int:
    """How many pages a PDF file says that it has (ISO 32000-1, 7.7.3.2: the root of the page tree has a count)."""
    import zlib

    plain = [file]
    for found in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", file, re.DOTALL):
        try:
            plain.append(zlib.decompress(found[1]))
        except zlib.error:
            continue
    counts = [int(n) for text in plain for n in re.findall(rb"/Type\s*/Pages\b.*?/Count\s+(\d+)", text, re.DOTALL)]
    return max(counts)
