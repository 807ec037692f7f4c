"""EA-4/02 M:2022, supplement S9: a hand-held multimeter at 100 V DC. Model from memory, figures as published.

Inputs: standard U = 0.002 V (k = 2); resolution of the display ±0.05 V and the calibrator ±0.011 V, both rectangular.
Printed: u = 0.030 V, k = 1.65, E = (0.10 ± 0.05) V at 95 %.
"""

from __future__ import annotations

import math

import pytest

from harness.analysis.estimate import Budget, expanded, rectangular, state
from harness.analysis.rounding import format_value_u

S9 = Budget(
    quantity="error of indication",
    unit="V",
    estimate=100.1 - 100.0,
    contributions=(
        expanded("calibrator, certificate", expanded=0.002, unit="V", value=100.0, sensitivity=-1.0),
        rectangular("multimeter, resolution", half_width=0.05, unit="V"),
        rectangular("calibrator, drift and influences", half_width=0.011, unit="V", sensitivity=-1.0),
    ),
)


def test_standard_uncertainties_as_printed():
    certificate, display, drift = S9.contributions
    assert certificate.u == pytest.approx(0.001, abs=0.0005)
    assert display.u == pytest.approx(0.029, abs=0.0005)
    assert drift.u == pytest.approx(0.0064, abs=0.00005)
    assert S9.u == pytest.approx(0.030, abs=0.0005)
    assert S9.u == pytest.approx(0.0295748, abs=5e-8)  # recomputed


def test_statement_is_by_the_exact_distribution():
    s = state(S9, 0.95)
    assert s.method == "convolution"
    assert s.expanded == pytest.approx(0.050560, abs=5e-7)  # recomputed by exact convolution
    assert s.k == pytest.approx(1.7096, abs=5e-5)
    assert s.expanded == pytest.approx(0.05, abs=0.005)  # printed
    assert format_value_u(s.estimate, s.expanded, "V", digits=1) == "(0.10 ± 0.05) V"


def test_printed_factor_is_that_of_the_rectangle_alone():
    # Accepted by the supplement: k = 0.95·√3 = 1.65, as if nothing but the display mattered. U agrees as printed …
    k = 0.95 * math.sqrt(3.0)
    assert k == pytest.approx(1.65, abs=0.005)
    assert format_value_u(0.1, k * S9.u, "V", digits=1) == "(0.10 ± 0.05) V"
    # … but it covers less than 95 %, and the exact factor is not 1.65.
    covered = S9.probability_between(S9.estimate - k * S9.u, S9.estimate + k * S9.u)
    assert 0.91 < covered < 0.9495
    assert state(S9, 0.95).k != pytest.approx(1.65, abs=0.005)


def test_rejected_normal_factor_overstates():
    assert S9.expanded(0.95) == pytest.approx(0.0580, abs=5e-5)  # 1.96 u: rejected
    assert S9.probability_between(S9.estimate - S9.expanded(0.95), S9.estimate + S9.expanded(0.95)) > 0.995
