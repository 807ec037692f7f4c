"""Pulse parameters after IEEE Std 181 and IEC 60469 (terms from memory); constants recomputed with scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, signal
from scipy.special import ndtr

from harness.analysis.pulse import measure_pulse
from sequences.pulse.rise_time import remove_source

# Rise time × half-power bandwidth, 10 to 90 %, and overshoot; recomputed with scipy.signal and closed forms.
BUTTERWORTH_2 = (0.341871, 0.0432139)
BUTTERWORTH_4 = (0.387130, 0.1083015)
GAUSSIAN = 0.339624


def after_a_pause(step, *, seconds=12.0, interval=0.00015):
    t = np.arange(0, seconds, interval)
    return np.r_[np.arange(-20000, 0) * interval, t], np.r_[np.zeros(20000), step(t)]


def test_linear_ramp():
    # 0 … 1 over the samples 5 … 15: t10 = 6, t50 = 10, t90 = 14.
    samples = np.arange(31.0)
    pulse = measure_pulse(samples, np.clip((samples - 5) / 10, 0, 1))
    assert (pulse.t10_s, pulse.t50_s, pulse.t90_s) == pytest.approx((6, 10, 14), abs=1e-12)
    assert (pulse.base, pulse.top, pulse.rise_time_s) == pytest.approx((0, 1, 8), abs=1e-12)
    assert pulse.overshoot == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(("order", "published"), [(2, BUTTERWORTH_2), (4, BUTTERWORTH_4)])
def test_butterworth_rise_time_and_overshoot(order, published):
    system = signal.butter(order, 2 * np.pi, analog=True)
    pulse = measure_pulse(*after_a_pause(lambda t: signal.step(system, T=t)[1]))
    assert pulse.rise_time_s == pytest.approx(published[0], abs=5e-7)
    assert pulse.overshoot == pytest.approx(published[1], abs=5e-8)


def test_single_pole_and_gaussian_rise_time():
    single = measure_pulse(*after_a_pause(lambda t: 1 - np.exp(-2 * np.pi * t)))
    assert single.rise_time_s == pytest.approx(0.349699, abs=5e-7)
    # A Gaussian response exp(−(ln 2/2)(f/f3)²) has an impulse of standard deviation √ln2/(2π·f3).
    sigma = math.sqrt(math.log(2)) / (2 * math.pi)
    gaussian = measure_pulse(*after_a_pause(lambda t: ndtr((t - 2) / sigma)))
    assert gaussian.rise_time_s == pytest.approx(GAUSSIAN, abs=5e-7)
    assert gaussian.overshoot == pytest.approx(0.0, abs=1e-9)


def two_single_poles(ratio):
    """Rise time of two single poles (rise times 1 and ``ratio``) in a row, by root finding on the closed form."""
    a, b = 1 / math.log(9), ratio / math.log(9)

    def at(level):
        return optimize.brentq(
            lambda t: 1 - (a * math.exp(-t / a) - b * math.exp(-t / b)) / (a - b) - level, 0, 20, xtol=1e-14
        )

    return at(0.9) - at(0.1)


def test_squares_are_wrong_for_two_single_poles_by_a_known_amount():
    # Source/unit = 1/3: √(tm² − ts²) is 3.583 % too long (recomputed); the stated limits hold that.
    removed = remove_source(two_single_poles(1 / 3), 1 / 3)
    assert 100 * (removed.rise_time_s - 1) == pytest.approx(3.583, abs=5e-4)
    assert abs(removed.rise_time_s - 1) < removed.contributions[-1].half_width
    # Rejected: not removing the source at all.
    assert two_single_poles(1 / 3) > 1.08


def test_squares_are_wrong_for_a_butterworth_and_a_gaussian_by_a_known_amount():
    # Butterworth-4 unit, Gaussian edge of a third of its rise time: −1.899 % (recomputed by convolution here).
    interval = 2e-4
    system = signal.butter(4, 2 * np.pi * BUTTERWORTH_4[0], analog=True)
    t = np.arange(0, 12, interval)
    _, step = signal.step(system, T=t)
    edge_sigma = 1 / 3 / (2 * 1.2815515655446004)
    kernel_t = np.arange(-1, 1 + interval / 2, interval)
    kernel = np.exp(-((kernel_t / edge_sigma) ** 2) / 2)
    v = signal.fftconvolve(np.r_[np.zeros(20000), step, np.ones(80000)], kernel / kernel.sum(), mode="valid")
    pulse = measure_pulse(np.arange(v.size) * interval, v)
    removed = remove_source(pulse.rise_time_s, 1 / 3)
    assert 100 * (removed.rise_time_s - 1) == pytest.approx(-1.899, abs=5e-4)
    assert abs(removed.rise_time_s - 1) < removed.contributions[-1].half_width
