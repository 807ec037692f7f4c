"""Steady levels, square waves and peak-to-peak: what is stated must cover what is true."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.analysis.amplitude import (
    effective_samples,
    mean_level,
    square_amplitude,
    state_levels,
)
from harness.errors import AnalysisError


def autoregressive(random, size, memory):
    noise = random.standard_normal(size + 200)
    for i in range(1, noise.size):
        noise[i] += memory * noise[i - 1]
    return noise[200:]


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.9])
def test_mean_of_correlated_noise_is_covered(memory):
    random = np.random.default_rng(11)
    errors, stated = [], []
    for _ in range(200):
        level = mean_level(3.0 + autoregressive(random, 1000, memory))
        errors.append(level.value - 3.0)
        stated.append(level.u)
    truth = 1 / (1 - memory) / math.sqrt(1000)  # textbook: the long-run deviation of a first-order process
    assert np.median(stated) == pytest.approx(truth, rel=0.12)
    assert np.mean(np.abs(errors) < 1.96 * np.array(stated)) >= 0.90
    # Rejected: s/√M, which at memory 0.9 states less than a quarter of the truth.
    if memory == 0.9:
        assert math.sqrt(1 / (1 - memory**2) / 1000) / truth < 0.25


@pytest.mark.parametrize("sigma", [0.0, 0.1, 0.2, 0.25, 0.3, 0.5, 1.0])
def test_mean_of_a_quantised_level_is_covered(sigma):
    random = np.random.default_rng(12)
    errors, stated = [], []
    for _ in range(400):
        level_codes = random.uniform(-50, 50)
        level = mean_level(np.round(level_codes + sigma * random.standard_normal(400)), lsb=1.0)
        errors.append(level.value - level_codes)
        stated.append(level.u)
    assert np.mean(np.abs(errors) < 1.96 * np.array(stated)) >= 0.93
    if sigma in {
        0.0,
        1.0,
    }:  # between, two codes alone cannot tell the noise from the place: the step's own error stands
        assert np.sqrt(np.mean(np.square(stated))) < 1.15 * np.std(errors)


def test_a_drift_leaves_few_effective_samples_and_white_noise_nearly_all():
    random = np.random.default_rng(13)
    assert effective_samples(np.linspace(0, 1, 500)) < 10
    assert effective_samples(random.standard_normal(2000)) > 1500
    assert effective_samples(np.full(50, 2.0)) == 50


def test_square_wave_amplitude_is_covered_and_ignores_overshoot():
    random = np.random.default_rng(14)
    t = np.arange(2000) / 2000 * 4
    errors, stated = [], []
    for _ in range(200):
        top, base, phase = 60 + random.uniform(0, 1), -60 + random.uniform(0, 1), random.uniform(0, 1)
        within = np.mod(t + phase, 1)
        wave = np.where(within < 0.5, top, base) + 25 * np.exp(-within / 0.002) * (within < 0.5)
        v = np.round(wave + 0.4 * random.standard_normal(t.size))
        found = square_amplitude(v, lsb=1.0)
        errors.append(found.value - (top - base))
        stated.append(found.u)
    assert abs(np.mean(errors)) < 0.05
    assert np.mean(np.abs(errors) < 1.96 * np.array(stated)) >= 0.9
    # Rejected: the peak-to-peak, which takes overshoot and noise for signal.
    assert np.ptp(v) - (top - base) > 20


@given(scale=st.floats(1e-3, 1e3), shift=st.floats(-100, 100))
@settings(max_examples=40, deadline=None)
def test_levels_scale_and_shift(scale, shift):
    random = np.random.default_rng(15)
    v = np.where(np.arange(400) % 100 < 50, 1.0, -1.0) + 0.01 * random.standard_normal(400)
    plain, moved = state_levels(v), state_levels(v * scale + shift)
    assert moved.high == pytest.approx(plain.high * scale + shift, abs=1e-6 * scale + 1e-10)
    assert moved.low == pytest.approx(plain.low * scale + shift, abs=1e-6 * scale + 1e-10)
    assert moved.u_high == pytest.approx(plain.u_high * scale, rel=1e-5)
    mean, moved_mean = mean_level(v), mean_level(v * scale + shift)
    assert moved_mean.value == pytest.approx(mean.value * scale + shift, abs=1e-10 * (1 + scale))
    assert moved_mean.u == pytest.approx(mean.u * scale, rel=1e-5)


@pytest.mark.parametrize("v", [np.zeros(4), np.zeros((4, 4)), [math.nan] * 20])
def test_unsound_levels_are_refused(v):
    with pytest.raises(AnalysisError):
        mean_level(v)


def test_few_pairs_of_the_correlation_are_those_of_the_whole_of_it():
    """Record by record against the correlation by its definition, summed up to the first pair that is not positive."""
    random = np.random.default_rng(5)
    for smooth in (1, 2, 5, 40, 200):
        record = np.convolve(random.standard_normal(600 + smooth), np.ones(smooth), "valid")
        deviations = record - record.mean()
        lags = [float(deviations[: record.size - lag] @ deviations[lag:]) for lag in range(record.size)]
        pairs = [even + odd for even, odd in zip(lags[::2], lags[1::2], strict=False)]
        ends = next((i for i, pair in enumerate(pairs) if pair <= 0), len(pairs))
        constant = max(1.0, 2 * sum(pairs[:ends]) / lags[0] - 1)
        assert effective_samples(record) == pytest.approx(record.size / min(constant, record.size / 2), rel=1e-9)
