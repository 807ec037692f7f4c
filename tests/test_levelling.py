"""Corrections of the level at the unit's input: signs, sensitivities, limits that hold, and what is refused."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import AnalysisError
from sequences.bandwidth.level_table import LevelPoint, LevelTable, interpolate
from sequences.bandwidth.levelling import (
    Termination,
    combine,
    drift_correction,
    droop_db,
    droop_slope_db,
    mismatch,
    response_correction,
    termination_correction,
)
from tests.helpers.setups import a_reference

FLATNESS = a_reference(
    flatness=[
        {"frequency": 1e6, "db": 0.0, "u": 0.02},
        {"frequency": 10e6, "db": -0.05, "u": 0.03},
        {"frequency": 100e6, "db": -0.30, "u": 0.06},
    ]
)


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
    parts = (response_correction(FLATNESS, 50e6), mismatch(1.2, 1.1), drift_correction([0.02]))
    total = combine(*parts)
    assert total.correction_db == pytest.approx(sum(part.correction_db for part in parts))
    assert total.u_db == pytest.approx(math.hypot(*(part.u_db for part in parts)))
    assert len(total.contributions) == sum(len(part.contributions) for part in parts)


def test_table_weighs_the_scatter_of_its_neighbours():
    table = LevelTable(
        points=(
            LevelPoint(frequency_hz=1e6, level_db=0.0, u_db=0.01, dof=4),
            LevelPoint(frequency_hz=4e6, level_db=0.2, u_db=0.02, dof=9),
        )
    )
    level = table.level(2e6)
    assert level.correction_db == pytest.approx(0.1)
    assert level.u_db == pytest.approx(math.hypot(0.5 * 0.01, 0.5 * 0.02))
    assert [part.dof for part in level.contributions] == [4, 9, math.inf]
    for point in table.points:
        assert table.level(point.frequency_hz).correction_db == pytest.approx(point.level_db)
        assert table.level(point.frequency_hz).u_db == pytest.approx(point.u_db)


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
        (lambda: LevelTable(points=()), "two frequencies"),
        (lambda: mismatch(0.9, 1.1), "1 or more"),
    ],
)
def test_what_cannot_be_corrected_is_refused(call, words):
    with pytest.raises(AnalysisError, match=words):
        call()
