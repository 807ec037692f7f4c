"""NIST StRD linear regression "Norris" (NIST/ITL Statistical Reference Datasets, certified to 15 digits).

Norris.dat is kept verbatim, as the scipy wheel carries it (scipy/stats/tests/data/nist_linregress/Norris.dat).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.analysis.line_fit import straight_line, straight_line_shared

LINES = (Path(__file__).parent / "Norris.dat").read_text(encoding="ascii").splitlines()
Y, X = np.array([[float(field) for field in line.split()] for line in LINES[60:96]]).T
# Certified to 15 digits; data with numbers up to 1000 keep 12 of them in double precision.
RELATIVE = 1e-12


def certified(label: str) -> list[float]:
    row = next(line for line in LINES[30:46] if line.strip().startswith(label))
    return [float(field) for field in row.split() if field[0] in "-0123456789"]


def test_coefficients_and_their_standard_deviations():
    fit = straight_line(X, Y)
    (b0, s0), (b1, s1) = certified("B0"), certified("B1")
    assert (b0, s0) == (-0.262323073774029, 0.232818234301152)
    assert fit.intercept == pytest.approx(b0, rel=RELATIVE)
    assert fit.u_intercept == pytest.approx(s0, rel=RELATIVE)
    assert fit.slope == pytest.approx(b1, rel=RELATIVE)
    assert fit.u_slope == pytest.approx(s1, rel=RELATIVE)


def test_residual_standard_deviation():
    fit = straight_line(X, Y)
    assert fit.s == pytest.approx(0.884796396144373, rel=RELATIVE)
    assert fit.dof == 34


def test_equal_weights_change_nothing():
    plain, weighted = straight_line(X, Y), straight_line(X, Y, 0.25)
    for name in ("intercept", "slope", "u_intercept", "u_slope"):
        assert getattr(weighted, name) == pytest.approx(getattr(plain, name), rel=RELATIVE)


def test_scatter_beyond_the_stated_uncertainties_gives_the_certified_ones():
    # The certified standard deviations come from the scatter: whatever smaller uncertainty is stated, they come out.
    fit = straight_line_shared(X, Y, np.full(X.size, 0.5), np.empty((0, X.size)))
    (b0, s0), (b1, s1) = certified("B0"), certified("B1")
    assert (fit.own.intercept, fit.own.slope) == (pytest.approx(b0, rel=1e-10), pytest.approx(b1, rel=RELATIVE))
    assert (fit.own.u_intercept, fit.u_slope) == (pytest.approx(s0, rel=1e-10), pytest.approx(s1, rel=1e-10))
    assert fit.birge == pytest.approx(0.884796396144373 / 0.5, rel=RELATIVE)
