"""NIST Statistical Reference Datasets, univariate summary statistics, NumAcc1 to NumAcc4 (values from memory).

Made to break sums of squares: a standard deviation of 0.1 beside a mean of ten million. Certified: mean and standard
deviation exact. The project's estimate of repeated readings must carry them to the precision of the data.
"""

import math

import pytest

from harness.analysis.estimate import repeated


def alternating(middle: float) -> list[float]:
    """The dataset's form: one middle value, then 500 pairs a tenth below and a tenth above."""
    return [middle] + [round(middle - 0.1, 1), round(middle + 0.1, 1)] * 500


@pytest.mark.parametrize(
    ("readings", "mean", "deviation", "digits"),
    [
        ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 1e-14),
        (alternating(1.2), 1.2, 0.1, 1e-13),
        (alternating(1000000.2), 1000000.2, 0.1, 1e-8),  # the data themselves hold the tenth to 1e-9 in binary
        (alternating(10000000.2), 10000000.2, 0.1, 1e-7),
    ],
)
def test_mean_and_standard_deviation(readings, mean, deviation, digits):
    line = repeated("repeats", readings)
    assert line.value == pytest.approx(mean, rel=1e-15)
    assert line.u * math.sqrt(len(readings)) == pytest.approx(deviation, rel=digits)
    assert line.dof == len(readings) - 1


def test_the_textbook_sum_of_squares_is_the_rejected_way():
    readings = alternating(10000000.2)
    n = len(readings)
    textbook = (sum(x * x for x in readings) - sum(readings) ** 2 / n) / (n - 1)
    ours = repeated("repeats", readings).u ** 2 * n
    assert ours == pytest.approx(0.01, rel=2e-7)
    assert textbook != pytest.approx(ours, rel=0.01)
