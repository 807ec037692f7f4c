"""The unit's own calibration output: found as it is, compared and not believed, refused where it cannot be tried."""

from __future__ import annotations

import math
import shutil
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from GTC import ureal
from GTC.type_b import uniform

from harness import runs
from harness.analysis.estimate import state
from harness.models import Setup
from harness.report.model import Report, Result
from harness.sim.eyes import Person
from harness.steps import Reading
from sequences.comparing import Known
from sequences.own_output.known import known_step
from sequences.own_output.output import HEIGHT, PERIODS, frequency_budget, level_budget
from sequences.own_output.steps import Options, plan, script
from tests.helpers.demo_lab import DEMO, a_job, change
from tests.helpers.setups import a_setup

RATED = {
    "output_level": "3 V",
    "output_level_within": "1 %",
    "output_frequency": "1 kHz",
    "output_frequency_within": "1 %",
    "output_rise_time": "500 ns",
}
BY_EYE = {**RATED, "output_level": "1 V", "output_level_within": "5 %", "output_frequency_within": "5 %"}


def rated(keys: dict[str, str]) -> tuple[str, str]:
    text = "".join(f'{key} = "{value}"\n' for key, value in keys.items())
    return "[tolerance]\n", f"[tolerance]\n{text}"


def ran(folder: Path, truth: str, *options: str, unit: str = "egret", bench: str = "bench") -> Report:
    """The demo's laboratory with an output of this truth."""
    shutil.copytree(DEMO, folder, dirs_exist_ok=True)
    change(folder / f"aldermoor_{unit}.toml", rated(RATED if unit == "egret" else BY_EYE))
    simulated = folder / f"{bench}_sim.toml"
    text = simulated.read_text("utf-8")
    simulated.write_text(text.replace("\n[[unit.truth", f"\n[unit.truth.output]\n{truth}\n[[unit.truth", 1), "utf-8")
    job = a_job(
        folder / "job.toml", "\n".join(('use = "own_output"', *options)), unit=f"aldermoor_{unit}.toml",
        bench=f"{bench}.toml", serial={"egret": "Egret-3071"}.get(unit, "Skua-0958"),
    )  # fmt: skip
    return runs.start(job, folder).report


def by_name(report: Report) -> dict[str, Result]:
    return {result.quantity: result for part in report.parts for result in part.results}


def is_covered(result: Result, truth: float) -> bool:
    stated = result.statement
    return stated is not None and abs(stated.estimate - truth) <= stated.expanded


GOOD = 'level = "3.01 V"\nfrequency = "1.002 kHz"\nrise_time = "180 ns"\nresistance = "50 ohm"'
FAULTY = 'level = "2.9 V"\nfrequency = "1.03 kHz"\nrise_time = "900 ns"'


def test_an_output_is_found_as_it_is_whatever_the_channel_makes_of_it(tmp_path: Path) -> None:
    found = by_name(ran(tmp_path, GOOD))
    assert is_covered(found["output level"], 100 * 0.01 / 3)
    assert is_covered(found["output frequency"], 0.2)
    assert is_covered(found["output rise time"], 180)
    assert {result.word for result in found.values()} == {"pass"}


def test_every_fault_of_an_output_is_found_and_the_counter_says_its_frequency(tmp_path: Path) -> None:
    report = ran(tmp_path, FAULTY, "counter = true")
    found = by_name(report)
    assert is_covered(found["output level"], -100 * 0.1 / 3)
    assert is_covered(found["output frequency"], 3.0)
    frequency = found["output frequency"].statement
    assert frequency is not None
    assert frequency.expanded < 1e-4  # the counter's 0.1 ppm
    assert {name: result.word for name, result in found.items()} == dict.fromkeys(found, "fail"), found
    assert any("calibration output" in h.by for h in report.checklist if h.title == "Internal calibration signals")


def test_the_reference_shows_it_as_well(tmp_path: Path) -> None:
    report = ran(tmp_path, 'level = "3.01 V"\nfrequency = "1 kHz"', 'display = "reference"')
    assert is_covered(by_name(report)["output level"], 100 * 0.01 / 3)
    assert [text.split(":")[0] for text in report.parts[0].left_out] == ["Output periods", "Output edge"]


def test_the_output_stays_on_the_others_go_off_and_the_switch_gets_its_lead_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    ask = Person.ask

    def heard(self: Person, prompt: object) -> str:
        asked.append(prompt.title)  # type: ignore[attr-defined]
        assert self._bench.outputs_on() == ()
        return ask(self, prompt)  # type: ignore[arg-type]

    monkeypatch.setattr(Person, "ask", heard)
    ran(tmp_path, GOOD)
    assert asked == [
        "Outputs are off. Connect the unit's own output → lead → channel 1 of the unit",
        "Outputs are off. Connect the switch's lead → channel 1 of the unit again",
    ]


def test_eyes_read_it_too(tmp_path: Path) -> None:
    report = ran(
        tmp_path, 'level = "1.02 V"\nfrequency = "0.97 kHz"\nrise_time = "300 ns"', "repeats = 5", unit="skua",
        bench="hand_bench",
    )  # fmt: skip
    found = by_name(report)
    assert is_covered(found["output level"], 2.0)
    assert is_covered(found["output frequency"], -3.0)
    assert found["output rise time"].word == "pass"


@pytest.mark.parametrize(
    ("tolerance", "options", "sentence"),
    [
        ({}, {}, "states no output_level"),
        ({"output_level": "50 V"}, {}, "50 V stand at an output that nobody switches off"),
        ({"output_level": "1 V"}, {"path": "terminated"}, "would load it with its termination"),
        ({"output_level": "1 V"}, {}, "states no output_frequency"),
        ({"output_level": "300 V"}, {}, "nobody switches off"),
        ({"output_level": "7 V"}, {}, "no range of the display shows it"),
    ],
)
def test_what_cannot_be_tried_is_said(tolerance: dict[str, str], options: dict[str, str], sentence: str) -> None:
    planned = plan(a_setup(tolerance=tolerance), Options(**options))
    assert any(sentence in text for text in planned.left_out)


def test_a_level_that_the_calibrator_has_not_nearly_is_not_compared() -> None:
    setup = a_setup(levels="decade", tolerance={"output_level": "0.5 V"})
    assert plan(setup, Options()).left_out[0] == (
        "Output height: the calibrator gives nothing near enough to compare it with."
    )
    assert list(script(setup, Options())) == []


# --- the budgets, by another hand ----------------------------------------------------------------------------------


def level_setup(read: str = "remote", **unit: object) -> Setup:
    return a_setup(read=read, tolerance=RATED, **unit)


def points(setup: Setup) -> dict[str, Known]:
    """The planned steps by quantity."""
    return {planned.step.quantity: Known(step=planned.step) for planned in plan(setup, Options()).points}


def test_gtc_makes_the_same_of_level_and_frequency() -> None:
    """GTC (Measurement Standards Laboratory of New Zealand) works equations (1) to (4) out by automatic derivatives."""
    setup = level_setup(resolution="0.05 div", time_resolution="0.05 div", scatter="0.02 div")
    a, a_c, b, b_c = 6.07, 5.98, 8.11, 7.95

    def length(div: float) -> object:
        return sum((ureal(0, uniform(0.025)) for _ in range(2)), ureal(div, 0.02, 8))

    for name, budget, own, known in ((HEIGHT.name, level_budget, a, a_c), (PERIODS.name, frequency_budget, b, b_c)):
        step = points(setup)[name].step
        beside = known_step(setup, step)
        assert beside is not None
        ours = budget(setup, step, [Reading(value=own)], known=Known(step=beside, readings=[Reading(value=known)]))
        ratio = length(own) / length(known)  # type: ignore[operator]
        unequal = ureal(1, uniform(0.03 * abs(own / known - 1)))
        source = ureal(1, uniform(1e-3 if name == HEIGHT.name else 10e-6))
        by_gtc = 100 * (ratio * unequal * source if name == HEIGHT.name else unequal * source / ratio) - 100
        assert ours.estimate == pytest.approx(by_gtc.x, rel=1e-9)
        assert ours.u == pytest.approx(by_gtc.u, rel=1e-6)


@pytest.mark.soak
@pytest.mark.parametrize("resolution", ["0.1 div", "0.002 div"])
@pytest.mark.parametrize("name", [HEIGHT.name, PERIODS.name])
def test_intervals_cover_the_truth(name: str, resolution: str) -> None:
    covered = coverage(name, resolution, 2000)
    assert 0.94 <= covered <= 0.975, covered


def test_a_few_intervals_cover_the_truth() -> None:
    assert coverage(HEIGHT.name, "0.1 div", 100) >= 0.88


def coverage(name: str, resolution: str, units: int) -> float:
    """How often a 95.45 % interval holds the truth: a display with a factor of its own, rounded edges, scatter."""
    setup = level_setup(resolution=resolution, time_resolution=resolution, scatter="0.02 div")
    rng, q = np.random.default_rng(1309), setup.unit.resolution
    step = points(setup)[name].step
    beside = known_step(setup, step)
    assert beside is not None
    assert step.expected
    assert beside.expected
    source = 1e-3 if name == HEIGHT.name else 10e-6
    budget = partial(level_budget if name == HEIGHT.name else frequency_budget, setup, step)

    def read(length_div: float, scatter: float) -> list[Reading]:
        """Two edges, anywhere between two steps; the scatter is the length's."""
        bottom = rng.uniform(-1, 1)
        edges = bottom, bottom + length_div + rng.normal(0, scatter)
        low, high = (math.floor(edge / q + 0.5) * q for edge in edges)
        return [Reading(value=high - low)]

    inside = 0
    for _ in range(units):
        scatter = 0.02 * math.sqrt(8 / rng.chisquare(8))  # the 0.02 div are known with eight degrees of freedom
        error, factor, given = rng.uniform(-0.02, 0.02), rng.uniform(0.97, 1.03), rng.uniform(-source, source)
        seen = (1 + error) if name == HEIGHT.name else 1 / (1 + error)
        own = read(step.expected * seen * factor, scatter)
        known = read(beside.expected * (1 + given) * factor, scatter)
        stated = state(budget(own, known=Known(step=beside, readings=known)))
        inside += abs(stated.estimate - 100 * error) <= stated.expanded
    return inside / units
