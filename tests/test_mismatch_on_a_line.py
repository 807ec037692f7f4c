"""A source that is not matched, and inputs with a capacitance: against the physics of a line, and for coverage."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from harness.analysis.estimate import Budget, normal, state
from harness.models import Setup
from harness.sim.response import Line
from sequences.bandwidth.wanted import Wanted
from sequences.levelling.corrections import Termination
from sequences.levelling.mismatch import end_of, mismatch, mismatch_through_one_line
from sequences.levelling.sine import held_at, method_of
from tests.helpers.setups import a_setup

HZ, REFERENCE_HZ, UNIT_F, LEVELLER_F = 118e6, 50e3, 20e-12, 14e-12


def behind_50_ohm(farad: float, **more: float) -> Termination:
    return Termination(input_capacitance_f=farad, input_ohm=math.inf, **more)


def test_an_input_beside_its_termination_reflects_more_the_higher_the_frequency():
    # Textbook, (Z − Z₀)/(Z + Z₀) of 50 Ω beside 20 pF: 0.348 at 118 MHz, a standing-wave ratio of 2.07.
    size = abs(behind_50_ohm(UNIT_F).reflection(HZ))
    assert size == pytest.approx(0.348, abs=5e-4)
    assert (1 + size) / (1 - size) == pytest.approx(2.07, abs=5e-3)
    assert abs(behind_50_ohm(UNIT_F).reflection(0.0)) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("of", ["ohm", "farad"])
def test_the_reflection_is_known_as_well_as_what_makes_it(of):
    terminated = behind_50_ohm(UNIT_F, termination_tolerance_ohm=0.5, capacitance_tolerance_f=2e-12)
    moved = behind_50_ohm(UNIT_F + 1e-15) if of == "farad" else behind_50_ohm(UNIT_F, termination_ohm=50.001)
    change = abs(moved.reflection(HZ) - terminated.reflection(HZ))
    limits = change * (2e-12 / 1e-15 if of == "farad" else 0.5 / 0.001)
    assert terminated.u_reflection(HZ)[of == "farad"] == pytest.approx(limits / math.sqrt(3), rel=1e-3)


def test_what_a_source_of_1_5_makes_of_two_inputs():
    # 20 pF and 14 pF at 118 MHz, recomputed: 0.43 and 0.31 dB by themselves, 0.124 dB through one and the same line.
    unit, leveller = (end_of(behind_50_ohm(farad), HZ, 1.0) for farad in (UNIT_F, LEVELLER_F))
    assert mismatch(1.5, unit).u == pytest.approx(0.43, abs=5e-3)
    assert mismatch(1.5, leveller).u == pytest.approx(0.31, abs=5e-3)
    assert mismatch_through_one_line(1.5, unit, leveller).u == pytest.approx(0.124, abs=5e-4)
    assert mismatch_through_one_line(1.5, unit, unit).u == 0.0


def test_the_simulated_line_is_the_one_of_the_textbook():
    # V = V₊ (1 + Γl)/(1 − Γs Γl e^(−2jωτ)), the source giving V₊ = 1/2 (IEEE and every textbook of lines; from memory).
    for ohm, delay_s in ((75.0, 3e-9), (50 / 1.5, 7.7e-9), (50.0, 5e-9)):
        line = Line(50.0, delay_s, ohm, 50.0, UNIT_F)
        y = 1 / 50 + 2j * math.pi * HZ * UNIT_F
        at_load, at_source = (1 / 50 - y) / (1 / 50 + y), (ohm - 50) / (ohm + 50)
        turned = np.exp(-4j * math.pi * HZ * delay_s)
        assert abs(line(HZ)) == pytest.approx(abs((1 + at_load) / 2 / (1 - at_source * at_load * turned)))


def bench(vswr: float | None, **path: float) -> Setup:
    """A source, a faster scope of 14 pF known to be flat, and a unit of 20 pF; two lines that end alike."""
    flat = [{"frequency": f, "db": "0 dB", "u": "0 dB"} for f in ("10 kHz", "1 GHz")]
    setup = a_setup(reference={"flatness": flat, "input_capacitance": "14 pF"}, bandwidth="100 MHz")
    line = setup.bench.path("terminated").model_copy(update={"vswr": 1.0, **path})
    changed = {
        "generator": setup.bench.generator.model_copy(update={"vswr": vswr}),
        "paths": {"terminated": line, "other": line},
    }
    return replace(setup, bench=setup.bench.model_copy(update=changed))


def wanted(*, one_line: bool) -> Wanted:
    return Wanted(path="terminated", level_path="terminated" if one_line else "other", max_hz=200e6)


def truly_db(rng: np.random.Generator, frequency_hz: float, *, one_line: bool) -> float:
    """The level at the unit where the leveller shows 0 dB, both against the reference frequency: Kirchhoff's."""
    source_ohm = 50.0 * 1.5 ** rng.choice((-1, 1))
    delays_s = rng.uniform(2e-9, 40e-9, 2)
    if one_line:
        delays_s[1] = delays_s[0]
    farads = np.array([UNIT_F, LEVELLER_F]) * rng.uniform(0.9, 1.1, 2)
    at_unit, at_leveller = (
        20 * math.log10(abs(line(frequency_hz) / line(REFERENCE_HZ)))
        for line in (Line(50.0, d, source_ohm, 49.9975, c) for d, c in zip(delays_s, farads, strict=True))
    )
    return at_unit - at_leveller


@pytest.mark.parametrize(("one_line", "frequency_hz"), [(True, 60e6), (True, HZ), (False, 60e6), (False, HZ)])
def test_the_level_is_where_its_interval_says(one_line, frequency_hz):
    setup, options = bench(1.5), wanted(one_line=one_line)
    known = held_at(setup, options, frequency_hz)
    # A little scatter of the readings beside it: a line of limits alone holds all or nothing.
    read = normal("readings", u=0.3 * known.u_db, unit="dB")
    budget = Budget(
        quantity="level", unit="dB", estimate=known.correction_db, contributions=(*known.contributions, read)
    )
    stated, rng = state(budget, 0.95), np.random.default_rng([118, int(frequency_hz), one_line])
    errors = [
        truly_db(rng, frequency_hz, one_line=one_line) + rng.normal(0, read.u) - known.correction_db
        for _ in range(4000)
    ]
    assert 0.94 <= np.mean(np.abs(errors) <= stated.expanded) <= 0.975
    assert known.u_db == pytest.approx(np.std(errors) / math.hypot(1, 0.3), rel=0.06)


def test_what_is_assumed_of_a_source_that_states_nothing_is_said():
    said, silent = (held_at(bench(vswr), wanted(one_line=True), HZ) for vswr in (1.5, None))
    assert silent.u_db == pytest.approx(said.u_db)
    assert "VSWR of 1.5 assumed of the generator" in method_of(bench(None), None)
    assert "VSWR" not in method_of(bench(1.2), None)


def test_the_tolerance_of_a_termination_reaches_the_level_where_the_capacitance_does():
    setup = bench(1.0, termination_tolerance=0.02)

    def at_unit_db(frequency_hz: float, ohm: float, *, farad: float) -> float:
        lines = [Line(50.0, 0.0, 50.0, 1 / (1 / ohm + 1e-6), farad)(f) for f in (frequency_hz, REFERENCE_HZ)]
        return 20 * math.log10(abs(lines[0] / lines[1]))

    for one_line in (True, False):
        lines = {c.name: c for c in held_at(setup, wanted(one_line=one_line), HZ).contributions}
        per_ohm = {
            farad: (at_unit_db(HZ, 50.01, farad=farad) - at_unit_db(HZ, 49.99, farad=farad)) / 0.02
            for farad in (UNIT_F, LEVELLER_F)
        }
        own = per_ohm[UNIT_F] - (per_ohm[LEVELLER_F] if one_line else 0.0)
        assert lines["termination of the unit"].contribution == pytest.approx(own / math.sqrt(3), rel=1e-3)
        assert ("termination of the reference" in lines) is not one_line
