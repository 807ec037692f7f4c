"""The commands as a user types them: exit codes by kind of failure, one sentence each, and what is left on disk."""

from __future__ import annotations

import hashlib
import html
import inspect
import io
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import weakref
from collections.abc import Iterator
from contextlib import suppress
from itertools import pairwise
from pathlib import Path
from typing import IO, Any

import click
import pytest
from rich.console import Console

from harness.cli import Stopped, _signals, cli
from harness.commands.demo import Compared, unpack
from harness.commands.run import told_how_to_resume
from harness.errors import BusyError
from harness.journal import journal
from harness.journal.lock import hold
from harness.person.console import Terminal
from harness.person.operator import Prompt
from harness.report.sheet import sheet
from harness.report.summary import summarise
from harness.steps import Measure
from harness.words.clean import clean
from tests.golden.render import FORMATS
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job, change, halfpower, piped, serving
from tests.helpers.sample_years import reseal

QUICK = f'{ONE_CHANNEL}\nranges = ["100 mV", "200 mV", "500 mV"]'
BRAILLE = re.compile("[\u2801-\u28ff]")


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """The demo's files, with two short jobs: by itself, and by hand and eye."""
    folder = shutil.copytree(DEMO, tmp_path / "lab")
    a_job(folder / "quick.toml", QUICK)
    a_job(
        folder / "eye.toml", f'{ONE_CHANNEL}\nranges = ["2 V", "5 V"]',
        unit="aldermoor_skua.toml", bench="hand_bench.toml", serial="Skua-0958",
    )  # fmt: skip
    return folder


@pytest.fixture(scope="module")
def quick(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's files and the finished run of the short job, made once; nobody changes them."""
    folder = shutil.copytree(DEMO, tmp_path_factory.mktemp("quick") / "lab")
    done = halfpower("run", a_job(folder / "quick.toml", QUICK), "--runs", folder / "runs", "--quiet")
    assert done.exit_code == 0, done.stderr
    return folder


@pytest.fixture
def ran(quick: Path, tmp_path: Path) -> Path:
    """The folder of a finished run."""
    return next((shutil.copytree(quick, tmp_path / "lab") / "runs").iterdir())


# --- help and files ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", sorted(cli.commands))
def test_every_command_explains_itself_with_examples(command: str) -> None:
    told = halfpower(command, "--help")
    assert told.exit_code == 0
    assert f"halfpower {command} " in told.stdout.split("Examples:")[1]


def test_a_misspelt_command_names_the_nearest() -> None:
    told = halfpower("chek")
    assert told.exit_code == 2
    assert "check" in told.stderr


def test_a_strangers_package_of_the_same_name_is_not_taken_for_ours(tmp_path: Path) -> None:
    (tmp_path / "drivers").mkdir()
    (tmp_path / "drivers" / "__init__.py").write_text("raise RuntimeError('started')", "utf-8")
    environment = {**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{DEMO.parent.parent}"}
    told = subprocess.run(
        [sys.executable, "-m", "harness.cli", "new", "job"], cwd=tmp_path, env=environment,
        capture_output=True, encoding="utf-8", check=False, timeout=60,
    )  # fmt: skip
    assert told.returncode == 0, told.stderr
    assert "started" not in told.stderr


def test_starter_files_are_sound_together(tmp_path: Path) -> None:
    for kind in ("bench", "unit", "job", "queue"):
        (tmp_path / f"{kind}.toml").write_text(halfpower("new", kind).stdout, "utf-8")
    checked = halfpower("check", *sorted(tmp_path.iterdir()))
    assert checked.exit_code == 0, checked.stderr
    assert len(checked.stdout.splitlines()) == 4


def test_check_says_of_a_file_of_corrections_which_command_takes_it(tmp_path: Path) -> None:
    path = tmp_path / "k 320.toml"
    path.write_text(
        'reason = "recertified"\n[[standard]]\nserial = "K1"\n'
        '[[standard.known_error]]\nfunction = "dc"\nof_value = "1 %"\n', "utf-8",
    )  # fmt: skip
    told = halfpower("check", path)
    assert told.exit_code == 0, told.stderr
    assert (
        f"a sound file of corrections, 1 correction; it is for: halfpower reanalyse --corrections '{path}'"
        in told.stdout
    )
    path.write_text(path.read_text("utf-8").replace('"1 %"', '"0 %"'), "utf-8")
    assert "standard[1].known_error[1]: states no error" in halfpower("check", path).stderr


def test_check_looks_at_the_jobs_of_a_queue_whatever_else_is_wrong_with_it(lab: Path) -> None:
    queue = lab / "queue.toml"
    queue.write_text('jobs = ["gone.toml", "quick.toml", "aldermoor_egret.toml"]\nagian = 1\n', "utf-8")
    told = halfpower("check", queue)
    assert told.exit_code == 3
    for text in ("queue.toml:1: jobs[1]: there is no file", "queue.toml:2: agian: unknown key", "this is a unit file"):
        assert text in told.stderr


def test_every_file_of_the_demo_is_sound() -> None:
    checked = halfpower("check", *sorted(DEMO.glob("*.toml")))
    assert checked.exit_code == 0, checked.stderr


def test_check_reports_every_problem_of_every_file_once(lab: Path) -> None:
    unit, job = lab / "aldermoor_egret.toml", lab / "quick.toml"
    unit.write_text(unit.read_text("utf-8").replace("bandwidth =", "bandwith =", 1), "utf-8")
    change(job, ("vertical", "vertcal"), ('serial = "Egret-3071"', "serial = 7"))
    checked = halfpower("check", job, unit)
    assert checked.exit_code == 3
    assert checked.stdout == ""
    problems = checked.stderr.splitlines()
    assert len(problems) == len(set(problems))
    for wrong in ("bandwith", "vertcal", "serial"):
        assert sum(wrong in problem for problem in problems) >= 1, problems
    assert all(f".toml:{line}" in problem for problem in problems if (line := problem.split(":")[1]).isdigit())


@pytest.mark.parametrize("content", [None, b"", b"\x00\xff\xfe", b"[[[", b'colour = "blue"\n'])
def test_a_file_that_is_none_of_ours_gets_a_sentence(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "what.toml"
    if content is not None:
        path.write_bytes(content)
    checked = halfpower("check", path)
    assert checked.exit_code == 3
    assert "what.toml" in checked.stderr


def test_a_hostile_file_name_steers_no_terminal(tmp_path: Path) -> None:
    checked = halfpower("check", tmp_path / "\x1b[2Jgone.toml")
    assert checked.exit_code == 3
    assert "\x1b" not in checked.stderr


@pytest.mark.parametrize("kind", ["bench", "unit", "job"])
def test_schema_is_json_and_names_the_keys(kind: str) -> None:
    schema = json.loads(halfpower("schema", kind).stdout)
    assert {"bench": "calibrator", "unit": "volts_per_div", "job": "sequence"}[kind] in schema["properties"]


# --- bench and rehearsal -----------------------------------------------------------------------------------------


def test_bench_tells_who_answers_and_until_when_certificates_hold(lab: Path) -> None:
    told = halfpower("bench", lab / "bench.toml")
    assert told.exit_code == 0, told.stderr
    for text in ("calibrator:", "answers as Northfen", "round trip", "good until"):
        assert text in told.stdout


def test_a_certificate_that_has_run_out_is_said_wherever_a_person_looks(lab: Path) -> None:
    bench, quick = lab / "bench.toml", lab / "quick.toml"
    change(bench, ("due = 2027-02-02", "due = 2026-02-03"))
    late = "the counter (Northfen Mull no. Mull-2210) was due on 2026-02-03"
    for command in ("check", "rehearse", "run"):
        told = halfpower(command, quick, *(("--runs", lab / "runs") if command == "run" else ()))
        assert f"warning: {bench}: {late}, so a run is refused" in told.stderr
        assert told.exit_code == (3 if command == "run" else 0)
    assert f"warning: {bench}: {late}" in halfpower("check", bench).stderr
    talked = halfpower("bench", bench)
    assert talked.exit_code == 3
    assert "the certificate of the counter ran out on 2026-02-03" in talked.stderr
    a_job(quick, ONE_CHANNEL, head="allow_overdue = true")
    assert f"{late}, which the job allows" in halfpower("check", quick).stderr


def test_bench_names_every_position_and_no_address_twice(lab: Path) -> None:
    right = '[positions.right]\naddress = "GPIB0::3::INSTR"\n'
    added = {"bench.toml": right, "bench_sim.toml": f'{right}profile = "aldermoor_digital_scope"\nserial = "2"\n'}
    for name, table in added.items():
        text = (lab / name).read_text("utf-8")
        (lab / name).write_text(text.replace("[switch]\n", f"{table}\n[switch]\n", 1), "utf-8")
    told = halfpower("bench", lab / "bench.toml")
    assert told.exit_code == 0, told.stderr
    assert "unit: at TCPIP0::192.0.2.30::5025::SOCKET\n" in told.stdout
    assert "unit at right: at GPIB0::3::INSTR\n  answers as Aldermoor,Egret,2," in told.stdout


def test_check_looks_into_the_simulated_bench_too(lab: Path) -> None:
    simulated = lab / "bench_sim.toml"
    change(simulated, ('"GPIB0::12::INSTR"', '"GPIB0::13::INSTR"'))
    for file in ("bench.toml", "quick.toml"):
        checked = halfpower("check", lab / file)
        assert checked.exit_code == 3
        assert "counter.address: 'GPIB0::12::INSTR' is none of bench_sim.toml" in checked.stderr
    change(simulated, ("seed =", "sead ="))
    assert "sead" in halfpower("check", lab / "bench.toml").stderr


def test_bench_says_which_instrument_is_another_than_expected(lab: Path) -> None:
    bench = lab / "bench.toml"
    text = bench.read_text("utf-8")
    identity = next(line for line in text.splitlines() if line.startswith("identity"))
    bench.write_text(text.replace(identity, 'identity = "Northfen,Gribbin,1,1"', 1), "utf-8")
    told = halfpower("bench", bench)
    assert told.exit_code == 4
    assert "Gribbin" in told.stdout
    assert "calibrator" in told.stderr


def test_only_a_simulated_bench_can_be_served(lab: Path) -> None:
    bench = lab / "bench.toml"
    lines = [line for line in bench.read_text("utf-8").splitlines() if not line.startswith("simulation")]
    bench.write_text("\n".join(lines), "utf-8")
    told = halfpower("bench", bench, "--serve")
    assert told.exit_code == 3
    assert "simulation" in told.stderr


def test_a_served_bench_answers_a_plain_socket(lab: Path) -> None:
    with serving(lab / "bench.toml") as (served, said):
        address = next(line for line in said.splitlines() if line.startswith("counter")).split()[1]
        with socket.create_connection(("127.0.0.1", int(address.split("::")[2])), timeout=10) as wire:
            wire.sendall(b"*IDN?\n")
            assert wire.makefile("r").readline().startswith("Northfen,")
        served.send_signal(signal.SIGINT)
        assert served.wait(timeout=20) == 130


def test_rehearsal_names_hands_hazards_and_what_cannot_be_decided(lab: Path) -> None:
    told = halfpower("rehearse", lab / "by_eye.toml")
    assert told.exit_code == 0, told.stderr
    for text in ("A person is needed:", "Hazards:", "Cannot be decided", "what would help:", "Estimated time:"):
        assert text in told.stdout
    assert not (lab / "runs").exists()


# --- runs --------------------------------------------------------------------------------------------------------


def test_json_lines_are_the_journal_and_end_with_the_verdict(lab: Path) -> None:
    done = halfpower("run", lab / "quick.toml", "--runs", lab / "runs", "--json")
    assert done.exit_code == 0, done.stderr
    *events, end = map(json.loads, done.stdout.splitlines())
    assert end["event"] == "end"
    kept = journal.read(Path(end["folder"]))
    assert sum(each["event"] == "step" for each in events) == len(kept.records)
    assert any(isinstance(record.step, Measure) for record in kept.records)
    assert end["sentence"]
    assert Path(end["report"]).read_text("utf-8").startswith("<!")


def test_quiet_shows_the_result_alone_and_plain_lines_every_reading(lab: Path) -> None:
    quiet = halfpower("run", lab / "quick.toml", "--runs", lab / "runs", "--quiet")
    plain = halfpower("run", lab / "quick.toml", "--runs", lab / "runs")
    assert quiet.exit_code == plain.exit_code == 0
    assert "Report:" in quiet.stdout
    assert "left:" not in quiet.stdout
    assert plain.stdout.count("left:") == 6  # three ranges, each with its ground line
    assert len(list((lab / "runs").iterdir())) == 2


@pytest.mark.parametrize("way", ["--quiet", "--json"])
def test_a_hazard_is_not_confirmed_through_a_pipe(lab: Path, way: str) -> None:
    """The same answers by pipe work the bench by hand, up to the hazardous voltage."""
    by_hand = ('[generator]\naddress = "TCPIP0::192.0.2.21::5025::SOCKET"', '[generator]\ndriver = "manual"')
    change(lab / "hand_bench.toml", ('simulation = "hand_bench_sim.toml"\n', ""), by_hand)
    sequence = 'use = "vertical"\npaths = ["probe"]\nchannels = [1]\nranges = ["5 V"]'
    job = a_job(lab / "high.toml", sequence, unit="aldermoor_skua.toml", bench="hand_bench.toml", serial="Skua-0958")
    stopped = halfpower("run", job, "--runs", lab / "runs", way, answers="\n\ngo on\n\n\n\n")
    said = f"{stopped.stdout}{stopped.stderr}"
    assert "is hazardous" in said
    assert "A person must confirm it at a terminal" in said
    assert stopped.exit_code == 6
    assert "Connect calibrator → probe" in said
    assert "Set the calibrator" not in said


def test_quiet_and_json_exclude_each_other(lab: Path) -> None:
    assert halfpower("run", lab / "quick.toml", "--quiet", "--json").exit_code == 2


def test_a_run_that_is_over_is_reported_again_by_resume(ran: Path) -> None:
    again = halfpower("resume", ran, "--quiet")
    assert again.exit_code == 0, again.stderr
    assert "Report:" in again.stdout


def test_a_run_begun_before_a_key_existed_goes_on(ran: Path) -> None:
    path = ran / journal.NAME
    reseal(path, lambda header: header["setup"]["job"].pop("item_condition"))
    again = halfpower("resume", ran, "--quiet")
    assert again.exit_code == 0, again.stderr
    with_job(path, serial="another")
    assert "the job file has changed" in halfpower("resume", ran, "--quiet").stderr


def test_a_report_is_made_from_the_journal_alone(ran: Path, tmp_path: Path) -> None:
    alone = tmp_path / "elsewhere"
    alone.mkdir()
    shutil.copy(ran / journal.NAME, alone)
    shutil.rmtree(ran.parent.parent)
    page, table, data = tmp_path / "new" / "r.html", tmp_path / "p.csv", tmp_path / "r.json"
    made = halfpower("report", alone, "--html", page, "--csv", table, "--json", data)
    assert made.exit_code == 0, made.stderr
    assert "Egret-3071" in page.read_text("utf-8")
    assert "deflection" in table.read_text("utf-8")
    assert json.loads(data.read_text("utf-8"))
    assert halfpower("report", alone).stdout


def grouped(digest: str) -> str:
    return " ".join(digest[start : start + 8] for start in range(0, 64, 8))


def test_a_report_holds_the_digest_of_the_journal_that_it_was_made_from(ran: Path, tmp_path: Path) -> None:
    """As the system's own tool prints it, a torn line at the end included: compared with `hashlib` (FIPS 180-4)."""
    kept = ran / journal.NAME
    with kept.open("ab") as stream:
        stream.write(b'{"kind":"event"')
    digest = hashlib.sha256(kept.read_bytes()).hexdigest()
    page, data = tmp_path / "r.html", tmp_path / "r.json"
    made = halfpower("report", kept, "--html", page, "--json", data)
    assert made.exit_code == 0, made.stderr
    assert json.loads(data.read_text("utf-8"))["journal_sha256"] == digest
    assert f"SHA-256 {grouped(digest)}" in page.read_text("utf-8")
    assert f"SHA-256 {grouped(digest)}" in " ".join(halfpower("report", kept).stdout.split())
    assert f"SHA-256 {grouped(digest)}" in json.dumps(sheet(summarise(journal.read(kept))))  # as it is printed


def test_a_report_that_cannot_be_written_says_so(ran: Path) -> None:
    told = halfpower("report", ran, "--html", ran / journal.NAME / "r.html")
    assert told.exit_code == 1
    assert "cannot be written" in told.stderr


def test_a_report_is_printed_whole_or_not_at_all(kept: Path, tmp_path: Path) -> None:
    page = tmp_path / "new" / "r.pdf"
    made = halfpower("report", kept, "--pdf", page, "--letter", "--point", "ch 2 500 mV")
    assert made.exit_code == 0, made.stderr
    assert page.read_bytes().startswith(b"%PDF-1.7")
    assert [path.name for path in page.parent.iterdir()] == ["r.pdf"]
    for wrong, said in (
        (("--pdf", tmp_path), "is no ordinary file"),
        (("--pdf", page, "--fonts", tmp_path), "holds no font"),
        (("--pdf", page, "--point", "ch 9"), "No result is called 'ch 9'"),
    ):
        told = halfpower("report", kept, *wrong)
        assert told.exit_code == 1
        assert said in told.stderr
    for option in (("--letter",), ("--point", "ch 1")):
        told = halfpower("report", kept, *option)
        assert told.exit_code == 2
        assert option[0] in told.stderr


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A journal of the golden ones, in a folder of its own."""
    return Path(shutil.copy(FORMATS[0] / "digital" / journal.NAME, tmp_path))


def with_job(path: Path, **job: object) -> None:
    reseal(path, lambda header: header["setup"]["job"].update(job))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"value":', '"value": ', "this line was changed or damaged after it was written"),
        ('"format":1', '"format":7', "this line was changed or damaged"),
        ('"kind":"header"', '"kind":"part"', "this line was changed or damaged"),
    ],
)
def test_a_damaged_journal_is_refused_at_its_line(kept: Path, old: str, new: str, said: str) -> None:
    kept.write_text(kept.read_text("utf-8").replace(old, new, 1), "utf-8")
    told = halfpower("report", kept)
    assert told.exit_code == 5
    assert re.search(rf"{journal.NAME}:[0-9]+: {said}", told.stderr)
    assert "Restore the file from a copy" in told.stderr


def test_a_format_of_another_version_is_refused_with_what_to_do(kept: Path) -> None:
    reseal(kept, lambda header: header.update(format=7))
    told = halfpower("report", kept)
    assert told.exit_code == 5
    assert "journal format 7 is not known to this version, which reads format 1" in told.stderr


@pytest.mark.parametrize(
    "name",
    [
        "<b>&amp;</b><script>alert(1)</script>",
        "[bold red]x[/] \u202e\x1b[2J",
        "\u05d0\u05d1\u05d2 \u0645\u062e\u062a",
        "7" * 500,
    ],
)
def test_a_name_of_any_kind_is_shown_and_never_obeyed(ran: Path, tmp_path: Path, name: str) -> None:
    kept = ran / journal.NAME
    with_job(kept, serial=name, customer=name, operator=name, laboratory=name, title=name)
    page = tmp_path / "r.html"
    made = halfpower("report", kept, "--html", page)
    assert made.exit_code == 0, made.stderr
    assert html.escape(clean(name), quote=False) in page.read_text("utf-8").replace("&#34;", '"').replace("&#39;", "'")
    assert "<script" not in page.read_text("utf-8")
    told = halfpower("report", kept).stdout
    assert "\x1b" not in told
    assert "\u202e" not in told
    assert len(max(told.splitlines()[-8:], key=len)) <= 80


def test_a_unit_as_found_and_as_left_is_one_report(kept: Path, tmp_path: Path) -> None:
    later = tmp_path / "left" / journal.NAME
    later.parent.mkdir()
    shutil.copy(kept, later)
    refused = halfpower("report", kept, "--as-left", later)
    assert refused.exit_code == 1
    assert "condition = 'as found'" in refused.stderr
    with_job(later, condition="as left")
    refused = halfpower("report", kept, "--as-left", later)
    assert "began before run" in refused.stderr
    reseal(later, lambda header: header.update(started="2026-11-25T19:00:00+00:00", run="as left"))
    data = tmp_path / "r.json"
    made = halfpower("report", kept, "--as-left", later, "--json", data, "--issued", "2026-11-30")
    assert made.exit_code == 0, made.stderr
    told = json.loads(data.read_text("utf-8"))
    assert (told["number"], told["issued"]) == ("as left", "2026-11-30")
    assert told["adjustment"]["summary"] == "0 of 51 results changed by more than the uncertainty of the change."
    digests = {each: hashlib.sha256(each.read_bytes()).hexdigest() for each in (kept, later)}
    assert (told["journal_sha256"], told["adjustment"]["journal_sha256"]) == (digests[later], digests[kept])
    shown = " ".join(halfpower("report", kept, "--as-left", later).stdout.split())
    assert "As found and as left" in shown
    assert f"Journal, as found SHA-256 {grouped(digests[kept])}" in shown


@pytest.mark.parametrize(("day", "said"), [("2026-11-24", "State a later day"), ("tomorrow", "'tomorrow' is no day;")])
def test_a_day_of_issue_that_cannot_be_is_refused(kept: Path, day: str, said: str) -> None:
    told = halfpower("report", kept, "--issued", day)
    assert told.exit_code in (1, 2)
    assert said in " ".join(told.stderr.split())


@pytest.mark.parametrize("command", ["report", "resume"])
def test_a_folder_without_a_run_is_refused(tmp_path: Path, command: str) -> None:
    told = halfpower(command, tmp_path)
    assert told.exit_code == 5
    assert "run folder" in told.stderr


def test_a_runs_folder_that_is_a_file_is_refused(lab: Path) -> None:
    told = halfpower("run", lab / "quick.toml", "--runs", lab / "bench.toml", "--quiet")
    assert told.exit_code == 5
    assert "--runs" in told.stderr


def test_a_run_that_another_bench_began_in_the_same_folder_is_not_named(tmp_path: Path) -> None:
    mine, others = tmp_path / "2026-11-25-Egret-3071-01", tmp_path / "2026-11-25-Egret-3088-01"

    def ends(begins: Path | None) -> None:
        with told_how_to_resume() as began:
            if begins is not None:
                began(begins)
            others.mkdir(exist_ok=True)
            (others / journal.NAME).write_text("{}\n", "utf-8")
            raise BusyError("in use")

    with pytest.raises(BusyError) as refused:
        ends(begins=None)
    assert not hasattr(refused.value, "__notes__")
    with pytest.raises(BusyError) as stopped:
        ends(begins=mine)
    assert stopped.value.__notes__ == [f"What was measured is kept; go on with: halfpower resume {mine}"]


def test_a_bench_in_use_is_left_alone(lab: Path) -> None:
    change(lab / "bench.toml", ('simulation = "bench_sim.toml"', ""))  # a simulated one is nobody's own
    with hold(("GPIB0::9::INSTR",)):  # nothing is opened
        told = halfpower("run", lab / "quick.toml", "--runs", lab / "runs", "--quiet")
    assert told.exit_code == 8
    assert "in use" in told.stderr
    assert not (lab / "runs").exists()


# --- a person at the terminal ------------------------------------------------------------------------------------


def test_a_person_stops_and_is_told_how_to_go_on(lab: Path) -> None:
    job, runs = lab / "eye.toml", lab / "runs"
    stopped = halfpower("run", job, "--runs", runs, "--by-hand", "--quiet", answers="\n\n\nstop\n\n\n\n")
    assert stopped.exit_code == 9, stopped.stderr
    folder = next(runs.iterdir())
    assert f"halfpower resume {folder}" in stopped.stderr
    assert "1. Connect calibrator → lead → channel 1 of the unit" in stopped.stdout
    assert "\n  1 of 2\n" in stopped.stdout
    assert journal.read(folder).closed_at is None
    unfinished = halfpower("report", folder)
    assert unfinished.exit_code == 0, unfinished.stderr
    assert "not finished" in " ".join(unfinished.stdout.split())
    again = halfpower("resume", folder, "--quiet", answers="\nstop\n\n\n")  # by hand, as it was begun
    assert again.exit_code == 9, again.stderr
    assert [event.what for event in journal.read(folder).events].count("by hand") == 1
    resumed = halfpower("resume", folder, "--quiet", "--by-itself")
    assert resumed.exit_code == 0, resumed.stderr
    assert journal.read(folder).closed_at is not None
    said = " ".join(resumed.stdout.split())
    assert "a person at the terminal set and read" in said
    assert "From here on the simulated person set and read" in said


def test_the_person_at_a_simulated_bench_sees_the_trace_where_it_stands(lab: Path) -> None:
    """10 V at 5 V/div is 2 div above a ground line that was set 3 div below the centre: 1 div below it."""
    answers = "\n\n\nstop\n\n\n"
    stopped = halfpower("run", lab / "eye.toml", "--runs", lab / "runs", "--by-hand", "--quiet", answers=answers)
    asked = stopped.stdout.split("how many divisions")[1].split("answer:")[0]
    assert "deflection factor 5 V/div" in asked
    assert "ground line 3 div below the centre" in asked
    assert "to 10 V DC: " in asked
    rows = [line for line in asked.splitlines() if "┼" in line or "·  " in line or BRAILLE.search(line)]
    assert len(rows) == 17
    (trace,) = [number for number, line in enumerate(rows) if BRAILLE.search(line)]
    assert trace == 8 + 2


def test_a_terminal_that_closes_ends_the_run_with_a_warning_about_outputs(lab: Path) -> None:
    stopped = halfpower("run", lab / "eye.toml", "--runs", lab / "runs", "--by-hand", "--quiet", answers="\n\n")
    assert stopped.exit_code == 9
    assert "Nobody answers" in stopped.stderr
    assert stopped.stderr.count("Switch it off by hand") == 1
    assert "may still be ON" not in stopped.stdout


def test_a_terminal_without_a_person_is_asked_once_and_ends_the_run_as_a_stop(lab: Path) -> None:
    stopped = halfpower("run", lab / "eye.toml", "--runs", lab / "runs", "--by-hand", answers="")
    assert stopped.exit_code == 9
    assert stopped.stdout.count("Before the first reading") == 1
    assert stopped.stdout.count("Switch the output of the calibrator") == 0
    first, second, third = stopped.stderr.splitlines()
    assert first == "Nobody answers at this terminal any more (end of input)."
    assert second.startswith("The output of the calibrator (Northfen Ness no. Ness-1188) may still be ON:")
    assert "halfpower resume" in third


def test_by_hand_on_a_real_bench_is_said_to_change_nothing(lab: Path) -> None:
    text = (lab / "bench.toml").read_text("utf-8")
    real = "\n".join(line for line in text.splitlines() if not line.startswith("simulation"))
    (lab / "bench.toml").write_text(real, "utf-8")
    with hold(("GPIB0::9::INSTR",)):  # nothing is opened
        told = halfpower("run", lab / "quick.toml", "--runs", lab / "runs", "--by-hand")
    assert told.exit_code == 8
    assert "warning: --by-hand is for simulated benches and changes nothing here" in told.stderr


def test_who_says_that_everything_is_warm_is_quoted_in_the_report(lab: Path) -> None:
    change(lab / "bench.toml", ('settle = "50 ms"', 'warm_up = "2 h"'))
    waited = halfpower("run", lab / "quick.toml", "--runs", lab / "runs")
    assert "Outputs are off until" in waited.stdout
    assert "Taken as warm" not in waited.stdout
    told = halfpower("run", lab / "quick.toml", "--runs", lab / "runs", "--quiet", "--warm")
    assert told.exit_code == 0, told.stderr
    assert "Taken as warm, as was said at the start: calibrator" in " ".join(told.stdout.split())
    rehearsed = halfpower("rehearse", lab / "quick.toml")
    assert "Before the first reading up to 2 h 00 min more, until everything has warmed up." in rehearsed.stdout


# --- signals -----------------------------------------------------------------------------------------------------


def first_step(stream: IO[str]) -> None:
    while line := stream.readline():
        if json.loads(line)["event"] == "step":
            return
    raise AssertionError("the run ended before its first step")


def test_a_signal_whose_exception_is_swallowed_by_the_interpreter_is_not_lost() -> None:
    """A weak reference's callback can raise nothing (Python's documentation of `weakref.ref`)."""

    class Thing:
        pass

    def ends() -> None:
        with _signals():
            thing = Thing()
            kept = weakref.ref(thing, lambda _gone: signal.raise_signal(signal.SIGTERM))
            del thing
            assert kept() is None
            time.sleep(30)  # until the signal comes again

    with pytest.raises(Stopped) as stopped:
        ends()
    assert stopped.value.exit_code == 143


def test_a_further_signal_while_a_person_is_asked_says_what_they_are_asked(capsys: pytest.CaptureFixture[str]) -> None:
    class Typing(io.StringIO):
        def readline(self, *_: Any) -> str:
            signal.raise_signal(signal.SIGTERM)
            return "\n"

    ask = Terminal(Console(file=io.StringIO()), answers=Typing()).ask
    prompt = Prompt(kind="do", title="Switch the output of the calibrator off")
    with _signals():
        with suppress(Stopped):
            signal.raise_signal(signal.SIGTERM)
        ask(prompt)
        signal.raise_signal(signal.SIGTERM)
    assert capsys.readouterr().err.splitlines() == [
        "You are waited for: Switch the output of the calibrator off, then press Enter.",
        "Still switching outputs off; please wait.",
    ]


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize(("name", "code"), [
    ("SIGTERM", 143),
    pytest.param("SIGINT", 130, marks=pytest.mark.soak), pytest.param("SIGHUP", 129, marks=pytest.mark.soak),
])  # fmt: skip
def test_a_signal_ends_the_run_cleanly_and_it_goes_on_where_it_stopped(lab: Path, name: str, code: int) -> None:
    runs = lab / "runs"
    with piped("run", lab / "digital.toml", "--runs", runs, "--json") as run:
        assert run.stdout is not None
        first_step(run.stdout)
        run.send_signal(getattr(signal, name))
        _, said = run.communicate(timeout=60)
    folder = next(runs.iterdir())
    assert run.returncode == code, said
    assert f"halfpower resume {folder}" in said
    assert "Traceback" not in said
    contents = journal.read(folder)
    assert contents.closed_at is None
    assert contents.records


def test_a_reader_that_goes_away_does_not_end_the_run(lab: Path) -> None:
    runs = lab / "runs"
    with piped("run", lab / "quick.toml", "--runs", runs, "--json") as run:
        assert run.stdout is not None
        assert run.stderr is not None
        first_step(run.stdout)
        run.stdout.close()
        said = run.stderr.read()
        run.wait(timeout=60)
    assert "Traceback" not in said
    assert journal.read(next(runs.iterdir())).closed_at is not None


# --- demo --------------------------------------------------------------------------------------------------------


def test_the_demo_finds_the_hidden_truth(tmp_path: Path) -> None:
    done = halfpower("demo", "--out", tmp_path / "demo", "--quiet")
    assert done.exit_code == 0, done.stderr
    truth = done.stdout.split("hidden truth")[1]
    held, _, total = truth.split(" stated intervals")[0].split()[-3:]
    assert int(total) > 40
    # 95 % should: of some fifty independent ones more than 5 miss in 4 % of all runs (binomial).
    assert int(held) >= int(total) - 5
    half_powers = [line for line in truth.splitlines() if "half-power frequency, channel" in line]
    assert [line.rsplit(": ", 1)[1] for line in half_powers] == ["held", "held"]
    assert "No pass is truly beyond its rating" in truth
    page = Path(done.stdout.rsplit("Report: ", 1)[1].strip())
    assert page.is_file()


def test_the_demo_keeps_what_a_user_has_changed(tmp_path: Path) -> None:
    assert unpack(tmp_path) == []
    changed = tmp_path / "digital.toml"
    changed.write_text(changed.read_text("utf-8") + "# mine\n", "utf-8")
    assert unpack(tmp_path) == [changed]
    assert changed.read_text("utf-8").endswith("# mine\n")


@pytest.mark.parametrize(
    ("true", "word", "within_rating", "held", "wrong"),
    [
        (1.5, "pass", True, True, False),
        (2.5, "pass", True, False, False),
        (3.5, "pass", False, False, True),
        (1.5, "fail", True, True, True),
        (3.5, "undecided", False, False, False),
    ],
)
def test_a_verdict_is_compared_with_the_truth(
    true: float, word: str, within_rating: bool, held: bool, wrong: bool
) -> None:
    one = Compared(what="", low=1.0, high=2.0, true=true, unit="%", word=word, within_rating=within_rating)
    assert (one.held, one.wrong) == (held, wrong)


# --- help --------------------------------------------------------------------------------------------------------


def every_command(group: click.Group, *names: str) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    yield names, group
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from every_command(command, *names, name)
        else:
            yield (*names, name), command


@pytest.mark.parametrize(
    ("names", "command"), [pytest.param(*each, id=" ".join(each[0]) or "-") for each in every_command(cli)]
)
def test_help_keeps_its_examples_as_they_are_written(
    names: tuple[str, ...], command: click.Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At 80 columns: a blank line before each paragraph, never two, and no example cut or joined to another."""
    monkeypatch.setenv("COLUMNS", "80")
    told = [line.rstrip() for line in halfpower(*names, "--help").stdout.splitlines()]
    assert max(map(len, told)) <= 80
    assert "%Y" not in "\n".join(told)
    written = inspect.cleandoc(command.help or "").split("\b\n")[1:]
    for paragraph in written:
        lines = [f" {line}".rstrip() for line in paragraph.split("\n\n")[0].splitlines()]
        at = told.index(lines[0])
        assert told[at : at + len(lines)] == lines
        assert told[at - 1] == ""
        assert told[at - 2] != ""
    for above, below in pairwise(told[1:]):
        assert above or below


def test_a_day_is_asked_for_as_a_person_writes_it() -> None:
    told = halfpower("records", "list", "--since", "4.5.2026")
    assert told.exit_code == 2
    assert "'4.5.2026' is no day; expected one such as 2026-11-25" in " ".join(told.stderr.replace("│", " ").split())
    assert "--since" in halfpower("history", "--help").stdout
    assert "YYYY-MM-DD" in halfpower("report", "--help").stdout
