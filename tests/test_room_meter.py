"""The room by the bench's own meter: with every reading, at the points it touches; silent, it ends no run."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers import RoomMeter
from drivers.meter import ScpiMeter
from harness import runs as opening
from harness.bench.room import AGAIN_S, FRESH_S, Room
from harness.errors import InstrumentError
from harness.journal import journal
from harness.journal.journal import Contents
from harness.link.link import Link, LinkDown
from harness.link.port import MemoryPort
from harness.models import Meter
from harness.report.model import Report
from harness.report.summary import summarise
from harness.sim.clock import VirtualClock
from harness.steps import ROOM_C, ROOM_HUMIDITY, Reading
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job, change, halfpower
from tests.helpers.journals import comparable
from tests.helpers.link_double import Double, WaitingClock

METER = """
[meter]
address = "TCPIP0::192.0.2.40::5025::SOCKET"
maker = "Northfen"
model = "Noup"
serial = "Noup-0118"
certificate = "NC-2291"
certified = 2026-03-02
due = 2027-03-02

[switch]
"""
TRUTH = """
[meter]
profile = "northfen_room_meter"
address = "TCPIP0::192.0.2.40::5025::SOCKET"
truth = {{ {truth} }}

[switch]
"""
LIMITS = '\n[environment]\ntemperature = "23 °C"\ntemperature_within = "1 °C"'


def a_lab(folder: Path, truth: str = "", more: str = "") -> Path:
    shutil.copytree(DEMO, folder, dirs_exist_ok=True)
    change(folder / "bench.toml", ("\n[switch]\n", METER))
    change(folder / "bench_sim.toml", ("\n[switch]\n", more + TRUTH.format(truth=truth)))
    return a_job(folder / "job.toml", f'{ONE_CHANNEL}\nranges = ["50 mV", "1 V", "5 V"]', head=LIMITS)


def run(job: Path) -> tuple[Path, Contents]:
    folder = opening.start(job, job.parent / "runs").folder
    return folder, journal.read(folder)


def fact(report: Report) -> str:
    (found,) = [each.text for group in report.facts for each in group.facts if each.name == "Room by its meter"]
    return found


def readings(contents: Contents) -> list[Reading]:
    return [record.reply for record in contents.records if isinstance(record.reply, Reading)]


def test_every_reading_has_the_room_and_the_report_says_by_which_meter(tmp_path: Path) -> None:
    folder, contents = run(a_lab(tmp_path))
    every = readings(contents)
    assert {(each.more[ROOM_C], each.more[ROOM_HUMIDITY]) for each in every} == {(23.0, 45.0)}
    report = summarise(contents)
    assert fact(report) == (
        f"23.0 °C to 23.0 °C, 45 % to 45 % relative humidity, at {len(every)} readings of {len(every)}, "
        "by Northfen Noup no. Noup-0118"
    )
    assert "NC-2291" in {standard.certificate for standard in report.standards}
    assert not [each for each in report.deviations if "room" in each]
    shown = halfpower("report", folder, "--json", tmp_path / "r.json")
    assert shown.exit_code == 0, shown.output
    assert "Room by its meter" in (tmp_path / "r.json").read_text("utf-8")


def test_the_meter_changes_no_result(tmp_path: Path) -> None:
    job = a_lab(tmp_path)
    with_meter = summarise(run(job)[1])
    change(job.parent / "bench.toml", (METER, "\n[switch]\n"))
    without = summarise(run(job)[1])
    assert [part.results for part in with_meter.parts] == [part.results for part in without.parts]


def test_a_departure_is_told_at_the_points_that_it_touches(tmp_path: Path) -> None:
    job = a_lab(tmp_path, 'warms_per_hour = "180 °C"')
    change(tmp_path / "bench.toml", ('settle = "50 ms"', 'settle = "5 s"'))
    _, contents = run(job)
    report = summarise(contents)
    late = sum(each.more[ROOM_C] > 24.0 for each in readings(contents))
    assert 0 < late < len(readings(contents))
    (said,) = [each for each in report.deviations if each.startswith("The room left its limits")]
    assert f"{late} readings, marked at the points" in said
    marked = [each for each in report.parts[0].results if "the room was at" in " ".join(each.remarks)]
    assert 0 < len(marked) < len(report.parts[0].results)


def test_a_run_whose_meter_is_silent_goes_on_and_says_so(tmp_path: Path) -> None:
    job = a_lab(tmp_path, more='\n[faults]\nslow = { meter = "1 h" }\n')
    _, contents = run(job)
    assert contents.closed_at is not None
    assert not any(ROOM_C in each.more for each in readings(contents))
    (told,) = [event.text for event in contents.events if event.what == "room"]
    assert told.startswith("The room is not known from here on: meter (Northfen Noup no. Noup-0118)")
    report = summarise(contents)
    assert fact(report).startswith("not logged at any reading, by Northfen Noup")
    (said,) = [each for each in report.deviations if each.startswith("The room was not logged")]
    assert f"{len(readings(contents))} readings, marked at the points" in said
    assert all("the room was not logged" in each.remarks for each in report.parts[0].results)


def test_a_stopped_and_resumed_run_equals_an_unbroken_one(tmp_path: Path) -> None:
    job = a_lab(tmp_path)
    whole, _ = run(job)
    cut = job.parent / "runs" / "cut"
    shutil.copytree(whole, cut)
    lines = (whole / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (cut / "journal.jsonl").write_bytes(b"".join(lines[: len(lines) // 2]))
    opening.resume(cut)
    assert comparable(cut) == comparable(whole)


# --- how it is asked -----------------------------------------------------------------------------------------------


class _Meter:
    """A meter that answers as it is told, and counts how often it is asked."""

    def __init__(self, *answers: float | Exception) -> None:
        self.answers, self.opened, self.closed = list(answers), 0, 0

    def opens(self) -> RoomMeter:
        self.opened += 1
        return self

    def read_room(self) -> tuple[float, float | None]:
        answer = self.answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer, None

    def identify(self) -> str:
        return "meter"

    def check(self) -> None:
        pass

    def close(self) -> None:
        self.closed += 1


def test_it_is_asked_now_and_then_and_less_often_while_it_is_silent() -> None:
    clock, events = VirtualClock(), list[str]()
    meter = _Meter(22.0, 22.5, LinkDown("meter", "does not answer"), LinkDown("meter", "does not answer"), 23.0)
    room = Room(meter.opens, clock=clock, on_event=lambda _what, text: events.append(text))

    def after(wait_s: float) -> float | None:
        clock.sleep(wait_s)
        return room.beside(Reading(value=1.0)).more.get(ROOM_C)

    assert [after(wait_s) for wait_s in (0.0, FRESH_S / 2, FRESH_S, FRESH_S, FRESH_S)] == [22.0, 22.0, 22.5, None, None]
    assert len(meter.answers) == 2  # while it is silent it is left alone
    assert [after(AGAIN_S), after(AGAIN_S), after(FRESH_S / 2)] == [None, 23.0, 23.0]
    assert meter.opened == 3
    assert events == [
        "The room is not known from here on: meter: does not answer",
        "The room's meter answers again.",
    ]


def a_link(double: Double) -> Link:
    return Link(MemoryPort(double.handle), "meter", clock=WaitingClock())


@pytest.mark.parametrize(("commands", "room"), [
    ({}, (22.5, 41.0)),
    ({"humidity": ""}, (22.5, None)),
    ({"setup": "", "temperature": ":FETC? 1"}, (19.0, 41.0)),
])  # fmt: skip
def test_the_driver_asks_as_the_standard_says_or_as_the_bench_file_does(
    commands: dict[str, str], room: tuple[float, float | None]
) -> None:
    double = Double({
        "UNIT:TEMPerature": lambda *_: None,
        "UNIT:TEMPerature?": lambda: "C",
        "MEASure:TEMPerature?": lambda: "2.25E+01",
        "MEASure:HUMidity?": lambda: "41",
        "FETCh?": lambda _: "19",
    })  # fmt: skip
    link = a_link(double)
    assert ScpiMeter(link, Meter(commands=commands)).read_room() == room


@pytest.mark.parametrize(("warm", "says"), [("9.91E37", "no value"), ("230", "outside -40 to 80")])
def test_what_is_no_temperature_of_a_room_is_refused(warm: str, says: str) -> None:
    asked: dict[str, Callable[..., object]] = {"MEASure:TEMPerature?": lambda: warm}
    link = a_link(Double(asked))
    with pytest.raises(InstrumentError, match=says):
        ScpiMeter(link, Meter(commands={"setup": "", "humidity": ""})).read_room()
