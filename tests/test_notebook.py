"""What a notebook shows and asks: lines and tables, readings as a frame, another rule or tolerance by a keyword."""

from __future__ import annotations

import re
from importlib import import_module
from pathlib import Path

import pytest

import sequences
from harness import runs
from harness.errors import ConfigError
from harness.journal import journal
from harness.report.frame import frame
from harness.runs import RunResult
from harness.steps import Measure, Reading
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job
from tests.helpers.html_reader import Page
from tests.helpers.report_examples import EXAMPLES

DOCS = Path(__file__).resolve().parent.parent / "docs"


@pytest.mark.parametrize("name", EXAMPLES)
def test_what_a_notebook_shows_is_short_and_whole(name: str) -> None:
    report = EXAMPLES[name]()
    for shown in (report, *report.parts, *(result for part in report.parts for result in part.results)):
        assert "\n" not in repr(shown)
        assert len(repr(shown)) < 1200
        page = Page(shown._repr_html_())
        assert not page.open
        assert not page.tags("script")
        assert "\x1b" not in page.seen()
    seen = Page(report._repr_html_())
    results = [result for part in report.parts for result in part.results]
    assert len(seen.tags("tr")) >= len(results)
    assert report.overall in seen.seen()


def test_a_result_shows_the_lines_of_its_budget() -> None:
    (result, *_) = EXAMPLES["does_not_meet"]().parts[0].results
    assert result.budget
    seen = Page(result._repr_html_()).seen()
    assert all(line.name in seen for line in result.budget.contributions)
    assert result.word in repr(result)


def test_a_run_a_job_and_its_rehearsal_are_a_line(digital: RunResult) -> None:
    loaded = runs.load(DEMO / "digital.toml")
    assert re.fullmatch(r"<LoadedJob \S+digital.toml: 1 vertical, 2 time_base, 3 pulse, 4 bandwidth>", repr(loaded))
    assert re.fullmatch(
        r"<Rehearsal: \d+ steps in about .*; 49 of 49 points can be decided>", repr(runs.rehearse(loaded))
    )
    assert repr(digital) == f"<RunResult {digital.folder}: {digital.report.sentence}>"
    assert digital._repr_html_() == digital.report._repr_html_()


def test_progress_is_one_line_that_is_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = a_job(
        tmp_path / "job.toml", ONE_CHANNEL, unit=str(DEMO / "aldermoor_egret.toml"), bench=str(DEMO / "bench.toml")
    )
    runs.start(job, tmp_path / "runs", progress=True)
    said = capsys.readouterr().out
    assert said.count("\n") == 1
    first, *_, last = said.strip().split("\r")
    done, total = map(int, last.split()[0].split("/"))
    assert done == total
    assert int(first.split("/")[0]) < done
    assert "1 vertical  (left: " in first


def test_the_frame_of_readings_is_the_journal(digital: RunResult) -> None:
    table = runs.readings(digital.folder)
    kept = [
        record for record in journal.read(digital.folder).records
        if isinstance(record.step, Measure) and isinstance(record.reply, Reading)
    ]  # fmt: skip
    assert len(table) == len(kept) > 100
    for row, record in zip(table.to_dict("records"), kept, strict=True):
        reply = record.reply
        assert isinstance(reply, Reading)
        assert row["at"].isoformat(timespec="milliseconds") == record.at.replace("Z", "+00:00")
        assert (row["value"], row["scatter"]) == pytest.approx((reply.value, reply.scatter), nan_ok=True)
        assert {name: row[f"more.{name}"] for name in reply.more} == dict(reply.more)
    assert str(table["at"].dtype) == "datetime64[ns, UTC]"


def test_by_another_tolerance_a_point_passes_that_lies_within_it(digital: RunResult) -> None:
    """Simple acceptance: pass where the error lies within the limits (ILAC-G8:09/2019, 4.2.1, from memory)."""
    stood = (digital.folder / "journal.jsonl").read_bytes()
    report = runs.report(digital.folder, rule="simple", tolerance={"deflection": "0.5 %"})
    points = frame(report).query("quantity == 'deflection' and kind == 'point'")
    within = points["result"].abs() <= 0.5
    assert 0 < within.sum() < len(points)
    assert ((points["verdict"] == "pass") == within).all()
    assert "0.5 %" in report.reanalysed
    assert (digital.folder / "journal.jsonl").read_bytes() == stood
    assert runs.report(digital.folder) == digital.report


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"tolerance": {"deflektion": "1 %"}}, "rates no 'deflektion'. 'deflection' may be meant"),
        ({"tolerance": {"deflection": "1 V"}}, "expected a ratio"),
        ({"rule": "best"}, "'guarded'"),
    ],
)
def test_what_cannot_be_asked_is_a_sentence(digital: RunResult, asked: dict[str, str], said: str) -> None:
    with pytest.raises(ConfigError, match=re.escape(said)):
        runs.report(digital.folder, **asked)  # type: ignore[arg-type]


def test_the_page_of_quantities_lists_them_all() -> None:
    rows = re.findall(
        r"^\| `(\w+)` \| (\w+) \| \[(\w+)\]\(\S+\) \| (.+) \|$", (DOCS / "quantities.md").read_text("utf-8"), re.M
    )
    there = [
        (quantity.name, quantity.unit, name, quantity.rating.name if quantity.rating else "–")
        for name in sequences.BUILT_IN
        for quantity in getattr(import_module(f"sequences.{name}.steps"), "QUANTITIES", ())
    ]
    assert rows == there
