"""Adjusting: a trimmer is turned on the simulated bench while a point is read again and again."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from harness import runs as opening
from harness.commands.adjust import gauge
from harness.errors import HalfpowerError, OperatorStop
from harness.journal import journal
from harness.person.operator import Prompt
from harness.run.adjusting import Sight, named, neighbours, points_of
from harness.steps import Measure, Reading
from tests.helpers.demo_lab import DEMO, LEAD, a_job, halfpower

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench


class Technician:
    """Does what is asked, reads the simulated screen, and turns the trimmer until it is right."""

    def __init__(self, turn: Callable[[], bool], neighbours: str = "leave") -> None:
        self.turn, self.neighbours = turn, neighbours
        self.asked: list[Prompt] = []
        self.told: list[str] = []

    def ask(self, prompt: Prompt) -> str:
        self.asked.append(prompt)
        if prompt.kind == "choose":
            return self.neighbours if "leave" in prompt.choices else prompt.choices[0]
        if prompt.kind != "read" or prompt.screen is None or (prompt.done and not self.turn()):
            return ""
        assert prompt.trace is not None
        return f"{prompt.trace()[0][1] - prompt.step.view.ground_line_div:.2f}"  # type: ignore[union-attr]

    def tell(self, text: str) -> None:
        self.told.append(text)

    @contextmanager
    def standing(self, prompt: Prompt) -> Iterator[Callable[[float], str | None]]:
        self.asked.append(prompt)
        yield lambda _wait_s: None if self.turn() else ""


class Trimmer:
    """The gain of channel 1, all ranges together: 4 % off, and less with every turn."""

    def __init__(self, benches: list[SimulatedBench]) -> None:
        self.benches, self.gain = benches, 0.04
        self.turns = 0

    def set(self) -> None:
        screen = self.benches[-1].world.screens["unit"]
        first, *others = screen.truth.channel
        changed = first.model_copy(update={"gain": self.gain, "gain_by_range": {}})
        object.__setattr__(screen, "truth", screen.truth.model_copy(update={"channel": (changed, *others)}))

    def turn(self) -> bool:
        """Turn a bit; False when it is right, and nothing was turned."""
        self.set()
        self.turns += 1
        if self.turns > 4:
            return False
        self.gain = (0.04, 0.02, 0.01, 0.0)[self.turns - 1]
        self.set()
        return True


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DEMO, tmp_path / "lab"))


def a_run(lab: Path, *, by_eye: bool) -> Path:
    ranges = f"{LEAD}\nchannels = [1]\nranges = ['50 mV', '100 mV', '200 mV']"
    eye = {"unit": "aldermoor_skua.toml", "bench": "hand_bench.toml", "serial": "Skua-0958"}
    return opening.start(a_job(lab / "one.toml", ranges, **(eye if by_eye else {})), lab / "runs").folder


@pytest.mark.parametrize("by_eye", [True, False], ids=["by eye", "remote"])
def test_before_and_after_stand_in_the_journal_and_the_report_and_what_was_found_stays(
    lab: Path, benches: list[SimulatedBench], by_eye: bool
) -> None:
    folder = a_run(lab, by_eye=by_eye)
    found = journal.read(folder)
    trimmer, sights = Trimmer(benches), []
    person = Technician(trimmer.turn, "read")
    opening.adjust(folder, "ch 1, 100 mV/div", operator=person, show=sights.append)
    errors = [sight.value for sight in sights if "100 mV/div" in sight.name]
    first, last = errors[-4 if by_eye else 1], errors[-1]
    assert first == pytest.approx(4.0, abs=1.0)
    assert last == pytest.approx(0.0, abs=1.0)
    kept = journal.read(folder)
    assert kept.records == found.records
    assert kept.closed_at == found.closed_at
    told = [event.text for event in kept.events if event.what == "adjusted"]
    assert re.fullmatch(
        r"Adjusted when \d+ readings had been taken: channel 1, 100 mV/div, lead, .*: \+\S+ % before, \S+ % after, "
        r"limit \S+ % to \S+ %\.|.*", told[0]
    )  # fmt: skip
    assert "before" in told[0]
    assert [re.findall(r"channel 1, (\S+ mV)", each)[0] for each in told] == ["100 mV", "200 mV", "50 mV"]
    assert set(told) <= set(opening.report(folder).deviations)
    assert "holds voltages that kill" in person.asked[0].lines[0]
    assert not benches[-1].world.sources["calibrator"].on


def test_nothing_is_told_where_nothing_was_read_twice(lab: Path, benches: list[SimulatedBench]) -> None:
    folder = a_run(lab, by_eye=True)
    before = (folder / "journal.jsonl").read_bytes()
    person = Technician(lambda: False, "end")
    opening.adjust(folder, "100 mV/div", operator=person, show=lambda _sight: None)
    added = (folder / "journal.jsonl").read_bytes().removeprefix(before)
    assert b'"adjusted"' not in added


def test_who_stops_leaves_the_outputs_off(lab: Path, benches: list[SimulatedBench]) -> None:
    folder = a_run(lab, by_eye=False)
    person = Technician(lambda: True)
    person.standing = contextmanager(lambda _prompt: iter([lambda _wait_s: "stop"]))  # type: ignore[method-assign]
    with pytest.raises(OperatorStop):
        opening.adjust(folder, "100 mV/div", operator=person, show=lambda _sight: None)
    assert not benches[-1].world.sources["calibrator"].on


def test_who_turns_a_trimmer_confirms_a_hazard_though_nobody_could_touch_the_bench_in_its_run(lab: Path) -> None:
    job = a_job(
        lab / "one.toml", 'use = "vertical"\npaths = ["probe"]\nchannels = [1]\nranges = ["2 V"]',
        unit="aldermoor_skua.toml", bench="hand_bench.toml", serial="Skua-0958",
    )  # fmt: skip
    job.write_text(f"allow_hazardous_voltage = true\n{job.read_text('utf-8')}", "utf-8")
    folder = opening.start(job, lab / "runs").folder
    person = Technician(lambda: False)
    opening.adjust(folder, "2 V/div", operator=person, show=lambda _sight: None)
    assert any("is hazardous" in prompt.title and "go on" in prompt.choices for prompt in person.asked)


def test_points_are_named_as_a_person_names_them(lab: Path) -> None:
    job = a_job(
        lab / "two.toml", 'use = "vertical"\npaths = ["lead", "probe"]\nranges = ["50 mV", "100 mV", "5 V"]',
        unit="aldermoor_skua.toml", bench="hand_bench.toml", serial="Skua-0958",
    )  # fmt: skip
    folder = opening.start(job, lab / "runs").folder
    contents = journal.read(folder)
    setup = opening.load(job).setup
    points = points_of(setup, contents)
    found = named("channel 2, 100 mV/div, probe", points, tuple(setup.bench.paths))
    view = found.step.view
    assert (found.step.path, view.channel, view.volts_per_div) == ("probe", 2, 0.1)
    assert next(iter(neighbours(found, points))).step.view.volts_per_div == 0.05  # the nearest first
    assert {(p.step.path, p.step.view.channel) for p in neighbours(found, points)} == {("probe", 2)}
    for wrong in ("nonsense", "ch 9, 100 mV/div", "1 us/div", ""):
        with pytest.raises(HalfpowerError, match="names no point of this run"):
            named(wrong, points, tuple(setup.bench.paths))
    for several in ("100 mV/div", "ch 1, 100 mV/div", "100 mV/div, probe"):  # another trimmer, or ten times the voltage
        with pytest.raises(HalfpowerError, match="Name the channel and the path as well"):
            named(several, points, tuple(setup.bench.paths))


def test_what_was_left_out_is_no_point_to_adjust(lab: Path) -> None:
    """The straight point was read, the one through the probe was not: the name is of the one that was read."""
    job = a_job(
        lab / "two.toml", 'use = "vertical"\npaths = ["lead", "probe"]\nranges = ["100 mV"]\nchannels = [1]',
        unit="aldermoor_skua.toml", bench="hand_bench.toml", serial="Skua-0958",
    )  # fmt: skip
    contents = journal.read(opening.start(job, lab / "runs").folder)
    skipped = Reading(status="skipped", said="skip path")
    records = [
        replace(record, reply=skipped) if record.step.path == "probe" and isinstance(record.step, Measure) else record
        for record in contents.records
    ]
    setup = opening.load(job).setup
    points = points_of(setup, replace(contents, records=tuple(records)))
    assert named("ch 1, 100 mV/div", points, tuple(setup.bench.paths)).step.path == "lead"
    with pytest.raises(HalfpowerError, match="names no point of this run"):
        named("ch 1, 100 mV/div, probe", points, tuple(setup.bench.paths))


def test_the_command_is_answered_at_the_terminal_and_writes_the_report_anew(lab: Path) -> None:
    folder = a_run(lab, by_eye=False)
    lines = ("", "what", "", "leave", "end")  # ready; no answer, so that it is read once more; done; the neighbours
    done = halfpower("adjust", folder, "100 mV/div", "--store", "none", answers="".join(f"{line}\n" for line in lines))
    assert done.exit_code == 0, done.output
    assert "press Enter when it is adjusted" in done.output
    assert done.output.count("●") == 2
    assert "Adjusted when" in (folder / "report.html").read_text("utf-8")
    assert halfpower("adjust", folder, "7 V/div").exit_code == 1
    gone = halfpower("adjust", folder, "100 mV/div", "--store", "none", answers="\n")
    assert (gone.exit_code, "Nobody answers at this terminal" in gone.stderr) == (9, True)


def test_a_unit_read_by_eye_is_told_how_to_end(lab: Path, benches: list[SimulatedBench]) -> None:
    folder = a_run(lab, by_eye=True)
    person = Technician(Trimmer(benches).turn, "end")
    opening.adjust(folder, "100 mV/div", operator=person, show=lambda _sight: None)
    assert {prompt.done for prompt in person.asked if prompt.kind == "read"} == {"It is adjusted"}


def test_the_gauge_shows_where_an_error_stands_between_its_limits() -> None:
    """At the limit it covers the limit's mark, at nothing the middle, far out the end."""
    for value, place in ((0.0, 24), (3.0, 36), (-3.0, 12), (50.0, 48), (-50.0, 0)):
        sight = Sight(name="", said="x", limits="±3 %", word="pass", value=value, low=-3.0, high=3.0)
        assert gauge(sight).split()[1].index("●") == place
    assert gauge(Sight(name="", said="off screen")).strip() == "off screen"
