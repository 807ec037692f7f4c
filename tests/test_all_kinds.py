"""All kinds of measurement in one job, of a digital scope and of an analogue one: the hidden faults, and no others."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from harness import runs
from harness.commands.demo import compare
from harness.person.operator import Prompt
from harness.report.model import Report
from harness.sim.eyes import Person
from sequences import BUILT_IN
from tests.helpers.demo_lab import DEMO

BOTH = {(channel, what) for channel in (1, 2) for what in ("AC coupling at its rated corner", "noise, peak to peak")}
# What is beyond its rating in whole_bench_sim.toml and whole_old_bench_sim.toml, by channel; see "# fault" there.
DIGITAL = BOTH | {
    (1, "line drift"), (1, "noise, rms"), (2, "noise, rms"), (2, "deflection"), (2, "DC offset"), (1, "delay time"),
    (1, "time factor"), (1, "sample clock"), (2, "half-power frequency"), (2, "passband"),
    (1, "half power with the limiter"), (2, "half power with the limiter"), (1, "isolation"), (1, "fall time"),
    (1, "sag"), (1, "trigger sensitivity"), (2, "trigger sensitivity"), (1, "trigger level"), (2, "trigger level"),
    (1, "resistance of the input"), (2, "capacitance of the input"), (2, "phase between channels"),
    (2, "delay between channels"), (1, "output level"), (1, "ΔV read-out"), (2, "ΔV read-out"),
}  # fmt: skip
ANALOGUE = BOTH | {
    (1, "line drift"), (2, "deflection"), (2, "DC gain"), (1, "linearity of the sweep"), (1, "delay time"),
    (1, "time factor"), (1, "time factor, start of the sweep"), (1, "time factor, end of the sweep"),
    (2, "half-power frequency"), (2, "passband"), (1, "isolation"), (1, "fall time"), (2, "fall time"),
    (2, "rise time"), (1, "trigger sensitivity"), (2, "trigger sensitivity"), (2, "resistance of the input"),
    (1, "capacitance of the input"), (2, "phase between channels"), (2, "sum of channels"), (1, "output level"),
    (1, "Δt read-out"), (1, "1/Δt read-out"),
}  # fmt: skip
ONE_RANGE = {
    "deflection": {"500 mV/div", "200 mV/div"},
    "DC gain": {"200 mV/div"},
    "time factor": {"200 ns/div", "20 µs/div"},
}
EQUIPMENT = {  # what nothing on these benches can do, and no other heading of the guide
    "Vertical deflection by alternating voltage", "Bandwidth, 50 Ω input", "Harmonic distortion of the source",
}  # fmt: skip


def ran(job: str, folder: Path) -> tuple[Report, tuple[str, ...]]:
    result = runs.start(DEMO / job, folder)
    simulated = runs.simulated_bench(runs.load(DEMO / job))
    assert simulated is not None
    compared = compare(result.report, simulated.truth)
    assert [each for each in compared if each.wrong] == []
    assert sum(each.held for each in compared) >= 0.94 * len(compared)
    return result.report, result.ended_early


def failed(report: Report) -> set[tuple[int, str]]:
    results = [r for part in report.parts for r in part.results if r.word == "fail"]
    assert {r.setting for r in results if r.quantity in ONE_RANGE} <= set().union(*ONE_RANGE.values())
    return {(r.channel, r.quantity) for r in results}


def not_covered(report: Report) -> dict[str, str]:
    return {h.title: h.by for h in report.checklist if h.coverage != "covered"}


@pytest.mark.soak
@pytest.mark.timeout(120)
def test_a_digital_scope_has_its_faults_found_in_every_kind_and_no_others(tmp_path: Path) -> None:
    report, ended_early = ran("whole_digital.toml", tmp_path)
    assert ended_early == ()
    assert {entry.use for entry in report.setup.job.sequence} == set(BUILT_IN)
    assert failed(report) == DIGITAL
    assert not_covered(report).keys() == EQUIPMENT
    assert sum(r.word == "undecided" for part in report.parts for r in part.results) <= 3


@pytest.mark.soak
@pytest.mark.timeout(120)
def test_an_analogue_scope_has_its_faults_found_by_eye_and_no_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: Counter[str] = Counter()
    ask = Person.ask

    def counted(self: Person, prompt: Prompt) -> str:
        asked[prompt.kind] += 1
        return ask(self, prompt)

    rehearsed = runs.rehearse(runs.load(DEMO / "whole_analogue.toml"))
    monkeypatch.setattr(Person, "ask", counted)
    report, ended_early = ran("whole_analogue.toml", tmp_path)
    assert ended_early == ()
    assert {entry.use for entry in report.setup.job.sequence} == set(BUILT_IN)
    assert failed(report) == ANALOGUE
    assert [look.what for part in report.parts for look in part.looks if look.answer == "no"] == ["trace rotation"]
    assert not_covered(report).keys() == EQUIPMENT | {"Trigger level"}
    assert asked.total() <= 220
    assert rehearsed.questions == pytest.approx(asked.total(), rel=0.1)


def test_every_kind_of_measurement_is_in_both_jobs_and_can_be_done() -> None:
    for job in ("whole_digital.toml", "whole_analogue.toml"):
        loaded = runs.load(DEMO / job)
        assert {entry.use for entry in loaded.setup.job.sequence} == set(BUILT_IN)
        assert all(part.steps for part in runs.rehearse(loaded).parts)
