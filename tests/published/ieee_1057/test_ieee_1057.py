"""Sine-fit vectors after IEEE Std 1057 (and IEC 60748-4-3): the method is from memory, the vectors are recomputed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.analysis.sine_fit import fit_sine, fit_sine_frequency

# Exact values of 1.5·cos(2πk/8) + 2·sin(2πk/8) + 0.25, printed to ten decimals: half a unit of the last is 5e-11.
EIGHT = (1.75, 2.7248737342, 2.25, 0.6035533906, -1.25, -2.2248737342, -1.75, -0.1035533906)
HALF_A_DIGIT = 5e-11


def test_three_parameters_of_eight_samples():
    fit = fit_sine(np.arange(8) / 8, EIGHT, frequency_hz=1.0)
    assert fit.cos == pytest.approx(1.5, abs=HALF_A_DIGIT)
    assert fit.sin == pytest.approx(2.0, abs=HALF_A_DIGIT)
    assert fit.offset == pytest.approx(0.25, abs=HALF_A_DIGIT)
    assert fit.amplitude == pytest.approx(2.5, abs=HALF_A_DIGIT)
    assert fit.phase_rad == pytest.approx(math.atan2(1.5, 2.0), abs=HALF_A_DIGIT)
    # Rejected: half the peak-to-peak of the samples, which miss the peaks by up to 1 − cos(π/8).
    assert np.ptp(EIGHT) / 2 == pytest.approx(2.4749, abs=5e-5)


def test_normal_equations_give_the_same():
    # The standard's own matrix form, x = (DᵀD)⁻¹Dᵀy, by numpy.
    phase = 2 * np.pi * np.arange(8) / 8
    d = np.column_stack((np.cos(phase), np.sin(phase), np.ones(8)))
    by_normal_equations = np.linalg.solve(d.T @ d, d.T @ np.array(EIGHT))
    fit = fit_sine(np.arange(8) / 8, EIGHT, frequency_hz=1.0)
    assert (fit.cos, fit.sin, fit.offset) == pytest.approx(tuple(by_normal_equations), abs=1e-13)


def test_four_parameters_from_a_start_a_fifth_of_a_cycle_off():
    t_s = np.arange(10_000) / 10e3
    y = 2 * np.sin(2 * np.pi * 100 * t_s + 1) + 0.2
    fit = fit_sine_frequency(t_s, y, frequency_hz=100.2)
    assert (fit.amplitude, fit.frequency_hz, fit.phase_rad, fit.offset) == pytest.approx((2, 100, 1, 0.2), abs=1e-9)
    # Rejected: three parameters at the start's frequency lose 1 − sinc(0.2) = 6.45 % of the amplitude.
    assert fit_sine(t_s, y, frequency_hz=100.2).amplitude / 2 == pytest.approx(np.sinc(0.2), abs=2e-3)


def test_four_parameters_against_scipy_curve_fit():
    from scipy.optimize import curve_fit

    random = np.random.default_rng(1057)
    t_s = np.arange(600) / 600
    y = 1.3 * np.sin(2 * np.pi * 8.2 * t_s + 0.4) - 0.1 + 0.02 * random.standard_normal(600)
    by_scipy, covariance = curve_fit(
        lambda t, a, f, p, c: a * np.sin(2 * np.pi * f * t + p) + c,
        t_s,
        y,
        p0=(1.3, 8.2, 0.4, 0),
        xtol=1e-13,
        ftol=1e-13,
    )
    fit = fit_sine_frequency(t_s, y, frequency_hz=8.0)
    ours = (fit.amplitude, fit.frequency_hz, fit.phase_rad, fit.offset)
    assert ours == pytest.approx(tuple(by_scipy), rel=1e-6)
    assert (fit.u_amplitude, fit.u_frequency_hz) == pytest.approx(tuple(np.sqrt(np.diag(covariance))[:2]), rel=1e-4)


def test_worst_peak_loss_of_a_sampled_sine():
    # 1 − cos(π/n) with n samples a period: 29.289 %, 4.894 %, 1.231 % (recomputed); the fit loses nothing.
    for n, loss_percent in ((4, 29.289), (10, 4.894), (20, 1.231)):
        t_s = np.arange(40 * n) / n
        v = np.cos(2 * np.pi * t_s - math.pi / n)
        assert 100 * (1 - v.max()) == pytest.approx(loss_percent, abs=5e-4)
        assert fit_sine(t_s, v, frequency_hz=1.0).amplitude == pytest.approx(1.0, abs=1e-12)
