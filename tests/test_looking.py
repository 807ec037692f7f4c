"""Checks by looking: asked, answered, kept, resumed and reported as what somebody saw, and never as a measurement."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import pytest
from rich.console import Console

from harness import runs
from harness.errors import AnalysisError
from harness.fakes import FakePerson
from harness.journal.journal import read
from harness.models import Setup
from harness.person.operator import Prompt, ask_seen
from harness.report.results import to_json
from harness.report.terminal import render
from harness.run.rehearsal import ideal
from harness.runs import RunResult
from harness.steps import CONTROLS, CONTROLS_STAND, Connect, Look, Measure, NoSignal, Seen, View, from_plain, to_plain
from sequences.look import steps as looking
from tests.helpers.setups import a_setup

DEMO = Path(__file__).parents[1] / "demo" / "brackwater"
TILTED = "no, tilted by a third of a division"
JOB = """\
unit = "aldermoor_skua.toml"
bench = "hand_bench.toml"
serial = "Skua-0958"
[[sequence]]
use = "look"
"""


@pytest.fixture(scope="module")
def looked(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    lab = tmp_path_factory.mktemp("looking")
    for path in DEMO.glob("*.toml"):
        shutil.copy(path, lab)
    truth = (lab / "hand_bench_sim.toml").read_text("utf-8")
    sees = f'[eyes]\nsees = {{ "trace rotation" = "{TILTED}", "trigger, channel 2" = "holds on + only" }}'
    (lab / "hand_bench_sim.toml").write_text(truth.replace("[eyes]", sees), "utf-8")
    (lab / "look.toml").write_text(JOB, "utf-8")
    return runs.start(lab / "look.toml", lab / "runs")


def test_what_was_seen_is_reported_as_it_was_said_and_judges_nothing(looked: RunResult) -> None:
    part = looked.report.parts[0]
    said = {look.what: (look.answer, look.remark) for look in part.looks}
    assert next(iter(said)) == "controls"
    assert said["trace rotation"] == ("no", "tilted by a third of a division")
    assert said["trigger, channel 2"] == ("", "holds on + only")
    assert said["probe compensation, channel 1, probe"] == ("yes", "")
    assert part.results == ()
    assert looked.report.overall == "cannot be decided"
    assert "nothing was judged" in looked.report.sentence


def test_every_rendering_has_it(looked: RunResult) -> None:
    plain = json.loads(to_json(looked.report))["parts"][0]
    assert plain["looked_at"][2]["remark"] == "tilted by a third of a division"
    assert plain["results"] == []
    console = Console(width=100, record=True, file=io.StringIO())
    console.print(render(looked.report))
    assert "12 looked at, 1 not as it should be" in console.export_text()


def test_the_journal_keeps_question_and_answer(looked: RunResult) -> None:
    records = [record for record in read(looked.folder).records if isinstance(record.step, Look)]
    assert len(records) == 12
    assert records[2].reply == Seen(answer="no", remark="tilted by a third of a division")
    assert all(from_plain(json.loads(json.dumps(to_plain(r.step)))) == r.step for r in records)


def test_controls_come_first_and_are_not_asked_for_again(looked: RunResult) -> None:
    assert [event for event in read(looked.folder).events if event.what == "note"] == []


def test_the_controls_are_asked_for_before_the_first_reading_by_eye(tmp_path: Path) -> None:
    for path in DEMO.glob("*.toml"):
        shutil.copy(path, tmp_path)
    job = JOB.replace('"look"', '"vertical"\npaths = ["lead"]\nchannels = [1]\nranges = ["1 V"]')
    (tmp_path / "job.toml").write_text(job, "utf-8")
    result = runs.start(tmp_path / "job.toml", tmp_path / "runs")
    assert result.report.notes == (f"Said before the first reading: {'; '.join(CONTROLS_STAND)}.",)


@pytest.mark.parametrize(("said", "notes"), [("yes", 0), ("no, VAR is out", 1), ("not sure", 1)])
def test_controls_that_do_not_stand_as_they_should_are_asked_for_before_the_first_reading(
    tmp_path: Path, said: str, notes: int
) -> None:
    """A knob out of CAL falsifies every reading after it."""
    for path in DEMO.glob("*.toml"):
        shutil.copy(path, tmp_path)
    truth = (tmp_path / "hand_bench_sim.toml").read_text("utf-8")
    truth = truth.replace("[eyes]", f'[eyes]\nsees = {{ "controls" = "{said}" }}')
    (tmp_path / "hand_bench_sim.toml").write_text(truth, "utf-8")
    part = '[[sequence]]\nuse = "vertical"\npaths = ["lead"]\nchannels = [1]\nranges = ["1 V"]\n'
    (tmp_path / "job.toml").write_text(f'{JOB}checks = ["controls"]\n{part}', "utf-8")
    result = runs.start(tmp_path / "job.toml", tmp_path / "runs")
    assert len(result.report.notes) == notes


@pytest.mark.parametrize(
    ("typed", "seen"),
    [
        ("yes", Seen(answer="yes")),
        ("Y", Seen(answer="yes")),
        ("no", Seen(answer="no")),
        ("No: the spot is blurred", Seen(answer="no", remark="the spot is blurred")),
        ("no, blurred", Seen(answer="no", remark="blurred")),
        ("a little noise on 5 mV/div", Seen(answer="remark", remark="a little noise on 5 mV/div")),
        ("skip", Seen(answer="skipped", remark="skip")),
    ],
)
def test_yes_no_or_a_remark(typed: str, seen: Seen) -> None:
    person = FakePerson(["", "?", typed])
    assert ask_seen(person, Prompt(kind="choose", title="Clean?"), lambda *_: None) == seen
    assert person.told[0] == "Type yes, no, or what you see."
    remark = [f"Kept as a remark, neither yes nor no: {typed}"] if seen.answer == "remark" else []
    assert person.told[2:] == remark


def test_only_what_is_chosen_is_looked_at_and_the_signal_hurts_nobody() -> None:
    setup = a_setup()
    options = looking.Options(checks=("trigger", "probe compensation", CONTROLS), channels=(2,))
    asked = _all(setup, options)
    assert [step.what for step in asked if isinstance(step, Look)] == [
        "controls", "trigger, channel 2", "probe compensation, channel 2, probe",
    ]  # fmt: skip
    assert [step.path for step in asked if isinstance(step, Connect)] == ["lead", "probe"]
    assert all(step.stimulus.level <= 30 for step in asked if isinstance(step, Look))


def _all(setup: Setup, options: looking.Options) -> list[Connect | Measure | Look]:
    script = looking.script(setup, options)
    asked = [next(script)]
    try:
        while True:
            asked.append(script.send(ideal(setup, asked[-1])))
    except StopIteration:
        return asked


def test_a_bench_that_can_show_no_square_wave_says_so() -> None:
    with pytest.raises(AnalysisError, match="no square wave that path 'lead'"):
        _all(a_setup(levels=["100 V"]), looking.Options(checks=("trigger",)))


def test_what_needs_no_signal_needs_no_instrument_either() -> None:
    view = View(channel=1, volts_per_div=1.0, s_per_div=1.0)
    look = Look(what="x", question="?", path="lead", source="calibrator", view=view)
    assert look.stimulus == NoSignal()
    assert look.roles == {"unit"}
