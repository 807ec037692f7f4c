"""The commands about finished runs, as a user types them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from harness.journal import journal
from harness.years.records.rows import Selection
from harness.years.records.store import Store
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job, halfpower
from tests.helpers.record_examples import resumed, told_again


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where records go, set up as a user sets it up."""
    monkeypatch.setenv("HALFPOWER_STORE", str(tmp_path / "records.sqlite"))
    return tmp_path / "records.sqlite"


@pytest.mark.parametrize("command", ["add", "list", "check", "rebuild", "push"])
def test_every_command_explains_itself_with_examples(command: str) -> None:
    told = halfpower("records", command, "--help")
    assert told.exit_code == 0
    assert f"halfpower records {command}" in told.stdout.split("Examples:")[1]


def test_runs_are_added_each_by_itself(store: Path, tmp_path: Path) -> None:
    runs = tmp_path / "runs"
    told_again(runs, 1)
    half = resumed(told_again(runs, 2), tmp_path / "half")
    broken = told_again(runs, 3)
    (broken / journal.NAME).write_bytes((broken / journal.NAME).read_bytes()[9:])
    told_again(runs, 4, simulated=True)
    added = halfpower("records", "add", half, *sorted(runs.iterdir()))
    assert added.exit_code == 5, "as a damaged journal has it"
    assert added.stdout.splitlines() == [
        "2026-03-02-Egret-3071-02: added, a run without an end",
        "2026-03-02-Egret-3071-01: added",
        "2026-03-02-Egret-3071-02: replaced",
        "2026-03-02-Egret-3071-04: left out, a run on a simulated bench; --simulated keeps it, marked",
    ]
    assert "this line was changed or damaged" in added.stderr
    assert added.stderr.splitlines()[-1] == "1 of 5 failed, see above."
    again = halfpower("records", "add", runs / "2026-03-02-Egret-3071-01")
    assert (again.exit_code, again.stdout) == (0, f"2026-03-02-Egret-3071-01: known\nStore: {store}\n")


def test_runs_are_listed_as_asked_for(store: Path, tmp_path: Path) -> None:
    assert halfpower("records", "list").stderr == (
        f"{store}: there is no store here yet; 'halfpower records add RUN_FOLDER' makes one.\n"
    )
    runs = [
        told_again(tmp_path / "runs", 1, serial="Egret-1"),
        told_again(tmp_path / "runs", 2, serial="Egret-\x1b[2J2", gain=1.06),
        told_again(tmp_path / "runs", 3, serial="Egret-3", simulated=True),
    ]
    assert halfpower("records", "add", "--simulated", *runs).exit_code == 0
    listed = halfpower("records", "list")
    assert listed.exit_code == 0
    head, first, second, last = listed.stdout.splitlines()
    assert head.split() == ["began", "unit", "serial", "was", "bench", "found", "run"]
    assert "Egret-1" in first
    assert "Egret-\\x1b[2J2" in second
    assert last == f"2 runs in {store}"
    failed = halfpower("records", "list", "--verdict", "fail", "--setting", "20 mV/div", "--json")
    assert [json.loads(line)["id"] for line in failed.stdout.splitlines()] == [f"{2:032x}"]
    none = halfpower("records", "list", "--serial", "Egret-3")
    assert none.stdout == f"0 runs in {store}; 1 on simulated benches, shown by --simulated\n"
    assert "1 simulated run in" in halfpower("records", "list", "--simulated").stdout
    days = halfpower("records", "list", "--since", "2026-03-03", "--standard", "BW-C-2217")
    assert days.stdout == f"0 runs in {store}\n"
    assert halfpower("records", "list", "--since", "3 March").exit_code == 2


def test_a_store_is_made_anew_from_the_folders_of_runs(store: Path, tmp_path: Path) -> None:
    told_again(tmp_path / "runs" / "spring", 1)
    told_again(tmp_path / "runs" / "summer", 2)
    assert halfpower("records", "rebuild", tmp_path / "runs").exit_code == 0
    with Store.open() as opened:
        before = [opened.derived(run.id) for run in opened.runs()]
        with opened._engine.begin() as connection:
            connection.exec_driver_sql("UPDATE results SET result = 1")
    assert len(before) == 2
    kept = halfpower("records", "rebuild")
    assert [line.split(": ")[1] for line in kept.stdout.splitlines()] == ["changed", "changed"]
    with Store.open() as opened:
        assert [opened.derived(run.id) for run in opened.runs()] == before
    store.unlink()
    again = halfpower("records", "rebuild", tmp_path / "runs")
    assert [line.split(": ")[1] for line in again.stdout.splitlines()] == ["added", "added"]
    nothing = halfpower("records", "rebuild", tmp_path / "half")
    assert nothing.exit_code == 10
    assert "half: there is no such folder" in nothing.stderr


def test_a_journal_damaged_in_the_store_is_mended_from_the_folder(store: Path, tmp_path: Path) -> None:
    halfpower("records", "add", told_again(tmp_path / "runs", 1), told_again(tmp_path / "runs", 2))
    with Store.open() as opened, opened._engine.begin() as connection:
        connection.exec_driver_sql(f"UPDATE journals SET packed = substr(packed, 9) WHERE run_id = '{1:032x}'")
    checked = halfpower("records", "check")
    assert checked.exit_code == 10
    assert "'halfpower records rebuild FOLDER'" in checked.stderr
    assert "1 of 2 failed" in halfpower("records", "rebuild").stderr
    mended = halfpower("records", "rebuild", tmp_path / "runs")
    assert [line.split(": ")[1] for line in mended.stdout.splitlines()] == ["changed", "equal"]
    assert halfpower("records", "check").exit_code == 0


@pytest.mark.parametrize(("by", "code"), [(1e-15, 0), (1e-6, 10)], ids=["another computer", "an edit"])
def test_a_number_that_another_computer_worked_out_is_no_edit(
    store: Path, tmp_path: Path, by: float, code: int
) -> None:
    halfpower("records", "add", told_again(tmp_path / "runs"))
    with Store.open() as opened, opened._engine.begin() as connection:
        connection.exec_driver_sql(f"UPDATE results SET expanded_u = expanded_u * (1 + {by!r})")
        connection.exec_driver_sql(f"UPDATE results SET result = result * (1 - {by!r})")
    assert halfpower("records", "check").exit_code == code


def test_a_store_is_checked(store: Path, tmp_path: Path) -> None:
    halfpower("records", "add", told_again(tmp_path / "runs"))
    sound = halfpower("records", "check")
    assert (sound.exit_code, sound.stdout) == (0, f"{store}: sound\n")
    with Store.open() as opened, opened._engine.begin() as connection:
        connection.exec_driver_sql("UPDATE runs SET finished = 0")
    checked = halfpower("records", "check")
    assert checked.exit_code == 10
    assert "is not what its journal says" in checked.stderr


def test_runs_are_pushed_to_another_store(store: Path, tmp_path: Path) -> None:
    halfpower(
        "records", "add", "--simulated", told_again(tmp_path / "runs"), told_again(tmp_path / "s", 2, simulated=True)
    )
    server = tmp_path / "lab" / "records.sqlite"
    pushed = halfpower("records", "push", server)
    assert pushed.stdout.splitlines() == [
        "2026-03-02-Egret-3071-01: added",
        f"1 sent to {server}, 0 there already",
    ]
    assert halfpower("records", "push", server).stdout == f"0 sent to {server}, 1 there already\n"
    with Store.open(str(server)) as there:
        assert len(there.runs(Selection(simulated=None))) == 1
    onward = halfpower("records", "push", "--from", server, tmp_path / "third.sqlite")
    assert onward.stdout.startswith("2026-03-02-Egret-3071-01: added\n1 sent to ")
    itself = halfpower("records", "push")
    assert itself.exit_code == 10
    assert "is the store that would be sent; name a server" in itself.stderr


def test_where_nothing_waits_no_server_is_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setenv("HALFPOWER_STORE", "postgresql://bench@127.0.0.1:9/records")
    own = tmp_path / "halfpower" / "records.sqlite"
    Store.open(str(own)).close()
    asked = halfpower("records", "push")
    assert (asked.exit_code, asked.stdout) == (0, f"Nothing in {own} waits for postgresql://127.0.0.1:9/records.\n")


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    folder = shutil.copytree(DEMO, tmp_path / "lab")
    a_job(folder / "quick.toml", ONE_CHANNEL)
    return folder


def test_a_run_is_added_when_it_ends_and_a_failing_store_is_a_warning(store: Path, lab: Path, tmp_path: Path) -> None:
    done = halfpower("run", lab / "quick.toml", "--runs", lab / "runs", "--quiet", "--store", tmp_path / "trial.sqlite")
    assert (done.exit_code, done.stderr) == (0, "")
    listed = halfpower("records", "list", "--simulated", "--store", tmp_path / "trial.sqlite", "--json")
    assert json.loads(listed.stdout)["folder"] == str(next((lab / "runs").iterdir()))
    assert not store.exists(), "a simulated run does not go where real ones are kept"
    (tmp_path / "notes").write_text("no database\n" * 100, "utf-8")
    failed = halfpower("run", lab / "quick.toml", "--runs", lab / "runs", "--quiet", "--store", tmp_path / "notes")
    assert failed.exit_code == 0
    assert failed.stderr.startswith(f"warning: {tmp_path / 'notes'}: is no database; ")
    assert "Report: " in failed.stdout
    (run,) = (lab / "runs").glob("*-02")
    assert f"add it later: halfpower records add {run}" in failed.stderr
    resumed_ = halfpower("resume", run, "--quiet", "--store", tmp_path / "trial.sqlite")
    assert (resumed_.exit_code, resumed_.stderr) == (0, "")
    with Store.open(str(tmp_path / "trial.sqlite")) as there:
        assert len(there.runs(Selection(simulated=True))) == 2
