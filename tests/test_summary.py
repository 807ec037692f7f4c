"""Readings played into the sequences, and what the report makes of them: verdicts that must not be given, above all.

The unit here is a single pole, |H| = 1/√(1 + (f/f3)²) (textbook), so the true frequencies of any drop are known.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from harness.analysis.estimate import Statement
from harness.journal.journal import Contents, Record
from harness.models import Reference, Setup
from harness.report import shown
from harness.report.html import html_page
from harness.report.model import Report
from harness.report.results import to_json
from harness.report.summary import summarise
from harness.run import rehearsal
from harness.run.jobs import Use
from harness.steps import NOT_SETTLED, Dc, Measure, Reading, Reply, Sine, Step
from sequences import once_more
from sequences.bandwidth import steps as bandwidth
from sequences.pulse import steps as pulse
from sequences.vertical import steps as vertical
from tests.helpers.played import AT, Answer, played, remote, single_pole
from tests.helpers.played import reported as played_and_reported
from tests.helpers.setups import a_setup

drawn = False


@pytest.fixture(params=["worked out", pytest.param("drawn too", marks=pytest.mark.soak)], autouse=True)
def _drawn(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every report here has a page as well; drawing them all takes eight times as long as working them out."""
    monkeypatch.setattr(sys.modules[__name__], "drawn", request.param == "drawn too")


def reported(*of: Any, **more: Any) -> Report:
    """A report; its page is drawn as well where that is asked for."""
    report = played_and_reported(*of, **more)
    assert not drawn or html_page(report)
    return report


def skipping(answer: Answer, which: Callable[[Measure], bool]) -> Answer:
    return lambda step: Reading(status="skipped") if isinstance(step, Measure) and which(step) else answer(step)


def with_reference(setup: Setup, bandwidth_hz: float) -> Setup:
    reference = Reference(maker="Northfen", model="R5", bandwidth=f"{bandwidth_hz:g} Hz")
    return replace(setup, bench=setup.bench.model_copy(update={"reference": reference}))


# --- verdicts that must not be given -----------------------------------------------------------------------------


@pytest.mark.parametrize("drop", ["6 dB", "1 dB"])
def test_another_drop_than_half_power_is_reported_and_not_held_against_the_rating(drop: str) -> None:
    setup, options = a_setup(), bandwidth.Options(channels=(1,), drop=drop)
    report = reported("bandwidth", setup, options, played(bandwidth, setup, options, single_pole(setup, 35e6)))
    (response,) = report.parts[0].results
    drop_db = float(drop.split(maxsplit=1)[0])
    true_hz = 35e6 * math.sqrt(10 ** (drop_db / 10) - 1)
    assert response.statement.low <= true_hz <= response.statement.high
    assert (response.word, report.overall) == ("undecided", "cannot be decided")
    assert "rating is of half power" in response.remarks[0]


def test_three_decibels_are_half_power() -> None:
    setup, options = a_setup(), bandwidth.Options(channels=(1,), drop="3 dB")
    report = reported("bandwidth", setup, options, played(bandwidth, setup, options, single_pole(setup, 50e6)))
    assert [r.word for r in report.parts[0].results] == ["pass"]


def test_a_channel_whose_readings_were_all_left_out_does_not_vanish_from_the_verdict() -> None:
    setup = remote(a_setup())
    answer = skipping(single_pole(setup, 50e6), lambda step: step.view.channel == 2)
    report = reported("bandwidth", setup, bandwidth.Options(), played(bandwidth, setup, bandwidth.Options(), answer))
    assert [(r.channel, r.word) for r in report.parts[0].results] == [(1, "pass"), (2, "not measured")]
    assert shown.not_passed(report) == ()
    assert [text for text in shown.not_measured(report) if "channel 2" in text]
    assert report.overall == "cannot be decided"


def test_a_level_that_was_never_read_gives_no_verdict() -> None:
    setup, options = with_reference(a_setup(), 500e6), bandwidth.Options(channels=(1,))
    answer = skipping(single_pole(setup, 50e6), lambda step: step.display == "reference")
    report = reported("bandwidth", setup, options, played(bandwidth, setup, options, answer))
    (response,) = report.parts[0].results
    assert response.word == "undecided"
    assert "not read on the reference" in response.remarks[0]
    assert "own stated flatness" not in response.curve.level_method


def test_a_level_read_only_up_to_below_the_crossing_gives_no_verdict() -> None:
    setup, options = with_reference(a_setup(), 500e6), bandwidth.Options(channels=(1,))
    pole = single_pole(setup, 50e6)
    answer = skipping(pole, lambda s: s.display == "reference" and isinstance(s.stimulus, Sine)
                      and s.stimulus.frequency_hz > 20e6)  # fmt: skip
    report = reported("bandwidth", setup, options, played(bandwidth, setup, options, answer))
    (response,) = report.parts[0].results
    assert response.word == "undecided"
    assert "MHz only" in response.remarks[0]


@pytest.mark.parametrize("shown_div", [0.0, 1e-12, 1e-3])
@pytest.mark.parametrize("display", ["reference", "unit"])
def test_next_to_no_signal_breaks_no_report(display: str, shown_div: float) -> None:
    setup, options = remote(with_reference(a_setup(), 500e6)), bandwidth.Options(channels=(1,))
    pole = single_pole(setup, 50e6)

    def lost(step: Step) -> Reply:
        reply = pole(step)
        if not (isinstance(step, Measure) and isinstance(step.stimulus, Sine) and step.display == display):
            return reply
        return Reading(value=shown_div) if step.stimulus.frequency_hz > 20e6 else reply

    report = reported("bandwidth", setup, options, played(bandwidth, setup, options, lost))
    (response,) = report.parts[0].results
    assert response.word != "pass"
    assert json.loads(to_json(report))


@pytest.mark.parametrize(
    ("bandwidth_hz", "word", "said"),
    [(80e6, "pass", "was not found; it lies above"), (36e6, "undecided", "was not found")],
)
def test_the_search_ends_where_the_reference_is_no_longer_known(bandwidth_hz: float, word: str, said: str) -> None:
    # A unit of 150 MHz rated 40 MHz. At 76 MHz a reference of at least 80 MHz may itself be 0 to 2.8 dB down, so no
    # claim holds there; at 40 MHz it does, and the rating is met. Up to 34 MHz alone nothing is shown of 40 MHz.
    setup, options = with_reference(a_setup(), bandwidth_hz), bandwidth.Options(channels=(1,))
    records = played(bandwidth, setup, options, single_pole(setup, 150e6))
    (response,) = reported("bandwidth", setup, options, records).parts[0].results
    assert response.word == word
    assert said in response.sentence


def test_a_certificate_that_ran_out_before_the_last_reading_is_overdue() -> None:
    setup = a_setup()
    assert setup.bench.calibrator is not None
    due = setup.bench.calibrator.model_copy(update={"due": dt.date(2026, 5, 5)})
    setup = replace(setup, bench=setup.bench.model_copy(update={"calibrator": due}))
    options = vertical.Options(channels=(1,))
    records = played(vertical, setup, options, ideally(setup))
    for resumed_at, overdue in ((AT, False), ("2026-05-06T09:00:00+00:00", True)):
        report = reported(
            "vertical", setup, options, (*records[:-1], replace(records[-1], at=resumed_at)), ended=resumed_at
        )
        assert [s.overdue for s in report.standards if s.role == "calibrator"] == [overdue]


@pytest.mark.parametrize(("at_reference_db", "at_crossing_db"), [(0.0, 0.0), (0.5, 0.5), (0.5, 0.0), (0.0, 0.5)])
def test_a_level_that_had_gone_at_the_end_widens_the_interval_and_moves_nothing(
    at_reference_db: float, at_crossing_db: float
) -> None:
    setup, options = remote(with_reference(a_setup(), 500e6)), bandwidth.Options(channels=(1,))
    pole = single_pole(setup, 50e6)

    def gone(step: Step) -> Reply:
        reply = pole(step)
        if not (isinstance(step, Measure) and isinstance(reply, Reading) and step.purpose == "level check"):
            return reply
        assert isinstance(step.stimulus, Sine)
        change_db = at_reference_db if step.stimulus.frequency_hz < 1e6 else at_crossing_db
        return replace(reply, value=(reply.value or 0.0) * 10 ** (change_db / 20))

    def found(answer: Answer) -> Statement:
        records = played(bandwidth, setup, options, answer)
        statement = reported("bandwidth", setup, options, records).parts[0].results[0].statement
        assert statement is not None
        return statement

    still, drifted = found(pole), found(gone)
    assert drifted.estimate == pytest.approx(still.estimate, rel=1e-3)
    assert drifted.u / drifted.estimate >= still.u / still.estimate
    if at_reference_db != at_crossing_db:
        # Rectangular, the change whole; a single pole falls by 10/ln 10 dB per ln f at half power (textbook).
        assert drifted.u / drifted.estimate >= 0.5 / math.sqrt(3) / (10 / math.log(10))


# --- readings at the ends of the screen --------------------------------------------------------------------------


@pytest.mark.parametrize("read", ["remote", "eye"])
def test_a_reference_off_the_screen_is_lowered_once_and_the_crossing_found(read: str) -> None:
    setup = remote(a_setup()) if read == "remote" else a_setup()
    options = bandwidth.Options(channels=(1,), termination="included")  # a pole at the source: no capacitance in it
    records = played(bandwidth, setup, options, single_pole(setup, 50e6, gain=1.45))
    off = [r for r in records if isinstance(r.reply, Reading) and r.reply.status == "off_screen"]
    assert len(off) == 1
    assert len(records) < 40
    (response,) = reported("bandwidth", setup, options, records).parts[0].results
    assert response.statement.low <= 50e6 <= response.statement.high


def test_a_trace_that_is_nothing_but_its_width_is_a_reading() -> None:
    setup, options = a_setup(), bandwidth.Options(channels=(1,))
    flat_from_hz = 20e6
    pole = single_pole(setup, 5e6)

    def answer(step: Step) -> Reply:
        high = isinstance(step, Measure) and isinstance(step.stimulus, Sine)
        return Reading(value=0.1) if high and step.stimulus.frequency_hz > flat_from_hz else pole(step)

    records = played(bandwidth, setup, options, answer)
    assert len(records) < 40
    (response,) = reported("bandwidth", setup, options, records).parts[0].results
    assert response.word == "fail"  # 5 of 40 MHz


# --- vertical and rehearsal --------------------------------------------------------------------------------------


def without(setup: Setup, function: str) -> Setup:
    calibrator = setup.bench.calibrator
    assert calibrator is not None
    lines = tuple(line for line in calibrator.accuracy if line.function != function)
    return replace(
        setup,
        bench=setup.bench.model_copy(update={"calibrator": calibrator.model_copy(update={"accuracy": lines})}),
    )


def ideally(setup: Setup) -> Answer:
    return lambda step: rehearsal.ideal(setup, step)


def test_a_calibrator_specified_for_square_waves_alone_has_a_report_with_findings() -> None:
    setup, options = without(a_setup(), "dc"), vertical.Options(signal="square", paths=("lead", "probe"))
    report = reported("vertical", setup, options, played(vertical, setup, options, ideally(setup)))
    found = {finding.name: finding for finding in report.parts[0].findings}
    assert found["divider ratio"].value == pytest.approx(10.0)
    assert found["channel match"].value == pytest.approx(0.0)


def test_more_levels_do_not_make_the_divider_ratio_surer_than_its_readings() -> None:
    u = []
    for levels in (1, 3):
        setup = a_setup()
        options = vertical.Options(channels=(1,), paths=("lead", "probe"), levels=levels)
        report = reported("vertical", setup, options, played(vertical, setup, options, ideally(setup)))
        u += [f.u for f in report.parts[0].findings if f.name == "divider ratio"]
    assert u[0] == pytest.approx(u[1])


def test_a_rating_that_the_unit_file_lacks_is_named_in_the_rehearsal() -> None:
    setup = a_setup()
    assert setup.bench.calibrator is not None
    edged = setup.bench.calibrator.model_copy(update={"edge_rise_time": 1e-9})
    setup = replace(setup, bench=setup.bench.model_copy(update={"calibrator": edged}))
    use = Use(name="1 pulse", definition=pulse, options=pulse.Options(), use="pulse")
    found = rehearsal.rehearse(setup, (use,))
    assert found.left_out[0] == "Rise time: the unit file states no rating."
    assert found.undecided == ()


def test_a_rise_time_that_the_source_hides_asks_for_a_faster_source_in_the_rehearsal() -> None:
    """An edge that is no faster than the unit: the unit's own rise time cannot be told (common practice)."""
    setup = a_setup(rise_time="9 ns")
    assert setup.bench.calibrator is not None
    edged = setup.bench.calibrator.model_copy(update={"edge_rise_time": 200e-9})
    setup = replace(setup, bench=setup.bench.model_copy(update={"calibrator": edged}))
    use = Use(name="1 pulse", definition=pulse, options=pulse.Options(channels=(1,)), use="pulse")
    (found,) = rehearsal.rehearse(setup, (use,)).undecided
    assert found.point == "channel 1, rise time, 1 µs/div, lead"
    assert "e-0" not in found.sentence
    assert found.remedy == "a faster source, or a finer reading"


# --- what belongs together, and what is missing ------------------------------------------------------------------


def answered(*readings: tuple[Measure, float | None]) -> tuple[Record, ...]:
    replies = [Reading(value=v, status="read" if v is not None else "skipped") for _, v in readings]
    return tuple(
        Record(part="1", n=n, step=step, reply=reply, at=AT)
        for n, ((step, _), reply) in enumerate(zip(readings, replies, strict=True))
    )


def a_point(setup: Setup, level_div: float) -> Measure:
    """A level on the range of 100 mV/div."""
    step = vertical.plan(setup, vertical.Options(channels=(1,), ranges=("100 mV",))).points[0].step
    level_v = round(level_div * 0.1, 6)
    return replace(step, stimulus=Dc(level_v=level_v), expected=level_div, expected_low=None, expected_high=None)


def test_a_ground_line_belongs_to_the_pass_it_was_read_in() -> None:
    setup, options = remote(a_setup()), vertical.Options()
    first, second = a_point(setup, 6.0), a_point(setup, 4.0)
    records = answered(
        (vertical.ground_step(first), 0.2), (first, 6.2), (vertical.ground_step(second), -0.3), (second, 3.7)
    )
    points = {point.expected: point for point in reported("vertical", setup, options, records).parts[0].results}
    assert [points[6.0].reading, points[4.0].reading] == pytest.approx([6.0, 4.0])
    again = answered(
        (vertical.ground_step(first), 0.2), (first, 6.2), (vertical.ground_step(first), -0.3), (first, 5.7)
    )
    both = reported("vertical", setup, options, again).parts[0].results
    assert [point.reading for point in both] == pytest.approx([6.0, 6.0])  # two passes are no repeats of one point


def test_a_return_is_compared_with_its_first_point_and_with_the_ground_line_of_its_own_pass() -> None:
    setup, options = remote(a_setup()), vertical.Options(return_to_first=True)
    step = a_point(setup, 6.0)
    ground = vertical.ground_step(step)
    records = answered((ground, 0.2), (step, 6.2), (ground, 0.5), (once_more(step), 6.5 + 0.3))
    (part,) = reported("vertical", setup, options, records).parts
    (finding,) = part.findings
    assert len(part.results) == 1
    assert finding.value == pytest.approx(5.0)  # 6.3 div where 6 were read
    assert finding.u is not None
    # Two readings and two ground lines, each 0.01 div by one estimate of 8 degrees of freedom: Student's 2.366.
    expected_u = 2.366 * 100 / 6 * math.sqrt(4) * setup.unit.scatter
    assert finding.u == pytest.approx(expected_u, rel=0.1)
    assert "more than the ±" in finding.sentence


def test_a_return_that_was_skipped_says_nothing() -> None:
    setup, options = a_setup(), vertical.Options(return_to_first=True)
    step = a_point(setup, 6.0)
    (part,) = reported("vertical", setup, options, answered((step, 6.0), (once_more(step), None))).parts
    assert part.findings == ()


@pytest.mark.parametrize(
    ("value", "rule", "resolution", "said"),
    [
        (6.0, "guarded", "1 div", "Rehearse the job"),  # nothing can pass at this resolution
        (
            6.17,
            "guarded",
            "0.1 div",
            "On the open points the error lies nearer to its limit than its uncertainty",
        ),
        (None, "guarded", "0.1 div", "Run the job again for the points that were not measured."),
    ],
)
def test_what_to_do_about_an_open_point_is_what_helps(
    value: float | None, rule: str, resolution: str, said: str
) -> None:
    setup = a_setup(rule=rule, resolution=resolution)
    report = reported("vertical", setup, vertical.Options(), answered((a_point(setup, 6.0), value)))
    assert report.overall == "cannot be decided"
    assert report.next_step.startswith(said)
    if value is not None:
        assert " cannot be decided: 1 of 1 point is open (" in report.sentence
    assert ("Rehearse" in report.next_step) == said.startswith("Rehearse")


def test_an_open_bandwidth_and_a_report_without_judgement_do_not_advise_a_rehearsal() -> None:
    setup, options = a_setup(), bandwidth.Options(channels=(1,), drop="6 dB")
    report = reported("bandwidth", setup, options, played(bandwidth, setup, options, single_pole(setup, 35e6)))
    assert report.next_step.startswith("For the bandwidth see the remark")
    nothing = reported("mine.py", setup, vertical.Options(), answered((a_point(setup, 6.0), 6.0)))
    assert nothing.next_step.startswith("Nothing was read that has a rating")


def test_a_reading_that_never_stood_still_is_remarked_on() -> None:
    setup = remote(a_setup())
    step = a_point(setup, 6.0)
    records = answered((vertical.ground_step(step), 0.0), (step, 6.0))
    moving = replace(records[1], reply=Reading(value=6.0, flags=(NOT_SETTLED,), scatter=0.3))
    still, moved = (
        reported("vertical", setup, vertical.Options(), (records[0], record)).parts[0].results[0]
        for record in (records[1], moving)
    )
    assert moved.remarks == ("read while it still moved: it never stood still as asked",)
    assert moved.statement is not None
    assert still.statement is not None
    assert moved.statement.u > 5 * still.statement.u
    ground = replace(records[0], reply=Reading(value=0.0, flags=(NOT_SETTLED,), scatter=0.3))
    (below,) = reported("vertical", setup, vertical.Options(), (ground, records[1])).parts[0].results
    assert below.remarks == tuple(f"ground line: {remark}" for remark in moved.remarks)
    assert below.statement is not None
    assert below.statement.u > 5 * still.statement.u


def test_parts_of_one_title_are_numbered_and_one_whose_title_begins_like_another_is_not() -> None:
    setup = remote(a_setup())
    titles = ("Pulse response", "Pulse", "Pulse response", "Pulse", "Pulse response")
    parts = [{"name": str(n), "use": "pulse", "title": title} for n, title in enumerate(titles)]
    header = {"run": "r", "program": "test", "started": AT, "setup": setup.to_header(), "parts": parts}
    report = summarise(Contents(header=header, records=(), withdrawn=(), events=(), parts={}, closed_at=AT))
    assert [part.title for part in report.parts] == [
        "Pulse response", "Pulse", "Pulse response (2)", "Pulse (2)", "Pulse response (3)",
    ]  # fmt: skip
