"""The response below the bandwidth, the limiter, AC coupling: (1) to (4), (8), (9) of docs/levels.md."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import GTC
import numpy as np
import pytest
from GTC import ureal

from harness import runs
from harness.models import Setup
from harness.report import short
from harness.report.blocks import Section
from harness.report.model import Report, Result
from harness.run.rehearsal import ideal
from harness.steps import Connect, Measure, Reading
from sequences.levelling.sine import LEVEL, Taken
from sequences.passband import steps as passband
from sequences.passband.evaluation import evaluate
from sequences.passband.response import corner_hz
from sequences.passband.steps import AC, WITH_LIMITER
from tests.helpers.demo_lab import DEMO, a_job, change
from tests.helpers.setups import a_setup

RATED = {"passband": "0.5 dB", "passband_to": "10 MHz"}
HZ = ("50 kHz", "1 MHz", "10 MHz", "1 GHz")
PASSBAND = {"what": ("passband",), "channels": (1,), "frequencies": ("10 MHz",)}


def a_passband_setup(*, u_db: float = 0.0, reference: dict[str, Any] | None = None, **unit: Any) -> Setup:
    """Matched throughout and without capacitances, so that what is put in is all there is."""
    flat = [{"frequency": hz, "db": "0 dB", "u": f"{u_db} dB"} for hz in HZ]
    told = {"flatness": flat, "scatter": "0.002 div", "vswr": 1.0, **(reference or {})}
    rated = {"resolution": "0 div", "scatter": "0.004 div", "linearity": "0 %", "tolerance": RATED, **unit}
    setup = a_setup(read=rated.pop("read", "remote"), reference=told, **rated)
    paths = {name: path.model_copy(update={"vswr": 1.0}) for name, path in setup.bench.paths.items()}
    held = setup.unit.input.model_copy(update={"capacitance": 0.0})
    return replace(
        setup,
        bench=setup.bench.model_copy(update={"paths": paths}),
        unit=setup.unit.model_copy(update={"input": held}),
    )


def asked(setup: Setup, **options: Any) -> list[Any]:
    """Every step, each answered as an ideal unit would."""
    script, found = passband.script(setup, passband.Options(**options)), []
    step = next(script)
    try:
        while True:
            found.append(step)
            step = script.send(ideal(setup, step))
    except StopIteration:
        return found


def measured(setup: Setup, **options: Any) -> list[Measure]:
    return [step for step in asked(setup, **options) if isinstance(step, Measure)]


def read_as(steps: list[Measure], reference: dict[float, float], unit: dict[float, float]) -> list[Taken]:
    """Readings by frequency, in div."""
    return [
        (step, Reading(value=(unit if step.display == "unit" else reference)[step.stimulus.rate_hz or 0.0]))
        for step in steps
    ]


def result_of(setup: Setup, taken: list[Taken], **options: Any) -> Result:
    entry = {"options": passband.Options(**{**PASSBAND, **options}).model_dump(mode="json", exclude_none=True)}
    (one,) = evaluate(setup, entry, taken).results
    return one


# --- what is asked ------------------------------------------------------------------------------------------------


def test_levels_come_first_then_each_channel_then_a_check() -> None:
    steps = asked(a_passband_setup(), what=("passband",), points_per_decade=1)
    where = [step.display for step in steps if isinstance(step, Connect)]
    assert where == ["reference", "unit", "unit", "reference"]
    of_one = [
        s.stimulus.rate_hz for s in steps if isinstance(s, Measure) and s.display == "unit" and s.view.channel == 1
    ]
    assert of_one == [5e4, 5e4, 2.924e5, 2.924e5, 1.71e6, 1.71e6, 1e7, 1e7, 5e4]


def test_every_range_has_its_level_and_each_level_is_read_on_the_reference() -> None:
    steps = measured(a_passband_setup(), **{**PASSBAND, "ranges": "all"})
    levels = {step.view.volts_per_div: step.stimulus.level for step in steps if step.display == "unit"}
    assert levels == {0.1: 0.6, 0.2: 1.2, 0.5: 3.0, 1.0: 5.5}  # 6 div, or all that the generator gives
    read = {step.stimulus.level for step in steps if step.display == "reference" and step.purpose == LEVEL}
    assert read == set(levels.values())


def test_a_50_ohm_input_is_chosen_in_every_view_and_needs_no_termination() -> None:
    setup = a_passband_setup()
    steps = measured(setup, **PASSBAND, input="50 ohm", path="lead", level_path="terminated")
    assert {step.view.input_ohm for step in steps if step.display == "unit"} == {50.0}
    assert {step.stimulus.level for step in steps} == {0.6}
    # With nothing to end its line a high-impedance input has twice the level that is set.
    assert {step.stimulus.level for step in measured(setup, **PASSBAND, path="lead")} == {0.3}


def test_the_limiter_is_the_bandwidth_of_a_unit_that_is_limited() -> None:
    setup = a_passband_setup(tolerance={"limiter": "20 MHz"})
    steps = measured(setup, what=("limiter",), channels=(1,))
    assert {step.view.limited for step in steps if step.display == "unit"} == {True}
    assert not any(step.view.limited for step in steps if step.display == "reference")
    assert all(step.purpose.startswith(WITH_LIMITER) for step in steps)
    assert max(step.stimulus.rate_hz or 0.0 for step in steps) <= 50e6


def test_ac_coupling_is_read_at_its_corner_beside_dc() -> None:
    steps = measured(a_passband_setup(tolerance={"ac_corner": "10 Hz"}), what=("AC coupling",), channels=(1,))
    assert [(step.view.coupling, step.stimulus.rate_hz) for step in steps] == [("dc", 10.0)] * 2 + [("ac", 10.0)] * 2


@pytest.mark.parametrize(
    ("unit", "options", "said"),
    [
        ({"tolerance": {}}, {}, "Passband: the unit file states no 'passband'"),
        ({"tolerance": {}}, {}, "Limiter: the unit file states no rating"),
        ({"tolerance": {}}, {}, "AC coupling: the unit file states no 'ac_corner'"),
        ({}, {"frequencies": ("900 MHz",)}, "Passband at 900 MHz: the generator does not give it"),
        ({"tolerance": {"ac_corner": "10 Hz"}}, {"input": "50 ohm"}, "its corner is rated for the usual input"),
        ({"tolerance": {"limiter": "600 MHz"}}, {}, "Limiter: above what the generator gives"),
        ({"volts_per_div": ("5 V", "100 mV")}, {"ranges": ("5 V",)}, "5 V/div: no level of the generator fits"),
    ],
)
def test_what_cannot_be_done_is_said_beforehand(unit: dict[str, Any], options: dict[str, Any], said: str) -> None:
    assert any(said in each for each in passband.plan(a_passband_setup(**unit), passband.Options(**options)).left_out)


# --- what is stated -----------------------------------------------------------------------------------------------


def test_the_budget_agrees_with_that_of_an_independent_library() -> None:
    """GTC takes the readings and the certificate through (1), without any sensitivity written down by hand."""
    setup = a_passband_setup(u_db=0.06)
    steps = [s for s in measured(setup, **PASSBAND) if s.purpose != "level check"]
    found = result_of(setup, read_as(steps, {5e4: 6.0, 1e7: 5.7}, {5e4: 6.1, 1e7: 5.6}))
    assert found.budget is not None
    a, a_ref = ureal(5.6, 0.004 / math.sqrt(2)), ureal(6.1, 0.004 / math.sqrt(3))
    r, r_ref = ureal(5.7, 0.002 / math.sqrt(2)), ureal(6.0, 0.002 / math.sqrt(2))
    theirs = 20 * GTC.log10(a / a_ref) - (20 * GTC.log10(r / r_ref) + ureal(0, 0.03))
    assert found.budget.estimate == pytest.approx(theirs.x, abs=1e-6)
    assert found.budget.u == pytest.approx(theirs.u, rel=1e-3)


@pytest.mark.parametrize(("div", "word"), [(5.9, "pass"), (5.6, "fail"), (6.4, "fail")])
def test_it_is_held_against_limits_on_both_sides(div: float, word: str) -> None:
    setup = a_passband_setup()
    steps = measured(setup, **PASSBAND)
    found = result_of(setup, read_as(steps, {5e4: 6.0, 1e7: 6.0}, {5e4: 6.0, 1e7: div}))
    assert found.word == word
    assert found.statement is not None
    assert found.statement.estimate == pytest.approx(20 * math.log10(div / 6.0), abs=1e-6)
    assert found.curve is not None
    assert found.curve.limits_db == (-0.5, 0.5)


def test_without_its_level_nothing_is_stated() -> None:
    setup = a_passband_setup()
    steps = [step for step in measured(setup, **PASSBAND) if step.display == "unit"]
    found = result_of(setup, read_as(steps, {}, {5e4: 6.0, 1e7: 6.0}))
    assert (found.statement, found.word) == (None, "undecided")
    assert found.remarks == ("10 MHz: the level was not read on the reference",)


@pytest.mark.parametrize("corner", [3.0, 10.0, 17.0])
def test_the_corner_is_that_of_a_first_order_high_pass(corner: float) -> None:
    h = 1j * 10.0 / corner / (1 + 1j * 10.0 / corner)
    assert corner_hz(10.0, 20 * math.log10(abs(h))) == pytest.approx(corner)
    assert corner_hz(10.0, 0.0) is None


# --- on the simulated bench ---------------------------------------------------------------------------------------

FIRST = "[[unit.truth.channel]]\n"
KEYS = 'passband = "0.5 dB"\npassband_to = "30 MHz"\nlimiter = "20 MHz"\nac_corner = "10 Hz"'


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("passband") / "lab"
    shutil.copytree(DEMO, folder)
    change(folder / "aldermoor_egret.toml", ("[tolerance]", f"[tolerance]\n{KEYS}"))
    change(folder / "aldermoor_skua.toml", ("[tolerance]", '[tolerance]\npassband = "1 dB"\npassband_to = "10 MHz"'))
    return folder


def run(lab: Path, sequence: str) -> Report:
    return runs.start(a_job(lab / "job.toml", f'use = "passband"\n{sequence}'), lab / "runs").report


def by_name(report: Report) -> dict[tuple[str, int], Result]:
    return {(r.quantity, r.channel): r for r in report.parts[0].results}


def test_a_sound_channel_passes_and_the_truth_lies_in_what_is_stated(lab: Path) -> None:
    job = a_job(lab / "job.toml", 'use = "passband"\nchannels = [1]\npoints_per_decade = 1')
    rehearsal = runs.rehearse(runs.load(job))
    assert rehearsal.parts[0].points == rehearsal.parts[0].decidable == 3
    report = run(lab, "channels = [1]\npoints_per_decade = 1")
    found = by_name(report)
    titles = [block.title for block in short.blocks(report) if isinstance(block, Section)]
    assert titles[:2] == ["Passband", "Half power with the limiter"]  # and no bandwidth, which was not tried
    assert {r.word for r in found.values()} == {"pass"}
    coupled = found["AC coupling at its rated corner", 1].statement
    assert coupled is not None
    assert coupled.low <= 20 * math.log10(1 / math.hypot(1, 0.8)) <= coupled.high  # 8 Hz at 10 Hz
    limited = found["half power with the limiter", 1].statement
    assert limited is not None
    assert limited.low < 19.6e6 < limited.high  # a pole of 20 MHz behind a response of 118 MHz


def test_hidden_faults_are_found(lab: Path) -> None:
    change(
        lab / "bench_sim.toml",
        (f'{FIRST}gain = "0.6 %"', f'[unit.truth]\nlimiter = "40 MHz"\ncoupling = "14 Hz"\n\n{FIRST}gain = "0.6 %"'),
        ('by = "-0.05 dB"', 'by = "-0.9 dB"'),
    )
    found = by_name(run(lab, "channels = [1]\npoints_per_decade = 2"))
    assert {name: r.word for (name, _), r in found.items()} == {
        "passband": "fail", "half power with the limiter": "fail", "AC coupling at its rated corner": "fail",
    }  # fmt: skip
    assert "as a single pole at 14 Hz" in found["AC coupling at its rated corner", 1].sentence


def test_by_eye_a_decibel_is_decided(lab: Path) -> None:
    sequence = 'use = "passband"\nchannels = [2]\nfrequencies = ["1 MHz", "10 MHz"]'
    job = a_job(lab / "eye.toml", sequence, unit="aldermoor_skua.toml", serial="Skua-0958")
    (found,) = runs.start(job, lab / "runs").report.parts[0].results
    assert found.statement is not None
    assert found.statement.expanded < 0.5


# --- coverage -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [pytest.param(60, id="a few"), pytest.param(2500, marks=pytest.mark.soak, id="many")])
@pytest.mark.parametrize(("read", "resolution", "scatter"), [("remote", 0.0, 0.004), ("eye", 0.1, 0.03)])
def test_the_intervals_hold_the_truth_as_often_as_they_say(
    n: int, read: str, resolution: float, scatter: float
) -> None:
    """Readings of both, the certificate of the reference, the harmonics of the source, the trace by eye."""
    rng = np.random.default_rng(20261130)
    setup = a_passband_setup(u_db=0.06, read=read, resolution=f"{resolution} div", scatter=f"{scatter} div")
    generator = setup.bench.generator
    assert generator is not None
    told = generator.model_copy(update={"harmonics": -40.0})
    setup = replace(setup, bench=setup.bench.model_copy(update={"generator": told}))
    steps = [step for step in measured(setup, **PASSBAND) if step.purpose != "level check"]
    third, held = 0.01 if read == "eye" else 0.0, 0
    for _ in range(n):
        truth_db, level_db, certificate_db = rng.uniform(-0.6, 0.6), rng.normal(0, 0.3), rng.normal(0, 0.03)
        width = rng.uniform(0.05, 0.1) if read == "eye" else 0.0
        phases, base = rng.uniform(0, 2 * math.pi, 2), rng.uniform(5.5, 6.5)
        taken: list[Taken] = []
        for step in steps:
            at_reference = step.stimulus.rate_hz == 5e4
            db = 0.0 if at_reference else level_db
            if step.quantity == "trace_width":
                div = width
            elif step.display == "reference":
                db += 0.0 if at_reference else certificate_db
                taken.append((step, Reading(value=6.0 * 10 ** (db / 20) + rng.normal(0, 0.002))))
                continue
            else:
                db += 0.0 if at_reference else truth_db
                div = base * 10 ** (db / 20) * (1 + third * math.cos(phases[int(at_reference)])) + width
            div += rng.normal(0, scatter)
            taken.append((step, Reading(value=round(div / resolution) * resolution if resolution else div)))
        statement = result_of(setup, taken).statement
        assert statement is not None
        held += statement.low <= truth_db <= statement.high
    low, high = (0.94, 0.99) if n >= 2000 else (0.88, 1.0)
    assert low <= held / n <= high, held / n


def test_purposes_tell_the_parts_apart() -> None:
    rated = {**RATED, "ac_corner": "10 Hz", "limiter": "20 MHz"}
    purposes = {step.purpose for step in measured(a_passband_setup(tolerance=rated), channels=(1,))}
    assert {"passband", "reference", AC, LEVEL, f"{WITH_LIMITER}{LEVEL}"} <= purposes
