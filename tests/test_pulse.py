"""Pulse parameters on edges whose truth is known, with noise, few samples and quantising."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from harness.analysis.pulse import PulseFlag, measure_pulse
from harness.errors import AnalysisError
from harness.measurement import Screenful
from harness.steps import FastEdge, Measure, View
from sequences.pulse.parameters import TOP_ABERRATION

GAUSSIAN_RISE = 2.5631031310892007  # 10 to 90 % of a Gaussian edge of standard deviation one


def gaussian_edge(t_s, *, rise_time_s=1.0, at_s=0.0):
    return ndtr((t_s - at_s) * GAUSSIAN_RISE / rise_time_s)


@pytest.mark.parametrize("per_rise_time", [5, 10, 50])
@pytest.mark.parametrize("sigma", [0.0, 0.005, 0.02])
def test_stated_uncertainty_covers_noise_and_few_samples(per_rise_time, sigma):
    random = np.random.default_rng(181)
    errors, stated = [], []
    for _ in range(150):
        t_s = np.arange(-10, 10, 1 / per_rise_time) + random.uniform(0, 1 / per_rise_time)
        pulse = measure_pulse(t_s, gaussian_edge(t_s) + sigma * random.standard_normal(t_s.size))
        errors.append(pulse.rise_time_s - 1)
        stated.append(pulse.u_rise_time_s)
    assert np.mean(np.abs(errors) < 1.96 * np.array(stated)) >= 0.92
    assert np.mean(stated) < 0.021 + 3.4 * sigma  # and is not bought with width


def test_the_stated_uncertainty_of_a_rise_time_is_no_more_than_a_third_above_its_scatter():
    random = np.random.default_rng(60)
    found = []
    for _ in range(300):
        t_s = np.arange(-10, 10, 0.1) + random.uniform(0, 0.1)
        found.append(measure_pulse(t_s, gaussian_edge(t_s) + 0.01 * random.standard_normal(t_s.size)))
    ratio = np.mean([pulse.u_rise_time_s for pulse in found]) / np.std([pulse.rise_time_s for pulse in found])
    assert 1.0 <= ratio <= 1.35


def test_noise_does_not_pull_the_crossings_together():
    # Rejected: the crossings nearest the middle alone read some 8 % short on a slow, noisy edge.
    random = np.random.default_rng(4)
    t_s = np.arange(-5, 5, 0.005)
    ours, nearest = [], []
    for _ in range(60):
        v = gaussian_edge(t_s) + 0.02 * random.standard_normal(t_s.size)
        ours.append(measure_pulse(t_s, v).rise_time_s)
        last_below = t_s[np.flatnonzero(v < 0.1)].max()
        first_above = t_s[np.flatnonzero(v > 0.9)].min()
        nearest.append(first_above - last_below)
    assert np.mean(nearest) < 0.93
    assert np.mean(ours) == pytest.approx(1.0, abs=0.02)


@given(
    scale=st.floats(1e-3, 1e3),
    shift=st.floats(-100, 100),
    seconds=st.floats(1e-10, 1e2),
    falling=st.booleans(),
)
@settings(max_examples=50, deadline=None)
def test_scale_shift_time_axis_and_sign_change_only_what_they_should(scale, shift, seconds, falling):
    t = np.arange(-8, 12, 0.05)
    v = gaussian_edge(t) + 0.06 * np.exp(-((t - 1.2) ** 2) / 0.1) - 0.03 * np.exp(-((t + 1.5) ** 2) / 0.1)
    plain = measure_pulse(t, v)
    moved = measure_pulse(t * seconds, (-v if falling else v) * scale + shift)
    assert moved.edge == ("falling" if falling else "rising")
    assert moved.rise_time_s == pytest.approx(plain.rise_time_s * seconds, rel=1e-6)
    assert moved.amplitude == pytest.approx(scale * plain.amplitude, rel=1e-6)
    assert moved.base == pytest.approx(shift - scale if falling else shift, abs=1e-4 * scale)
    assert moved.overshoot == pytest.approx(plain.overshoot, abs=1e-5)
    assert moved.u_rise_time_s == pytest.approx(plain.u_rise_time_s * seconds, rel=1e-4)


def test_the_uncertainty_of_the_states_counts_as_a_share_of_the_amplitude():
    """Noise and all, a pulse of 0.2 V is one of 1 V seen five times as large."""
    t_s = np.arange(-10, 10, 0.1)
    v = gaussian_edge(t_s) + 0.02 * np.random.default_rng(8).standard_normal(t_s.size)
    one, fifth = measure_pulse(t_s, v), measure_pulse(t_s, 0.2 * v)
    assert fifth.u_rise_time_s == pytest.approx(one.u_rise_time_s, rel=1e-9)


def test_overshoot_is_that_put_in():
    t = np.arange(-20, 30, 0.02)
    v = gaussian_edge(t)
    v = (
        v
        + 0.08 * np.exp(-((t - 2) ** 2) / 0.1)
        - 0.05 * np.exp(-((t - 3.5) ** 2) / 0.1)
        - 0.03 * np.exp(-((t + 4) ** 2) / 0.1)
    )
    pulse = measure_pulse(t, v + np.where(t > 20, 0.01, 0.0))
    assert pulse.overshoot == pytest.approx(0.08, abs=1e-3)
    assert pulse.rise_time_s == pytest.approx(1.0, abs=1e-3)
    assert pulse.flags == frozenset()


def test_an_eight_bit_square_wave_gives_either_edge_and_stays_within_its_own_half_period():
    t = np.arange(0, 40, 0.05)
    clean = sum(sign * gaussian_edge(t, at_s=at) for sign, at in ((1, 5), (-1, 15), (1, 25), (-1, 35)))
    spike = 0.3 * np.exp(-((t - 7) ** 2) / 0.05)
    v = np.round(200 * (clean + spike) - 100)
    rising = measure_pulse(t, v, lsb=1.0)
    falling = measure_pulse(t, v, edge="falling", lsb=1.0)
    assert (rising.edge, falling.edge) == ("rising", "falling")
    assert (rising.base, rising.top) == pytest.approx((-100, 100), abs=0.3)
    assert (rising.t50_s, falling.t50_s) == pytest.approx((5, 15), abs=0.01)
    assert rising.overshoot == pytest.approx(0.3, abs=0.005)
    assert falling.overshoot < 0.005


def test_flags_tell_what_not_to_trust():
    t = np.arange(-8, 8, 0.35)
    assert PulseFlag.FEW_ON_EDGE in measure_pulse(t, gaussian_edge(t)).flags
    t = np.arange(-8, 3, 0.02)
    short = measure_pulse(t, gaussian_edge(t))
    assert PulseFlag.SHORT_TOP in short.flags
    noisy = gaussian_edge(t) + 0.02 * np.random.default_rng(1).standard_normal(t.size)
    assert PulseFlag.NOISE in measure_pulse(t, noisy).flags


@pytest.mark.parametrize(
    ("v", "words"),
    [
        (np.zeros(100), "one level only"),
        (np.r_[np.zeros(95), np.ones(5)], "fewer than 8 samples"),
        (np.r_[np.zeros(50), np.full(50, math.inf)], "not numbers"),
        (np.r_[np.ones(50), np.zeros(50)], "no whole rising edge"),
    ],
)
def test_a_record_without_the_edge_is_refused(v, words):
    with pytest.raises(AnalysisError, match=words):
        measure_pulse(np.arange(100.0), v, edge="rising")


# The top, from five rise times after the edge to where it ends --------------------------------------------------------


def departure(*parts, samples=1000):
    """The departure of a top that is made of levels, each from a sample on; one division is 0.1 V, the rest is base."""
    volts = np.zeros(samples)
    for start, level in parts:
        volts[start:] = 0.5 * level
    volts[199:202] = 0.5 * np.array([0.25, 0.5, 0.75])  # the edge: from 10 to 90 % it takes some 3 samples
    screen = Screenful(interval_s=1e-8, low_v=-0.2, high_v=0.6, volts_per_div=0.1, s_per_div=1e-6)
    step = Measure(
        purpose="test", path="lead", source="calibrator", stimulus=FastEdge(level_vpp=0.5, frequency_hz=1e5),
        display="unit", view=View(channel=1, volts_per_div=0.1, s_per_div=1e-6), quantity=TOP_ABERRATION.name,
    )  # fmt: skip
    return TOP_ABERRATION.from_record(step, volts, screen, None).value


@pytest.mark.parametrize("level", [0.97, 1.03])
def test_the_top_is_as_far_off_as_it_is_farthest_either_way(level):
    assert departure((202, 1.0), (500, level), (520, 1.0)) == pytest.approx(0.03, abs=1e-3)


def test_what_rings_within_five_rise_times_of_the_edge_is_not_the_top():
    assert departure((202, 1.06), (206, 1.0), (500, 1.02), (520, 1.0)) == pytest.approx(0.02, abs=1e-3)
    assert departure((202, 1.0), (222, 1.06), (226, 1.0)) == pytest.approx(0.06, abs=1e-3)


def test_a_top_ends_where_it_first_falls():
    """What comes after, a second pulse that is 8 % too high, is another top."""
    first = ((202, 1.0), (450, 1.03), (460, 1.0), (600, 0.0))
    assert departure(*first, (700, 1.0), (720, 1.08), (740, 1.0), (850, 0.0)) == pytest.approx(0.03, abs=1e-3)


def test_a_record_that_ends_before_the_top_has_settled_shows_none_of_it():
    with pytest.raises(AnalysisError, match="use a slower sweep"):
        departure((202, 1.0), samples=214)
