"""All renderings tell the same values: page, CSV, JSON, frames and terminal, compared with the report itself."""

from __future__ import annotations

import csv
import html
import io
import json
import math
import re
from collections import Counter
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import fields, replace
from functools import cache
from typing import Any

import pandas as pd
import pytest
from rich.console import Console

from harness.journal import journal
from harness.quantities import parse
from harness.report import blocks, report_page, shown
from harness.report.frame import budget_frame, frame, response_frame
from harness.report.model import Report
from harness.report.particulars import coverage
from harness.report.parts import change_text
from harness.report.results import FORMAT, VERSION, results, to_json
from harness.report.sheet import sheet
from harness.report.summary import summarise
from harness.report.tables import PointRow, budget_csv, point_rows, points_csv, response_csv, safe_cell
from harness.report.terminal import render
from tests.golden.render import FORMATS
from tests.helpers.report_examples import EXAMPLES, HOSTILE, html_of

NAMES = tuple(EXAMPLES)


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def unquoted(cell: str) -> str:
    """Take the apostrophe off, as the module's first lines say a reader does."""
    return cell.removeprefix("'")


page = html_of


@cache
def screen(name: str) -> str:
    console = Console(width=140, file=io.StringIO(), record=True, force_terminal=False)
    console.print(render(EXAMPLES[name]()))
    return console.export_text()


@cache
def wide_screen(name: str) -> str:
    """A screen on which no sentence breaks."""
    console = Console(width=600, file=io.StringIO(), record=True, force_terminal=False)
    console.print(render(EXAMPLES[name]()))
    return console.export_text()


def printed_texts(laid_out: Any) -> Iterator[str]:
    """Every text of the printed report, as it is handed to the type-setter."""
    match laid_out:
        case str():
            yield " ".join(laid_out.split())
        case list():
            for item in laid_out:
                yield from printed_texts(item)
        case dict():
            for item in laid_out.values():
                yield from printed_texts(item)


def seen_on(text: str) -> str:
    """What a reader of a page sees, white space made one."""
    body = re.sub(r"<style.*?</style>|<svg.*?</svg>", "", text, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", "", re.sub(r"</(td|th|li|p|dd|dt)>", " ", body))).split())


@pytest.mark.parametrize("name", ["does_not_meet", "incomplete", "above_generator"])
def test_all_renderings_agree_with_the_report(name: str) -> None:
    report: Report = EXAMPLES[name]()
    points = [p for part in report.parts for p in part.results]
    responses = [r for r in points if r.curve is not None]
    told = json.loads(to_json(report))
    told_points = [p for part in told["parts"] for p in part["results"]]
    kinds = ("point", "half-power frequency")
    table = [row for row in rows_of(points_csv(report)) if row["kind"] in kinds]
    data = frame(report)
    data = data[data["kind"].isin(kinds)].reset_index(drop=True)
    cells = re.findall(r'data-label="(?:Error|Result|U|k|Reading)">(?:<a[^>]*>)?<data value="([^"]+)"', page(name))
    on_page = [float(x) for x in cells]
    expected_on_page: list[float] = []
    assert len(points) == len(told_points) == len(table) == len(data)
    for i, p in enumerate(points):
        s = p.statement
        assert told_points[i]["word"] == table[i]["verdict"] == data["verdict"][i] == p.word
        assert told_points[i]["setting"] == table[i]["setting"] == data["setting"][i] == p.setting
        if s is None:
            assert told_points[i]["result"] is None
            assert table[i]["result"] == table[i]["expanded_u"] == ""
            assert math.isnan(data["result"][i])
            continue
        unit = {"%": "percent", "Hz": "hz"}[s.unit]
        expected_on_page += [s.estimate, s.expanded, s.k] + ([] if p.reading is None else [p.reading])
        in_json = told_points[i]["result"]
        assert in_json[f"estimate_{unit}"] == float(table[i]["result"]) == data["result"][i] == s.estimate
        assert in_json[f"expanded_u_{unit}"] == float(table[i]["expanded_u"]) == s.expanded
        if p.reading is not None:
            assert told_points[i]["reading_div"] == float(table[i]["reading"]) == data["reading"][i] == p.reading
        assert p.limits is not None
        side = "high" if p.limits.high is not None else "low"
        limit = told_points[i]["limits"][f"{side}_{unit}"]
        assert limit == float(table[i][f"limit_{side}"]) == getattr(p.limits, side)
        said = shown.cells(p)
        texts = [p.setting, *([shown.reading_text(p)] if p.reading is not None else []), said.value, said.u]
        line = " .*".join(re.escape(text) for text in texts)
        assert re.search(line, screen(name)), line
    for r in responses:
        assert shown.cells(r).value in screen(name)
        assert shown.cells(r).value in page(name)
    assert sorted(on_page) == sorted(expected_on_page)


@pytest.mark.parametrize("name", ["as_left", "incomplete", pytest.param("does_not_meet", marks=pytest.mark.soak)])
def test_all_renderings_say_the_same_besides_the_numbers(name: str) -> None:
    """Particulars, statements, checklist, signatures, standards: each text on the page, on the screen, in JSON."""
    report: Report = EXAMPLES[name]()
    seen, shown_there, told = seen_on(page(name)), " ".join(wide_screen(name).split()), results(report)
    printed = " ".join(printed_texts(sheet(report)))
    texts = [f.text for group in report.facts for f in group.facts] + [s.text for s in report.statements]
    texts += [text for h in report.checklist for text in (h.title, h.by)] + list(report.not_stated)
    texts += [text for s in report.signatures for text in (s.role, s.name, s.function) if text]
    texts += [text for s in report.standards for text in (s.label, s.identity, s.certificate, s.certificate_by, s.due)]
    texts += [*report.deviations, *report.notes]
    assert len(texts) > 80
    for text in texts:
        assert " ".join(text.partition("; what to do next")[0].split()) in printed, text  # paper has no advice
        assert " ".join(text.split()) in seen, text
        assert " ".join(text.split()) in shown_there, text
    assert [f["text"] for group in told["facts"] for f in group["facts"]] == texts[
        : sum(len(g.facts) for g in report.facts)
    ]
    assert [h["coverage"] for h in told["checklist"]] == [h.coverage for h in report.checklist]
    assert told["not_stated"] == list(report.not_stated)
    assert [s["certificate_by"] for s in told["standards"]] == [s.certificate_by for s in report.standards]
    assert (told["id"], told["issued"]) == (report.id, report.issued)


def test_as_found_and_as_left_are_the_same_everywhere() -> None:
    report = EXAMPLES["as_left"]()
    found = report.adjustment
    assert found is not None
    seen, shown_there = seen_on(page("as_left")), " ".join(wide_screen("as_left").split())
    told, table = results(report)["adjustment"], rows_of(points_csv(report))
    changes = [row for row in table if row["kind"] == "change"]
    before = [row for row in table if row["kind"] == "as found"]
    assert len(changes) == len(before) == len(found.pairs) == 34
    for pair, row, other in zip(found.pairs, told["pairs"], changes, strict=True):
        assert pair.change is not None
        unit = {"%": "percent", "Hz": "hz"}[pair.change.unit]
        assert row["change"][f"estimate_{unit}"] == float(other["result"]) == pair.change.estimate
        assert row["change"][f"expanded_u_{unit}"] == float(other["expanded_u"]) == pair.change.expanded
        assert row["word"] == other["remarks"] == pair.word
        named = f"channel {pair.either.channel}" if pair.either.curve else pair.either.setting
        line = f"{named} {shown.stated_text(pair.found)}"
        assert line in seen
        assert line in shown_there
        assert f"{change_text(pair)} {pair.word}" in seen
        assert f"{change_text(pair)} {pair.word}" in shown_there
    for text in (found.sentence, found.summary):
        assert text in seen
        assert text in shown_there.replace(" │ │ ", " ")


@pytest.mark.parametrize("name", ["does_not_meet", "as_left"])
def test_a_frequency_is_rounded_alike_in_sentence_and_table(name: str) -> None:
    for response in (r for part in EXAMPLES[name]().parts for r in part.results if r.curve is not None):
        said, stated = shown.cells(response), shown.stated_text(response)
        assert stated == f"({said.value.split()[0]} ± {said.u.split()[0]}) {said.value.split()[1]}"
        assert stated in seen_on(page(name))


def test_the_verdict_is_the_same_sentence_everywhere() -> None:
    for name in ("does_not_meet", "incomplete"):
        report = EXAMPLES[name]()
        assert report.sentence in page(name)
        assert report.sentence in screen(name)
        assert results(report)["sentence"] == report.sentence
        assert report.next_step in page(name)
        assert report.next_step in screen(name)


@pytest.mark.parametrize("name", NAMES)
def test_the_same_report_gives_the_same_bytes(name: str) -> None:
    report = EXAMPLES[name]()
    for rendering in (points_csv, response_csv, budget_csv, to_json):
        assert rendering(report) == rendering(replace(report))


@pytest.mark.parametrize("name", NAMES)
def test_json_names_its_version_and_holds_no_number_that_json_lacks(name: str) -> None:
    text = to_json(EXAMPLES[name]())

    def refuse(constant: str) -> Any:
        raise AssertionError(constant)

    told = json.loads(text, parse_constant=refuse)
    assert (told["format"], told["version"]) == (FORMAT, VERSION) == ("halfpower-report", 2)
    assert list(told)[:2] == ["format", "version"]


PURE = re.compile(
    r"(k|probability|degrees_of_freedom|divisor|sensitivity|r|residual|version|channels?|readings_used)|.*_probability|.*_ratio"
)
UNITS = re.compile(r".*_(hz|db|div|percent|ratio|celsius|v|s|v_per_div|s_per_div|ohm|db_per_ln_f)")


@pytest.mark.parametrize("name", [n for n in NAMES if n != "hostile"])
def test_every_number_in_json_has_its_unit_in_the_key(name: str) -> None:
    def check(key: str, value: Any, beside: dict[str, Any]) -> None:
        match value:
            case dict():
                for inner, item in value.items():
                    check(inner, item, value)
            case list():
                for item in value:
                    check(key, item, beside)
            case float() | int() if not isinstance(value, bool):
                assert PURE.fullmatch(key) or UNITS.fullmatch(key) or f"{key}_unit" in beside, key

    check("", results(EXAMPLES[name]()), {})


def test_csv_is_rfc_4180_and_tidy() -> None:
    """RFC 4180, section 2: records end in CR LF, as many fields in every record, quotes doubled inside quotes."""
    for name in NAMES:
        for text in (points_csv(EXAMPLES[name]()), response_csv(EXAMPLES[name]()), budget_csv(EXAMPLES[name]())):
            assert text.endswith("\r\n")
            assert "\n" not in text.replace("\r\n", "")
            text.encode("utf-8")
            rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
            assert {len(row) for row in rows} == {len(rows[0])}


@pytest.mark.parametrize("start", ["=1+1", "+1", "-1", "@SUM(A1)", "＝1", "'quoted"])
def test_no_cell_of_text_is_a_formula_and_each_reads_back(start: str) -> None:
    cell = safe_cell(start)
    assert isinstance(cell, str)
    assert cell.startswith("'")
    assert unquoted(cell) == start


def test_numbers_keep_their_sign_and_their_value() -> None:
    assert safe_cell(-1.5) == "-1.5"
    assert float(str(safe_cell(0.1 + 0.2))) == 0.1 + 0.2
    assert safe_cell(math.inf) == safe_cell(math.nan) == safe_cell(None) == ""
    assert safe_cell(7) == 7
    assert safe_cell(True) == "true"


def test_hostile_cells_are_harmless() -> None:
    hostile = EXAMPLES["hostile"]()
    formula = replace(hostile, parts=tuple(replace(p, name="=" + HOSTILE) for p in hostile.parts))
    for row in rows_of(points_csv(formula)):
        assert row["part"].startswith("'=")
        assert "\x1b" not in "".join(row.values())


def test_frames_have_the_columns_and_dtypes_that_are_promised() -> None:
    for name in ("does_not_meet", "incomplete", "plain_only"):
        data = frame(EXAMPLES[name]())
        assert list(data.columns) == [f.name for f in fields(PointRow)]
        assert str(data["channel"].dtype) == "Int64"
        assert str(data["setting"].dtype) == "string"
        assert str(data["result"].dtype) == "float64"
        assert len(data) == len(point_rows(EXAMPLES[name]()))
    assert str(response_frame(EXAMPLES["meets"]())["used"].dtype) == "bool"
    assert len(response_frame(EXAMPLES["incomplete"]())) == 0  # an empty frame keeps its columns
    assert str(response_frame(EXAMPLES["incomplete"]())["frequency_hz"].dtype) == "float64"


def test_a_frame_answers_the_usual_question() -> None:
    found = frame(EXAMPLES["does_not_meet"]()).query("kind == 'point' and verdict != 'pass'")
    assert list(found["setting"]) == ["50 mV/div"]
    assert found["result"].iloc[0] == pytest.approx(6.25)


def test_contributions_add_up_to_the_uncertainty() -> None:
    """JCGM 100:2008, 5.1.2: independent contributions add in quadrature."""
    report = EXAMPLES["meets"]()
    points, lines = frame(report), budget_frame(report)
    keys = ["part", "quantity", "channel", "path", "setting"]
    squares = lines.assign(square=lines["contribution_u"] ** 2).groupby(keys, as_index=False)["square"].sum()
    both = pd.merge(points[points["kind"] == "point"], squares, on=keys)
    assert len(both) == 32
    assert both["standard_u"].tolist() == pytest.approx((both["square"] ** 0.5).tolist(), rel=1e-12)


def test_what_a_corrected_standard_applied_is_printed_so_that_the_error_can_be_worked_out_again() -> None:
    """By hand from the printed row: error = (indicated − applied)/applied; what was set stands beside."""
    contents = journal.read(FORMATS[0] / "digital")
    header = deepcopy(dict(contents.header))
    header["setup"]["bench"]["calibrator"]["known_error"] = [
        {"function": "dc", "of_value": 0.021, "floor": -0.00001},
        {"function": "period", "of_value": 0.001},
    ]
    report = summarise(replace(contents, header=header))
    rows = [row.cells for table in blocks.tables([*report_page.certificate(report)]) for row in table.rows]
    seen: Counter[str] = Counter()
    for setting, (applied, *beside), _, reading, error, *_ in (row for row in rows if len(row) == 9):
        unit = "V" if applied.text.endswith(" DC") else "s" if applied.text.startswith("time marks") else ""
        if not unit:
            continue
        (set_to,) = beside
        assert (set_to.look, set_to.text[:5]) == ("remark", "set: ")
        true, was_set = (parse(re.sub("^set: |time marks of | DC$", "", each.text), unit) for each in (applied, set_to))
        read_div, error_percent = (float(each[0].text.replace("−", "-").split()[0]) for each in (reading, error))
        per_div = parse(setting[0].text.split("/div")[0], unit)
        assert true == pytest.approx(was_set * 1.021 - 1e-5 if unit == "V" else was_set * 1.001, rel=1e-8)
        if unit == "V":
            assert 100 * (read_div * per_div / true - 1) == pytest.approx(error_percent, abs=0.015)
        else:  # of a span of marks, `read_div` over what as many marks ideally are
            ideal_div = round(read_div) * 1.001
            assert 100 * (read_div / ideal_div - 1) == pytest.approx(error_percent, abs=0.015)
        seen[unit] += 1
    assert seen == {"V": 22, "s": 23}


def test_an_uncertainty_keeps_its_noughts_and_a_value_its_u_and_its_interval_have_one_place() -> None:
    """GUM 7.2.6: 0.10 beside 0.099."""
    said = [shown.rounded(value, "%") for value in (0.0998, 0.0993, 0.2, 12.0, 1234.0, 0.0, None)]
    assert said == ["0.10 %", "0.099 %", "0.20 %", "12 %", "1200 %", "0 %", "–"]
    assert shown.value_and_u(3.5, 0.0996, "%") == ("3.50 %", "0.10 %")
    assert shown.value_and_u(118.04e6, 2.0e6, "Hz") == ("118.0 MHz", "2.0 MHz")
    seen = 0
    for row in (row for name in ("digital", "by_eye") for row in rows_with_u(name)):
        places = {len(text.split()[0].partition(".")[2]) for text in row}
        assert len(places) == 1, row
        seen += len(row)
    assert seen > 150


def rows_with_u(name: str) -> Iterator[list[str]]:
    """Value, U and the ends of the interval of each result, wherever a table has them."""
    report = summarise(journal.read(FORMATS[0] / name))
    for table in blocks.tables([*report_page.certificate(report)]):
        at = [n for n, column in enumerate(table.columns) if column.name in ("Error", "Result", "U", "Interval")]
        for row in table.rows if len(at) > 1 and table.columns[at[0]].right else ():
            texts = [blocks.text_of(row.cells[n]) for n in at]
            if texts[1] != "–":
                yield [end for text in texts for end in text.split(" to ")]


@pytest.mark.parametrize(
    ("given", "said"),
    [(["lead", "probe"], "lead, probe"), ([], "none"), (True, "yes"), ("-3 dB", "−3 dB"), ({"at": 5}, "at 5")],
)
def test_an_option_is_told_in_words(given: Any, said: str) -> None:
    assert shown.option(given) == said


def test_one_coverage_factor_is_no_span() -> None:
    (result, *_) = EXAMPLES["meets"]().parts[0].results
    part = replace(EXAMPLES["meets"]().parts[0], results=(result, result))
    assert result.statement is not None
    assert f"each result ({result.statement.k:.2f}), for" in coverage([part])


def test_no_number_is_torn_from_its_uncertainty() -> None:
    text = page("does_not_meet")
    assert "\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}" in text
    assert " ± " not in re.sub("<svg.*?</svg>|<[^>]*>", "", text, flags=re.DOTALL)
