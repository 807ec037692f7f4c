"""The response from the reference on: where a scan reads it, and that no crossing is called the lowest without one."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from harness.models import Setup
from harness.report.model import PartResult, Report
from harness.report.plots import response_picture
from sequences.bandwidth import steps as bandwidth
from sequences.bandwidth.response import half_power
from sequences.bandwidth.response_model import HALF_POWER_DB, ReadingModel, ResponsePlan, ResponseReading
from sequences.bandwidth.response_scan import scan_of
from sequences.bandwidth.search import Ask, next_request
from sequences.bandwidth.wanted import Wanted
from tests.helpers.played import played, remote, reported, single_pole
from tests.helpers.setups import a_setup

RATED_HZ = 100e6
PLAN = ResponsePlan(
    rated_hz=RATED_HZ, reference_hz=50e3, min_hz=50e3, max_hz=250e6, deflection_div=6.0, target_rel=0.003, scan=True,
    reader=ReadingModel(resolution_div=1 / 32, scatter_div=0.0, relative=0.003),
)  # fmt: skip


def searched(gain_db: Callable[[float], float], plan: ResponsePlan = PLAN, seed: int = 1) -> list[ResponseReading]:
    """The readings of one search; the gain is in dB against hertz."""
    rng, readings = np.random.default_rng(seed), []
    while isinstance(ask := next_request(readings, plan), Ask):
        shown = 6.0 * 10.0 ** ((ask.level_db + gain_db(ask.frequency_hz)) / 20.0) * (1.0 + 0.003 * rng.normal())
        readings.append(
            ResponseReading(
                frequency_hz=ask.frequency_hz,
                deflection_div=round(shown * 32.0) / 32.0,
                level_db=ask.level_db,
                purpose=ask.purpose,
                replaces=ask.replaces,
            )
        )
    return readings


def gaussian_db(hz: float, f3_hz: float = 130e6) -> float:
    return -HALF_POWER_DB * (hz / f3_hz) ** 2


def dipped(at_hz: float, depth_db: float, width: float) -> Callable[[float], float]:
    """A Gaussian response with a dip that is Gaussian in ln f, `width` its standard deviation."""
    return lambda hz: gaussian_db(hz) - depth_db * math.exp(-0.5 * (math.log(hz / at_hz) / width) ** 2)


def first_crossing_hz(gain_db: Callable[[float], float]) -> tuple[float, float]:
    """Where a response first falls to half power, and over what factor in frequency it stays below."""
    grid = np.geomspace(1e5, 400e6, 20000)
    below = np.array([gain_db(f) < -HALF_POWER_DB for f in grid])
    first = int(np.argmax(below))
    back = first + int(np.argmin(below[first:])) if not below[first:].all() else grid.size - 1
    return float(grid[first]), float(grid[back] / grid[first])


# --- the scan ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reference_hz", [1.0, 1e3, 50e3, 1e6])
@pytest.mark.parametrize("max_readings", [80, 40])
def test_a_scan_takes_half_of_the_readings_at_most_and_begins_at_the_reference(
    reference_hz: float, max_readings: int
) -> None:
    plan = replace(PLAN, reference_hz=reference_hz, min_hz=reference_hz, max_hz=1e9, max_readings=max_readings)
    far, near = scan_of(plan)
    until_fallen = [x for x in near if x <= math.log(2.5 * RATED_HZ)]
    assert len(far) + len(until_fallen) <= max_readings / 2
    places = [math.log(reference_hz), *far, *near]
    assert max(b - a for a, b in pairwise(places)) <= math.log(10.0)
    assert any(math.isclose(x, math.log(RATED_HZ)) for x in near)


@pytest.mark.parametrize("max_hz", [60e3, 5e6, 50e6])
def test_a_generator_that_ends_far_below_the_rating_is_scanned_to_its_end(max_hz: float) -> None:
    plan = replace(PLAN, max_hz=max_hz)
    readings = searched(gaussian_db, plan)
    assert max(r.frequency_hz for r in readings) == max_hz
    assert half_power(readings, plan).status == "above_generator"


def test_a_scanned_search_ends_with_a_value_within_its_readings() -> None:
    plan = replace(PLAN, max_readings=50)
    readings = searched(gaussian_db, plan)
    assert len(readings) < 50
    assert half_power(readings, plan).frequency_hz == pytest.approx(130e6, rel=0.01)


def test_a_scan_is_at_the_level_that_the_screen_holds() -> None:
    """The reference is shown half as high again: lowered once, the scan stays lowered."""
    readings = searched(lambda hz: gaussian_db(hz) + 3.5)
    assert sum(r.deflection_div > 8.0 for r in readings) == 1


def test_a_dip_whose_bottom_lies_between_two_readings_is_read_there() -> None:
    """Both readings beside the bottom are above half power; the bottom is half a dB below it."""
    middle_hz = RATED_HZ * 10.0**-0.25
    gain_db = dipped(middle_hz, 3.0, 0.13)
    beside = [gain_db(RATED_HZ * 10.0**-n) for n in (0.2, 0.3)]
    assert min(beside) > -HALF_POWER_DB
    assert gain_db(middle_hz) < -HALF_POWER_DB - 0.4
    result = half_power(searched(gain_db), PLAN)
    first_hz, _ = first_crossing_hz(gain_db)
    assert result.status == "several_crossings"
    assert result.frequency_hz == pytest.approx(first_hz, rel=0.03)


# --- what may be said of a crossing ------------------------------------------------------------------------------


def test_only_with_a_scan_is_a_crossing_called_the_lowest() -> None:
    for scan, code in ((True, "lowest"), (False, "a_crossing")):
        plan = replace(PLAN, scan=scan)
        result = half_power(searched(gaussian_db, plan), plan)
        assert result.lowest is scan
        assert [flag.code for flag in result.flags] == [code]


def test_no_dip_is_passed_over_that_the_claim_says_would_have_been_seen() -> None:
    """Dips anywhere below the crossing: one that is passed over by a "lowest" stays below for less than is said."""
    chance, wide, passed_over = random.Random(5), 0, 0
    for seed in range(40):
        gain_db = dipped(
            RATED_HZ * math.exp(chance.uniform(-1.8, 0.1)), chance.uniform(3.5, 7.0), chance.uniform(0.05, 0.3)
        )
        first_hz, factor = first_crossing_hz(gain_db)
        if not 1.1 < factor < 10.0:  # so shallow that noise decides, or one with the roll-off
            continue
        result = half_power(searched(gain_db, seed=seed), PLAN)
        missed = result.frequency_hz is not None and result.frequency_hz > first_hz * 1.05
        passed_over += missed
        wide += factor > 1.3
        assert not (missed and result.lowest and factor > 1.3)
    assert wide >= 15
    assert passed_over <= 4


def test_without_a_scan_a_dip_is_passed_over_and_nothing_is_claimed() -> None:
    plan, gain_db = replace(PLAN, scan=False), dipped(20e6, 6.0, 0.1)
    result = half_power(searched(gain_db, plan), plan)
    assert result.frequency_hz == pytest.approx(130e6, rel=0.02)
    assert not result.lowest
    (flag,) = result.flags
    assert flag.sentence == (
        "A half-power frequency below it is not excluded: between 50 kHz and 100 MHz nothing was read."
    )


# --- in a run and its report -------------------------------------------------------------------------------------


def report_of(setup: Setup, **options: object) -> Report:
    chosen = bandwidth.Options.model_validate({"channels": (1,), "termination": "included", **options})
    return reported("bandwidth", setup, chosen, played(bandwidth, setup, chosen, single_pole(setup, 50e6)))


def flatness(part: PartResult, report: Report) -> tuple[str, str]:
    (found,) = (h for h in report.checklist if h.title == "Flatness below the bandwidth")
    return found.coverage, found.by


def test_a_scan_is_taken_where_it_costs_nobodys_time() -> None:
    by_eye, of_itself = a_setup(), remote(a_setup())
    assert Wanted.from_options({}, of_itself).scan
    assert not Wanted.from_options({"scan": False}, of_itself).scan
    assert not Wanted.from_options({}, by_eye).scan
    generator = of_itself.bench.generator.model_copy(update={"driver": "manual"})
    dialled = replace(of_itself, bench=of_itself.bench.model_copy(update={"generator": generator}))
    assert not Wanted.from_options({}, dialled).scan


def test_a_report_says_of_which_frequency_it_states_conformity() -> None:
    by_eye, of_itself = report_of(a_setup()), report_of(remote(a_setup()))
    (read,), (followed,) = by_eye.parts[0].results, of_itself.parts[0].results
    assert (read.word, followed.word) == ("pass", "pass")
    assert read.sentence.startswith("Channel 1: a half-power frequency is ")
    assert read.sentence.endswith("Rated 40 MHz: pass, as far as it was read.")
    assert "lowest" not in read.sentence
    assert followed.sentence.startswith("Channel 1: the lowest half-power frequency is ")
    assert followed.sentence.endswith("Rated 40 MHz: pass.")


def test_flatness_is_covered_where_the_response_was_followed() -> None:
    by_eye, of_itself = report_of(a_setup()), report_of(remote(a_setup()))
    assert flatness(by_eye.parts[0], by_eye)[0] == "not in this job"
    assert flatness(of_itself.parts[0], of_itself)[0] == "covered"


def test_a_picture_shows_the_response_from_the_reference_on_where_it_was_followed() -> None:
    by_eye, of_itself = report_of(a_setup()), report_of(remote(a_setup()))
    for report, whole in ((by_eye, False), (of_itself, True)):
        (result,) = report.parts[0].results
        picture, curve = response_picture(report, result, key="r"), result.curve
        assert curve is not None
        assert (min(curve.band.frequency_hz) <= 50e3 * 1.001) is whole
        assert ("10 kHz" in picture.svg or "100 kHz" in picture.svg) is whole
