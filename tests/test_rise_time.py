"""The source's rise time removed, with limits that hold over pairs of shapes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from harness.errors import AnalysisError
from sequences.pulse.rise_time import (
    removal_error,
    remove_source,
)

SAMPLES, INTERVAL = 1 << 14, 0.004
FREQUENCY = np.fft.rfftfreq(SAMPLES, INTERVAL)


def response(shape, f3):
    """Complex response on FREQUENCY; none of these formulas is used by the code under test."""
    match shape[:2]:
        case "rc":
            return 1 / (1 + 1j * FREQUENCY / f3) ** int(shape[2:])
        case "ga":
            return np.exp(-math.log(2) / 2 * (FREQUENCY / f3) ** 2)
        case "bu":
            return signal.freqs(*signal.butter(int(shape[2:]), 1, analog=True), FREQUENCY / f3)[1]
        case "be":
            return signal.freqs(*signal.bessel(int(shape[2:]), 1, analog=True, norm="mag"), FREQUENCY / f3)[1]
        case _:
            return np.sinc(FREQUENCY / f3)  # a straight ramp


def rise(h):
    step = np.cumsum(np.roll(np.fft.irfft(h, SAMPLES), SAMPLES // 2))
    step = (step - step[:1000].mean()) / (step[-1000:].mean() - step[:1000].mean())
    i90 = int(np.argmax(step > 0.9))
    i10 = int(np.flatnonzero(step[:i90] < 0.1)[-1])
    t90 = i90 - 1 + (0.9 - step[i90 - 1]) / (step[i90] - step[i90 - 1])
    t10 = i10 + (0.1 - step[i10]) / (step[i10 + 1] - step[i10])
    return (t90 - t10) * INTERVAL


def of_rise_time(shape, rise_time):
    return response(shape, 0.35 * rise(response(shape, 0.35)) / rise_time)


UNITS = ("rc1", "rc2", "rc3", "gaussian", "bu2", "bu3", "bu4", "be2", "be4")
SOURCES = ("rc1", "rc2", "rc3", "gaussian", "be2", "be4", "ramp")


@pytest.mark.parametrize("ratio", [0.05, 0.1, 0.2, 1 / 3, 0.5, 0.7, 1.0, 1.3])
def test_model_error_stays_within_its_limits_for_all_pairs_of_shapes(ratio):
    sources = [of_rise_time(shape, ratio) for shape in SOURCES]
    errors = []
    for shape in UNITS:
        unit = of_rise_time(shape, 1.0)
        for source in sources:
            removed = math.sqrt(rise(unit * source) ** 2 - ratio**2)
            errors.append((1 - removed) / removed / removal_error(ratio / removed))
    assert max(np.abs(errors)) <= 1.0
    assert max(np.abs(errors)) > 0.25  # limits, not a blanket


def test_uncertainties_propagate_with_their_sensitivities():
    plain = remove_source(5e-9, 3e-9, u_source_rise_time_s=0.2e-9)
    assert plain.rise_time_s == pytest.approx(4e-9)
    source, model = plain.contributions
    assert source.contribution == pytest.approx(-0.2e-9 * 3 / 4)
    assert model.half_width == pytest.approx(4e-9 * removal_error(0.75))
    step = 1e-13
    slope = (remove_source(5e-9, 3e-9 + step).rise_time_s - plain.rise_time_s) / step
    assert source.sensitivity == pytest.approx(slope, rel=1e-3)
    assert model.u == pytest.approx(model.half_width / math.sqrt(3))


@pytest.mark.parametrize(("measured", "source"), [(1e-9, 1e-9), (0.9e-9, 1e-9), (math.nan, 1e-9), (1e-9, math.nan)])
def test_a_source_as_slow_as_the_reading_is_an_error_and_never_nan(measured, source):
    with pytest.raises(AnalysisError):
        remove_source(measured, source)


def test_a_source_that_hides_the_unit_is_an_error():
    with pytest.raises(AnalysisError, match="upper limit"):
        remove_source(1.0e-9, 0.9e-9)
