"""A start without a manual: what people say is understood or refused with a sentence, and becomes three files."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from harness import runs
from harness.cli import cli
from harness.errors import HalfpowerError, OperatorStop
from harness.fakes import FakePerson
from harness.start import kept, said
from harness.start.interview import BENCH, QUESTIONS, ask
from harness.start.write import standing_bench, write
from tests.helpers.page_client import Client

UNDERSTOOD: list[tuple[Callable[[str], object], str, str]] = [
    (said.identity, "Aldermoor, Skua, 0958", "Aldermoor Skua, serial number 0958"),
    (said.identity, "Aldermoor Skua no. 0958", "Aldermoor Skua, serial number 0958"),
    (said.rated, "two channels, 20 MHz", "2 channels, 20 MHz"),
    (said.rated, "20 MHz, 4 channels", "4 channels, 20 MHz"),
    (said.rated, "2 channels, 20mhz", "2 channels, 20 MHz"),
    (said.volts_per_div, "5 mv to 5 v", "5 mV to 5 V in 1-2-5 steps, 10 values"),
    (said.sweep, "1 US to 1 S", "1 µs to 1 s in 1-2-5 steps, 19 values; no magnifier"),
    (said.volts_per_div, "1-2-5 from 5 mV to 5 V", "5 mV to 5 V in 1-2-5 steps, 10 values"),
    (said.volts_per_div, "5mV–5V", "5 mV to 5 V in 1-2-5 steps, 10 values"),
    (said.volts_per_div, "5 mV/div to 5 V/div", "5 mV to 5 V in 1-2-5 steps, 10 values"),
    (said.volts_per_div, "5, 15, 50 mV", "5 mV to 50 mV as listed, 3 values"),
    (said.sweep, "0.2 us to 0.5 s", "200 ns to 500 ms in 1-2-5 steps, 20 values; no magnifier"),
    (said.sweep, "0,2 µs to 0,5 s, magnifier x10", "200 ns to 500 ms in 1-2-5 steps, 20 values; magnifier ×10"),
    (said.sweep, "1-2-5 1 us to 1 s ×5", "1 µs to 1 s in 1-2-5 steps, 19 values; magnifier ×5"),
    (said.limits, "±3 %", "V/div ±3 %, s/div ±3 %, with the magnifier ±3 %"),
    (said.limits, "2 %, 3 %, 5 %", "V/div ±2 %, s/div ±3 %, with the magnifier ±5 %"),
    (said.limits, "V/div 3 %, s/div 4 %, magnified 5 %", "V/div ±3 %, s/div ±4 %, with the magnifier ±5 %"),
    (said.limits, "s/div 2 %; V/div 3 %", "V/div ±3 %, s/div ±2 %, with the magnifier ±2 %"),
    (said.limits, "3 %, magnified 5 %", "V/div ±3 %, s/div ±3 %, with the magnifier ±5 %"),
    (said.limits, "±3 % and 5 % with the magnifier", "V/div ±3 %, s/div ±3 %, with the magnifier ±5 %"),
    (said.limits, "vertical: 2 %, time base: 3 %, mag: 5 %", "V/div ±2 %, s/div ±3 %, with the magnifier ±5 %"),
    (said.limits, "3 % 2,5 % 5 %", "V/div ±3 %, s/div ±2.5 %, with the magnifier ±5 %"),
    (said.highest, "400 V", "at most 400 V, DC + peak AC"),
    (said.highest, "400 V (DC + peak AC)", "at most 400 V, DC + peak AC"),
    (said.highest, "400V DC+AC peak max", "at most 400 V, DC + peak AC"),
    (said.highest, "400 Vpk", "at most 400 V, DC + peak AC"),
    (said.highest, "max. 250 V peak", "at most 250 V, DC + peak AC"),
    (said.probe, "x10, 2 %, 500 V DC + peak AC", "×10 probe, ±2 %, at most 500 V"),
    (said.probe, "10:1, 2 %, 500 V", "×10 probe, ±2 %, at most 500 V"),
    (said.probe, "1:10 probe 2% 500V", "×10 probe, ±2 %, at most 500 V"),
    (said.given_volts, "decades 10 mV to 100 V, 0.25 %", "10 mV to 100 V in decades, 5 values, ±0.25 %"),
    (said.given_volts, "1-2-5 from 10 mV to 100 V, square wave, 1 %",
     "10 mV to 100 V in 1-2-5 steps, 13 values, ±1 %, square wave only"),
    (said.given_volts, "any value from 1 mV to 200 V, 0.1 %", "any value from 1 mV to 200 V, ±0.1 %"),
    (said.given_marks, "1-2-5 from 100 ns to 0.5 s, 20 ppm", "100 ns to 500 ms in 1-2-5 steps, 21 values, ±20 ppm"),
    (said.sines, "25 MHz", "10 Hz to 25 MHz, up to 5 Vpp"),
    (said.sines, "25 MHz, no output switch", "10 Hz to 25 MHz, up to 5 Vpp, no output switch"),
    (said.given_volts, "decades 1 mV to 10 V without a switch, 1 %",
     "1 mV to 10 V in decades, 5 values, ±1 %, no output switch"),
    (said.sines, "50 kHz to 25 MHz, 10 Vpp, 0.5 dB", "50 kHz to 25 MHz, up to 10 Vpp, levelled within ±0.5 dB"),
    (said.faster, "at least 100 MHz", "at least 100 MHz"),
    (said.faster, "measured 103 MHz", "measured: 103 MHz"),
    (said.counting, "1 ppm", "a counter, ±1 ppm"),
    (said.counting, "none, dial within 3 %", "the dial, ±3 %"),
    (said.or_none(said.probe), "none", "none"),
]  # fmt: skip


@pytest.mark.parametrize(("read", "text", "expected"), UNDERSTOOD)
def test_what_people_say_is_understood(read: Callable[[str], object], text: str, expected: str) -> None:
    assert str(read(text)) == expected


REFUSED: list[tuple[Callable[[str], object], str, str]] = [
    (said.identity, "Skua", "maker, model and serial number"),
    (said.rated, "20 MHz", "how many channels"),
    (said.volts_per_div, "bananas", "'bananas' is not understood"),
    (said.volts_per_div, "3 mV to 5 V", "3 mV is not a step of 1-2-5"),
    (said.volts_per_div, "5 V to 5 mV", "the smaller one first"),
    (said.volts_per_div, "any value from 5 mV to 5 V", "A switch has steps"),
    (said.sweep, "1 us to 1 s, x1000", "A magnifier of 1000"),
    (said.limits, "3", "one to three limits"),
    (said.limits, "magnified 5 %", "one to three limits"),
    (said.limits, "V/div 3 %, V/div 5 %", "one to three limits"),
    (said.limits, "1 %, 2 %, 3 %, magnified 5 %", "one to three limits"),
    (said.limits, "3 % of full scale", "'full scale' is not understood"),
    (said.highest, "0 V", "is nothing"),
    (said.highest, "600 Vpp", "half of a peak-to-peak figure"),
    (said.highest, "600 V p-p max", "half of a peak-to-peak figure"),
    (said.highest, "300 Vrms", "an rms figure as it stands"),
    (said.highest, "300 V AC", "an rms figure as it stands"),
    (said.probe, "x10, 2 %, 600 V peak-to-peak", "half of a peak-to-peak figure"),
    (said.highest, "40 MV", "more than the 100 kV that can be meant"),
    (said.probe, "x10", "what it bears"),
    (said.given_volts, "10 mV to 100 V, 0.25 %", "how it steps"),
    (said.given_volts, "decades 10 mV to 100 V", "how true it is"),
    (said.given_volts, "decades 20 mV to 100 V, 1 %", "20 mV is not a decade"),
    (said.counting, "none", "how true the dial is"),
    (said.faster, "fast", "Say its bandwidth"),
]


@pytest.mark.parametrize(("read", "text", "sentence"), REFUSED)
def test_nonsense_gets_one_sentence(read: Callable[[str], object], text: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence.replace("(", r"\(")) as caught:
        read(text)
    assert "\n" not in str(caught.value)


def test_a_limit_said_by_its_name_is_the_limit_of_nothing_else() -> None:
    question = next(question for question in QUESTIONS if question.key == "limits")
    assert question.read("s/div 5 %, V/div 3 %") == said.Limits(deflection=0.03, time=0.05, time_magnified=0.05)
    assert question.read("3 %, magnified 5 %") == said.Limits(deflection=0.03, time=0.03, time_magnified=0.05)


PIECES = st.sampled_from([
    "5", "0.25", "1e9", "9" * 30, "mV", "V", "us", "MHz", "%", "ppm", "dB", "to", "-", "x10", "1-2-5", "decades", ",",
    "none", "\x1b[2J", "²",
])  # fmt: skip


@given(st.lists(PIECES, max_size=8).map(" ".join) | st.text(max_size=40))
def test_any_text_is_a_value_or_one_sentence(text: str) -> None:
    for question in QUESTIONS:
        try:
            told = str(question.read(text))
        except ValueError as error:
            told = str(error)
        assert told
        assert len(told) < 300


def test_whoever_begins_is_told_how_many_questions_come() -> None:
    root = Path(__file__).parents[1]
    assert len(QUESTIONS) == 14
    for page in ("README.md", "docs/start_by_hand.md"):
        assert "fourteen questions" in (root / page).read_text("utf-8")
    assert "fourteen questions" in CliRunner().invoke(cli, ["new", "--help"]).output


ANSWERS = {
    "identity": "Aldermoor, Skua, 0958",
    "rated": "two channels, 20 MHz",
    "volts_per_div": "5 mV to 5 V",
    "sweep": "0.2 us to 0.5 s, x10",
    "limits": "3 %, 3 %, 5 %",
    "highest": "400 V",
    "probe": "x10, 2 %, 500 V",
    "volts": "decades 10 mV to 100 V, 0.25 %",
    "marks": "1-2-5 from 100 ns to 0.5 s, 20 ppm",
    "sines": "25 MHz, 10 Vpp",
    "counting": "1 ppm",
    "faster": "at least 100 MHz",
    "customer": "Training ship Petrel",
    "operator": "M. Tern",
}


def asked(*typed: str, **offered: list[dict[str, str]]) -> tuple[dict[str, str], FakePerson]:
    person = FakePerson(typed, then=None)
    return ask(person, offered=offered), person


def test_the_answers_become_three_files_that_a_job_is_loaded_from(tmp_path: Path) -> None:
    answers, person = asked(*ANSWERS.values())
    assert answers == ANSWERS
    assert len(person.told) == len(person.asked) == len(ANSWERS)
    assert all(told.startswith("Understood: ") for told in person.told)
    loaded = runs.load(write(answers, tmp_path).job)
    bench, unit, job = loaded.setup.bench, loaded.setup.unit, loaded.setup.job
    assert (unit.maker, unit.model, unit.channels, unit.bandwidth, unit.magnifier) == ("Aldermoor", "Skua", 2, 20e6, 10)
    assert (len(unit.volts_per_div), len(unit.s_per_div), unit.read, unit.input.maximum) == (10, 20, "eye", 400)
    assert (job.serial, job.rule, job.customer, job.operator) == (
        "0958",
        "non-binary",
        "Training ship Petrel",
        "M. Tern",
    )
    assert bench.calibrator is not None
    assert (bench.calibrator.levels, bench.calibrator.level_low, bench.calibrator.level_high) == ("decade", 0.01, 100)
    assert {role for role, each in bench.instruments() if each.driver == "manual"} == {
        "calibrator", "generator", "counter", "reference",
    }  # fmt: skip
    rehearsed = runs.rehearse(loaded)
    assert [part.name for part in rehearsed.parts if part.points] == ["2 vertical", "3 time_base"]
    assert not rehearsed.refused


@pytest.mark.parametrize("other", [
    {"probe": "none", "marks": "none", "sines": "none"},
    {"marks": "none"},
    {"volts": "10 mV, 0.5 V, 20 V, 1 %, square wave", "marks": "10 us, 1 ms, 100 ppm"},
    {"volts": "any value 1 mV to 200 V, 0.1 %, DC", "faster": "none"},
    {"sines": "25 MHz, 0.5 dB", "counting": "none, 3 %", "faster": "none"},
    {"identity": 'A "quoted" \\ maker, ☃, \x7f0/\\0', "customer": '"', "operator": "\\u0000"},
    {"volts_per_div": "10 mV, 50 mV, 1 V", "sweep": "1 us, 3 us, 1 ms"},
])  # fmt: skip
def test_whatever_the_bench_lacks_the_files_are_sound(tmp_path: Path, other: dict[str, str]) -> None:
    answers = {
        key: text
        for key, text in (ANSWERS | other).items()
        if other.get("sines") != "none" or key not in ("counting", "faster")
    }
    answers, _ = asked(*answers.values())
    loaded = runs.load(write(answers, tmp_path).job)
    assert not runs.rehearse(loaded).refused
    has = {use.use for use in loaded.uses}
    assert ("time_base" in has) == (answers["marks"] != "none" or answers["sines"] != "none")
    assert ("bandwidth" in has) == ("dB" in answers["sines"] or answers.get("faster", "none") != "none")


def test_the_parts_are_done_as_a_person_does_them(tmp_path: Path) -> None:
    """The bandwidth by turning the level, and the time base from the generator where there are no time marks."""
    loaded = runs.load(write(ANSWERS | {"marks": "none"}, tmp_path).job)
    options = {use.use: use.options for use in loaded.uses}
    assert options["bandwidth"].levelling == "by hand"
    assert options["time_base"].source == "generator"
    assert options["vertical"].paths == ("lead", "probe")
    assert options["look"].checks == ("controls", "trace rotation", "probe compensation")


def test_an_output_that_has_no_switch_is_never_said_to_be_off(tmp_path: Path) -> None:
    answers = ANSWERS | {"sines": "25 MHz, no switch", "volts": "decades 10 mV to 100 V, 0.25 %, no output switch"}
    bench = runs.load(write(answers, tmp_path).job).setup.bench
    assert bench.generator is not None
    assert bench.calibrator is not None
    assert not bench.generator.output_switch
    assert not bench.calibrator.output_switch


def test_back_asks_the_question_before_and_enter_keeps_its_answer() -> None:
    typed = list(ANSWERS.values())
    answers, person = asked(*typed[:2], "back", "", *typed[2:4], "back", "back", "1 mV to 5 V", "", *typed[4:])
    assert answers == ANSWERS | {"volts_per_div": "1 mV to 5 V"}
    assert "[Enter: two channels, 20 MHz]" in person.asked[3].hint
    assert person.asked[3].title == person.asked[1].title


def test_nonsense_at_a_question_is_told_and_asked_again() -> None:
    typed = list(ANSWERS.values())
    answers, person = asked("back", "", "Skua", *typed)
    assert answers == ANSWERS
    assert sum("Skua, 0958" in told for told in person.told) >= 2


def test_stop_writes_nothing() -> None:
    with pytest.raises(OperatorStop, match="no file was written"):
        asked(*list(ANSWERS.values())[:5], "stop")


def test_whoever_never_makes_sense_is_told_that_no_file_was_written() -> None:
    with pytest.raises(OperatorStop) as stopped:
        ask(FakePerson(then="bananas"), offered={})
    assert str(stopped.value) == "Stopped: 50 answers in a row made no sense. No file was written."


def test_a_second_unit_needs_four_answers_and_changes_no_file(tmp_path: Path) -> None:
    remembered = tmp_path / "entered.json"
    first = write(ANSWERS, tmp_path / "bench")
    kept.keep(remembered, ANSWERS)
    before = {path: path.read_bytes() for path in (first.bench, first.unit, first.job)}

    person = FakePerson(["1", "1, 1188", "1", "1"], then=None)
    answers = ask(person, offered=kept.offered(remembered), without=(BENCH,))
    assert len(person.asked) == 4  # the first was refused: a unit of a known model has its own serial number
    assert answers["identity"] == "Aldermoor, Skua, 1188"
    second = write(answers, tmp_path / "bench")

    assert standing_bench(tmp_path / "bench") == second.bench == first.bench
    assert second.kept == (first.bench, first.unit)
    assert second.job != first.job
    assert runs.load(second.job).setup.job.serial == "1188"
    again = write(answers | {"rated": "two channels, 60 MHz"}, tmp_path / "bench")
    assert (again.unit.name, again.job.name) == ("aldermoor_skua-2.toml", "aldermoor_skua_1188-2.toml")
    assert {path: path.read_bytes() for path in before} == before


def test_a_bench_without_a_divider_is_said_and_the_probe_left_out(tmp_path: Path) -> None:
    write(ANSWERS | {"probe": "none"}, tmp_path)
    written = write(ANSWERS | {"identity": "Aldermoor, Skua, 7"}, tmp_path)
    assert written.left_out == (
        "bench.toml has no path with a divider; add [paths.probe] to it, and its name to the job.",
    )
    assert {use.use: use.options for use in runs.load(written.job).uses}["vertical"].paths == ("lead",)


@pytest.mark.parametrize("content", [
    "", "[]", "{", '{"identity": 5}', '{"identity": [{"identity": "x"}], "customer": ["a", {"customer": 7}]}',
    "[" * 99999,
])  # fmt: skip
def test_a_damaged_memory_offers_nothing_and_is_replaced(tmp_path: Path, content: str) -> None:
    path = tmp_path / "entered.json"
    path.write_text(content, "utf-8")
    assert not any(kept.offered(path).values())
    kept.keep(path, ANSWERS)
    assert kept.offered(path)["customer"] == [{"customer": "Training ship Petrel"}]


def test_what_was_entered_last_is_offered_first_and_once(tmp_path: Path) -> None:
    path = tmp_path / "entered.json"
    for customer in ("one", "two", "One", "none"):
        kept.keep(path, ANSWERS | {"customer": customer})
    assert [each["customer"] for each in kept.offered(path)["customer"]] == ["One", "two"]
    assert len(json.loads(path.read_text("utf-8"))["identity"]) == 1


def test_a_bandwidth_that_is_left_out_is_said(tmp_path: Path) -> None:
    (left_out,) = write(ANSWERS | {"faster": "none"}, tmp_path).left_out
    assert left_out.startswith("The bandwidth is left out")
    assert not write(ANSWERS, tmp_path / "other").left_out


def test_what_the_readme_shows_is_what_is_asked_and_understood() -> None:
    readme = (Path(__file__).resolve().parent.parent / "README.md").read_text("utf-8")
    shown = readme.split("    $ halfpower new --by-hand\n")[1].split("    $ halfpower run")[0]
    questions = {f"? {each.about}. {each.title}": each for each in QUESTIONS}
    lines = [line.strip() for line in shown.splitlines() if line.strip() != "..."]
    for asked_for, example, far, answer, understood in zip(*[iter(lines)] * 5, strict=True):
        question = questions[asked_for]
        assert example == f"such as: {question.example}"
        assert far == f"{QUESTIONS.index(question) + 1} of {len(QUESTIONS)}"
        assert understood == f"Understood: {question.read(answer.removeprefix('answer: '))}."


def test_a_folder_that_is_a_file_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", "utf-8")
    with pytest.raises(HalfpowerError, match="no file can be written there"):
        write(ANSWERS, tmp_path / "file")


def test_the_command_asks_writes_and_says_what_comes_next(tmp_path: Path) -> None:
    options = ["new", "--by-hand", "--into", str(tmp_path / "b"), "--remembered", str(tmp_path / "entered.json")]
    told = CliRunner().invoke(cli, options, input="\n".join(ANSWERS.values()) + "\n")
    assert told.exit_code == 0, told.output
    assert "halfpower rehearse" in told.output
    job = tmp_path / "b" / "aldermoor_skua_0958.toml"
    checked = CliRunner().invoke(cli, ["check", str(job)])
    assert checked.exit_code == 0, checked.output
    again = CliRunner().invoke(cli, options, input="1, 12\n1\n1\n")
    assert again.exit_code == 0, again.output
    assert "is there, and is used as it is" in again.output


def test_the_questions_are_answered_on_a_page_as_well(tmp_path: Path) -> None:
    command = [sys.executable, "-u", "-m", "harness.cli", "new", "--by-hand", "--page", "--into", str(tmp_path / "b")]
    with subprocess.Popen(
        [*command, "--remembered", str(tmp_path / "entered.json")], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        encoding="utf-8", env={**os.environ, "PYTHONUTF8": "1"},
    ) as running:  # fmt: skip
        assert running.stdout is not None
        address = next(line for line in running.stdout if "http://" in line).split("page: ")[1].strip()
        client = Client(address)
        with client.states() as states:
            for question in QUESTIONS:
                state = states.asked(question.title)
                assert state["question"]["in_words"]
                assert not state["question"]["more"]
                assert client.answer(state, ANSWERS[question.key]) == (204, "")
        assert running.wait(30) == 0
        assert "halfpower rehearse" in running.stdout.read()
    assert runs.load(tmp_path / "b" / "aldermoor_skua_0958.toml").setup.job.serial == "0958"


def test_a_kind_or_by_hand_is_named() -> None:
    assert CliRunner().invoke(cli, ["new"]).exit_code == 2
    assert CliRunner().invoke(cli, ["new", "job", "--by-hand"]).exit_code == 2
