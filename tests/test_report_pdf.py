"""The printed report: what is on the pages, that data is never markup, the same bytes, and what other programs find.

The checks by outside programs (qpdf, and poppler's pdftotext, pdfinfo and pdffonts) are in the group `e2e`.
"""

from __future__ import annotations

import io
import json
import re
import subprocess
import time
import unicodedata
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import replace
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from harness.errors import HalfpowerError
from harness.journal import journal
from harness.report import pdf as printed
from harness.report import shown
from harness.report.model import Photograph, Report
from harness.report.pdf import check_ready, pdf
from harness.report.plots import pictures
from harness.report.results import to_json
from harness.report.sheet import sheet
from harness.report.summary import summarise
from tests.golden.render import FORMATS, report_of
from tests.helpers.report_examples import EXAMPLES, setup

NAMES = tuple(EXAMPLES)
DIGITAL = FORMATS[0] / "digital"
PRINTED = ("does_not_meet", "as_left", "incomplete", "above_generator", "plain_only", "overdue_standard")
# Everything that means something to the type-setter, and what its fonts may lack.
MARKUP = (
    '#let x = 1; #panic("no") $a^2$ *b* _c_ @ref <label> `raw` ```typ #x``` \\u{41} \\ // c '
    "/* d */ 'q' \"q\" ~ -- --- = t"
)
SCRIPTS = "Dvořák Ωμέγα Привет שלום مرحبا e\u0301 soft\u00adhyphen"
LACKING = "\u4e2d\u6587 \ufdd0 \ue000"


@cache
def made(name: str) -> bytes:
    return pdf(EXAMPLES[name]())


def line(spans: list[dict[str, str]]) -> str:
    """What a line says besides its remarks and signs."""
    return "".join(span["text"] for span in spans if span.get("look") not in ("remark", "mark"))


def all_of(told: dict[str, Any]) -> list[dict[str, Any]]:
    """The blocks of both parts."""
    return [*told["blocks"], *told["annex"]]


def texts_of(blocks: list[dict[str, Any]]) -> Iterator[str]:
    for block in blocks:
        match block:
            case {"is": "heading"}:
                yield block["text"]
                yield block["note"]
            case {"is": "paragraph"}:
                yield line(block["said"])
            case {"is": "facts"}:
                yield from (text for name, said in block["entries"] for text in (name, line(said)))
            case {"is": "bullets"}:
                yield from (line(entry) for entry in block["entries"])
            case {"is": "table"}:
                yield from (column["name"] for column in block["columns"])
                for row in block["rows"]:
                    yield from (span["text"] for cell in row["cells"] for span in cell)


def rows_of(told: dict[str, Any]) -> list[tuple[str, ...]]:
    tables = [block for block in all_of(told) if block["is"] == "table"]
    return [tuple(map(line, row["cells"])) for table in tables for row in table["rows"]]


# --- what is laid out --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["does_not_meet", "incomplete", "above_generator", "conditional"])
def test_every_value_of_the_report_is_laid_out(name: str) -> None:
    """The same texts as on the page and the screen: by the functions of `shown`, from the report's own values."""
    report: Report = EXAMPLES[name]()
    rows = rows_of(sheet(report))
    for point in (p for part in report.parts for p in part.results):
        s, said = point.statement, shown.cells(point)
        limits = shown.limits_text(point.limits, point.result_unit)
        if point.curve is None:
            assert (
                point.setting, point.applied, shown.number(point.expected, point.unit), shown.reading_text(point),
                said.value, said.u, said.k, limits, point.word,
            ) in rows  # fmt: skip
        else:
            told = (said.value, said.u, said.k, said.relative, said.interval, limits, point.word)
            assert any(row[3:] == told for row in rows)
        if point.budget is not None and s is not None:
            scale, _ = shown.scale_of(s.unit, s.estimate)
            for c in point.budget.contributions:  # every line, half power like the rest
                assert any(row[0] == c.name or row[0].endswith(f": {c.name}") for row in rows)
            given = [shown.rounded(abs(c.contribution) / scale) for c in point.budget.contributions]
            if point.curve is None:
                assert any(row[0] == point.setting and set(given) <= set(row) for row in rows)
        for one in point.curve.points if point.curve is not None else ():
            assert any(row[:2] == (shown.hertz(one.frequency_hz), shown.decibels(one.response_db)) for row in rows)
    words = set(texts_of(all_of(sheet(report))))
    assert {*report.deviations, *report.notes, *(h.by for h in report.checklist)} <= words
    on_first = set(texts_of([block for column in sheet(report)["groups"] for block in column]))
    for fact in (fact for group in report.facts for fact in group.facts):
        assert {fact.name, fact.text} <= on_first or {fact.name, fact.text} <= words
    assert sheet(report)["sentence"] == report.sentence


def test_of_its_two_parts_the_first_is_signed_and_the_second_has_what_it_rests_on() -> None:
    report = report_of(DIGITAL)
    whole, first, second = (sheet(report, part=part) for part in ("both", "certificate", "annex"))
    assert (first["blocks"], second["annex"]) == (whole["blocks"], whole["annex"])
    assert first["annex"] == second["blocks"] == second["groups"] == []
    signed, behind = (list(texts_of(blocks)) for blocks in (first["blocks"], second["annex"]))
    named = ("Statement of conformity", "Uncertainty and traceability", "Standards used", "Deviations and notes")
    assert [text for text in signed if text in named] == [*named]
    assert first["blocks"][-1]["is"] == "signatures"
    assert [text for text in behind if text in ("Method", "Checklist")] == ["Method", "Checklist"]
    assert first["statements"][-1] == f"End of part 1 of 2 of report {report.number}; part 2 is its annex."
    assert second["statements"][-1] == f"End of report {report.number}."


def test_paper_has_no_advice_but_an_opinion_that_is_asked_for_and_called_one() -> None:
    """ISO/IEC 17025:2017, 7.8.7, from memory: opinions are marked as such; what to do next is for the laboratory."""
    report = report_of(DIGITAL)
    plain, with_opinion = (" ".join(texts_of(sheet(report, advice=asked)["blocks"])) for asked in (False, True))
    assert report.next_step not in plain + with_opinion
    assert report.advice.startswith("On the points that fail")
    assert report.advice not in plain
    assert f"Opinion of the laboratory, and no part of the statement of conformity {report.advice}" in with_opinion
    said = [" ".join(sheet(report, advice=asked)["statements"]) for asked in (False, True)]
    assert "It contains no opinions and no interpretations." in said[0]
    assert "no other opinions" in said[1]
    assert sheet(EXAMPLES["meets"](), advice=True)["statements"] == sheet(EXAMPLES["meets"]())["statements"]


def test_a_point_that_does_not_pass_is_told_by_sign_and_word() -> None:
    told = sheet(EXAMPLES["does_not_meet"]())
    cells = [cell for b in all_of(told) if b["is"] == "table" for row in b["rows"] for cell in row["cells"]]
    failed = [span for cell in cells for span in cell if span["text"] == "fail"]
    assert failed
    assert {span["sign"] for span in failed} == {"✗"}


def test_a_word_longer_than_its_column_may_break_and_no_other() -> None:
    spelt = printed._speller((frozenset(map(chr, range(32, 127))), True), set())
    assert spelt("serial 12345", 8) == "serial 12345"
    assert spelt("1234567890", 8).replace("\u200b", "") == "1234567890"
    assert spelt("1234567890", 8).count("\u200b") == 9
    assert spelt("Northfen,Nare,Nare-0093,1.7", 10) == "Northfen,\u200bNare,\u200bNare-0093,\u200b1.7"


def test_a_word_of_a_remark_is_hyphenated_and_not_torn() -> None:
    spelt = printed._speller((frozenset(map(chr, range(32, 127))), True), set())
    remark = {"text": "outside the scope of accreditation", "look": "remark"}
    torn = {"text": remark["text"], "look": "faint"}
    read = printed._texts({"rows": [{"cells": [[remark, torn]]}]}, spelt)["rows"][0]["cells"][0]
    assert read[0] == remark
    assert "\u200b" in read[1]["text"]


def test_readings_that_nobody_judges_are_printed_up_to_a_thousand_and_attached_whole() -> None:
    report = EXAMPLES["plain_only"]()
    many = [replace(report.parts[0].plain[0], value=float(n)) for n in range(2500)]
    report = replace(report, parts=(replace(report.parts[0], plain=tuple(many)),))
    blocks = sheet(report)["blocks"]
    (table,) = (block for block in blocks if len(block.get("rows", ())) > 100)
    assert len(table["rows"]) == 1000
    after = blocks[blocks.index(table) + 1]
    assert line(after["said"]) == "1000 of 2500 rows are printed; the attached results hold them all."
    attached = json.loads(to_json(report))["parts"][0]
    assert any(isinstance(each, list) and len(each) == 2500 for each in attached.values())


def test_every_judged_result_is_printed_but_not_every_budget() -> None:
    report = EXAMPLES["meets"]()
    part = next(part for part in report.parts if len(part.results) > 3)
    many = tuple(replace(part.results[n % len(part.results)], setting=f"{n} mV/div") for n in range(1500))
    told = sheet(replace(report, parts=(replace(part, results=many),)))
    assert sum(len(block["rows"]) for block in told["blocks"] if len(block.get("rows", ())) > 100) == 1500
    assert sum(len(block.get("rows", ())) for block in told["annex"]) <= 600
    assert any("the attached results hold them all" in line(block.get("said", [])) for block in told["annex"])


@pytest.mark.soak
def test_the_time_of_setting_grows_with_the_rows_and_no_faster() -> None:
    """Four times the rows took sixteen times as long where a cell's closure held its whole table."""
    report = EXAMPLES["meets"]()
    part = next(part for part in report.parts if len(part.results) > 3)

    def taken_s(rows: int) -> float:
        many = tuple(replace(part.results[0], setting=f"{n} mV/div") for n in range(rows))
        start = time.process_time()
        pdf(replace(report, parts=(replace(part, results=many),)), part="certificate")
        return time.process_time() - start

    taken_s(50)
    assert taken_s(2400) < 7.0 * taken_s(600)


def test_what_the_fonts_lack_is_said() -> None:
    lacking: set[str] = set()
    assert printed._speller((frozenset("ab"), False), lacking)("a\u4e2db\x07", 20) != ""
    assert "\u4e2d" in lacking
    assert "U+4E2D" in printed._lacking_text(lacking)
    assert printed._lacking_text(set()) == ""
    assert printed._lacking_text({chr(0x4E00 + n) for n in range(30)}).count("U+") == 12


# --- the file ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["hostile", *(pytest.param(name, marks=pytest.mark.soak) for name in ("does_not_meet", "plain_only"))]
)
def test_the_same_report_gives_the_same_bytes(name: str) -> None:
    assert made(name) == pdf(replace(EXAMPLES[name]()))


def test_it_says_which_standards_it_keeps() -> None:
    """ISO 19005-3:2012, 6.6.4, and ISO 14289-1:2014, clause 5: the identification schemas in the XMP metadata."""
    data = made("does_not_meet")
    packet = re.search(rb"<x:xmpmeta.*?</x:xmpmeta>", data, re.DOTALL)
    assert packet is not None
    found = {e.tag: (e.text or "") for e in ET.fromstring(packet[0]).iter() if e.text}
    assert found["{http://www.aiim.org/pdfa/ns/id/}part"] == "3"
    assert found["{http://www.aiim.org/pdfa/ns/id/}conformance"] == "A"
    assert found["{http://www.aiim.org/pdfua/ns/id/}part"] == "1"
    assert found["{http://ns.adobe.com/xap/1.0/}CreateDate"] == "2026-11-25T10:41:37Z"
    assert b"Verification of an oscilloscope" in packet[0]


def test_markup_scripts_and_missing_signs_neither_stop_nor_steer_it() -> None:
    base = EXAMPLES["plain_only"]()
    names = {"serial": MARKUP + "7" * 500, "operator": SCRIPTS, "customer": LACKING, "title": MARKUP}
    report = replace(base, setup=setup(**names), title=MARKUP, sentence=MARKUP, notes=(MARKUP, SCRIPTS, LACKING))
    assert pdf(report).startswith(b"%PDF-1.7")
    assert pdf(report, paper="us-letter") != pdf(report)


def test_signs_piled_on_a_letter_do_not_stop_it() -> None:
    """In tables, running text and drawings alike; the last are named after paths."""
    contents = journal.read(DIGITAL)
    header = deepcopy(dict(contents.header))
    for path in header["setup"]["bench"]["paths"].values():
        path["label"] = "e" + "\u0301" * 200 + "x\u0323\u0301u\u20dd\u20dd\u05e9\u05c1\u05bc"
    report = summarise(replace(contents, header=header))
    assert any("\u0301\u0301" in picture.svg for picture in pictures(report))
    assert pdf(report)


def test_without_the_type_setter_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "typst", None)  # as where it is not installed
    with pytest.raises(HalfpowerError, match="pip install typst, or leave --pdf out"):
        pdf(EXAMPLES["plain_only"]())
    with pytest.raises(HalfpowerError, match="pip install typst"):
        check_ready()


def test_fonts_that_cannot_be_used_are_named(tmp_path: Path) -> None:
    with pytest.raises(HalfpowerError, match=r"holds no font \(\.ttf or \.otf\)"):
        pdf(EXAMPLES["plain_only"](), fonts=tmp_path)
    (tmp_path / "letter.ttf").write_text("Dear Sir")
    with pytest.raises(HalfpowerError, match=r"letter\.ttf: is no font that can be read"):
        pdf(EXAMPLES["plain_only"](), fonts=tmp_path)


def test_missing_fonts_of_its_own_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(printed, "FONTS", tmp_path)
    with pytest.raises(HalfpowerError, match=r"DejaVuSans\.ttf: is missing"):
        pdf(EXAMPLES["plain_only"]())
    with pytest.raises(HalfpowerError, match="is missing"):
        check_ready()


# --- what other programs find ------------------------------------------------------------------------------------


def told_by(*command: str | Path) -> str:
    done = subprocess.run([str(each) for each in command], capture_output=True, check=True, timeout=60)
    return done.stdout.decode("utf-8", "replace")  # poppler writes titles as they stand in the file


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("printed")

    @cache
    def file(name: str) -> Path:
        path = folder / f"{name}.pdf"
        path.write_bytes(made(name))
        return path

    return file


def joined(text: str) -> str:
    """Text without what a line break or a page may put into it."""
    return re.sub(r"[\s\u200b\u00ad]+", "", unicodedata.normalize("NFC", text))


@pytest.mark.e2e
@pytest.mark.parametrize("name", PRINTED)
def test_qpdf_finds_a_sound_file_with_the_results_attached(name: str, files: Any) -> None:
    assert "No syntax or stream encoding errors" in told_by("qpdf", "--check", files(name))
    listed = told_by("qpdf", "--list-attachments", "--verbose", files(name))
    assert "results.json" in listed
    assert "mime type: application/json" in listed
    assert "Every value of this report" in listed
    assert told_by("qpdf", "--show-attachment=results.json", files(name)) == to_json(EXAMPLES[name]())
    objects = json.loads(told_by("qpdf", "--json=2", files(name)))["qpdf"][1]
    found = [o["value"] for o in objects.values() if isinstance(o.get("value"), dict)]
    assert [o["/AFRelationship"] for o in found if "/AFRelationship" in o] == ["/Data"]
    catalog = next(o for o in found if o.get("/Type") == "/Catalog")
    assert catalog["/Lang"] == "u:en"
    assert catalog["/AF"]


@pytest.mark.e2e
def test_a_photograph_is_printed_upright_with_its_point(tmp_path: Path) -> None:
    from PIL import Image

    held, turned = io.BytesIO(), Image.Exif()
    turned[0x0112] = 6  # Exif 2.3: the camera was held upright, and wrote its picture lying
    Image.new("RGB", (400, 300), (0, 90, 30)).save(held, "JPEG", exif=turned)
    file, path = held.getvalue(), tmp_path / "report.pdf"
    one = Photograph(name="001.jpg", sha256=sha256(file).hexdigest(), at="channel 1, 50 mV/div", part=0)
    path.write_bytes(pdf(replace(EXAMPLES["plain_only"](), photographs=(one,)), photographs={"001.jpg": file}))
    assert "Photograph 001.jpg: channel 1, 50 mV/div" in told_by("pdftotext", path, "-")
    listed = told_by("pdfimages", "-list", path).splitlines()[2:]
    assert [row.split()[3:5] for row in listed] == [["300", "400"]]


@pytest.mark.e2e
@pytest.mark.parametrize("name", PRINTED)
def test_every_text_is_on_the_pages(name: str, files: Any) -> None:
    report = EXAMPLES[name]()
    told = sheet(report)
    pages = joined(told_by("pdftotext", "-raw", files(name), "-"))
    facts = [text for fact in (f for group in report.facts for f in group.facts) for text in (fact.name, fact.text)]
    for text in (report.sentence, told["found"], *facts, *told["statements"]):
        assert joined(text) in pages
    for text in texts_of(all_of(told)):
        assert joined(text) in pages, text
    for point in (p for part in report.parts for p in part.results if p.statement is not None):
        said = shown.cells(point)
        line = f"{shown.reading_text(point)}{said.value}{said.u}{said.k}"
        if point.curve is not None:
            line = f"{said.value}{said.u}{said.k}{said.relative}"
        assert joined(line) in pages, line  # and in the order of their row


@pytest.mark.e2e
def test_every_page_is_numbered_marked_and_named(files: Any) -> None:
    report = EXAMPLES["overdue_standard"]()
    pages = told_by("pdftotext", "-layout", files("overdue_standard"), "-").split("\f")[:-1]
    assert len(pages) == int(re.findall(r"Pages: +(\d+)", told_by("pdfinfo", files("overdue_standard")))[0])
    for n, page in enumerate(pages, start=1):
        assert f"page {n} of {len(pages)}" in page
        assert f"Report {report.number}" in page
        assert shown.OVERDUE in page
        assert shown.SIMULATED in page


@pytest.mark.e2e
def test_the_first_part_of_the_demo_has_four_pages_and_a_table_that_goes_on_says_of_what(tmp_path: Path) -> None:
    pages = []
    for part in ("both", "certificate", "annex"):
        (tmp_path / part).write_bytes(pdf(report_of(DIGITAL), part=part))  # type: ignore[arg-type]
        pages.append(told_by("pdftotext", "-layout", tmp_path / part, "-").split("\f")[:-1])
    whole, first, second = pages
    assert 3 <= len(first) <= 4
    assert len(whole) == len(first) + len(second)
    assert all("part 1 of 2" in page for page in first)
    assert all("part 2 of 2: annex" in page for page in second)
    assert ["annex" in page.splitlines()[0] for page in whole] == [n >= len(first) for n in range(len(whole))]
    assert any("Deflection, channel 1, 1 m lead, high impedance, continued" in page for page in first[1:])
    for page in second:  # letters stand with their names
        if re.search(r"^ *Setting +Readings +a ", page, re.MULTILINE):
            assert "a: limits of" in page or "a: reading" in page


@pytest.mark.e2e
@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_what_is_signed_stands_with_the_signature_and_the_end_is_not_alone(paper: Any, tmp_path: Path) -> None:
    # The kept journal's last table fills its page on A4: its end would be the only line of the next one.
    for number, report in enumerate((report_of(DIGITAL), EXAMPLES["meets"](), EXAMPLES["plain_only"]())):
        path = tmp_path / f"{number}.pdf"
        path.write_bytes(pdf(report, paper=paper))
        pages = told_by("pdftotext", "-layout", path, "-").split("\f")[:-1]
        (signed,) = [page for page in pages if "name, date, signature" in page]
        assert joined(report.statements[0].text) in joined(signed)
        last = [line for line in pages[-1].splitlines() if line.strip()]
        end = next(n for n, line in enumerate(last) if report.statements[-1].text in line)
        assert end >= 4, last  # below the two lines of the margin


@pytest.mark.e2e
@pytest.mark.parametrize("name", PRINTED)
def test_the_file_can_be_heard(name: str, files: Any) -> None:
    """ISO 14289-1:2014, clause 7: tagged, in order, tables with heads, pictures with words."""
    report = EXAMPLES[name]()
    about = told_by("pdfinfo", files(name))
    assert re.search(r"Tagged: +yes", about)
    assert re.search(rf"Title: +{re.escape(report.title)}", about)
    assert re.search(r"Page size: +595\.\d+ x 841\.\d+ pts \(A4\)", about)
    structure = told_by("pdfinfo", "-struct-text", files(name))
    told = sheet(report, pictures(report))
    tables = [block for block in all_of(told) if block["is"] == "table"]
    assert len(re.findall(r"^ *Table", structure, re.MULTILINE)) == len(tables)
    assert len(re.findall(r"^ *TH ", structure, re.MULTILINE)) == sum(len(table["columns"]) for table in tables)
    headings = [block for block in all_of(told) if block["is"] == "heading"]
    assert len(re.findall(r"^ *H[123] ", structure, re.MULTILINE)) == len(headings)
    objects = json.loads(told_by("qpdf", "--json=2", files(name)))["qpdf"][1]
    spoken = [
        o["value"]["/Alt"]
        for o in objects.values()
        if isinstance(o.get("value"), dict) and o["value"].get("/S") == "/Figure"
    ]
    assert sorted(spoken) == sorted(f"u:{picture.alt}" for picture in pictures(report))


@pytest.mark.e2e
@pytest.mark.parametrize("name", ["does_not_meet", "hostile"])
def test_every_font_is_in_the_file(name: str, files: Any) -> None:
    table = told_by("pdffonts", files(name)).splitlines()[2:]
    assert table
    for line in table:
        assert re.search(r" (yes) (yes|no) (yes) +\d+ +\d+$", line), line  # embedded; maps to Unicode


@pytest.mark.e2e
def test_hostile_text_is_on_the_pages_as_it_is(tmp_path: Path) -> None:
    report = replace(EXAMPLES["plain_only"](), sentence=MARKUP, notes=(MARKUP, LACKING), setup=setup(serial="7" * 500))
    path = tmp_path / "hostile.pdf"
    path.write_bytes(pdf(report))
    text = told_by("pdftotext", "-raw", path, "-")
    pages = joined(text)
    assert pages.count(joined(MARKUP)) == 2
    assert "7" * 500 in pages
    assert "U+4E2D" in text
    edges = told_by("pdftotext", "-bbox", path, "-")
    assert max(float(x) for x in re.findall(r'xMax="([\d.]+)"', edges)) < 595 - 40


def font_with(character: str, path: Path) -> None:
    """A font of the test's own with one letter: a square."""
    from fontTools.fontBuilder import FontBuilder
    from fontTools.pens.ttGlyphPen import TTGlyphPen

    pen = TTGlyphPen(None)
    for n, place in enumerate([(0, 0), (0, 700), (700, 700), (700, 0)]):
        (pen.lineTo if n else pen.moveTo)(place)
    pen.closePath()
    square = pen.glyph()
    font = FontBuilder(1000, isTTF=True)
    font.setupGlyphOrder([".notdef", "square"])
    font.setupCharacterMap({ord(character): "square"})
    font.setupGlyf({".notdef": square, "square": square})
    font.setupHorizontalMetrics({".notdef": (800, 0), "square": (800, 0)})
    font.setupHorizontalHeader(ascent=800, descent=-200)
    font.setupNameTable({"familyName": "Brackwater Han", "styleName": "Regular", "psName": "BrackwaterHan"})
    font.setupOS2(sTypoAscender=800, sTypoDescender=-200)
    font.setupPost()
    font.save(path)


@pytest.mark.e2e
def test_a_font_of_ones_own_is_asked_before_the_frames(tmp_path: Path) -> None:
    folder, path = tmp_path / "fonts", tmp_path / "own.pdf"
    folder.mkdir()
    font_with("\u4e2d", folder / "own.ttf")
    report = replace(EXAMPLES["plain_only"](), sentence="\u4e2d")
    path.write_bytes(pdf(report, fonts=folder))
    assert "BrackwaterHan" in told_by("pdffonts", path)
    assert "\u4e2d" in told_by("pdftotext", path, "-")
    assert "U+4E2D" not in told_by("pdftotext", path, "-")
