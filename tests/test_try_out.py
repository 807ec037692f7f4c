"""An instrument tried out: what it does right, what it does wrong, the lines that help, and outputs that end off."""

from __future__ import annotations

import os
import re
import shutil
import signal
import sys
from pathlib import Path

import pytest

from harness.errors import ConfigError, OperatorStop
from harness.fakes import FakePerson
from harness.report.tried_page import tried_page
from harness.run.against import settled_after
from harness.run.trying import try_out
from harness.words.found import Found, Line, TriedOut, bench_lines
from tests.helpers.demo_lab import DEMO, change, halfpower, with_two_places
from tests.helpers.served import a_lab, end, guardians_of, started, wait_for

PROFILES = Path(__file__).resolve().parent.parent / "sim_profiles"


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    return shutil.copytree(DEMO, tmp_path / "lab")


def with_faults(lab: Path, faults: str) -> Path:
    path = lab / "bench_sim.toml"
    path.write_text(f"{path.read_text('utf-8')}\n[faults]\n{faults}\n", "utf-8")
    return lab / "bench.toml"


def with_profile(lab: Path, profile: str, *without: str, changed: tuple[str, str] = ("", "")) -> Path:
    """The same instrument without these lines of its table of commands, and with another word."""
    lines = (PROFILES / f"{profile}.toml").read_text("utf-8").splitlines()
    kept = "\n".join(line for line in lines if not any(each in line for each in without))
    assert kept.count("\n") == len(lines) - 1 - len(without)
    (lab / "own_profile.toml").write_text(kept.replace(*changed), "utf-8")
    change(lab / "bench_sim.toml", (f'profile = "{profile}"', 'profile = "own_profile.toml"'))
    return lab / "bench.toml"


def put_in(bench: Path, tried: TriedOut) -> None:
    """Write the lines where a person would: each below its heading."""
    text = bench.read_text("utf-8")
    for heading, lines in re.findall(r"^(\[.*\])\n((?:[^\[].*\n?)*)", "\n".join(tried.lines), re.M):
        if f"{heading}\n" in text:
            text = text.replace(f"{heading}\n", f"{heading}\n{lines.rstrip()}\n")
        else:
            text += f"\n{heading}\n{lines.rstrip()}\n"
    bench.write_text(text, "utf-8")


def wrongs(tried: TriedOut) -> dict[str, str]:
    return {each.check: each.said for each in tried.found if each.word in ("fail", "conditional pass")}


# --- as it should be ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", ["calibrator", "generator", "counter", "reference", "unit", "switch"])
def test_a_sound_instrument_keeps_its_protocol(lab: Path, role: str) -> None:
    tried = try_out(role, lab / "bench.toml")
    assert wrongs(tried) == {}
    assert (tried.word, tried.may_be_on) == ("pass", "")
    checks = {each.check for each in tried.found if each.word == "pass"}
    assert {"identity", "error queue", "refusal", "loss", "commands", "answers in time"} <= checks
    assert "a reading against another instrument" in checks
    if role in ("calibrator", "generator"):
        assert {"output off", "output off, as it is seen", "settling"} <= checks


def test_the_meter_of_a_room_and_a_level_meter(lab: Path) -> None:
    meter = '[meter]\naddress = "GPIB0::20::INSTR"\n'
    change(lab / "bench_sim.toml", ("[switch]\n", f'{meter}profile = "northfen_room_meter"\n\n[switch]\n'))
    change(lab / "bench.toml", ("[switch]\n", f"{meter}\n[switch]\n"))
    change(lab / "bench_sim.toml", ('"northfen_reference_scope"', '"northfen_level_meter"'))
    identity = 'identity = "Northfen,Rame,Rame-0612,5.2"'
    change(lab / "bench.toml", (identity, 'kind = "level_meter"\nmaximum_rms = "5 Vrms"'))
    room = try_out("meter", lab / "bench.toml")
    assert (room.word, wrongs(room)) == ("pass", {})
    assert any(re.match(r"\d\d\.\d °C, \d+ %", each.said) for each in room.found)
    level = try_out("reference", lab / "bench.toml")
    assert wrongs(level) == {}
    assert any("the reference reads" in each.said for each in level.found)


def test_a_poor_line_changes_nothing(lab: Path) -> None:
    faults = 'rate = 0.02\nseed = 3\nkinds = ["late", "cut", "doubled", "lost", "closed", "power cycle"]'
    assert wrongs(try_out("calibrator", with_faults(lab, faults))) == {}


@pytest.mark.parametrize("seed", [1, 3])
def test_a_line_that_is_too_poor_is_what_was_found(lab: Path, seed: int) -> None:
    bench = with_faults(lab, f'rate = 0.4\nseed = {seed}\nkinds = ["lost"]\nroles = ["calibrator"]')
    tried = try_out("calibrator", bench)
    assert tried.word == "fail"
    assert tried.lines == ()  # no line of a file mends a cable
    assert tried_page(tried, program="1.0")


def test_it_is_told_in_lines_and_on_a_page(lab: Path) -> None:
    page = lab / "tried.html"
    said = halfpower("try-out", "unit", "--bench", lab / "bench.toml", "--html", page, "--trace", lab / "wire.txt")
    assert said.exit_code == 0, said.stderr
    assert "unit > *ESE" in (lab / "wire.txt").read_text("utf-8")
    assert re.search(r"^pass +identity +answers as 'Aldermoor,Egret,Egret-3071,1.08'$", said.stdout, re.M)
    assert f"Page: {page}" in said.stdout
    text = page.read_text("utf-8")
    assert "The unit keeps its protocol" in text
    assert "Simulated bench" in text
    assert "trigger_coupling" in text  # every command stands there


# --- an instrument with faults ------------------------------------------------------------------------------------


def test_refused_commands_are_named_and_the_proposed_lines_let_it_pass(lab: Path) -> None:
    missing = ("INPut#:FILTer", "SWEep:OFFSet:TIME", "FILTer:HPASs", "LEVel:AUTO", "VOLTage:AC?")
    bench = with_profile(lab, "aldermoor_digital_scope", *missing)
    tried = try_out("unit", bench)
    assert (tried.word, tried.may_be_on) == ("conditional pass", "")
    assert "refuses ':INP1:FILT 0': -113" in wrongs(tried)["command 'limiter'"]
    lines = "\n".join(tried.lines)
    assert 'limiter = ""' in lines
    assert 'trigger_coupling = ":TRIG:COUP DC;:TRIG:FILT:LPAS 0"' in lines  # what it cannot choose is chosen by no step
    assert 'ac_rms = ""' in lines
    said = halfpower("try-out", "unit", "--bench", bench, "--html", lab / "tried.html")
    assert said.exit_code == 3
    assert "unit: differs from the instrument; write the lines above into it" in said.stderr
    put_in(bench, tried)
    assert halfpower("check", bench).exit_code == 0
    assert try_out("unit", bench).word == "pass"


def test_a_level_that_is_rounded_is_a_number_of_digits(lab: Path) -> None:
    bench = with_faults(lab, 'coarse = ["calibrator"]')
    tried = try_out("calibrator", bench)
    assert wrongs(tried)["command 'dc'"] == "answers 3.000000000E-01 to ':SOUR:VOLT?' where 0.31416 was set"
    assert tried.lines[:1] == ("[calibrator]",)
    assert tried.lines[1].startswith("level_digits = 1 ")
    put_in(bench, tried)
    assert try_out("calibrator", bench).word == "pass"


def test_a_frequency_that_is_rounded_far_is_no_matter_of_a_tolerance(lab: Path) -> None:
    tried = try_out("generator", with_faults(lab, 'coarse = ["generator"]'))
    assert tried.word == "fail"
    assert "where 1234570.0 was set" in wrongs(tried)["command 'sine'"]
    assert tried.lines == ()
    assert any(each.check == "output on" and each.word == "not tried" for each in tried.found)


def test_a_level_that_is_rounded_a_little_widens_its_question(lab: Path) -> None:
    steps = 'steps = ["315 mV", "630 mV"], default = "315 mV"'
    bench = with_profile(
        lab, "northfen_generator", changed=('high = "5.5 V", default = "100 mV"', f'high = "5.5 V", {steps}')
    )
    tried = try_out("generator", bench)
    lines = "\n".join(tried.lines)
    assert re.search(r'^sine_is = ":SOUR:FUNC\?=SIN;.*:SOUR:VOLT\?=\{level_vpp\}~0\.5%"', lines, re.M)
    put_in(bench, tried)
    assert try_out("generator", bench).word == "pass"


def test_a_signal_that_it_does_not_give_is_left_out_of_its_functions(lab: Path) -> None:
    bench = with_profile(lab, "northfen_calibrator", changed=('DC = "dc", ', ""))
    tried = try_out("calibrator", bench)
    assert tried.lines == ("[calibrator]", 'functions = ["square", "time_marks"]   # it gives no dc')
    put_in(bench, tried)
    assert try_out("calibrator", bench).word == "pass"


def test_a_line_of_the_bench_file_that_is_wrong_gives_way_to_the_standards_own(lab: Path) -> None:
    bench = lab / "bench.toml"
    wrong = '[unit.commands]\ncoupling = ":CHAN{channel}:COUP {coupling}"\n'
    bench.write_text(f"{bench.read_text('utf-8')}\n{wrong}", "utf-8")
    tried = try_out("unit", bench)
    assert tried.word == "conditional pass"
    assert wrongs(tried)["command 'coupling'"].startswith("refuses ':CHAN1:COUP DC': -113")
    assert 'coupling = ":INP{channel}:COUP {coupling}"' in "\n".join(tried.lines)
    assert 'coupling_is = ":INP{channel}:COUP?={coupling}"' in "\n".join(tried.lines)
    first, *more = repr(tried).splitlines()  # in a notebook
    assert first == f"<TriedOut {tried.sentence}>"
    assert [line for line in more if "refuses ':CHAN1:COUP DC'" in line]
    assert more[-len(tried.lines) :] == list(tried.lines)


def test_a_wrong_command_that_should_switch_an_output_off_is_named(lab: Path) -> None:
    bench = lab / "bench.toml"
    bench.write_text(f'{bench.read_text("utf-8")}\n[calibrator.commands]\noutput_off = ":OUTP:STAT OF"\n', "utf-8")
    tried = try_out("calibrator", bench)
    assert "after ':OUTP:STAT OF', its 'commands.output_off'" in wrongs(tried)["output off at the start"]
    assert "after ':OUTP:STAT OF', its 'commands.output_off'. Switch it off by hand." in tried.may_be_on
    other = try_out("counter", bench)
    assert (other.word, other.sentence) == ("fail", "The counter was not tried.")


def test_what_cannot_be_left_out_is_left_to_a_person(lab: Path) -> None:
    bench = with_profile(lab, "northfen_generator", "FUNCtion[:SHAPe]", "[:IMMediate][:AMPLitude]", "IMMediate]:OFFSet")
    tried = try_out("generator", bench)
    assert tried.word == "fail"
    (line,) = (line for line in tried.lines if line.startswith("# sine ="))
    assert '"# sine' not in line
    assert ":SOUR:FREQ {frequency_hz};:SOUR:VOLT {level_vpp}" in line
    assert 'always_is = ""' in "\n".join(tried.lines)
    assert all(each.check != "command 'output_on'" for each in tried.found)  # no level was confirmed
    put_in(bench, tried)
    assert halfpower("check", bench).exit_code == 0


def test_a_command_of_the_bench_files_own_setup_that_is_refused_is_told(lab: Path) -> None:
    change(lab / "bench.toml", ("\n[unit]\n", '\n[unit]\nsetup = ["ACQ:TYPE NORM"]\n'))
    said = wrongs(try_out("unit", lab / "bench.toml"))["setup"]
    assert said == "refuses ':ACQ:TYPE NORM': -113,\"Undefined header\"; correct it in 'setup' of the bench file"


def test_a_unit_at_a_position_has_its_lines_there(lab: Path) -> None:
    with_two_places(lab)
    bench = with_faults(lab, 'slow = { unit = "1.5 s" }')
    tried = try_out("unit", bench, position="right")
    assert "Egret-0002" in tried.label
    assert tried.lines[0] == "[positions.right]"
    put_in(bench, tried)
    assert try_out("unit", bench, position="right").word == "pass"


def test_an_instrument_without_an_error_queue(lab: Path) -> None:
    bench = with_profile(lab, "northfen_calibrator", "SYSTem:ERRor")
    tried = try_out("calibrator", bench)
    assert wrongs(tried) == {"error queue": "has no error queue that answers"}
    put_in(bench, tried)
    assert try_out("calibrator", bench).word == "pass"


@pytest.mark.parametrize(("slow", "proposed"), [("1.5 s", "5 s"), ("3 s", "9 s")])
def test_late_answers_are_waited_for_and_told(lab: Path, slow: str, proposed: str) -> None:
    bench = with_faults(lab, f'slow = {{ counter = "{slow}" }}')
    tried = try_out("counter", bench)
    assert set(wrongs(tried)) == {"answers in time"}
    assert f'timeout = "{proposed}"' in "\n".join(tried.lines)
    put_in(bench, tried)
    assert try_out("counter", bench).word == "pass"


def test_what_does_not_answer_is_told_and_nothing_else_is_tried(lab: Path) -> None:
    bench = with_faults(lab, 'slow = { counter = "100 s" }')
    tried = try_out("counter", bench)
    assert [each.check for each in tried.found] == ["identity"]
    assert "does not answer" in wrongs(tried)["identity"]
    assert halfpower("try-out", "counter", "--bench", bench, "--html", lab / "x.html").exit_code == 4


def test_an_output_that_does_not_go_off_is_the_last_word(lab: Path) -> None:
    bench, page = with_faults(lab, 'deaf = ["calibrator"]'), lab / "tried.html"
    said = halfpower("try-out", "calibrator", "--bench", bench, "--html", page)
    assert said.exit_code == 6
    assert "The output of the calibrator (Northfen Orme no. Orme-0417) may still be ON" in said.stderr
    assert re.search(r"^fail +command 'output_off' +answers 1 to ':OUTP\?' where 0 was set$", said.stdout, re.M)
    assert re.search(r"^not tried +settings", said.stdout, re.M)
    assert "An output may still be on" in page.read_text("utf-8")


def test_an_output_that_says_it_is_off_is_seen_on_the_other_instrument(lab: Path) -> None:
    tried = try_out("calibrator", with_faults(lab, 'stuck = ["calibrator"]'))
    assert "says that it is off, and the unit still shows 63" in wrongs(tried)["output off, as it is seen"]
    assert "may still be ON" in tried.may_be_on


def test_a_level_of_another_kind_is_seen_on_the_other_instrument(lab: Path) -> None:
    """A generator whose level is that into an open output gives half of it into 50 Ω; common practice."""
    change(lab / "bench_sim.toml", ('gain_sine = "0.8 %"', 'gain_sine = "-50 %"'))
    said = wrongs(try_out("generator", lab / "bench.toml"))["a reading against another instrument"]
    assert re.match(r"the reference reads 31\d\.?\d* mV where the generator gives 628\.3 mV .*peak to peak, rms", said)


def test_trouble_of_the_other_instrument_is_not_this_ones(lab: Path) -> None:
    bench = with_profile(lab, "northfen_calibrator", "IMMediate]:OFFSet")
    tried = try_out("unit", bench)
    assert wrongs(tried) == {}
    assert any("the calibrator does not do its part" in each.said for each in tried.found if each.word == "not tried")


# --- never left on ------------------------------------------------------------------------------------------------


def test_a_real_bench_is_asked_about_first(tmp_path: Path) -> None:
    with a_lab(tmp_path / "lab") as lab:
        heard: list[bytes] = []
        for device in lab.simulated.devices.values():
            handle = device.handle
            device.handle = lambda line, handle=handle: (heard.append(line), handle(line))[1]  # type: ignore[method-assign]
        nobody = FakePerson(["stop"])
        with pytest.raises(OperatorStop, match="before anything was sent"):
            try_out("calibrator", lab.bench, operator=nobody)
        assert heard == []
        assert any("1 V peak at most" in line for line in nobody.asked[0].lines)
        with pytest.raises(OperatorStop, match="A person is needed"):
            try_out("calibrator", lab.bench)
        tried = try_out("calibrator", lab.bench, operator=FakePerson(["go on"]))
        assert (wrongs(tried), lab.on()) == ({}, ())
        levels = [float(each) for line in heard for each in re.findall(rb":VOLT (-?[\d.E-]+)", line)]
        assert levels
        assert max(map(abs, levels)) <= 1.0


@pytest.mark.skipif(sys.platform == "win32", reason="signals and processes of POSIX")
@pytest.mark.parametrize("number", [pytest.param(signal.SIGINT, marks=pytest.mark.soak), signal.SIGKILL])
def test_a_trial_that_is_stopped_or_killed_leaves_no_output_on(tmp_path: Path, number: int) -> None:
    with a_lab(tmp_path / "lab") as lab:
        run = started(trial, lab.bench, log=tmp_path / "log")
        lab.until_on(run)
        os.kill(run.pid or 0, number)
        assert end(run) != 0
        wait_for(lambda: not lab.on() and not guardians_of(run.pid))
        assert lab.on() == ()


def trial(bench: Path) -> None:
    try_out("calibrator", bench, operator=FakePerson(["go on"]))


OWN = """
from drivers.calibrator import ScpiCalibrator

class Interrupted(ScpiCalibrator):
    left = 3

    def apply(self, stimulus):
        super().apply(stimulus)
        Interrupted.left -= 1
        if not Interrupted.left:
            raise {what}

    def off(self):
        super().off()
        with open({log!r}, "a") as log:
            log.write("off")
"""


@pytest.mark.parametrize("what", ["KeyboardInterrupt", "ZeroDivisionError('in a driver')"])
def test_whatever_ends_it_the_output_is_switched_off_last(lab: Path, tmp_path: Path, what: str) -> None:
    log = tmp_path / "log"
    (lab / "own.py").write_text(OWN.format(what=what, log=str(log)), "utf-8")
    change(lab / "bench.toml", ("[calibrator]\n", '[calibrator]\ndriver = "own.py:Interrupted"\n'))
    if what == "KeyboardInterrupt":
        with pytest.raises(KeyboardInterrupt):
            try_out("calibrator", lab / "bench.toml")
    else:
        tried = try_out("calibrator", lab / "bench.toml")
        said = r"own.py:11: Interrupted.apply fails: ZeroDivisionError: in a driver, at: raise Zero"
        assert any(re.search(said, told) for told in wrongs(tried).values()), wrongs(tried)
    assert log.read_text("utf-8").endswith("off")


# --- files, lines, pages ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "options", "sentence"),
    [
        ("meter", {}, "meter: missing; its instruments are: calibrator, generator"),
        ("unit", {"position": "left"}, "positions.left: missing; it has none"),
    ],
)
def test_what_is_not_on_the_bench_is_a_sentence(lab: Path, role: str, options: dict[str, str], sentence: str) -> None:
    with pytest.raises(ConfigError, match=re.escape(sentence)):
        try_out(role, lab / "bench.toml", **options)


def test_what_is_worked_by_hand_is_not_tried(lab: Path) -> None:
    with pytest.raises(ConfigError, match="is worked by hand"):
        try_out("calibrator", lab / "hand_bench.toml")


def test_the_lines_are_toml_whatever_an_instrument_says() -> None:
    lines = (
        Line("identity", 'A"\x1b[2J\n,B'),
        Line("commands.x", "", "said\nso\x1b"),
        Line("commands.y", "Z", "why", True),
    )
    found = [Found(check="c", word="pass", said="", lines=lines)]
    assert list(bench_lines("unit", found)) == [
        "[unit]", 'identity = "A\\"\\u001b[2J\\n,B"', "[unit.commands]", 'x = ""   # said so\\x1b', '# y = "Z"   # why',
    ]  # fmt: skip


def test_a_page_obeys_nothing_that_an_instrument_says() -> None:
    evil = "<script>alert(1)</script>\x1b[2J\u202e"
    line = Line("commands.limiter", "", evil)
    tried = TriedOut(
        role="unit", table="unit", label=evil, address=evil, bench=evil, at=evil, simulated=False, put_out="",
        found=(Found(check=evil, word="fail", said=evil, lines=(line,)),), commands=((evil, evil, evil),),
    )  # fmt: skip
    text = tried_page(tried, program=evil)
    assert "<script" not in text
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert text == tried_page(tried, program=evil)


@pytest.mark.parametrize(
    ("values", "after_s"),
    [
        ([3.0, 3.01, 3.0, 3.0], 0.0),
        ([1.0, 2.0, 2.9, 3.0, 3.0, 3.0], 0.3),
        ([1.0, 2.0], None),
        ([1.0, 2.0, 3.0, 3.2, 3.4], 0.2),
    ],
)
def test_when_a_reading_stands_still(values: list[float], after_s: float | None) -> None:
    found = settled_after([(place / 10, value) for place, value in enumerate(values)])
    assert found == pytest.approx(after_s) if after_s is not None else found is None
