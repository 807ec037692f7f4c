"""From samples to divisions: levels from the ground line, heights of square waves and sines, made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from harness.measurement import Aliased, Screenful
from harness.steps import Dc, Measure, Sine, Square, View
from sequences.deflection import DEFLECTION, PEAK_TO_PEAK

VIEW = View(channel=1, volts_per_div=0.1, s_per_div=1e-4)
SCREEN = Screenful(interval_s=1e-6, low_v=-0.4, high_v=0.4, volts_per_div=0.1, s_per_div=1e-4)
N = 1000  # samples: 1 ms, ten divisions
AT_S = np.arange(N) * SCREEN.interval_s
NOISE = np.random.default_rng(1).standard_normal(N)


def step(stimulus, quantity) -> Measure:
    return Measure(
        purpose="test", path="lead", source="generator", stimulus=stimulus, display="unit", view=VIEW,
        quantity=quantity.name,
    )  # fmt: skip


def read(quantity, stimulus, volts, screen=SCREEN):
    return quantity.from_record(step(stimulus, quantity), volts, screen, None)


def test_a_level_counts_from_the_ground_line_and_has_the_scatter_of_its_mean():
    screen = Screenful(interval_s=1e-6, low_v=-0.1, high_v=0.7, volts_per_div=0.1, s_per_div=1e-4, ground_v=0.05)
    reading = read(DEFLECTION, Dc(level_v=0.6), 0.65 + 0.01 * NOISE, screen)
    assert reading.value == pytest.approx(6.0, abs=4 * 0.1 / np.sqrt(N))
    assert reading.scatter == pytest.approx(0.1 / np.sqrt(N), rel=0.15)  # s/√n, in div


def test_the_height_of_a_square_wave_is_from_state_to_state():
    high = np.sin(2 * np.pi * 5e3 * AT_S + 0.1) > 0
    reading = read(PEAK_TO_PEAK, Square(level_vpp=0.6, frequency_hz=5e3), np.where(high, 0.55, -0.05))
    assert reading.value == pytest.approx(6.0, abs=1e-9)


@pytest.mark.parametrize(("true_hz", "fitted"), [(10e3, False), (10e3 * (1 + 1e-5), False), (10.3e3, True)])
def test_the_height_of_a_sine_does_not_depend_on_a_time_base_that_is_off(true_hz, fitted):
    """A frequency that the record contradicts is fitted: at 0.3 cycles off the amplitude would be 14 % low."""
    reading = read(PEAK_TO_PEAK, Sine(frequency_hz=10e3, level_vpp=0.6), 0.3 * np.sin(2 * np.pi * true_hz * AT_S + 0.3))
    assert reading.value == pytest.approx(6.0, rel=2e-4)
    assert ("frequency fitted" in reading.flags) is fitted


def test_noise_on_a_sine_is_told_in_divisions_and_is_no_reason_to_doubt_its_frequency():
    quiet, loud = (
        read(PEAK_TO_PEAK, Sine(frequency_hz=10e3, level_vpp=0.6), 0.3 * np.sin(2 * np.pi * 10e3 * AT_S) + by * NOISE)
        for by in (1e-3, 2e-3)
    )
    assert quiet.more["noise_div"] == pytest.approx(0.01, rel=0.1)
    assert loud.more["noise_div"] == pytest.approx(2 * quiet.more["noise_div"], rel=1e-3)
    assert "frequency fitted" not in quiet.flags
    # u of the amplitude σ√(2/n), and twice that from peak to peak (IEEE 1057, from memory).
    assert quiet.scatter == pytest.approx(2 * 0.01 * np.sqrt(2 / N), rel=0.15)


def test_less_than_two_samples_and_a_half_a_period_is_another_sine_folded_down():
    wave = Sine(frequency_hz=401e3, level_vpp=0.6)
    with pytest.raises(Aliased, match="faster sweep"):
        read(PEAK_TO_PEAK, wave, 0.3 * np.sin(2 * np.pi * 401e3 * AT_S))
    below = Sine(frequency_hz=399e3, level_vpp=0.6)
    assert read(PEAK_TO_PEAK, below, 0.3 * np.sin(2 * np.pi * 399e3 * AT_S)).value == pytest.approx(6.0, rel=1e-6)
