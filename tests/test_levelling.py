"""Corrections of the level at the unit's input: signs, sensitivities, limits that hold, and what is refused."""

from __future__ import annotations

import cmath
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import AnalysisError
from harness.steps import Measure, Reading, Sine, View
from sequences.bandwidth.wanted import Wanted
from sequences.levelling.corrections import (
    Termination,
    combine,
    drift_correction,
    droop_db,
    droop_slope_db,
    response_correction,
    rise_db,
    termination_correction,
)
from sequences.levelling.sine import LEVEL, level_table
from sequences.levelling.table import LevelPoint, LevelTable, interpolate
from tests.helpers.setups import a_reference, a_setup

FLATNESS = a_reference(
    flatness=[
        {"frequency": 1e6, "db": 0.0, "u": 0.02},
        {"frequency": 10e6, "db": -0.05, "u": 0.03},
        {"frequency": 100e6, "db": -0.30, "u": 0.06},
    ]
)


TERMINATED = Termination(termination_tolerance_ohm=0.5, capacitance_tolerance_f=2e-12)


def stated(bandwidth_hz, shape="unknown"):
    return a_reference(bandwidth=bandwidth_hz, bandwidth_is="stated", shape=shape)


def at_least(bandwidth_hz):
    return a_reference(bandwidth=bandwidth_hz)


def line(correction, name):
    (found,) = (part for part in correction.contributions if name in part.name)
    return found


def test_a_reference_that_reads_low_means_a_level_that_is_high():
    at_10 = response_correction(FLATNESS, 10e6)
    assert at_10.correction_db == pytest.approx(0.05)
    assert at_10.u_db == pytest.approx(0.015)
    assert response_correction(stated(100e6), 20e6).correction_db > 0


def test_flatness_is_interpolated_in_ln_f_with_what_a_bend_may_hide():
    between = response_correction(FLATNESS, math.sqrt(10e6 * 100e6))
    assert between.correction_db == pytest.approx(0.175)
    assert line(between, "certificate").u == pytest.approx((0.015 + 0.03) / 2)
    # The parabola through the three points lies 0.2/8 dB off the straight line half-way.
    assert line(between, "interpolation").half_width == pytest.approx(0.025)
    assert line(response_correction(FLATNESS, 10e6), "interpolation").half_width == pytest.approx(0.0, abs=1e-12)


def test_only_what_differs_from_the_reference_frequency_counts():
    for response in (FLATNESS, stated(150e6), at_least(150e6)):
        same = response_correction(response, 10e6, reference_frequency_hz=10e6)
        assert same.correction_db == pytest.approx(0.0, abs=1e-12)
    assert response_correction(FLATNESS, 100e6, reference_frequency_hz=10e6).correction_db == pytest.approx(0.25)


@given(ratio=st.floats(0.01, 0.99), shape=st.sampled_from(["single_pole", "gaussian"]))
def test_unknown_shape_holds_either_and_at_least_holds_flat_to_single_pole(ratio, shape):
    unknown = response_correction(stated(1e8), ratio * 1e8)
    assert abs(droop_db(ratio, shape) - unknown.correction_db) <= line(unknown, "shape").half_width + 1e-12
    least = response_correction(at_least(1e8), ratio * 1e8)
    half_width = line(least, "at least").half_width
    assert least.correction_db - half_width == pytest.approx(0.0, abs=1e-12)
    assert least.correction_db + half_width == pytest.approx(droop_db(ratio, "single_pole"))


@pytest.mark.parametrize("overshoot", [0.05, 0.09, 0.2])
def test_a_peak_is_that_of_a_second_order_response(overshoot):
    """Circuit theory: the step overshoots by exp(-pi zeta/sqrt(1 - zeta^2)); half power is found by bisection."""
    zeta = -math.log(overshoot) / math.hypot(math.pi, math.log(overshoot))

    def level_db(f):
        return -10 * math.log10((1 - f**2) ** 2 + (2 * zeta * f) ** 2)

    low, high = 0.5, 3.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if level_db(middle) > -10 * math.log10(2) else (low, middle)
    peak_at = math.sqrt(1 - 2 * zeta**2)
    for part in (0.1, 0.3, 0.6, 1.0):
        assert rise_db(part * peak_at / low, level_db(peak_at)) == pytest.approx(level_db(part * peak_at), abs=1e-9)
    assert rise_db(0.99, level_db(peak_at)) == pytest.approx(level_db(peak_at))  # held from there on
    if overshoot == 0.09:
        assert level_db(peak_at) == pytest.approx(0.3, abs=0.005)


def test_a_reference_that_states_no_peaking_is_allowed_some_and_one_that_has_none_none():
    silent, flat = at_least(1e8), at_least(1e8).model_copy(update={"peaking": 0.0})
    assert line(response_correction(silent, 30e6), "peaking").half_width == pytest.approx(rise_db(0.3, 0.3))
    assert not [each for each in response_correction(flat, 30e6).contributions if "peaking" in each.name]


@pytest.mark.parametrize("shape", ["single_pole", "gaussian"])
def test_tolerance_of_the_bandwidth_uses_the_slope(shape):
    step = 1e-6
    slope = (droop_db(0.3 * (1 + step), shape) - droop_db(0.3 * (1 - step), shape)) / (2 * step)
    assert droop_slope_db(0.3, shape) == pytest.approx(slope, rel=1e-6)
    known = response_correction(stated(1e8, shape), 30e6)
    assert known.correction_db == pytest.approx(droop_db(0.3, shape))
    assert known.u_db == pytest.approx(0.1 * slope / math.sqrt(3), rel=1e-6)


@given(scale=st.floats(1e-3, 1e3), ratio=st.floats(0.01, 0.9))
@settings(max_examples=30)
def test_frequency_axis_scales(scale, ratio):
    plain = response_correction(stated(1e8), ratio * 1e8)
    scaled = response_correction(stated(1e8 * scale), ratio * 1e8 * scale)
    assert scaled.correction_db == pytest.approx(plain.correction_db)
    assert scaled.u_db == pytest.approx(plain.u_db)


def test_termination_against_complex_circuit_theory_and_its_sensitivities():
    def gain_db(f, r, c, *, r_in=1e6, source=50.0):
        y = 1 / r + 1 / r_in + 2j * cmath.pi * f * c
        return 20 * math.log10(2 * abs((1 / y) / (1 / y + source)))

    t = Termination(termination_tolerance_ohm=0.5, capacitance_tolerance_f=5e-12)
    for f in (0.0, 1e6, 50e6, 100e6, 400e6):
        correction = termination_correction(t, f)
        assert correction.correction_db == pytest.approx(gain_db(f, 50, 20e-12), abs=1e-12)
        by_ohm = (gain_db(f, 50.001, 20e-12) - gain_db(f, 49.999, 20e-12)) / 0.002
        by_farad = (gain_db(f, 50, 20.001e-12) - gain_db(f, 50, 19.999e-12)) / 0.002e-12
        assert line(correction, "termination").sensitivity == pytest.approx(by_ohm, rel=1e-6)
        assert line(correction, "capacitance").sensitivity == pytest.approx(by_farad, rel=1e-5, abs=1e6)
    with_nothing = termination_correction(Termination(input_capacitance_f=0.0), 1e9)
    assert with_nothing.correction_db == pytest.approx(gain_db(0, 50, 0))


def test_drift_holds_no_change_and_every_change_seen():
    one = drift_correction([0.06])
    assert one.correction_db == pytest.approx(0.03)
    assert one.u_db == pytest.approx(0.03 / math.sqrt(3))
    several = drift_correction([-0.02, 0.04])
    half_width = several.contributions[0].half_width
    assert several.correction_db == pytest.approx(0.01)
    for change in (0.0, -0.02, 0.04):
        assert abs(change - several.correction_db) <= half_width + 1e-15
    with pytest.raises(AnalysisError, match="at least one check"):
        drift_correction([])


def test_corrections_add_and_keep_their_lines():
    parts = (response_correction(FLATNESS, 50e6), termination_correction(TERMINATED, 9e7), drift_correction([0.02]))
    total = combine(*parts)
    assert total.correction_db == pytest.approx(sum(part.correction_db for part in parts))
    assert total.u_db == pytest.approx(math.hypot(*(part.u_db for part in parts)))
    assert len(total.contributions) == sum(len(part.contributions) for part in parts)


POINTS = tuple(
    LevelPoint(frequency_hz=f, level_db=db, u_db=u, dof=dof)
    for f, db, u, dof in ((1e6, 0.0, 0.01, 4), (4e6, 0.2, 0.02, 9), (16e6, 0.3, 0.03, 9))
)


def test_table_weighs_the_scatter_of_its_neighbours_and_of_the_base():
    level = LevelTable(points=POINTS, base_hz=1e6).level(8e6)
    assert level.correction_db == pytest.approx(0.25)
    lines = [part for part in level.contributions if part.contribution and "readings" in part.name]
    assert [part.contribution for part in lines] == pytest.approx([0.01, 0.015, -0.01])
    assert [part.dof for part in lines] == [9, 9, 4]


@pytest.mark.parametrize("base_hz", [1e6, 4e6, 16e6])
@pytest.mark.parametrize("frequency_hz", [1e6, 1.7e6, 4e6, 5e6, 16e6])
def test_the_table_is_as_uncertain_as_differences_of_readings_are(base_hz, frequency_hz):
    # Two hundred tables read anew: the scatter of what they say is what the lines say (a fact of addition, GUM 5.1).
    rng = np.random.default_rng(31)
    frequencies = [point.frequency_hz for point in POINTS]
    said = []
    for _ in range(2000):
        read = {p.frequency_hz: p.level_db + rng.normal(0, p.u_db) for p in POINTS}
        said.append(
            np.interp(math.log(frequency_hz), np.log(frequencies), [read[f] - read[base_hz] for f in frequencies])
        )
    lines = LevelTable(points=POINTS, base_hz=base_hz).level(frequency_hz).contributions
    u_db = math.hypot(*(line.contribution for line in lines if "readings" in line.name))
    assert u_db == pytest.approx(np.std(said), rel=0.05, abs=1e-12)


def test_rounding_is_not_divided_by_the_number_of_readings_of_one_level():
    # A still level rounds to the same number every time (0.1 div, no scatter): what is left is q/(√2 π), docs (12).
    setup = a_setup(reference={"bandwidth": "1 GHz", "resolution": "0.1 div", "scatter": "0 div", "read": "eye"})
    wanted = Wanted(path="terminated", level_path="terminated", max_hz=100e6)
    step = Measure(
        purpose=LEVEL, path="terminated", source="generator", stimulus=Sine(level_vpp=0.6, frequency_hz=50e3),
        display="reference", view=View(channel=1, volts_per_div=0.1, s_per_div=1e-5), quantity="peak_to_peak",
    )  # fmt: skip
    steps = [replace(step, stimulus=Sine(level_vpp=0.6, frequency_hz=f)) for f in (50e3, 1e6, 1e8)]
    u_db = []
    for repeats in (2, 50):
        table = level_table(setup, wanted, [(each, Reading(value=6.0)) for each in steps for _ in range(repeats)])
        u_db.append(table.points[1].u_db)
    assert u_db == pytest.approx([20 / math.log(10) * 0.1 / (math.sqrt(2) * math.pi) / 6.0] * 2, rel=0.15)
    # And each level is the difference of two such readings.
    assert table.level(1e6).u_db == pytest.approx(math.sqrt(2) * u_db[1])


@pytest.mark.parametrize("per_decade", [3, 5, 10])
def test_interpolation_stays_within_its_limits_on_levels_like_a_generators(per_decade):
    # A cable's square-root loss, a single pole and a slow standing wave; none is a straight line in ln f.
    def level_db(f):
        return -0.3 * np.sqrt(f / 1e8) - 10 * np.log10(1 + (f / 4e8) ** 2) + 0.05 * np.sin(1.2 * np.log(f))

    table_f = list(10 ** np.linspace(5, 8, 3 * per_decade + 1))
    held, widths = [], []
    for f in 10 ** np.linspace(5, 8, 400):
        found = interpolate(
            table_f, list(level_db(np.array(table_f))), min(max(f, table_f[0]), table_f[-1]), table="table"
        )
        held.append(abs(found.value - level_db(f)) <= found.bend + 1e-9)
        widths.append(found.bend)
    assert np.mean(held) >= 0.94  # the lowest, at three a decade; 98 % at five, all at ten
    assert max(widths) < 0.05 * (3 / per_decade) ** 2 * 2


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: response_correction(FLATNESS, 0.5e6), "lies outside"),
        (lambda: response_correction(FLATNESS, 101e6), "lies outside"),
        (lambda: response_correction(stated(1e8), 1e8), "its shape decides"),
        (lambda: response_correction(at_least(1e8), 1.2e8), "its shape decides"),
        (lambda: response_correction(FLATNESS.model_copy(update={"flatness": FLATNESS.flatness[:1]}), 1e6), "two f"),
        (lambda: response_correction(FLATNESS.model_copy(update={"flatness": FLATNESS.flatness[::-1]}), 1e7), "must"),
        (lambda: LevelTable(points=(), base_hz=1e6), "two frequencies"),
    ],
)
def test_what_cannot_be_corrected_is_refused(call, words):
    with pytest.raises(AnalysisError, match=words):
        call()
