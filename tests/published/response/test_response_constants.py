"""Constants of responses, recomputed with scipy.signal, and the half-power frequency found from them.

Sources: closed forms of the filters (S. Butterworth, Wireless Engineer 7, 1930; any text on filter design), computed
here by scipy.signal; "2.8 of 4 divisions" is common practice. Tolerance: half a unit of the last digit given.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import scipy.signal

from harness.quantities import db, ratio_of_db
from harness.sim.response import Bell, Pole, ResonantPair, Transfer, transfer
from sequences.bandwidth.response import half_power
from sequences.bandwidth.response_model import HALF_POWER_DB, ReadingModel, ResponsePlan, ResponseReading

Gain = Callable[[float], float]


def single_pole_db(r: float) -> float:
    return -10.0 * math.log10(1.0 + r * r)


def gaussian_db(r: float) -> float:
    return -HALF_POWER_DB * r * r


def butterworth_db(order: int) -> Gain:
    b, a = scipy.signal.butter(order, 1.0, analog=True)

    def gain(r: float) -> float:
        return float(20.0 * np.log10(np.abs(scipy.signal.freqs(b, a, [r])[1][0])))

    return gain


FAMILIES: dict[str, Gain] = {
    "single pole": single_pole_db,
    "Gaussian": gaussian_db,
    "Butterworth 2": butterworth_db(2),
    "Butterworth 4": butterworth_db(4),
}


def test_half_power_is_not_minus_3_db() -> None:
    assert pytest.approx(3.010300, abs=5e-7) == HALF_POWER_DB
    assert ratio_of_db(-3.0) == pytest.approx(0.7079458, abs=5e-8)
    assert 100.0 * (ratio_of_db(-3.0) * ratio_of_db(HALF_POWER_DB) - 1.0) == pytest.approx(0.1187, abs=5e-5)


@pytest.mark.parametrize(
    ("full_div", "half_power_div"),
    [(8, 5.65685), (6, 4.24264), (5, 3.53553), (4, 2.82843), (3, 2.12132), (2, 1.41421)],
)
def test_half_power_in_divisions(full_div: int, half_power_div: float) -> None:
    """The "2.8 of 4" of common practice, to more digits."""
    assert full_div * ratio_of_db(-HALF_POWER_DB) == pytest.approx(half_power_div, abs=5e-6)


@pytest.mark.parametrize(
    ("section", "expected_db"),
    [
        (Pole(1.0), (-0.0432, -0.1703, -0.9691, -3.0103, -6.9897, -20.0432)),
        (Bell(1.0), (-0.0301, -0.1204, -0.7526, -3.0103, -12.0412, -301.03)),
        (ResonantPair(1.0, math.sqrt(0.5)), (-0.0004, -0.0069, -0.2633, -3.0103, -12.3045, -40.0004)),  # Butterworth 2
    ],
)
def test_responses_at_table_frequencies(section: Transfer, expected_db: tuple[float, ...]) -> None:
    """What the simulated bench is built of."""
    for ratio, expected in zip((0.1, 0.2, 0.5, 1.0, 2.0, 10.0), expected_db, strict=True):
        digits = 5e-3 if abs(expected) > 100 else 5e-5
        assert db(abs(transfer((section,), ratio))) == pytest.approx(expected, abs=digits)


def exact_readings(gain: Gain, f3_hz: float, drop_db: float = HALF_POWER_DB) -> list[ResponseReading]:
    """Readings without error, four of them within 2 % of the crossing of the drop."""
    low, high = 1e-3, 10.0
    for _ in range(80):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if gain(middle) > -drop_db else (low, middle)
    near = [low * r for r in (0.6, 0.9, 0.98, 0.995, 1.005, 1.02, 1.1)]
    readings = [ResponseReading(frequency_hz=1e3, deflection_div=6.0, purpose="reference")]
    return readings + [
        ResponseReading(frequency_hz=f3_hz * r, deflection_div=6.0 * 10.0 ** (gain(r) / 20.0)) for r in near
    ]


PLAN = ResponsePlan(
    rated_hz=100e6,
    reference_hz=1e3,
    min_hz=1e3,
    max_hz=1e9,
    deflection_div=6.0,
    reader=ReadingModel(resolution_div=0.0, scatter_div=1e-4),
)


@pytest.mark.parametrize("name", FAMILIES)
def test_the_crossing_of_an_exact_response_is_found(name: str) -> None:
    result = half_power(exact_readings(FAMILIES[name], 123e6), PLAN)
    assert result.status == "found"
    assert result.frequency_hz == pytest.approx(123e6, rel=5e-6)


@pytest.mark.parametrize(
    ("name", "slope_db_per_ln"), [("single pole", 4.34), ("Gaussian", 6.02), ("Butterworth 2", 8.69)]
)
def test_slope_at_half_power(name: str, slope_db_per_ln: float) -> None:
    """Slopes in dB per ln f: 10/ln 10, 2·3.0103, 20/ln 10."""
    result = half_power(exact_readings(FAMILIES[name], 123e6), PLAN)
    assert result.slope_db_per_ln == pytest.approx(-slope_db_per_ln, abs=5e-3)


@pytest.mark.parametrize(
    ("name", "percent"),
    [("single pole", 1.9901), ("Gaussian", 1.4355), ("Butterworth 2", 0.9950), ("Butterworth 4", 0.4975)],
)
def test_sensitivity_to_amplitude(name: str, percent: float) -> None:
    """d(ln f3) for d(ln amplitude) = ln 1.01, from the reference read a little high and a little low."""
    readings = exact_readings(FAMILIES[name], 100e6)
    log_f = []
    for factor in (0.9999, 1.0001):
        reference = ResponseReading(frequency_hz=1e3, deflection_div=6.0 * factor, purpose="reference")
        result = half_power([reference, *readings[1:]], PLAN)
        assert result.frequency_hz is not None
        log_f.append(math.log(result.frequency_hz))
    per_neper = (log_f[0] - log_f[1]) / math.log(1.0001 / 0.9999)
    assert 100.0 * per_neper * math.log(1.01) == pytest.approx(percent, abs=1e-4)


@pytest.mark.parametrize(("name", "percent"), [("single pole", 102.020), ("Gaussian", 101.447)])
def test_a_threshold_of_4_2_of_6_divisions_is_another_frequency(name: str, percent: float) -> None:
    drop_db = 20.0 * math.log10(6.0 / 4.2)
    readings = exact_readings(FAMILIES[name], 100e6, drop_db)
    plan = ResponsePlan(
        rated_hz=100e6, reference_hz=1e3, min_hz=1e3, max_hz=1e9, deflection_div=6.0, reader=PLAN.reader,
        drop_db=drop_db,
    )  # fmt: skip
    result = half_power(readings, plan)
    assert result.frequency_hz == pytest.approx(percent * 1e6, abs=5e-4 * 1e6)


@pytest.mark.parametrize(("multiple", "found"), [(2.0, 1.41421), (10.0, 1.01015)])
def test_levelling_on_a_rolling_reference_flatters_the_unit(multiple: float, found: float) -> None:
    """Single pole measured against a single-pole reference of N times the frequency."""

    def flattered(r: float) -> float:
        return single_pole_db(r) - single_pole_db(r / multiple)

    result = half_power(exact_readings(flattered, 100e6), PLAN)
    assert result.frequency_hz == pytest.approx(100e6 * found, abs=5e-6 * 100e6)
