"""The scope of accreditation: no U below its smallest (ILAC-P14:09/2020, 5.4), and what lies outside it is marked."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from harness import runs as opening
from harness.errors import ConfigError
from harness.files import files
from harness.files.files import starter
from harness.journal import journal
from harness.models import ScopeLine
from harness.report.html import html_page
from harness.report.model import Report
from harness.report.scope import OUTSIDE
from harness.report.sheet import sheet
from harness.report.summary import summarise
from harness.words.language import speaking
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job, change, halfpower
from tests.helpers.sample_years import reseal

LINE = {"quantity": "deflection", "smallest": 0.028, "volts_per_div_from": 0.05, "volts_per_div_to": 1.0}


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    lab = tmp_path_factory.mktemp("lab")
    shutil.copytree(DEMO, lab, dirs_exist_ok=True)
    job = a_job(lab / "job.toml", f'{ONE_CHANNEL}\nranges = ["50 mV", "1 V", "5 V"]')
    return opening.start(job, lab / "runs").folder


def by(run: Path, folder: Path, *lines: dict[str, object]) -> Report:
    """The report of the run by a laboratory with this scope."""
    copy = shutil.copytree(run, folder / run.name)
    reseal(copy / journal.NAME, lambda header: header["setup"]["bench"].update(scope=list(lines)))
    return summarise(journal.read(copy))


def test_a_smaller_uncertainty_is_raised_and_the_verdict_made_from_it(run: Path, tmp_path: Path) -> None:
    before = summarise(journal.read(run)).parts[0].results
    report = by(run, tmp_path, LINE)
    after = report.parts[0].results
    assert [OUTSIDE in result.remarks for result in after] == [result.setting == "5 V/div" for result in after]
    within = [(old, new) for old, new in zip(before, after, strict=True) if new.setting != "5 V/div"]
    assert len(within) >= 2
    for old, new in within:
        assert old.statement.expanded < 2.8
        assert new.statement.expanded == pytest.approx(2.8, rel=1e-4)  # percent, at 95.45 %
        assert new.statement.estimate == old.statement.estimate
        assert new.budget.u == pytest.approx(new.statement.u, rel=1e-9)  # the table still adds up
        assert (old.word, new.word) == ("pass", "undecided")  # ±3 %, guarded by 2.8 %, and an error of about 0.6 %
        assert new.verdict.word == new.word
        assert "raised to the smallest U of the scope; by its budget it is" in new.remarks[-1]
    assert report.overall == "cannot be decided"
    (said,) = [fact.text for fact in report.statements if fact.name == "Scope of accreditation"]
    assert f"that of {len(within)} results was raised to it, as marked." in said
    assert "lie outside the scope" in said or "lies outside the scope" in said
    assert "smallest uncertainty of the scope of accreditation" in html_page(report)


def test_paper_says_a_remark_that_results_share_once_for_all_of_them(run: Path, tmp_path: Path) -> None:
    told = sheet(by(run, tmp_path, LINE | {"volts_per_div_to": 0.1}))
    said = json.dumps(told["blocks"], ensure_ascii=False)
    verdicts = [line for block in told["blocks"] for row in block.get("rows", ()) for line in row["cells"]]
    marked = [spans for spans in verdicts if any(span.get("look") == "mark" for span in spans)]
    assert said.count(OUTSIDE) == 1
    assert len(marked) >= 2
    (table,) = [block for block in told["blocks"] if block.get("named", "").startswith("Deflection")]
    assert re.fullmatch(rf"a: {OUTSIDE}(; b: .+)?\.", table["foot"])  # on each of its pages
    assert not [
        span for spans in verdicts for span in spans if span.get("look") == "remark" and OUTSIDE in span["text"]
    ]


@pytest.fixture(scope="module")
def half_power(tmp_path_factory: pytest.TempPathFactory) -> Path:
    lab = shutil.copytree(DEMO, tmp_path_factory.mktemp("half_power") / "lab")
    job = a_job(lab / "job.toml", 'use = "bandwidth"\npath = "terminated"\nchannels = [1]\nscan = false')
    return opening.start(job, lab / "runs").folder


def test_a_raised_frequency_is_said_as_one(half_power: Path, tmp_path: Path) -> None:
    (result,) = by(half_power, tmp_path, {"quantity": "half-power frequency", "smallest": 0.08}).parts[0].results
    assert re.search(r"by its budget it is \d\.\d MHz$", result.remarks[-1])
    assert re.fullmatch(r"Channel 1: half-power frequency \(1\d\d\.\d ± 9\.\d\) MHz: pass\.", result.sentence)


def test_a_long_remark_leaves_the_other_columns_room_for_their_words(half_power: Path, tmp_path: Path) -> None:
    with speaking("de"):
        report = by(half_power, tmp_path, {"quantity": "half-power frequency", "smallest": 0.08})
        (table,) = [block for block in sheet(report)["blocks"] if block.get("named") == "Frequenz halber Leistung"]
    shares = {column["name"]: column["share"] for column in table["columns"]}
    left = 80  # characters of a line, about, beside the columns that are as wide as their texts
    assert left * shares["Grenzen"] / sum(shares.values()) > len("mindestens")


def test_a_larger_uncertainty_is_stated_as_it_is_and_without_a_scope_nothing_changes(run: Path, tmp_path: Path) -> None:
    before = summarise(journal.read(run)).parts[0].results
    (tmp_path / "a").mkdir()
    report = by(run, tmp_path / "a", {"quantity": "deflection", "smallest": 1e-6})
    assert [replace(result, remarks=()) for result in report.parts[0].results] == [
        replace(result, remarks=()) for result in before
    ]
    assert by(run, tmp_path).parts[0].results == before
    assert "Scope of accreditation" not in [fact.name for fact in summarise(journal.read(run)).statements]


def test_a_line_holds_over_its_ranges() -> None:
    line = ScopeLine.model_validate({"quantity": "time", "smallest": "1 %", "s_per_div_from": "1 us"})
    assert line.covers(volts_per_div=None, s_per_div=1e-6, frequency_hz=None)
    assert not line.covers(volts_per_div=None, s_per_div=1e-7, frequency_hz=None)


def test_the_scope_stands_in_the_register_or_in_the_bench_file(tmp_path: Path) -> None:
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    register, bench = tmp_path / "register.toml", tmp_path / "bench.toml"
    line = '[[scope]]\nquantity = "deflection"\nsmallest = "0.2 %"\n'
    register.write_text(
        starter("register").replace("Orme-0417", "Orme-1").replace("Rame-0612", "Rame-1") + line, "utf-8"
    )
    change(bench, ("simulation =", 'standards = "register.toml"\nsimulation ='))
    assert files.load_bench(bench).scope[0].smallest == 0.002
    change(bench, ("[calibrator]\n", f"{line}\n[calibrator]\n"))
    with pytest.raises(ConfigError, match=r"scope: stands in .* too; expected it in one of them"):
        files.load_bench(bench)


def test_what_is_wrong_with_a_scope_is_told(tmp_path: Path) -> None:
    register = tmp_path / "register.toml"
    register.write_text(starter("register") + '[[scope]]\nquantity = "deflektion"\n', "utf-8")
    told = halfpower("check", register)
    assert "scope[1]: states no uncertainty; expected smallest, or smallest_db" in told.output
    change(register, ('"deflektion"', '"deflektion"\nsmallest = "0.2 %"'))
    told = halfpower("check", register, register).output.replace("\n", " ")
    assert told.count("'deflektion' is nothing") == 1
    assert "'deflektion' is nothing that the program's own measurements state (did you mean 'deflection'?)" in told
