"""The sine fit against its theoretical limit, against quantising, and under changes that must not matter."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.analysis import record
from harness.analysis.sine_fit import SineFlag, fit_sine, fit_sine_frequency
from harness.errors import AnalysisError

SAMPLES = 1500
EIGHT_BITS = (-128.0, 127.0)


def sine(t_s, *, amplitude=1.0, frequency_hz=1.0, phase_rad=0.0, offset=0.0):
    return amplitude * np.sin(2 * np.pi * frequency_hz * t_s + phase_rad) + offset


def eight_bit_record(random, *, amplitude, frequency_hz, sigma):
    t_s = np.arange(SAMPLES) / SAMPLES
    clean = sine(
        t_s,
        amplitude=amplitude,
        frequency_hz=frequency_hz,
        phase_rad=random.uniform(0, 2 * np.pi),
        offset=random.uniform(-5, 5),
    )
    return t_s, np.clip(np.round(clean + sigma * random.standard_normal(SAMPLES)), *EIGHT_BITS)


@pytest.mark.parametrize("free_frequency", [False, True])
@pytest.mark.parametrize("sigma", [0.3, pytest.param(1.0, marks=pytest.mark.soak)])
def test_eight_bit_fit_has_no_bias_and_stands_at_the_cramer_rao_bound(sigma, free_frequency):
    # Figures to hold: bias ≤ 0.01 %, standard deviation at √(2/M)·σ/A, σ with the quantiser's own lsb²/12 included.
    random = np.random.default_rng(1057)
    errors, stated = [], []
    for _ in range(400):
        amplitude, frequency_hz = 100 + random.uniform(-1, 1), random.uniform(5, 20)
        t_s, codes = eight_bit_record(random, amplitude=amplitude, frequency_hz=frequency_hz, sigma=sigma)
        if free_frequency:
            start_hz = frequency_hz + random.uniform(-0.5, 0.5)
            fit = fit_sine_frequency(t_s, codes, frequency_hz=start_hz, lsb=1.0)
        else:
            fit = fit_sine(t_s, codes, frequency_hz=frequency_hz, lsb=1.0)
        assert fit.flags == frozenset()
        errors.append(fit.amplitude / amplitude - 1)
        stated.append(fit.u_amplitude / amplitude)
    bound = math.sqrt(2 / SAMPLES) * math.hypot(sigma, 1 / math.sqrt(12)) / 100
    assert abs(np.mean(errors)) < 1e-4
    assert np.std(errors) == pytest.approx(bound, rel=0.12)  # 400 records know a deviation to 3.5 %
    assert np.mean(np.abs(errors) < 1.96 * np.array(stated)) == pytest.approx(0.95, abs=0.03)


def test_quantising_without_noise_leaves_the_error_that_theory_gives():
    # The fundamental of a quantised sine: rms lsb·√(lsb/A · 2ζ(3)/π⁴), more samples do not help.
    random = np.random.default_rng(2)
    errors, stated = [], []
    for _ in range(400):
        amplitude, frequency_hz = 100 + random.uniform(-1, 1), random.uniform(5, 20)
        t_s, codes = eight_bit_record(random, amplitude=amplitude, frequency_hz=frequency_hz, sigma=0.0)
        fit = fit_sine(t_s, codes, frequency_hz=frequency_hz, lsb=1.0)
        errors.append(fit.amplitude - amplitude)
        stated.append(fit.u_amplitude)
    theory = math.sqrt(1 / 100 * 2 * 1.2020569 / math.pi**4)
    assert record.sine_quantum(lsb=1.0, sigma=0.0, amplitude=100.0) == pytest.approx(theory, rel=1e-3)
    assert np.std(errors) == pytest.approx(theory, rel=0.1)
    assert np.mean(np.abs(errors) < 1.96 * np.array(stated)) >= 0.95


def test_peak_to_peak_reads_high_where_the_fit_does_not():
    # Rejected way: the peak-to-peak of a noisy record is some 2 % high at one LSB of noise, and grows with its length.
    random = np.random.default_rng(3)
    t_s, codes = eight_bit_record(random, amplitude=100.0, frequency_hz=11.3, sigma=1.0)
    fit = fit_sine(t_s, codes, frequency_hz=11.3, lsb=1.0)
    assert np.ptp(codes) / 200 - 1 > 0.01
    assert fit.amplitude_pp / 200 - 1 == pytest.approx(0.0, abs=0.0012)


def test_frequency_uncertainty_covers():
    random = np.random.default_rng(4)
    t_s = np.arange(400) / 400
    z = []
    for _ in range(300):
        f = random.uniform(5, 20)
        v = sine(t_s, frequency_hz=f, phase_rad=random.uniform(0, 6)) + 0.05 * random.standard_normal(400)
        fit = fit_sine_frequency(t_s, v, frequency_hz=f + random.uniform(-0.5, 0.5))
        z.append((fit.frequency_hz - f) / fit.u_frequency_hz)
    assert np.std(z) == pytest.approx(1.0, abs=0.12)
    assert abs(np.mean(z)) < 3 / math.sqrt(300)


@pytest.mark.parametrize("cycles_off", [-0.9, -0.5, 0.0, 0.5, 0.9])
def test_four_parameters_converge_from_almost_a_cycle_off(cycles_off):
    t_s = 0.3 + np.arange(1000) * 1e-4
    v = sine(t_s, amplitude=3.0, frequency_hz=83.7, phase_rad=-2.0, offset=0.4)
    fit = fit_sine_frequency(t_s, v, frequency_hz=83.7 + cycles_off / 0.1)
    assert fit.frequency_hz == pytest.approx(83.7, rel=1e-10)
    assert (fit.amplitude, fit.phase_rad, fit.offset) == pytest.approx((3.0, -2.0, 0.4), abs=1e-7)


@given(
    scale=st.floats(1e-3, 1e3),
    shift=st.floats(-10, 10),
    seconds=st.floats(1e-9, 1e3),
    later=st.floats(-3, 3),
)
@settings(max_examples=50, deadline=None)
def test_scale_shift_and_time_axis_change_only_what_they_should(scale, shift, seconds, later):
    t = np.arange(256) / 256
    v = sine(t, frequency_hz=7.3, phase_rad=0.6) + 0.01 * np.random.default_rng(5).standard_normal(256)
    plain = fit_sine(t, v, frequency_hz=7.3)
    moved = fit_sine((t + later) * seconds, v * scale + shift, frequency_hz=7.3 / seconds)
    assert moved.amplitude == pytest.approx(scale * plain.amplitude, rel=1e-7)
    assert moved.u_amplitude == pytest.approx(scale * plain.u_amplitude, rel=1e-5)
    assert moved.offset == pytest.approx(scale * plain.offset + shift, abs=1e-9 * (1 + scale))
    turned = moved.phase_rad + 2 * np.pi * 7.3 * later - plain.phase_rad
    assert math.remainder(turned, 2 * np.pi) == pytest.approx(0.0, abs=1e-6)


@given(st.floats(1e-9, 1e3))
@settings(max_examples=25, deadline=None)
def test_frequency_scales_with_the_time_axis(seconds):
    t = np.arange(256) / 256
    v = sine(t, frequency_hz=7.3, phase_rad=0.6) + 0.01 * np.random.default_rng(5).standard_normal(256)
    plain = fit_sine_frequency(t, v, frequency_hz=7.0)
    moved = fit_sine_frequency(t * seconds, v, frequency_hz=7.0 / seconds)
    assert moved.frequency_hz * seconds == pytest.approx(plain.frequency_hz, rel=1e-7)
    assert moved.u_frequency_hz * seconds == pytest.approx(plain.u_frequency_hz, rel=1e-4)


def test_a_frequency_error_loses_amplitude_and_the_uncertainty_says_so():
    t_s = np.arange(2000) / 2000
    v = sine(t_s, frequency_hz=200.3)
    fit = fit_sine(t_s, v, frequency_hz=200.4, u_frequency_hz=0.1)
    assert 1 - fit.amplitude == pytest.approx((math.pi * 0.1) ** 2 / 6, rel=0.05)  # 1 − sinc(0.1), equation (4)
    assert fit.u_amplitude > 1 - fit.amplitude


def test_uneven_times_are_fitted_as_they_are():
    random = np.random.default_rng(6)
    t_s = np.sort(random.uniform(0, 1, 300))
    fit = fit_sine(t_s, sine(t_s, amplitude=2.0, frequency_hz=9.1, phase_rad=1.0, offset=-1), frequency_hz=9.1)
    assert (fit.amplitude, fit.phase_rad, fit.offset) == pytest.approx((2.0, 1.0, -1.0), abs=1e-9)


@pytest.mark.parametrize(
    ("peak", "clipped"),
    [(125.4, False), (126.0, True), (127.0, True), (140.0, True)],
    ids=["free", "1 LSB", "end", "over"],
)
def test_clipping_is_an_end_code_or_one_step_from_it(peak, clipped):
    t_s = np.arange(1000) / 1000
    codes = np.clip(np.round(sine(t_s, amplitude=peak, frequency_hz=7.31)), *EIGHT_BITS)
    assert record.is_clipped(codes, full_scale=EIGHT_BITS, lsb=1.0) is clipped


def test_clipping_survives_codes_scaled_to_volts():
    volts = np.arange(-128, 128) * 0.1 + 0.3
    limits = (float(volts[0]), float(volts[-1]))
    assert record.is_clipped(volts[1:2], full_scale=limits, lsb=0.1)
    assert record.is_clipped(volts[-2:-1], full_scale=limits, lsb=0.1)
    assert not record.is_clipped(volts[2:-2], full_scale=limits, lsb=0.1)
    assert not record.is_clipped(volts[1:-1], full_scale=limits)
    assert record.is_clipped(volts[-1:], full_scale=limits)


def test_flags_for_few_cycles_aliases_and_small_coherent_ratios():
    t_s = np.arange(1000) / 1000

    def flags(frequency_hz):
        return fit_sine(t_s, sine(t_s, frequency_hz=frequency_hz), frequency_hz=frequency_hz).flags

    assert flags(4.9) == {SineFlag.FEW_CYCLES}
    assert flags(13.3) == frozenset()
    assert flags(100.0) == {SineFlag.COHERENT}  # ten samples a period, the same ten every period
    assert flags(250.0) == {SineFlag.COHERENT}
    assert flags(103.7) == frozenset()
    assert flags(711.3) == {SineFlag.ALIASED}


def test_a_coherent_record_states_the_error_that_stands_still():
    # Ten samples a period meet the same ten codes; 1/√M would promise 0.008 LSB, the truth is ten times that.
    random = np.random.default_rng(7)
    t_s = np.arange(1500) / 1500
    errors, stated = [], []
    for _ in range(300):
        amplitude = 100 + random.uniform(-1, 1)
        v = np.round(sine(t_s, amplitude=amplitude, frequency_hz=150.0, phase_rad=random.uniform(0, 6.3)))
        fit = fit_sine(t_s, v, frequency_hz=150.0, lsb=1.0)
        errors.append(fit.amplitude - amplitude)
        stated.append(fit.u_amplitude)
    assert np.std(errors) > 8 * math.sqrt(2 / 1500) / math.sqrt(12)
    assert np.mean(np.abs(errors) < 1.96 * np.array(stated)) >= 0.92


def test_noise_dithers_a_steady_level_as_the_series_says():
    # By numerical integration over the level's place between two codes: the mean of the quantised noisy level.
    offsets = (np.arange(400) + 0.5) / 400 - 0.5
    codes = np.arange(-6, 7)
    for sigma in (0.0, 0.1, 0.2, 0.4):
        if sigma == 0.0:
            means = np.round(offsets)
        else:
            edges = np.array([[math.erf((c + 0.5 - x) / (sigma * math.sqrt(2))) for c in codes] for x in offsets])
            means = codes[-1] - 0.5 * (1 + edges[:, :-1]).sum(axis=1)
        error = np.sqrt(np.mean((means - offsets) ** 2))
        assert record.steady_quantum(lsb=1.0, sigma=sigma) == pytest.approx(error, rel=0.01)
    # Rejected: the first harmonic alone, lsb/(√2·π) = 0.225 lsb at no noise, where the truth is lsb/√12 = 0.289.
    assert record.steady_quantum(lsb=1.0, sigma=0.0) == pytest.approx(1 / math.sqrt(12), rel=0.01)


@pytest.mark.parametrize(
    ("t_s", "v", "frequency_hz", "words"),
    [
        ([0, 1, 2], [0, 1, 0], 0.3, "at least 4 samples"),
        ([0, 1, 2, 3, 4], [0, 1, 0, 1], 0.3, "as many times"),
        ([0, 1, 2, 3, 4], [0, 1, math.nan, 1, 0], 0.3, "not numbers"),
        ([0, 1, 1, 3, 4], [0, 1, 0, 1, 0], 0.3, "do not rise"),
        ([0, 1, 2, 3, 4], [0, 1, 0, 1, 0], 0.0, "above zero"),
        ([0, 1, 2, 3, 4], [0, 1, 0, 1, 0], 1.0, "cannot tell"),
        ([0, 1, 2, 3, 4], [0, 1, 0, 1, 0], 0.5, "cannot tell"),
    ],
)
def test_a_record_that_cannot_answer_is_refused(t_s, v, frequency_hz, words):
    with pytest.raises(AnalysisError, match=words):
        fit_sine(t_s, v, frequency_hz=frequency_hz)


def test_no_sine_is_no_frequency():
    with pytest.raises(AnalysisError, match="no sine"):
        fit_sine_frequency(np.arange(100) / 100, np.zeros(100), frequency_hz=7.0)


def test_no_sine_is_an_amplitude_of_zero_with_its_uncertainty():
    fit = fit_sine(np.arange(100) / 100, np.full(100, 3.0), frequency_hz=7.3, lsb=0.1)
    assert fit.amplitude == pytest.approx(0.0, abs=1e-12)
    assert fit.offset == pytest.approx(3.0)
    assert fit.u_amplitude >= math.sqrt(2 / 100) * 0.1 / math.sqrt(12) * 0.99
    assert fit.u_offset > 0
