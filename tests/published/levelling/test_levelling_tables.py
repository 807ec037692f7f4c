"""Levelling, mismatch and termination against tables recomputed from circuit theory, to half of the last digit."""

from __future__ import annotations

import math

import pytest
from scipy import optimize

from harness.analysis.estimate import reflection_of
from sequences.levelling.corrections import (
    Termination,
    droop_db,
    response_correction,
    termination_correction,
)
from sequences.levelling.mismatch import End, mismatch
from tests.helpers.setups import a_reference

REFERENCE_HZ = 100e6

# f/B, single pole, Gaussian, middle, half of the difference (dB); recomputed.
CORRECTIONS = [
    (0.1, 0.043, 0.030, 0.037, 0.007),
    (0.2, 0.170, 0.120, 0.145, 0.025),
    (0.25, 0.263, 0.188, 0.226, 0.038),
    (0.3, 0.374, 0.271, 0.323, 0.052),
    (0.5, 0.969, 0.753, 0.861, 0.108),
]


@pytest.mark.parametrize(("ratio", "single", "gaussian", "middle", "half"), CORRECTIONS)
def test_levelling_table(ratio, single, gaussian, middle, half):
    def correction(shape):
        return response_correction(
            a_reference(bandwidth=REFERENCE_HZ, bandwidth_is="stated", shape=shape), ratio * REFERENCE_HZ
        )

    assert correction("single_pole").correction_db == pytest.approx(single, abs=5e-4)
    assert correction("gaussian").correction_db == pytest.approx(gaussian, abs=5e-4)
    unknown = correction("unknown")
    assert unknown.correction_db == pytest.approx(middle, abs=5e-4)
    assert unknown.contributions[0].half_width == pytest.approx(half, abs=5e-4)
    assert unknown.contributions[0].u == pytest.approx(unknown.contributions[0].half_width / math.sqrt(3))
    least = response_correction(a_reference(bandwidth=REFERENCE_HZ), ratio * REFERENCE_HZ)
    assert 2 * least.correction_db == pytest.approx(single, abs=5e-4)


@pytest.mark.parametrize(
    ("ratio", "single", "gaussian"),
    [(0.1, 0.0432, 0.0301), (0.2, 0.1703, 0.1204), (0.5, 0.9691, 0.7526), (1, 3.0103, 3.0103), (2, 6.9897, 12.0412)],
)
def test_response_table(ratio, single, gaussian):
    assert droop_db(ratio, "single_pole") == pytest.approx(single, abs=5e-5)
    assert droop_db(ratio, "gaussian") == pytest.approx(gaussian, abs=5e-5)


@pytest.mark.parametrize(("times", "correction_db", "found"), [(2, 0.9691, 1.41421), (10, 0.0432, 1.01015)])
def test_a_reference_with_a_roll_off_flatters_the_unit_until_it_is_corrected(times, correction_db, found):
    # Unit and reference of a single pole each, the reference of `times` the frequency.
    reference = a_reference(bandwidth=float(times), bandwidth_is="stated", shape="single_pole")
    assert response_correction(reference, 1.0).correction_db == pytest.approx(correction_db, abs=5e-5)

    def displayed_db(f):  # on the unit, its level held by the reference
        return -10 * math.log10(1 + f**2) + 10 * math.log10(1 + (f / times) ** 2)

    # Rejected: the readings as they are, which find 1.41421 or 1.01015 times the bandwidth.
    uncorrected = optimize.brentq(lambda f: displayed_db(f) + 10 * math.log10(2), 0.5, 1.9)
    assert uncorrected == pytest.approx(found, abs=5e-6)
    corrected = optimize.brentq(
        lambda f: displayed_db(f) - response_correction(reference, f).correction_db + 10 * math.log10(2), 0.5, 1.9
    )
    assert corrected == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("source", "load", "u_percent"),
    [(1.10, 1.10, 0.1603), (1.20, 1.20, 0.5844), (1.50, 1.10, 0.6734), (1.50, 1.50, 2.8284)],
)
def test_mismatch_table(source, load, u_percent):
    # u = |Γs||Γl|/√2, U-shaped (recomputed); in dB by 20/ln 10.
    line = mismatch(source, End(own=reflection_of(load)))
    assert line.distribution == "arcsine"
    assert 100 * line.u * math.log(10) / 20 == pytest.approx(u_percent, abs=5e-5)
    # Rejected: the limits taken as rectangular, which understate the U shape.
    assert line.half_width / math.sqrt(3) < 0.82 * line.u


def test_termination_on_the_input_capacitance():
    # 50 Ω feed-through on 20 pF, from 50 Ω (recomputed, pole at 318.310 MHz): −0.1059 and −0.4088 dB at 50 and 100 MHz.
    terminated = Termination(input_ohm=math.inf)
    assert termination_correction(terminated, 50e6).correction_db == pytest.approx(-0.1059, abs=5e-5)
    assert termination_correction(terminated, 100e6).correction_db == pytest.approx(-0.4088, abs=5e-5)


def test_one_megohm_beside_the_termination_and_no_termination():
    assert Termination().load_ohm == pytest.approx(49.9975, abs=5e-5)
    missing = termination_correction(Termination(termination_ohm=math.inf), 0.0)
    assert 10 ** (missing.correction_db / 20) == pytest.approx(1.9999, abs=5e-5)
