"""Looking closely: what a job would send without sending it, one step at a time, and every exchange in a file."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.commands import ReadBack
from harness import runs
from harness.errors import OperatorStop
from harness.fakes import FakePerson, MemoryPort, VirtualClock
from harness.journal.journal import read
from harness.link.trace import Trace, without_secrets
from harness.run.dry import dry_run
from tests.helpers.demo_lab import DEMO, a_job, halfpower

ONE = 'use = "vertical"\npaths = ["lead"]\nranges = ["100 mV"]\nchannels = [1]'


@pytest.fixture
def job(tmp_path: Path) -> Path:
    for file in DEMO.glob("*.toml"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    return a_job(tmp_path / "job.toml", ONE)


def sent_in(trace: Path) -> str:
    return "\n".join(line for line in trace.read_text("utf-8").splitlines() if " > " in line)


def test_a_dry_run_says_what_a_run_sends_in_its_order(job: Path, tmp_path: Path) -> None:
    with Trace(tmp_path / "wire.txt") as trace:
        runs.start(job, tmp_path / "runs", trace=trace)
    said = [said for _, _, of in dry_run(runs.load(job)) for said in of if said.kind == "sends"]
    assert len(said) > 12
    wire, place = sent_in(tmp_path / "wire.txt"), 0
    for each in said:
        if each.text == ":OUTP OFF":
            continue  # what is off already is switched off again where a run sees fit
        place = wire.find(each.text, place)
        assert place >= 0, each


def test_the_command_prints_it_and_makes_no_folder(job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert not ReadBack(key="", query=":OUTP?", expected="1").agrees("0")  # a comparison that is remembered
    result = halfpower("rehearse", job, "--commands")
    assert result.exit_code == 0, result.output
    assert "calibrator sends: :OUTP ON" in result.output
    assert "Nothing was sent" in result.output
    assert not (tmp_path / "runs").exists()


def test_every_step_is_asked_for_until_somebody_says_run(job: Path, tmp_path: Path) -> None:
    person = FakePerson(["", "what", "?", "go on", "run"])
    result = runs.start(job, tmp_path / "runs", step_by_step=person)
    titles = [prompt.title.split(":")[0] for prompt in person.asked]
    assert titles == ["Step 1", "Step 2", "Step 2", "Step 2", "Step 3"]
    assert any(":ROUT:CLOS (@101)" in line for line in person.asked[0].lines)
    assert "'what' is no answer here" in person.told[0]
    assert person.told[1].startswith("Enter does it; 'run' does it and all that follow")
    unasked = runs.start(job, tmp_path / "runs")
    replies = [[record.reply for record in read(each.folder).records] for each in (result, unasked)]
    assert replies[0] == replies[1]


def test_whoever_stops_leaves_outputs_off_and_a_run_that_goes_on(job: Path, tmp_path: Path) -> None:
    told: list[str] = []
    with pytest.raises(OperatorStop, match="outputs are off"):
        runs.start(
            job, tmp_path / "runs", step_by_step=FakePerson(["", "", "stop"]),
            on_event=lambda _what, text: told.append(text),
        )  # fmt: skip
    assert "Every output was switched off." in told
    (folder,) = (tmp_path / "runs").iterdir()
    assert len(read(folder).records) == 2
    assert runs.resume(folder).report.overall


@pytest.mark.parametrize(
    ("message", "kept"),
    [
        (':SYST:PASS "open sesame";:SOUR:VOLT 1', ":SYST:PASS (left out);:SOUR:VOLT 1"),
        ("LOGIN tern,1907", "LOGIN (left out)"),
        (":SOUR:VOLT 1;:OUTP ON", ":SOUR:VOLT 1;:OUTP ON"),
    ],
)
def test_a_secret_is_left_out(message: str, kept: str) -> None:
    assert without_secrets(message) == kept


def test_a_trace_has_times_both_ways_no_control_character_and_an_end(tmp_path: Path) -> None:
    with Trace(tmp_path / "wire.txt", most_bytes=400) as trace:
        port = trace.port("unit", MemoryPort(lambda _message: b"7\x1b[2J"), VirtualClock())
        port.reopen()
        for _ in range(9):
            port.write(b"*IDN?")
            port.read_line(1.0)
    lines = (tmp_path / "wire.txt").read_text("utf-8").splitlines()
    assert lines[1].endswith("unit > *IDN?")
    assert lines[2].endswith(r"unit < 7\x1b[2J")
    assert lines[2][:2] == "20"
    assert lines[-1] == "The trace ends here: it has its largest size."
    assert (tmp_path / "wire.txt").stat().st_size < 500


def test_a_trace_that_cannot_be_written_is_one_sentence_before_anything(job: Path, tmp_path: Path) -> None:
    result = halfpower("run", job, "--runs", tmp_path / "runs", "--trace", tmp_path / "nowhere" / "wire.txt")
    assert result.exit_code == 1
    assert "no trace can be written there" in result.stderr
    assert not (tmp_path / "runs").exists()
