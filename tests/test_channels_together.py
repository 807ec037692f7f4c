"""Two channels on one signal: phase, delay, difference and sum against the truth, and against other hands."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from GTC import asin, ureal
from GTC.type_b import uniform
from scipy.signal import csd

from harness import runs
from harness.analysis.estimate import state
from harness.bench import limits
from harness.measurement import Screenful
from harness.models import Setup
from harness.report.html import html_page
from harness.report.model import Report, Result
from harness.report.screens import screen_of
from harness.sim.eyes import Person
from harness.steps import Connect, Measure, Reading, Sine, View
from sequences.channels_together.between import (
    DIFFERENCE_HEIGHT,
    OPENING,
    PHASE,
    SUM_HEIGHT,
    difference_budget,
    phase_budget,
    sum_budget,
)
from sequences.channels_together.steps import Options, plan, script
from tests.helpers.demo_lab import DEMO, a_job, change
from tests.helpers.setups import a_setup

RATED = {"phase": "3 deg", "phase_at": "100 kHz", "channel_delay": "1 ns", "common_mode": "26 dB", "sum": "5 %"}
ALIKE = """\
[[unit.truth.channel]]
gain = "0 %"
{response}
[[unit.truth.channel]]
delay = "{delay}"
gain = "{gain}"
{response}
"""
RESPONSE = 'response.stages = [{ kind = "pole", at = "120 MHz" }]'


def ran(
    folder: Path, delay: str, gain: str, *options: str, by_eye: bool = False, adder: str = "0 %", there: bool = False
) -> Report:
    """The demo's laboratory with two channels that differ by no more than is said."""
    if not there:
        shutil.copytree(DEMO, folder, dirs_exist_ok=True)
    unit, bench = ("skua", "hand_bench") if by_eye else ("egret", "bench")
    rated = "".join(f'{key} = "{value}"\n' for key, value in RATED.items())
    change(folder / f"aldermoor_{unit}.toml", ("[tolerance]\n", f"[tolerance]\n{rated}"))
    simulated = folder / f"{bench}_sim.toml"
    text = simulated.read_text("utf-8")
    first, last = text.index("[[unit.truth"), text.rindex("[[unit.truth")
    after = text.index("\n[", last + 1)
    truth = f'[unit.truth]\nadder = "{adder}"\n' + ALIKE.format(delay=delay, gain=gain, response=RESPONSE)
    simulated.write_text(text[:first] + truth + text[after:], "utf-8")
    job = a_job(
        folder / "job.toml", "\n".join(('use = "channels_together"', *options)), unit=f"aldermoor_{unit}.toml",
        bench=f"{bench}.toml", serial="Skua-0958" if by_eye else "Egret-3071",
    )  # fmt: skip
    return runs.start(job, folder).report


def results(report: Report) -> list[Result]:
    return [result for part in report.parts for result in part.results]


def holds(result: Result, truth: float) -> bool:
    stated = result.statement
    return stated is not None and abs(stated.estimate - truth) <= stated.expanded


def test_a_late_channel_is_behind_in_time_and_in_phase(tmp_path: Path) -> None:
    """A delay t turns a sine by -360° · f · t: textbook."""
    low, high, delay, left = results(ran(tmp_path, "2 ns", "0 %", 'frequencies = ["100 kHz", "5 MHz"]'))
    assert holds(low, -0.072)
    assert holds(high, -3.6)
    assert holds(delay, 2.0)
    assert holds(left, 0.0)
    assert [r.word for r in (low, high, delay, left)] == ["pass", "fail", "fail", "pass"]
    assert {r.channel for r in (low, high, delay, left)} == {2}


def test_an_unequal_gain_leaves_what_it_is_off_and_turns_nothing(tmp_path: Path) -> None:
    phase, delay, left = results(ran(tmp_path, "0 s", "8 %"))
    assert holds(phase, 0.0)
    assert holds(delay, 0.0)
    assert holds(left, 100 * 0.08 / 1.08)
    assert left.word == "fail"
    assert left.remarks[-1].startswith("rejection 22.")


def test_eyes_see_it_in_x_y_in_the_difference_and_in_the_sum(tmp_path: Path) -> None:
    """1.2 µs at 20 kHz are 8.64°, too much for 3°."""
    report = ran(tmp_path, "1.2 us", "3 %", 'frequencies = ["20 kHz"]', "repeats = 3", by_eye=True, adder="-9 %")
    phase, left, total = results(report)
    assert holds(phase, 360 * 20e3 * 1.2e-6)
    turned = 2 * math.pi * 1e3 * 1.2e-6
    assert holds(left, 100 * abs(1.03 * np.exp(1j * turned) - 1) / 1.03)
    assert holds(total, -9.0)
    assert (phase.word, total.word) == ("fail", "fail")
    assert report.parts[0].left_out == ("Delay: the generator gives no fast edge (edge_rise_time in the bench file).",)


def test_eyes_see_one_edge_behind_the_other(tmp_path: Path) -> None:
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    change(tmp_path / "hand_bench.toml", ("[generator]\n", '[generator]\nedge_rise_time = "900 ps"\n'))
    delay = next(r for r in results(ran(tmp_path, "30 ns", "0 %", by_eye=True, there=True)) if r.unit == "ns")
    assert holds(delay, 30.0)
    assert delay.word == "fail"


def test_hands_put_the_tee_on_and_the_switchs_leads_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    ask = Person.ask

    def heard(self: Person, prompt: object) -> str:
        asked.append(prompt.title)  # type: ignore[attr-defined]
        assert self._bench.outputs_on() == ()
        return ask(self, prompt)  # type: ignore[arg-type]

    monkeypatch.setattr(Person, "ask", heard)
    ran(tmp_path, "0 s", "0 %")
    assert asked == [
        "Outputs are off. Connect generator → lead → channel 1 and channel 2 of the unit, by a tee",
        "Outputs are off. Connect the switch's lead → channel 1 of the unit again",
        "Outputs are off. Connect the switch's lead → channel 2 of the unit again",
    ]


# --- what is refused ------------------------------------------------------------------------------------------------

TWO = Measure(
    purpose="phase", path="lead", source="generator", stimulus=Sine(level_vpp=0.3, frequency_hz=1e5), display="unit",
    view=View(channel=2, volts_per_div=0.1, s_per_div=1e-6), quantity="channel_phase", second=1,
)  # fmt: skip
TEE = Connect(path="lead", source="generator", display="unit", channel=1, also=(2,))


def of(setup: Setup, **changes: object) -> Measure:
    return replace(TWO, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("read", "step", "connected", "sentence"),
    [
        ("remote", {}, TEE, ""),
        ("remote", {"second": None}, TEE, ""),
        ("remote", {}, Connect(path="lead", source="generator", display="unit", channel=2), "what is connected is"),
        ("remote", {"second": 2}, TEE, "compares channel 2 with itself"),
        ("remote", {"second": 3}, TEE, "has no such channel"),
        ("remote", {"view": View(channel=2, volts_per_div=0.1, s_per_div=1e-6, together="x-y")}, TEE, "gives records"),
        ("eye", {"view": View(channel=2, volts_per_div=0.1, s_per_div=1e-6, together="x-y")}, TEE, ""),
        ("eye", {"view": View(channel=2, volts_per_div=0.1, s_per_div=1e-6, together="sum"), "second": None}, TEE,
         "say which is the second"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_together_is_refused(
    read: str, step: dict[str, object], connected: Connect, sentence: str
) -> None:
    setup = a_setup(read=read)
    refused = limits.refusal(of(setup, **step), connected, setup)
    assert sentence in refused
    assert bool(refused) == bool(sentence)


def test_two_inputs_of_fifty_ohm_on_one_tee_end_the_line_twice() -> None:
    setup = a_setup(read="remote", input={"maximum": "5 V", "maximum_rms": "5 Vrms", "resistance": "50 ohm"})
    said = [hazard.sentence for hazard in limits.hazards(TWO, setup)]
    assert said == ["path 'lead' ends twice: in the 50 Ω input of the unit on channel 2 and on 1"]
    with pytest.raises(Exception, match="would end twice"):
        plan(setup, Options())


@pytest.mark.parametrize(
    ("tolerance", "options", "sentence"),
    [
        ({}, {}, "Phase: the unit file states no rating."),
        (RATED, {"source": "calibrator"}, 'the calibrator gives no sine; take source = "generator"'),
        (RATED, {"frequencies": (1e9,)}, "the generator does not give 1 GHz"),
        (RATED, {"volts_per_div": 1.0}, ""),
        (RATED, {}, "Delay: the generator gives no fast edge"),
        (RATED, {}, "a sum of two records would say nothing of it"),
    ],
)
def test_what_cannot_be_tried_is_said(tolerance: dict[str, str], options: dict[str, object], sentence: str) -> None:
    planned = plan(a_setup(read="remote", tolerance=tolerance), Options.model_validate(options, context={"si": True}))
    assert any(sentence in text for text in planned.left_out)


def test_one_channel_alone_is_not_compared() -> None:
    assert plan(a_setup(channels=1, tolerance=RATED), Options()).left_out == (
        "Channels together: there is one channel.",
    )
    assert list(script(a_setup(channels=1, tolerance=RATED), Options())) == []


# --- by other hands ------------------------------------------------------------------------------------------------


def test_the_phase_of_two_records_is_that_of_their_cross_spectrum() -> None:
    """scipy's cross-spectral density of two coherent records."""
    rate_hz, frequency_hz, rng = 1e7, 1e5, np.random.default_rng(4)
    at = np.arange(2000) / rate_hz
    one, other = (
        2.9 * np.sin(2 * np.pi * frequency_hz * at + phase) + 0.02 * rng.standard_normal(at.size)
        for phase in (0.4, 0.4 - 0.3)
    )
    screen = Screenful(interval_s=1 / rate_hz, low_v=-4, high_v=4, volts_per_div=1, s_per_div=at.size / rate_hz / 10)
    assert PHASE.from_two is not None
    ours = PHASE.from_two(TWO, one, other, screen, None)
    hertz, cross = csd(other, one, fs=rate_hz, nperseg=at.size, window="boxcar", detrend=False)
    by_scipy = math.degrees(np.angle(cross[int(np.argmin(abs(hertz - frequency_hz)))]))
    assert ours.value == pytest.approx(by_scipy, abs=0.01)
    assert ours.value == pytest.approx(math.degrees(0.3), abs=4 * (ours.scatter or 0))


def step_of(name: str, setup: Setup) -> Measure:
    return next(p.step for p in plan(setup, Options()).points if p.step.quantity == name)


def read(*values: float) -> list[Reading]:
    return [Reading(value=value) for value in values]


def test_gtc_makes_the_same_of_opening_difference_and_sum() -> None:
    """GTC (Measurement Standards Laboratory of New Zealand), by automatic derivatives: (9), (10), (13) to (16)."""
    setup = a_setup(tolerance=RATED, resolution="0.1 div", scatter="0.03 div")

    def length(div: float) -> object:
        return ureal(div, 0.03) + ureal(0, uniform(0.05)) + ureal(0, uniform(0.05))

    tau = ureal(0, uniform(1e-10))
    whole, part = length(6.1), length(0.4)
    by_eye = asin(part / whole) * 180 / math.pi + 360 * 100e3 * tau  # type: ignore[operator]
    ours = phase_budget(setup, step_of(OPENING.name, setup), read(0.4), beside=read(6.1))
    assert (ours.estimate, ours.u) == pytest.approx((by_eye.x, by_eye.u), rel=1e-6)
    left = 100 * (part / whole + 2 * math.pi * 1e3 * tau)  # type: ignore[operator]
    ours = difference_budget(setup, step_of(DIFFERENCE_HEIGHT.name, setup), read(0.4), beside=read(6.1))
    assert (ours.estimate, ours.u) == pytest.approx((left.x, left.u), rel=1e-6)
    total = 100 * (length(5.9) / (length(3.1) + length(2.9))) - 100  # type: ignore[operator]
    ours = sum_budget(setup, step_of(SUM_HEIGHT.name, setup), read(5.9), parts=(read(3.1), read(2.9)))
    assert (ours.estimate, ours.u) == pytest.approx((total.x, total.u), rel=1e-6)


def eyes(length_div: float, rng: np.random.Generator, scatter: float) -> list[Reading]:
    """Two edges anywhere between two steps of 0.1 div."""
    bottom = rng.uniform(-1, 1)
    low, high = (round(edge / 0.1) * 0.1 for edge in (bottom, bottom + length_div + rng.normal(0, scatter)))
    return [Reading(value=high - low)]


def coverage(kind: str, units: int) -> float:
    """How often the interval of 95.45 % holds the truth, the scatter known with eight degrees of freedom."""
    by_eye, rng = kind != "record", np.random.default_rng(2026)
    setup = a_setup(read="eye" if by_eye else "remote", tolerance=RATED, scatter="0.03 div")
    step = step_of(OPENING.name if kind == "x-y" else SUM_HEIGHT.name if by_eye else PHASE.name, setup)
    budget, inside = partial(sum_budget if kind == "sum" else phase_budget, setup, step), 0
    for _ in range(units):
        scatter = 0.03 * math.sqrt(8 / rng.chisquare(8))
        leads_deg = 360 * 100e3 * rng.uniform(-1e-10, 1e-10)
        if kind == "record":
            truth = rng.uniform(-5, 5)
            value = truth + leads_deg + math.degrees(rng.normal(0, scatter) / 3)
            stated = state(budget(read(value)))
        elif kind == "x-y":
            truth, height = rng.uniform(2, 20), rng.uniform(5.5, 6.5)
            opening = eyes(height * math.sin(math.radians(truth + leads_deg)), rng, scatter)
            stated = state(budget(opening, beside=eyes(height, rng, scatter)))
        else:
            one, other, error = *rng.uniform(2.8, 3.2, 2), rng.uniform(-0.05, 0.05)
            truth, parts = 100 * error, (eyes(one, rng, scatter), eyes(other, rng, scatter))
            stated = state(budget(eyes((one + other) * (1 + error), rng, scatter), parts=parts))
        inside += abs(stated.estimate - truth) <= stated.expanded
    return inside / units


@pytest.mark.soak
@pytest.mark.parametrize("kind", ["record", "x-y", "sum"])
def test_intervals_cover_the_truth(kind: str) -> None:
    covered = coverage(kind, 2000)
    assert 0.94 <= covered <= 0.975, covered


def test_a_few_intervals_cover_the_truth() -> None:
    assert coverage("x-y", 100) >= 0.88


def test_every_rendering_stands_a_delay_of_nothing(tmp_path: Path) -> None:
    """A delay has no length that a screen could be drawn of; it must not end the page."""
    report = ran(tmp_path, "2 ns", "0 %")
    delay = next(result for result in results(report) if result.quantity == "delay between channels")
    assert screen_of(report, delay) is None
    assert "delay between channels" in html_page(report).lower()
