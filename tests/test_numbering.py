"""Numbers of reports: by the laboratory's scheme, unique in a folder and in the store; a clash is told.

ISO/IEC 17025:2017, 7.8.2.1 d: a report has an identification of its own (from memory of the standard's text).
"""

from __future__ import annotations

import datetime as dt
import re
import shutil
from itertools import islice
from pathlib import Path

import pytest

from harness import runs as opening
from harness.journal import journal
from harness.run.new_folder import new_folder
from harness.words.numbering import USUAL, checked, numbers
from harness.years.records.push import numbers_given
from harness.years.records.store import Store
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job, halfpower
from tests.helpers.record_examples import told_again

VALUES = {"year": "2026", "month": "11", "date": "2026-11-30", "serial": "Egret-1", "bench": "Bench-2"}


def first(scheme: str, *taken: str, count: int = 1) -> list[str]:
    return list(islice(numbers(scheme, VALUES, taken), count))


def test_a_number_counts_on_from_the_highest_that_was_given() -> None:
    assert first(USUAL) == ["2026-11-30-Egret-1-01"]
    assert first("BW-{year}-{count:04}", count=2) == ["BW-2026-0001", "BW-2026-0002"]
    given = ("BW-2026-0009", "BW-2026-0002", "BW-2025-0731", "BW-2026-0010-A1", "XBW-2026-0099")
    assert first("BW-{year}-{count:04}", *given) == ["BW-2026-0010"], "a gap is no free number"
    assert first("{count}.{bench}", "9.Bench-2", "12.Bench-1") == ["10.Bench-2"]
    assert first("W{count:02}", "W99") == ["W100"]


@pytest.mark.parametrize(
    ("scheme", "why"),
    [
        ("BW-{year}", "has {count} once"),
        ("{count}{count}", "has {count} once"),
        ("BW/{count}", "'BW/' cannot stand in a number"),
        ("{customer}-{count}", "{customer} is no part of a number"),
        ("{count:04x}", "only {count:04}"),
        ("{year:>9}-{count}", "{year} takes no form of its own"),
        ("{count", "is no scheme of numbers"),
        ("../{count}", "cannot stand in a number"),
        (".{count}", "begins with a letter or digit"),
        ("x" * 60 + "{count}", "60 characters at most"),
    ],
)
def test_a_scheme_that_cannot_be_is_one_sentence(scheme: str, why: str) -> None:
    with pytest.raises(ValueError, match=re.escape(why)):
        checked(scheme)


def lab(folder: Path, scheme: str) -> Path:
    job = a_job(shutil.copytree(DEMO, folder / "lab") / "job.toml", ONE_CHANNEL)
    bench = job.with_name("bench.toml")
    bench.write_text(f'report_number = "{scheme}"\n{bench.read_text("utf-8")}', "utf-8")
    return job


def test_runs_are_numbered_by_the_scheme_in_folder_and_store(tmp_path: Path) -> None:
    job, url = lab(tmp_path, "BW-{year}-{count:04}"), str(tmp_path / "records.sqlite")
    for runs, number in (("a", "0001"), ("a", "0002"), ("b", "0003")):
        done = halfpower("run", job, "--runs", tmp_path / runs, "--store", url, "--quiet")
        assert done.exit_code == 0, done.stderr
        (folder,) = (tmp_path / runs).glob(f"BW-*-{number}")
        assert journal.read(folder).header["run"] == folder.name
        assert f"Report {folder.name}" in (folder / "report.html").read_text("utf-8")
    assert len(numbers_given(url)) == 3


def test_two_folders_with_one_store_number_apart_without_a_scheme_too(tmp_path: Path) -> None:
    job = a_job(shutil.copytree(DEMO, tmp_path / "lab") / "job.toml", ONE_CHANNEL)
    url = str(tmp_path / "records.sqlite")
    for runs in ("a", "b"):
        assert halfpower("run", job, "--runs", tmp_path / runs, "--store", url, "--quiet").exit_code == 0
    (one,), (two,) = (tmp_path / "a").iterdir(), (tmp_path / "b").iterdir()
    assert (one.name[-3:], two.name[-3:]) == ("-01", "-02")


def test_a_queue_numbers_apart_in_its_store_too(tmp_path: Path) -> None:
    job, url = lab(tmp_path, "BW-{year}-{count:04}"), str(tmp_path / "records.sqlite")
    for runs, number in (("a", "0001"), ("b", "0002")):
        asked = ("queue", job, "--runs", tmp_path / runs, "--store", url, "--quiet", "--no-awake")
        assert halfpower(*asked).exit_code in (0, 11)
        assert len(list((tmp_path / runs).glob(f"BW-*-{number}"))) == 1
    assert len(numbers_given(url)) == 2, "a run beside the one that the store had"


def test_a_clash_is_told_and_loses_nothing(tmp_path: Path) -> None:
    url = str(tmp_path / "records.sqlite")
    one = told_again(tmp_path / "a", 1, header={"run": "BW-2026-0007"})
    two = told_again(tmp_path / "b", 2, header={"run": "BW-2026-0007"}, on=dt.date(2026, 4, 2))
    assert halfpower("records", "add", one, "--store", url).stderr == ""
    added = halfpower("records", "add", two, "--store", url)
    assert (added.exit_code, added.stdout.splitlines()[0]) == (0, "BW-2026-0007: added")
    assert "warning: Report number BW-2026-0007 was given twice" in added.stderr
    assert str(one) in added.stderr
    with Store.open(url) as store:
        assert len(store.runs()) == 2


def test_no_store_and_none_that_answers_keep_no_run_waiting(tmp_path: Path) -> None:
    assert numbers_given("none") == numbers_given(str(tmp_path / "nowhere.sqlite")) == frozenset()
    (tmp_path / "damaged.sqlite").write_bytes(b"no database" * 100)
    assert numbers_given(str(tmp_path / "damaged.sqlite")) == frozenset()


def test_a_wrong_scheme_is_told_with_its_line(tmp_path: Path) -> None:
    told = halfpower("check", lab(tmp_path, "BW-{year}"))
    assert told.exit_code == 3
    assert "bench.toml:1: report_number: a scheme of numbers has {count} once" in told.stdout + told.stderr


def test_two_benches_that_begin_at_once_have_two_numbers(tmp_path: Path) -> None:
    """The folder is the claim: one that another process made since it was looked for is passed over."""
    setup, at = opening.load(lab(tmp_path, "N{count:03}")).setup, dt.datetime(2026, 11, 30, tzinfo=dt.UTC)
    made = [new_folder(tmp_path / "runs", setup, at, ()) for _ in range(3)]
    assert [each.name for each in made] == ["N001", "N002", "N003"]
