"""A user's own Python: where it must stand, that it is told, and that nothing runs before both are checked."""

from __future__ import annotations

import hashlib
import json
import os
import py_compile
import shutil
from pathlib import Path

import pytest

from harness import runs as opening
from harness.errors import ConfigError, JournalError
from harness.journal.journal import NAME, read
from tests.helpers.demo_lab import DEMO, a_job, change, halfpower
from tests.helpers.night_lab import Lab
from tests.helpers.sample_years import reseal

MARK = "from pathlib import Path\n(Path(__file__).parent / 'it_ran').touch()\n"
SEQUENCE = (
    MARK
    + """
from harness.models import Model
from harness.steps import Dc, Measure, View, connect, measure

class Options(Model):
    pass

def needs(options):
    return ("calibrator",)

def script(setup, options):
    yield from connect(path="lead", source="calibrator", display="unit", channel=1)
    yield from measure(Measure(
        purpose="mine", path="lead", source="calibrator", stimulus=Dc(level_v=0.3), display="unit",
        view=View(channel=1, volts_per_div=0.1, s_per_div=1e-3), quantity="deflection", expected=3.0,
    ))
"""
)
DRIVER = MARK + "from drivers.calibrator import ScpiCalibrator\nclass Mine(ScpiCalibrator):\n    pass\n"
SAID = "Runs your own Python: "


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """The demo's files, with a job that names a sequence of the user's own."""
    folder = shutil.copytree(DEMO, tmp_path / "lab")
    (folder / "mine.py").write_text(SEQUENCE, "utf-8")
    a_job(folder / "mine.toml", 'use = "mine.py"')
    return folder


def with_driver(lab: Path, name: str = "driven.py") -> Path:
    (lab / "driven.py").write_text(DRIVER, "utf-8")
    change(lab / "bench.toml", ("[calibrator]\n", f'[calibrator]\ndriver = "{name}:Mine"\n'))
    return lab / "bench.toml"


def ran(folder: Path) -> bool:
    return (folder / "it_ran").exists()


# --- where it must stand -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["check", "rehearse", "run", "queue"])
@pytest.mark.parametrize("how", ["a path", "a link"])
@pytest.mark.parametrize("what", ["sequence", "driver"])
def test_a_file_elsewhere_is_refused_and_never_run(lab: Path, command: str, how: str, what: str) -> None:
    elsewhere = lab.parent / "elsewhere"
    elsewhere.mkdir()
    name = "../elsewhere/far.py"
    (elsewhere / "far.py").write_text(SEQUENCE if what == "sequence" else DRIVER, "utf-8")
    if how == "a link":
        name = "far.py"
        (lab / name).symlink_to(elsewhere / "far.py")
    if what == "sequence":
        a_job(lab / "mine.toml", f'use = "{name}"')
    else:
        with_driver(lab, name)
    told = halfpower(command, lab / "mine.toml", *(["--runs", lab / "runs"] if command in ("run", "queue") else []))
    assert told.exit_code == (11 if command == "queue" else 3)
    assert ("is a link to a file elsewhere" if how == "a link" else "elsewhere") in told.stderr
    assert ".toml:" in told.stderr  # the line that names it
    assert not ran(elsewhere)


def test_the_command_that_asks_a_bench_runs_no_driver_from_elsewhere(lab: Path) -> None:
    (lab.parent / "driven.py").write_text(DRIVER, "utf-8")
    told = halfpower("bench", with_driver(lab, "../driven.py"))
    assert told.exit_code == 3
    assert "bench.toml:7: calibrator.driver: '../driven.py:Mine' is no driver" in told.stderr
    assert not ran(lab.parent)


def test_what_was_read_is_what_runs(lab: Path) -> None:
    """Neither bytecode that lies there, as old and as long, nor a file that was exchanged meanwhile."""
    path = lab / "mine.py"
    path.write_text(SEQUENCE.replace("it_ran", "cached"), "utf-8")
    os.utime(path, (1e9, 1e9))
    py_compile.compile(str(path), doraise=True)
    path.write_text(SEQUENCE, "utf-8")
    os.utime(path, (1e9, 1e9))
    loaded = opening.load(lab / "mine.toml", before=lambda _own: path.write_text("1 / 0", "utf-8"))
    assert ran(lab)
    assert not (lab / "cached").exists()
    assert loaded.own.digests["job"] == {"mine.py": hashlib.sha256(SEQUENCE.encode()).hexdigest()}


# --- it is told --------------------------------------------------------------------------------------------------


def test_every_command_says_once_before_the_first_line_what_it_runs(lab: Path) -> None:
    bench = with_driver(lab)
    for command in (("check",), ("rehearse",), ("run", "--quiet"), ("run", "--json"), ("run",), ("queue", "--quiet")):
        runs = ["--runs", lab / "runs"] if command[0] in ("run", "queue") else []
        done = halfpower(*command, lab / "mine.toml", *runs)
        assert done.exit_code == 0, done.stderr
        said = [f"{SAID}{lab / name}" for name in ("mine.py", "driven.py")]
        assert done.stderr.splitlines()[:2] == said, command
        told = [line for line in done.stdout.splitlines() if SAID in line]
        if "--json" in command:
            assert [json.loads(line) for line in told] == [{"event": "own code", "text": text} for text in said]
        else:
            assert not told
    assert halfpower("check", bench).stderr.splitlines()[0] == f"{SAID}{lab / 'driven.py'}"
    assert halfpower("bench", bench).stderr.splitlines()[0] == f"{SAID}{lab / 'driven.py'}"


def test_the_journal_tells_it_and_holds_the_digest_of_every_file(lab: Path) -> None:
    with_driver(lab)
    result = opening.start(lab / "mine.toml", lab / "runs")
    contents = read(result.folder)
    digest = {name: hashlib.sha256((lab / name).read_bytes()).hexdigest() for name in ("mine.py", "driven.py")}
    assert contents.header["own"] == {
        "job": {"mine.py": digest["mine.py"]},
        "bench": {"driven.py": digest["driven.py"]},
    }
    told = [event.text for event in contents.events if event.what == "own code"]
    assert told == [f"{SAID}{lab / name}" for name in ("mine.py", "driven.py")]


# --- it is what the run was begun with ---------------------------------------------------------------------------


def stopped(lab: Path) -> Path:
    """The folder of a run whose job ended before its end."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        opening.start(lab / "mine.toml", lab / "runs", watch=stop)
    (folder,) = (lab / "runs").iterdir()
    (lab / "it_ran").unlink()
    return folder


@pytest.mark.parametrize("name", ["mine.py", "driven.py"])
def test_a_changed_file_is_refused_at_resume_and_not_run(lab: Path, name: str) -> None:
    with_driver(lab)
    folder = stopped(lab)
    (lab / name).write_text(f"{(lab / name).read_text('utf-8')}\n# corrected", "utf-8")
    told = halfpower("resume", folder, "--quiet")
    assert told.exit_code == 5
    assert f"{lab / name}: has changed since the run was begun; put it back" in told.stderr
    assert not ran(lab)
    done = halfpower("resume", folder, "--quiet", "--corrected")
    assert done.exit_code == 0, done.stderr
    assert f"{SAID}{lab / name}. It was changed after the run was begun; its SHA-256 is now " in done.stderr
    assert opening.report(folder).finished


def test_a_file_that_the_run_was_begun_without_is_not_run(lab: Path) -> None:
    folder = stopped(lab)
    shutil.move(lab / "mine.py", lab / "later.py")
    a_job(lab / "mine.toml", 'use = "later.py"')
    with pytest.raises(JournalError, match=r"later.py: is named by the job file, which has changed"):
        opening.resume(folder, corrected=True)
    assert not ran(lab)


def test_a_journal_without_digests_goes_on_and_says_that_a_change_would_not_be_known(lab: Path) -> None:
    with_driver(lab)
    folder = stopped(lab)
    reseal(folder / NAME, lambda header: header.pop("own"))
    done = halfpower("resume", folder, "--quiet")
    assert done.exit_code == 0, done.stderr
    assert f"{SAID}{lab / 'mine.py'}. The journal does not hold its digest" in done.stderr
    assert opening.report(folder).finished
    assert halfpower("report", folder).exit_code == 0


def test_another_version_of_the_program_runs_nothing(lab: Path) -> None:
    folder = stopped(lab)
    reseal(folder / NAME, lambda header: header.update(program="0.0"))
    (lab / "mine.py").write_text(f"{SEQUENCE}\n", "utf-8")
    with pytest.raises(JournalError, match=r"begun with version 0\.0"):
        opening.resume(folder)
    assert not ran(lab)


def test_a_report_runs_nothing_of_the_users_own(lab: Path) -> None:
    folder = stopped(lab)
    (lab / "mine.py").write_text(f"{SEQUENCE}\n", "utf-8")
    done = halfpower("report", folder, "--json", lab / "report.json")
    assert done.exit_code == 0, done.stderr
    assert not ran(lab)


def test_what_was_changed_during_the_night_is_not_run(tmp_path: Path) -> None:
    lab = Lab.make(tmp_path)
    (lab.folder / "mine.py").write_text(SEQUENCE, "utf-8")
    a_job(lab.folder / "mine.toml", 'use = "mine.py"')

    def told(text: str) -> None:
        if text.startswith("Job 1"):
            (lab.folder / "it_ran").unlink()
            (lab.folder / "mine.py").write_text(f"{SEQUENCE}\n", "utf-8")

    lab.showing.on_told = told
    (run,) = lab.night("mine").runs
    assert (run.outcome, "a Python file of theirs was changed" in run.sentence) == ("not done", True)
    assert not ran(lab.folder)


def test_a_file_that_ends_the_program_on_import_is_said_so(lab: Path) -> None:
    (lab / "mine.py").write_text("raise SystemExit(0)", "utf-8")
    with pytest.raises(ConfigError, match=r"mine.py:1: fails on import: SystemExit: 0"):
        opening.load(lab / "mine.toml")
