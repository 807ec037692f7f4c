"""The room by a logger's table, tied to the moments of the readings: departures and gaps, at the points they touch."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest

from harness import runs as opening
from harness.errors import ConfigError
from harness.journal import journal
from harness.journal.journal import Contents
from harness.report.model import Report
from harness.report.room import parse, with_room
from harness.report.summary import summarise
from harness.steps import Reading
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job, halfpower

ROOM = (
    '\n[environment]\ntemperature = "23 °C"\ntemperature_within = "1 °C"\nhumidity = "45 %"\nhumidity_within = "10 %"'
)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    lab = tmp_path_factory.mktemp("lab")
    shutil.copytree(DEMO, lab, dirs_exist_ok=True)
    job = a_job(lab / "job.toml", f'{ONE_CHANNEL}\nranges = ["50 mV", "1 V", "5 V"]', head=ROOM)
    return opening.start(job, lab / "runs").folder


@pytest.fixture(scope="module")
def contents(run: Path) -> Contents:
    return journal.read(run)


def moments(contents: Contents) -> list[dt.datetime]:
    return [dt.datetime.fromisoformat(each.at) for each in contents.records if isinstance(each.reply, Reading)]


def table(*rows: tuple[dt.datetime, float, float]) -> bytes:
    lines = [f"{at:%Y-%m-%d %H:%M:%S.%f},{warm},{humid}" for at, warm, humid in rows]
    return "\n".join(["time UTC,temperature,humidity", *lines]).encode()


def told(contents: Contents, data: bytes) -> Report:
    return with_room(summarise(contents), contents, parse(data, "room.csv"))


def test_the_room_at_the_readings_is_stated_with_the_files_digest(contents: Contents) -> None:
    first, last = min(moments(contents)), max(moments(contents))
    minute = dt.timedelta(minutes=1)
    report = told(contents, table((first - minute, 22.5, 40.0), (last + minute, 22.5, 40.0)))
    (fact,) = [fact for group in report.facts for fact in group.facts if fact.name == "Room by a logger"]
    count = len(moments(contents))
    assert fact.text.startswith(
        f"22.5 °C to 22.5 °C, 40 % to 40 % relative humidity, at {count} readings of {count}, by"
    )
    assert "room.csv, SHA-256 " in fact.text
    (made,) = [fact for group in report.facts for fact in group.facts if fact.name == "Made by"]
    assert made.text.endswith("from the record of the run and room.csv")
    plain = summarise(contents)
    assert (report.parts, report.deviations) == (plain.parts, plain.deviations)


def test_a_departure_is_told_at_the_points_that_it_touches(contents: Contents) -> None:
    times = sorted(moments(contents))
    middle, minute = times[len(times) // 2], dt.timedelta(minutes=1)
    just_before = middle - dt.timedelta(microseconds=1)
    data = table(
        (times[0] - minute, 23.0, 45.0),
        (just_before, 23.0, 45.0),
        (middle, 24.6, 57.0),
        (times[-1] + minute, 24.6, 57.0),
    )
    report = told(contents, data)
    late = sum(at >= middle for at in times)
    (said,) = [each for each in report.deviations if each.startswith("The room left its limits")]
    assert "24.6 °C, not 23 ± 1 °C and 57 % humidity, not 45 ± 10 %" in said
    assert f"{late} readings, marked at the points" in said
    marked = [result for result in report.parts[0].results if "the room was at 24.6 °C" in " ".join(result.remarks)]
    assert 0 < len(marked) < len(report.parts[0].results)
    assert [result.verdict for result in report.parts[0].results] == [
        result.verdict for result in summarise(contents).parts[0].results
    ]


def test_missing_hours_are_told(contents: Contents) -> None:
    first, last = min(moments(contents)), max(moments(contents))
    hour = dt.timedelta(hours=1)
    report = told(contents, table((first - hour, 23.0, 45.0), (last + hour, 23.0, 45.0)))
    (said,) = [each for each in report.deviations if each.startswith("The room was not logged")]
    assert f"{len(moments(contents))} readings, marked at the points" in said
    assert all("the room was not logged" in result.remarks for result in report.parts[0].results)


def test_a_row_counts_for_half_an_hour_and_no_longer() -> None:
    room = parse(b"time UTC,temperature\n2026-11-25 18:00,20\n2026-11-25 18:30,23\n2026-11-25 19:01,23\n", "r")
    assert room.at(dt.datetime(2026, 11, 25, 18, 10, tzinfo=dt.UTC)).temperature == pytest.approx(21.0)
    assert room.at(dt.datetime(2026, 11, 25, 18, 45, tzinfo=dt.UTC)) is None
    assert room.at(dt.datetime(2026, 11, 25, 17, 59, tzinfo=dt.UTC)) is None


@pytest.mark.parametrize("text", [
    "Logger 7\n\nTime +01:00;Temperature (°C);Humidity (%)\n2026-11-25 19:00;22,5;41\n",
    "\ufefftime,door,temperature,humidity\n2026-11-25T18:00Z,shut,22.5,41 %\n,,,\n2026-11-25T18:10Z,shut,,\n",
])  # fmt: skip
def test_the_tables_of_loggers_are_read(text: str) -> None:
    (row,) = parse(text.encode(), "room.csv").rows
    assert (row.at, row.temperature, row.humidity) == (dt.datetime(2026, 11, 25, 18, tzinfo=dt.UTC), 22.5, 41.0)


@pytest.mark.parametrize(("text", "says"), [
    ("a,b\n", "room.csv: no line names the columns; expected 'time UTC,temperature,humidity'"),
    ("time UTC,humidity\n", "room.csv:1: there is no column 'temperature'"),
    ("time,temperature\n2026-11-25 18:00,22\n", "room.csv:2: a time of which zone? Call the column 'time UTC'"),
    ("time UTC,temperature\n25.11.2026 18:00,22\n", "room.csv:2: '25.11.2026 18:00' is no time"),
    ("time UTC,temperature\n2026-11-25 18:00,warm\n", "room.csv:2: 'warm' is no temperature"),
    ("time UTC,temperature\n2026-11-25 18:00,2250\n", "room.csv:2: '2250' is no temperature; expected a number from"),
    ("time UTC,temperature\n", "room.csv: holds no row with a time and a temperature"),
])  # fmt: skip
def test_what_cannot_be_read_is_one_sentence(text: str, says: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse(text.encode(), "room.csv")
    assert str(caught.value).startswith(says)


def test_a_table_of_another_day_is_refused(contents: Contents) -> None:
    day = dt.timedelta(days=1)
    rows = [(at + day, 23.0, 45.0) for at in (min(moments(contents)), max(moments(contents)))]
    says = r"^room\.csv: holds nothing of the run, 2026-11-25 18:.*; its rows are of 2026-11-26 18:.* UTC: name that"
    with pytest.raises(ConfigError, match=says):
        told(contents, table(*rows))


def test_the_command_takes_the_table(run: Path, contents: Contents, tmp_path: Path) -> None:
    first, last = min(moments(contents)), max(moments(contents))
    (tmp_path / "room.csv").write_bytes(table((first, 26.0, 45.0), (last, 26.0, 45.0)))
    shown = halfpower("report", run, "--room", tmp_path / "room.csv", "--json", tmp_path / "r.json")
    assert shown.exit_code == 0, shown.output
    assert "the room was at 26.0 °C, not 23 ± 1 °C" in (tmp_path / "r.json").read_text("utf-8")
    assert "name the logger's CSV" in halfpower("report", run, "--room", tmp_path / "no.csv").output.replace("\n", " ")
