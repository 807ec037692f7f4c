"""Nothing is read before everything is warm: what is known of it, what a person says, what a power cycle undoes."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from harness.bench.warm_up import TAKEN, WAIT, SeenOn, Warming, WarmUp, warming
from harness.errors import OperatorStop
from harness.models import Bench as Bench_
from harness.person.operator import Prompt
from harness.sim.clock import VirtualClock
from harness.steps import Role

NOON = dt.datetime(2031, 5, 4, 12, 0, tzinfo=dt.UTC)
ADDRESS, IDENTITY = "GPIB0::9::INSTR", "Northfen,Orme,1,1.0"


def minutes(count: float) -> dt.timedelta:
    return dt.timedelta(minutes=count)


# --- what is kept ------------------------------------------------------------------------------------------------


def seen(folder: Path, at: dt.datetime, *, powered_on: bool = False, identity: str = IDENTITY) -> dt.datetime:
    return SeenOn(folder).since(ADDRESS, identity, powered_on=powered_on, now=at)


def test_an_instrument_is_on_since_it_was_first_seen_without_a_power_on_bit(tmp_path: Path) -> None:
    assert seen(tmp_path, NOON) == NOON  # no record: from now
    assert seen(tmp_path, NOON + minutes(20)) == NOON
    assert seen(tmp_path, NOON + minutes(40), powered_on=True) == NOON + minutes(40)
    assert seen(tmp_path, NOON + minutes(50)) == NOON + minutes(40)


def test_another_instrument_at_the_address_is_not_warm_because_the_first_was(tmp_path: Path) -> None:
    seen(tmp_path, NOON)
    later = NOON + minutes(60)
    assert seen(tmp_path, later, identity="Northfen,Orme,2,1.0") == later


@pytest.mark.parametrize("content", ["", "{", "[]", '{"since": 3}', '{"since": "yesterday"}', '{"other": 1}'])
def test_a_record_that_cannot_be_read_means_from_now(tmp_path: Path, content: str) -> None:
    seen(tmp_path, NOON)
    (kept,) = tmp_path.glob("*.on.json")
    kept.write_text(content, "utf-8")
    assert seen(tmp_path, NOON + minutes(60)) == NOON + minutes(60)


def test_what_was_out_of_sight_for_long_is_no_longer_known_to_have_been_on(tmp_path: Path) -> None:
    """Switched off in the evening, on in the morning, and asked by another program: its power-on bit is gone."""
    evening, morning = NOON + minutes(300), NOON + minutes(1200)
    seen(tmp_path, NOON)
    assert seen(tmp_path, NOON + minutes(239)) == NOON
    assert seen(tmp_path, evening) == NOON  # a last sight 61 min ago
    assert seen(tmp_path, morning) == morning
    assert seen(tmp_path, morning + minutes(60)) == morning


def test_a_clock_that_was_set_back_means_from_now(tmp_path: Path) -> None:
    seen(tmp_path, NOON)
    assert seen(tmp_path, NOON - minutes(60)) == NOON - minutes(60)


def test_a_folder_that_cannot_be_written_costs_a_wait_and_no_run(tmp_path: Path) -> None:
    assert SeenOn(tmp_path / "not there").since(ADDRESS, IDENTITY, powered_on=False, now=NOON) == NOON


# --- the wait ----------------------------------------------------------------------------------------------------


@dataclass
class Person:
    answers: list[str] = field(default_factory=list)
    asked: list[Prompt] = field(default_factory=list)
    told: list[str] = field(default_factory=list)

    def ask(self, prompt: Prompt) -> str:
        self.asked.append(prompt)
        return self.answers.pop(0)

    def tell(self, text: str) -> None:
        self.told.append(text)


@dataclass
class Line:
    """What a warm-up looks at of a link."""

    identity: str = IDENTITY
    counts: Counter[str] = field(default_factory=Counter)
    clean: bool = True


@dataclass
class Bench:
    clock: VirtualClock
    person: Person
    events: list[tuple[str, str]]
    off: list[float]
    warm_up: WarmUp

    def wait(self) -> float:
        """How long the next reading has to wait."""
        began = self.clock.now()
        self.warm_up.wait(lambda: self.off.append(self.clock.now()))
        return self.clock.now() - began


def a_bench(
    *instruments: Warming, answers: list[str] | None = None, warm: bool = False, kept: Path | None = None
) -> Bench:
    clock, person, events = VirtualClock(NOON), Person(answers or []), list[tuple[str, str]]()
    warm_up = WarmUp(
        instruments,
        clock=clock,
        operator=person,
        on_event=lambda what, text: events.append((what, text)),
        seen_on=SeenOn(kept) if kept else None,
        warm=warm,
    )
    return Bench(clock, person, events, [], warm_up)


def calibrator(since: dt.datetime | None = NOON, needs: float = 30, link: Line | None = None) -> Warming:
    return Warming(
        name="calibrator (Northfen Orme)", needs_s=60 * needs, since=since, link=link, address=ADDRESS,  # type: ignore[arg-type]
    )  # fmt: skip


def test_the_first_reading_waits_for_the_slowest_with_outputs_off_and_no_other_does() -> None:
    slow = Warming(name="unit (Aldermoor)", needs_s=3600, since=NOON - minutes(45))
    bench = a_bench(calibrator(), slow)
    assert bench.wait() == 1800
    assert bench.off == [0.0]
    ((what, text),) = bench.events
    assert what == WAIT
    until = (NOON + minutes(30)).astimezone()
    assert f"Outputs are off until {until:%H:%M:%S}" in text
    assert "calibrator (Northfen Orme), 30 min; unit (Aldermoor), 1 h 00 min" in text
    assert bench.wait() == 0
    assert len(bench.events) == 1


def test_what_needs_no_warm_up_or_is_warm_is_not_waited_for() -> None:
    bench = a_bench(calibrator(NOON - minutes(31)), calibrator(None, needs=0))
    assert bench.wait() == 0
    assert (bench.off, bench.events, bench.person.asked) == ([], [], [])


def test_a_power_cycle_begins_the_warm_up_again_and_is_kept(tmp_path: Path) -> None:
    link = Line()
    bench = a_bench(calibrator(NOON - minutes(60), link=link), kept=tmp_path)
    assert bench.wait() == 0
    bench.clock.sleep(600)
    link.counts["power_cycle"] += 1
    assert bench.wait() == 1800
    assert "was switched off and on: its warm-up begins again" in bench.events[0][1]
    assert seen(tmp_path, NOON + minutes(50)) == NOON + minutes(10)
    assert bench.wait() == 0


def test_a_run_keeps_that_it_sees_its_instruments(tmp_path: Path) -> None:
    seen(tmp_path, NOON - minutes(60))
    bench = a_bench(calibrator(NOON - minutes(60), link=Line()), kept=tmp_path)
    for _ in range(10):
        bench.clock.sleep(3600)
        assert bench.wait() == 0
    assert seen(tmp_path, NOON + minutes(600 + 230)) == NOON - minutes(60)


def test_what_does_not_answer_is_not_seen(tmp_path: Path) -> None:
    seen(tmp_path, NOON - minutes(60))
    line = Line()
    bench = a_bench(calibrator(NOON - minutes(60), link=line), kept=tmp_path)
    line.clean = False
    bench.clock.sleep(3 * 3600)
    bench.warm_up.keep()
    assert seen(tmp_path, NOON + minutes(200)) == NOON + minutes(200)


def test_what_was_switched_off_and_on_after_the_last_reading_is_kept_at_the_end(tmp_path: Path) -> None:
    """Also of an instrument that this bench asks no warm-up of: the next job may."""
    line = Line()
    bench = a_bench(calibrator(NOON - minutes(60), needs=0, link=line), kept=tmp_path)
    line.counts["power_cycle"] += 1
    bench.warm_up.keep()
    assert seen(tmp_path, NOON + minutes(10)) == NOON
    assert bench.events == []


@pytest.mark.parametrize("hours", [-24, 24])
def test_a_clock_that_is_set_during_a_run_neither_shortens_the_wait_nor_lengthens_it(hours: int) -> None:
    class Set(VirtualClock):
        def utc(self) -> dt.datetime:
            return super().utc() + dt.timedelta(hours=hours if self.now() > 60 else 0)

    clock = Set(NOON)
    warm_up = WarmUp(
        [calibrator()], clock=clock, operator=Person(), on_event=lambda *_: None, seen_on=None
    )  # fmt: skip
    clock.sleep(120)
    warm_up.wait(lambda: None)
    assert clock.now() == pytest.approx(1800)


def test_of_an_instrument_without_an_interface_a_person_says_once_whether_it_is_warm() -> None:
    bench = a_bench(calibrator(None), answers=["perhaps", "YES"])
    assert bench.wait() == 0
    assert "'perhaps' is no answer here" in bench.person.told[0]
    assert bench.person.asked[0].lines == ("calibrator (Northfen Orme), 30 min",)
    assert bench.events == [(TAKEN, "Taken as warm, as the operator says: calibrator (Northfen Orme), 30 min.")]
    assert bench.wait() == 0
    assert len(bench.person.asked) == 2


def test_since_when_each_is_on_comes_from_its_line_and_else_from_a_person_or_from_now(tmp_path: Path) -> None:
    bench = Bench_.model_validate(
        {
            "name": "x",
            "calibrator": {"address": ADDRESS, "warm_up": "30 min"},
            "generator": {"driver": "manual"},
            "counter": {"driver": "mine.py:Mine"},
            "unit": {"address": "GPIB0::1::INSTR"},
        }
    )
    line: Any = Line()
    line.power_came_on = False
    seen(tmp_path, NOON - minutes(10))
    roles: tuple[Role, ...] = ("calibrator", "generator", "counter", "reference", "unit")
    found = warming(bench, roles, {"calibrator": line}, SeenOn(tmp_path), NOON)
    assert [each.since for each in found] == [NOON - minutes(10), None, NOON, None]  # the unit is read by eye
    assert (found[0].name, found[0].needs_s) == (f"calibrator ({ADDRESS})", 1800.0)
    line.power_came_on = True
    assert warming(bench, roles, {"calibrator": line}, SeenOn(tmp_path), NOON)[0].since == NOON
    assert warming(bench, roles, {"calibrator": line}, None, NOON)[0].since == NOON  # a simulated bench keeps nothing


def test_who_says_no_waits_from_now_and_who_says_stop_stops() -> None:
    assert a_bench(calibrator(None), answers=["no"]).wait() == 1800
    with pytest.raises(OperatorStop, match="outputs are off"):
        a_bench(calibrator(None), answers=["stop"]).wait()


def test_everything_may_be_said_to_be_warm_which_is_kept_as_an_event_and_ends_with_a_power_cycle() -> None:
    link = Line()
    bench = a_bench(calibrator(link=link), calibrator(None), warm=True)
    assert bench.wait() == 0
    assert bench.events[0][0] == TAKEN
    assert bench.person.asked == []
    link.counts["power_cycle"] += 1
    assert bench.wait() == 1800


def test_nothing_is_said_where_nothing_has_a_warm_up() -> None:
    assert a_bench(calibrator(needs=0), warm=True).events == []
