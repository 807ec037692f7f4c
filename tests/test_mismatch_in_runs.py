"""Whole runs behind a source that is not matched: the sequence, a line, two inputs, and what the report then states."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from harness.models import Setup
from harness.sim.response import Line
from harness.steps import Measure, Reading, Sine
from sequences.bandwidth import evaluation
from sequences.bandwidth import steps as bandwidth
from tests.benchmarks.bandwidth_runs import Responder
from tests.helpers.setups import a_setup

UNIT_F, LEVELLER_F = 20e-12, 14e-12


def bench(vswr: float) -> Setup:
    """A unit of 100 MHz and 20 pF, a reference of 14 pF that is flat, and a source that reflects; two lines."""
    flat = [{"frequency": f, "db": "0 dB", "u": "0 dB"} for f in ("10 kHz", "1 GHz")]
    setup = a_setup(
        read="remote", bandwidth="100 MHz", volts_per_div=("100 mV",), resolution="0.03 div", scatter="0.01 div",
        input={"maximum": "400 V", "capacitance": "20 pF"},
        reference={"flatness": flat, "input_capacitance": "14 pF", "scatter": "0.005 div"},
    )  # fmt: skip
    line = setup.bench.path("terminated").model_copy(update={"vswr": 1.0})
    changed = {
        "generator": setup.bench.generator.model_copy(update={"vswr": vswr}),
        "paths": {"terminated": line, "other": line},
    }
    return replace(setup, bench=setup.bench.model_copy(update=changed))


@dataclass(slots=True, kw_only=True)
class OnLines(Responder):
    """Lines of unknown length, capacitances that are 10 % off at most, a source that reflects."""

    at_unit: Line
    at_leveller: Line

    def answer(self, step: Measure) -> Reading:
        assert isinstance(step.stimulus, Sine)
        hz, vpp = step.stimulus.frequency_hz, step.stimulus.level_vpp
        levelling = step.display == "reference"
        shown = vpp / step.view.volts_per_div * 2 * abs((self.at_leveller if levelling else self.at_unit)(hz))
        if levelling:
            return Reading(value=shown + self.rng.normal(0.0, 0.005))
        shown *= 10 ** (self.gain_db(hz / self.f3_hz) / 20)
        return Reading(value=round((shown + self.rng.normal(0.0, 0.01)) / 0.03) * 0.03, frequency_hz=hz)


def held(seed: int, vswr: float, *, one_line: bool) -> bool:
    """One run; whether the interval that is stated holds the unit's own half-power frequency."""
    rng = np.random.default_rng([7, seed])
    ohm, delays_s = 50.0 * vswr ** rng.choice((-1, 1)), rng.uniform(3e-9, 8e-9, 2)
    farads = np.array([UNIT_F, LEVELLER_F]) * rng.uniform(0.9, 1.1, 2)
    lines = [Line(50.0, delays_s[0 if one_line else i], ohm, 49.9975, farads[i]) for i in range(2)]
    f3_hz = 118e6 * rng.uniform(0.9, 1.1)
    unit = OnLines(setup=bench(vswr), rng=rng, f3_hz=f3_hz, at_unit=lines[0], at_leveller=lines[1])
    options: dict[str, Any] = {"channels": [1], "level_points_per_decade": 40}
    options |= {} if one_line else {"level_path": "other"}
    chosen = bandwidth.Options.model_validate(options)
    unit.drive(chosen)
    (result,) = evaluation.evaluate(unit.setup, {"options": chosen.model_dump(mode="json")}, unit.taken).results
    assert result.statement is not None
    assert "mismatch" in " ".join(line.name for line in result.budget.contributions)
    return bool(result.statement.low <= f3_hz <= result.statement.high)


def test_a_run_states_what_the_lines_do_to_it() -> None:
    assert sum(held(seed, 1.5, one_line=True) for seed in range(8)) >= 7


@pytest.mark.soak
@pytest.mark.parametrize(("vswr", "one_line"), [(1.5, True), (1.25, False)])
def test_intervals_hold_behind_a_source_that_is_not_matched(vswr: float, one_line: bool) -> None:
    assert 0.94 <= np.mean([held(seed, vswr, one_line=one_line) for seed in range(300)]) <= 0.985  # of 600 97.5 % both
