"""GTC (GUM Tree Calculator, Measurement Standards Laboratory of New Zealand) as an oracle: the GUM by another hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from GTC import cos, type_a, type_b, ureal

from harness.analysis.estimate import Budget, arcsine, expanded, normal, rectangular, repeated, triangular
from harness.analysis.line_fit import straight_line_shared

# The tool's own kind of point: 6 div at 1 V/div from 6.000 V, in volts.
POINT = Budget(
    quantity="indicated voltage",
    unit="V",
    estimate=6.1,
    contributions=(
        rectangular("calibrator, accuracy", half_width=0.25e-2 * 6.0, unit="V"),
        expanded("calibrator, certificate", expanded=0.1e-2 * 6.0, unit="V"),
        triangular("two edges read to 0.1 div", half_width=0.1, unit="div", sensitivity=1.0),
        normal("scatter of five readings", u=0.03 / math.sqrt(5.0), dof=4, unit="div", sensitivity=1.0),
    ),
)


def test_point_budget():
    y = (
        ureal(0.0, type_b.uniform(0.25e-2 * 6.0))
        + ureal(0.0, 0.1e-2 * 6.0 / 2.0)
        + ureal(6.1, type_b.triangular(0.1))
        + ureal(0.0, 0.03 / math.sqrt(5.0), 4)
    )
    assert pytest.approx(y.u, rel=1e-12) == POINT.u
    assert pytest.approx(y.df, rel=1e-9) == POINT.dof_eff
    # Recomputed: u = 43.939 mV, ν_eff = 460.2.
    assert pytest.approx(0.043939, abs=5e-7) == POINT.u
    assert pytest.approx(460.2, abs=0.05) == POINT.dof_eff


def test_u_shaped_line():
    line = arcsine("mismatch", half_width=0.04)
    assert line.u == pytest.approx(type_b.arcsine(0.04), rel=1e-12)


def test_readings_and_sensitivities():
    readings = (1.02, 0.98, 1.01, 1.00, 1.03, 0.99)
    x = type_a.estimate(readings)
    z = ureal(2.0, 0.03, 7)
    y = 3.0 * x - 0.5 * z
    b = Budget(
        quantity="y",
        unit="V",
        estimate=3.0 * math.fsum(readings) / 6.0 - 1.0,
        contributions=(repeated("x", readings, sensitivity=3.0), normal("z", u=0.03, dof=7, sensitivity=-0.5)),
    )
    assert b.estimate == pytest.approx(y.x, rel=1e-12)
    assert b.u == pytest.approx(y.u, rel=1e-12)
    assert b.dof_eff == pytest.approx(y.df, rel=1e-9)


def test_correlated_readings():
    # GUM H.2, its resistance.
    volts, amperes = (5.007, 4.994, 5.005, 4.990, 4.999), (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
    radians = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)
    v, i, phi = type_a.multi_estimate_real([volts, amperes, radians])
    y = v * cos(phi) / i
    b = Budget(
        quantity="R",
        unit="Ω",
        estimate=y.x,
        contributions=(
            repeated("V", volts, sensitivity=y.x / v.x),
            repeated("I", amperes, sensitivity=-y.x / i.x),
            repeated("phi", radians, sensitivity=-y.x * math.tan(phi.x)),
        ),
        correlations=(
            ("V", "I", _correlation(volts, amperes)),
            ("V", "phi", _correlation(volts, radians)),
            ("I", "phi", _correlation(amperes, radians)),
        ),
    )
    assert b.u == pytest.approx(y.u, rel=1e-9)
    assert b.dof_eff == pytest.approx(y.df, rel=1e-6)


def _correlation(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    mean_a, mean_b = math.fsum(a) / len(a), math.fsum(b) / len(b)
    cross = math.fsum((x - mean_a) * (y - mean_b) for x, y in zip(a, b, strict=True))
    return cross / math.sqrt(math.fsum((x - mean_a) ** 2 for x in a) * math.fsum((y - mean_b) ** 2 for y in b))


def test_a_line_through_results_that_share_a_standard():
    years, values, own = (-2.0, -1.0, 0.5, 1.5, 2.5), (0.1, 0.3, 0.35, 0.8, 0.7), (0.1, 0.15, 0.1, 0.2, 0.12)
    old, new = (0.2, 0.2, 0.0, 0.0, 0.0), (0.0, 0.0, 0.25, 0.3, 0.25)  # one certificate, then the next
    stated = [math.sqrt(a * a + b * b + c * c) for a, b, c in zip(own, old, new, strict=True)]
    first, second = ureal(0.0, 1.0), ureal(0.0, 1.0)
    ys = [ureal(y, a) + b * first + c * second for y, a, b, c in zip(values, own, old, new, strict=True)]
    theirs = type_b.line_fit_wls(years, ys, stated)
    ours = straight_line_shared(years, values, stated, np.array([old, new]))
    assert ours.excess == 0.0
    assert (ours.own.intercept, ours.own.slope) == pytest.approx((theirs.a_b[0].x, theirs.a_b[1].x), rel=1e-12)
    assert ours.u_at(0.0) == pytest.approx(theirs.a_b[0].u, rel=1e-9)
    assert ours.u_slope == pytest.approx(theirs.a_b[1].u, rel=1e-9)
    assert ours.u_at(6.0) == pytest.approx((theirs.a_b[0] + 6.0 * theirs.a_b[1]).u, rel=1e-9)
