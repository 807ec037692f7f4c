"""The office page without a browser: what is said of benches, queues, runs, reports and what is due; who is let in."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.errors import ConfigError, HalfpowerError
from harness.files.files import read_register, starter
from harness.journal import issues, journal
from harness.night import heartbeat
from harness.office import accounts, folders
from harness.office.board_server import Signed, served
from harness.office.folders import QUIET_S
from harness.office.registered import Registered
from harness.office.sight import Sight
from harness.office.stored import Stored
from harness.person import page_web
from harness.person.page_server import served as served_run
from harness.sim.clock import VirtualClock
from harness.years import issuing
from harness.years.issuing import Who
from harness.years.records.store import Store
from tests.helpers.demo_lab import halfpower, piped
from tests.helpers.office_lab import EVENING, LEFT_ON, a_beat, a_board, a_job, a_queue, ended, under_way
from tests.helpers.page_bench import Bench
from tests.helpers.page_client import Client
from tests.helpers.sample_years import Visit, as_real, reseal, run_visits

MORNING = EVENING + dt.timedelta(hours=14)
PASSWORD = "three scopes and a lamp"
FIRST, OTHER = a_job("first"), a_job("other", bench="/lab/other.toml")


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock(EVENING)


@pytest.fixture(scope="module")
def visits(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs of one unit as on a real bench, a year apart; the last one is five days old."""
    days = (dt.date(2025, 12, 20), dt.date(2026, 11, 20))
    return as_real(
        run_visits(tmp_path_factory.mktemp("visits"), [Visit(day=day, gains=(0.1, 0.2)) for day in days],
                   ranges=("500 mV",))
    )  # fmt: skip


# --- outputs in doubt --------------------------------------------------------------------------------------------


def test_an_output_in_doubt_stands_until_the_same_bench_has_confirmed_in_whichever_queue(
    tmp_path: Path, clock: VirtualClock
) -> None:
    board = a_board(tmp_path, clock)
    a_queue(tmp_path / "night-1", clock, FIRST, does=lambda log: ended(log, off=False))
    said = (f"bench-pc, {tmp_path.name}/night-1, first.toml: {LEFT_ON}",)
    assert board.look().in_doubt == said
    clock.sleep(60)
    a_queue(tmp_path / "night-2", clock, OTHER, does=lambda log: ended(log, off=True))  # another bench
    a_queue(tmp_path / "night-3", clock, FIRST, does=lambda log: ended(log, off=None))  # it was not reached
    a_queue(tmp_path / "night-4", clock, FIRST, does=lambda log: ended(log, off=True), host="other-pc")
    assert board.look().in_doubt == said
    clock.sleep(60)
    a_queue(tmp_path / "night-5", clock, FIRST, does=lambda log: ended(log, off=True))
    assert board.look().in_doubt == ()


def test_a_bench_is_known_by_the_runs_on_it_wherever_its_file_lies(
    tmp_path: Path, visits: Path, clock: VirtualClock
) -> None:
    """Two queues name two files, and the journals say that they are of one bench."""
    run, later = sorted(visits.iterdir())
    for each in (run, later):
        shutil.copytree(each, tmp_path / each.name)
    a_queue(tmp_path / "night-1", clock, FIRST, does=lambda log: ended(log, off=False, run=run.name))
    board = a_board(tmp_path, clock)
    assert len(board.look().in_doubt) == 1
    clock.sleep(60)
    a_queue(tmp_path / "night-2", clock, OTHER, does=lambda log: ended(log, off=True, run=later.name))
    assert board.look().in_doubt == ()


def test_a_run_that_was_cut_off_by_hand_is_in_doubt_once_nobody_works_on_it(
    tmp_path: Path, visits: Path, clock: VirtualClock
) -> None:
    """Its journal ends at a reading: nothing says that outputs are off."""
    run = shutil.copytree(sorted(visits.iterdir())[-1], tmp_path / "run")
    lines = (run / journal.NAME).read_bytes().splitlines(keepends=True)
    last = max(n for n, line in enumerate(lines) if b'"kind":"reply"' in line)
    (run / journal.NAME).write_bytes(b"".join(lines[: last + 1]))
    at = dt.datetime.fromisoformat(journal.read(run).last_at)
    for late_s, doubted in ((QUIET_S - 1, False), (QUIET_S + 1, True)):
        sight = a_board(tmp_path, VirtualClock(at + dt.timedelta(seconds=late_s))).look()
        assert bool(sight.in_doubt) is doubted
        assert [(each.number, "old" in each.sentence) for each in sight.runs] == [
            (journal.read(run).header["run"], True)
        ]
        assert not sight.reports


# --- what runs ---------------------------------------------------------------------------------------------------


def test_a_queue_at_work_says_how_far_it_is_and_its_own_try_is_not_in_doubt(
    tmp_path: Path, clock: VirtualClock
) -> None:
    folder = a_queue(tmp_path / "night", clock, FIRST, OTHER, does=under_way)
    board, heart = a_board(tmp_path, clock), a_beat(folder, clock, job="first.toml")
    heart.step("1 vertical", 4, 8)
    clock.sleep(2)
    heart.sign(20.0)
    sight = board.look()
    (queue,) = sight.queues
    assert (queue.word, queue.done, sight.in_doubt) == ("at work", 0.25, ())
    assert "Job 1 of 2, first.toml, 1 vertical, step 4 of 8" in queue.sentence
    assert [(job.name, job.word) for job in queue.jobs] == [
        ("first.toml", "under way"),
        ("other.toml", "not tried yet"),
    ]


def test_a_job_that_is_done_is_not_counted_twice_while_its_report_is_made(tmp_path: Path, clock: VirtualClock) -> None:
    folder = a_queue(tmp_path / "night", clock, FIRST, OTHER, does=lambda log: ended(log, off=True, how="done"))
    heart = a_beat(folder, clock)
    heart.step("1 vertical", 8, 8)
    heart.sign(60.0)
    assert [queue.done for queue in a_board(tmp_path, clock).look().queues] == [0.5]


def test_a_queue_without_a_sign_of_life_is_told_with_its_output_until_it_is_heard_of(
    tmp_path: Path, clock: VirtualClock
) -> None:
    folder = a_queue(tmp_path / "night", clock, FIRST, does=under_way)
    heart = a_beat(folder, clock)
    board = a_board(tmp_path, clock)
    assert [queue.word for queue in board.look().queues] == ["at work"]
    clock.sleep(40)
    for _ in range(2):
        sight = board.look()
        assert [(queue.word, queue.kind) for queue in sight.queues] == [("no sign of life", "bad")]
        assert [job.word for job in sight.queues[0].jobs] == ["cut off"]
        assert "nothing says that its outputs are off" in sight.in_doubt[0]
        clock.sleep(3)
    late = a_board(tmp_path, clock)  # one that begins to look now cannot take it for alive a moment later
    assert [late.look().queues[0].word for _ in range(2)] == ["no sign of life"] * 2
    heart.sign(20.0)
    for each in (board, late):
        assert [queue.word for queue in each.look().queues] == ["at work"]


def test_what_failed_stands_there_with_its_reason_until_the_run_was_gone_on_with(
    tmp_path: Path, visits: Path, clock: VirtualClock
) -> None:
    run = sorted(visits.iterdir())[-1]
    a_queue(tmp_path / "night", clock, FIRST, does=lambda log: ended(log, off=True, text="It fell.", run=run.name))
    board = a_board(tmp_path, clock)
    (failure,) = board.look().failed
    assert (failure.where, failure.unit, failure.sentence) == (
        f"{tmp_path.name}/night, first.toml", "Aldermoor Skua, no. Skua-first", "It fell.",
    )  # fmt: skip
    shutil.copytree(run, tmp_path / run.name)  # it ended before the queue left it
    (failure,) = board.look().failed
    assert failure.unit == "Aldermoor Egret, no. Egret-3071"  # as its own journal has it
    ahead = VirtualClock(dt.datetime(2026, 11, 1, tzinfo=dt.UTC))
    again = tmp_path / "again"
    a_queue(again / "night", ahead, FIRST, does=lambda log: ended(log, off=True, text="It fell.", run=run.name))
    shutil.copytree(run, again / run.name)  # and here after it
    assert a_board(again, VirtualClock(EVENING)).look().failed == ()


# --- reports and what is due -------------------------------------------------------------------------------------


def test_reports_come_from_folder_and_store_each_once_and_simulated_ones_apart(
    tmp_path: Path, visits: Path, clock: VirtualClock
) -> None:
    stored = stored_at(tmp_path / "s.sqlite", visits)
    numbers = [folder.name for folder in sorted(visits.iterdir(), reverse=True)]
    with_both = a_board(visits, clock, stored=stored).look()
    assert [report.number for report in with_both.reports] == numbers
    alone = a_board(visits, clock).look()
    assert [report.number for report in alone.reports] == numbers
    assert {report.word for report in alone.reports} == {report.word for report in with_both.reports}
    assert a_board(visits, clock, stored=stored_at(tmp_path / "s.sqlite", None, simulated=True), simulated=True).look(
    ).reports == ()  # fmt: skip


def test_a_number_that_two_runs_share_is_told(tmp_path: Path, visits: Path, clock: VirtualClock) -> None:
    runs = shutil.copytree(visits, tmp_path / "runs")
    first, second = sorted(runs.iterdir())
    number = journal.read(first).header["run"]
    reseal(second / journal.NAME, lambda header: header.update(run=number))
    reports = a_board(runs, clock).look().reports
    assert [(report.number, report.state) for report in reports] == [(number, "number of 2 runs")] * 2


def test_a_draft_waits_until_somebody_else_has_approved_it(tmp_path: Path, visits: Path, clock: VirtualClock) -> None:
    run = shutil.copytree(max(visits.iterdir()), tmp_path / "runs" / "run")
    reseal(run / journal.NAME, as_a_draft)
    board = a_board(tmp_path / "runs", clock, stored=stored_at(tmp_path / "s.sqlite", tmp_path / "runs"))
    sight = board.look()
    number = journal.read(run).header["run"]
    assert [(draft.number, draft.sentence) for draft in sight.drafts] == [
        (number, f"Waits for approval by somebody other than M. Orme: halfpower approve {run} --by NAME")
    ]
    assert [(report.number, report.state) for report in sight.reports] == [(number, "draft")]
    issuing.approve(run, Who(by="S. Garland", issued=MORNING.date()), MORNING)
    sight = board.look()
    assert (sight.drafts, [report.state for report in sight.reports]) == ((), ["approved"])
    issuing.amend(run, "The name was wrong", {"customer": "Training ship Petrel"}, MORNING)
    sight = board.look()
    assert [draft.number for draft in sight.drafts] == [report.number for report in sight.reports] == [f"{number}-A1"]
    (run / issues.NAME).write_bytes(b"x\n")
    sight = board.look()
    assert (len(sight.problems), len(sight.reports)) == (1, 1)


def as_a_draft(header: dict[str, Any]) -> None:
    header["setup"]["bench"]["approval"] = "required"
    header["setup"]["job"]["operator"] = "M. Orme"


def test_standards_and_units_that_are_due_soon_are_told_by_day(tmp_path: Path, visits: Path) -> None:
    """The certificate runs out on 14 April 2027 and the unit a year after its last run, as the samples say."""
    stored = stored_at(tmp_path / "s.sqlite", visits)
    soon = stored.look(dt.date(2027, 3, 15), 0.0)
    assert [(due.day, due.word, due.kind) for due in soon.standards] == [("2027-04-14", "in 30 days", "open")]
    assert soon.units == ()
    late = stored.look(dt.date(2027, 11, 21), 10.0)
    assert [(due.word, due.kind) for due in late.standards] == [("overdue by 221 days", "bad")]
    assert [(due.what, due.day, due.word) for due in late.units] == [
        ("Aldermoor Egret, no. Egret-3071", "2027-11-20", "overdue by 1 day")
    ]


def test_the_register_says_what_of_the_standards_is_due_and_the_store_what_it_does_not_know(
    tmp_path: Path, visits: Path, clock: VirtualClock
) -> None:
    """The starter's register and the samples' store have different certificates of one calibrator."""
    register = tmp_path / "register.toml"
    register.write_text(starter("register"), "utf-8")
    standard = read_register(register).value.standard[0]
    last = standard.by_date[-1].last_day
    board = a_board(visits, VirtualClock(dt.datetime.combine(last, dt.time(8), dt.UTC)))
    board.stored = stored_at(tmp_path / "s.sqlite", visits)
    board.registered = Registered(path=register, within=dt.timedelta(days=42))
    assert [(due.day, due.word) for due in board.look().standards if "Orme-0417" in due.what] == [
        (str(last), "due today")
    ]
    before = board.look().standards
    register.write_text("[[standard]]\n", "utf-8")
    sight = board.look()
    assert (sight.standards, len(sight.problems)) == (before, 1)


def test_a_store_that_cannot_be_asked_is_a_sentence_and_what_it_said_last_stays(tmp_path: Path, visits: Path) -> None:
    stored = stored_at(tmp_path / "s.sqlite", visits)
    before = stored.look(dt.date(2026, 11, 25), 0.0)
    (tmp_path / "s.sqlite").unlink()
    after = stored.look(dt.date(2026, 11, 25), 5.0)
    assert after.reports == before.reports
    assert len(after.problems) == 1


def stored_at(file: Path, runs: Path | None, *, simulated: bool = False) -> Stored:
    if runs is not None:
        with Store.open(str(file)) as store:
            for run in runs.iterdir():
                store.add(run)
    return Stored(
        opened=lambda: Store.open(str(file), create=False), simulated=simulated, within=dt.timedelta(days=42),
        interval="12 months",
    )  # fmt: skip


# --- what is there to be read ------------------------------------------------------------------------------------


def test_what_cannot_be_read_is_a_sentence_and_the_rest_is_shown_and_nothing_is_changed(
    tmp_path: Path, visits: Path, clock: VirtualClock
) -> None:
    shutil.copytree(sorted(visits.iterdir())[-1], tmp_path / "a" / "sound")
    shutil.copytree(sorted(visits.iterdir())[0], tmp_path / "a" / "torn")
    data = (tmp_path / "a" / "torn" / journal.NAME).read_bytes()
    (tmp_path / "a" / "torn" / journal.NAME).write_bytes(data.replace(b"Egret-3071", b"Egret-3072", 1))
    folder = a_queue(tmp_path / "b" / "night", clock, FIRST, does=lambda log: ended(log, off=True))
    (folder / heartbeat.NAME).write_text("{", "utf-8")
    (tmp_path / "b" / "damaged").mkdir()
    (tmp_path / "b" / "damaged" / "queue.jsonl").write_bytes(b"x\n")
    before = digest(tmp_path)
    sight = a_board(tmp_path, clock).look()
    assert [report.number for report in sight.reports] == [sorted(visits.iterdir())[-1].name]
    assert [queue.word for queue in sight.queues] == ["no sign of life"]
    assert len(sight.problems) == 2
    assert "torn" in "".join(sight.problems)
    assert "2 runs and 2 queues" in sight.looked
    assert digest(tmp_path) == before


def test_it_says_that_it_looked_at_the_newest_alone(
    visits: Path, clock: VirtualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(folders, "MOST_RUNS", 1)
    sight = a_board(visits, clock).look()
    assert sight.looked == f"the newest 1 of 2 runs and 0 queues in {visits}"
    assert len(sight.reports) == 1


def test_folders_of_another_user_are_counted_and_not_passed_over(
    visits: Path, clock: VirtualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who runs these tests may be allowed everything, so the system's answer is given here."""
    scandir, closed = os.scandir, max(visits.iterdir())

    def guarded(path: Path) -> Any:
        if path == closed:
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", guarded)
    sight = a_board(visits, clock).look()
    (problem,) = sight.problems
    assert f"1 folder may be looked into by another user alone, {closed.name} first" in problem
    assert len(sight.reports) == 1


def digest(folder: Path) -> dict[str, str]:
    return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.rglob("*") if path.is_file()}


def test_what_has_not_changed_is_not_read_again(
    visits: Path, clock: VirtualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = a_board(visits, clock)
    board.look()
    read: list[Path] = []
    original = journal.whole
    monkeypatch.setattr(journal, "whole", lambda path, style: read.append(path) or original(path, style))
    board.look()
    assert read == []


def test_what_a_file_holds_steers_nothing() -> None:
    text = Sight(at="", title="\x1b[31m\u202e<script>", problems=("a\x00b",)).to_json()
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "\\u0000" not in text


# --- who is let in -----------------------------------------------------------------------------------------------


@pytest.fixture
def board(tmp_path: Path, clock: VirtualClock) -> Any:
    (tmp_path / "runs").mkdir()
    made = a_board(tmp_path / "runs", clock)
    made.look()
    return made


@pytest.fixture
def account_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Hashed in less time than a user's: what is tried here is not how long a password holds out."""
    monkeypatch.setattr(accounts, "_N", 1 << 10)
    accounts.add(tmp_path / "office.json", "Orme", PASSWORD)
    return tmp_path / "office.json"


@pytest.fixture
def signed(board: Any, account_file: Path) -> Iterator[str]:
    with served(board, "127.0.0.1", account_file) as address:
        yield address


def enter(client: Client, name: str, password: str) -> tuple[int, str]:
    body = json.dumps({"name": name, "password": password}).encode()
    status, said, headers = client.send("POST", "/enter", body)
    if status == 204:
        client.cookie = headers["set-cookie"].split(";")[0]
    return status, json.loads(said)["sentence"] if said else ""


def test_on_this_computer_the_secret_lets_in_and_nothing_can_be_sent(board: Any) -> None:
    with served(board) as address:
        client = Client(address)
        with client.states() as states:
            assert states.until(lambda state: state["title"])["in_doubt"] == []
        stranger = Client(address, enters=False)
        for path in ("/", "/events", "/board.js", "/page.css"):
            assert stranger.send("GET", path)[0] == 403
        for path in ("/enter", "/leave", "/answer", "/index.html", "/page.js", "/enter.html"):
            assert client.send("POST", path)[0] in (404, 405)
        assert client.send("GET", "/", host="evil.example")[0] == 421


@pytest.mark.parametrize("where", ["0.0.0.0", "192.0.2.7:8080", "::", "[2001:db8::7]:80", "nowhere.invalid"])
def test_beyond_this_computer_it_needs_accounts(board: Any, where: str) -> None:
    with pytest.raises(HalfpowerError, match="needs accounts: make some with"), served(board, where):
        pass


def test_with_accounts_name_and_password_let_in_and_nothing_else_does(signed: str) -> None:
    assert "key=" not in signed
    client = Client(signed, enters=False)
    status, page, headers = client.send("GET", "/")
    assert (status, b'type="password"' in page, "set-cookie" in headers) == (200, True, False)
    for path in ("/events", "/board.js"):
        assert client.send("GET", path)[0] == 403
    assert client.send("POST", "/enter", b"{}", origin="http://evil.example")[0] == 403
    assert enter(client, "Orme", "three scopes and a lamb")[0] == 403
    assert enter(client, "Nobody", PASSWORD) == (403, "Name and password do not belong together.")
    assert client.send("POST", "/enter", b"[" * 5000)[0] == 400
    assert enter(client, "Orme", PASSWORD) == (204, "")
    with client.states() as states:
        states.until(lambda state: state["title"])
    assert client.send("POST", "/leave")[0] == 204
    assert client.send("GET", "/events")[0] == 403


def test_an_account_that_is_taken_away_or_has_a_new_password_is_known_no_more(
    signed: str, account_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_web, "_BEAT_S", 0.05)
    client = Client(signed, enters=False)
    assert enter(client, "Orme", PASSWORD)[0] == 204
    assert client.send("GET", "/board.js")[0] == 200
    accounts.add(account_file, "Orme", "another lamp and no scope")
    assert client.send("GET", "/board.js")[0] == 403
    assert enter(client, "Orme", "another lamp and no scope")[0] == 204
    with client.states() as states:
        accounts.remove(account_file, "Orme")
        with pytest.raises(AssertionError, match="the stream ended"):
            states.until(lambda _: False)


def test_passwords_are_not_tried_without_end(account_file: Path) -> None:
    now = [0.0]
    door = Signed(host="127.0.0.1", port=80, path=account_file, now=lambda: now[0])
    assert [door.may_try("192.0.2.9") for _ in range(6)] == [True] * 5 + [False]
    assert door.may_try("192.0.2.10")
    now[0] = 61.0
    assert door.may_try("192.0.2.9")


def test_a_session_lasts_a_day(account_file: Path) -> None:
    now = [0.0]
    door = Signed(host="127.0.0.1", port=80, path=account_file, now=lambda: now[0])
    token = door.enter("192.0.2.9", "Orme", PASSWORD)
    assert token is not None
    assert door.knows(token)
    now[0] = 86401.0
    assert not door.knows(token)


def test_the_page_of_a_run_serves_nothing_of_the_office(tmp_path: Path) -> None:
    with served_run(Bench(tmp_path).page) as address:
        client = Client(address)
        assert {client.send("GET", path)[0] for path in ("/board.html", "/board.js", "/enter.js", "/board.css")} == {
            404
        }


# --- accounts ----------------------------------------------------------------------------------------------------


def test_a_password_is_kept_as_scrypt_makes_it() -> None:
    """RFC 7914, section 12, the vector with N = 1024, r = 8, p = 16; its first 32 octets, from memory."""
    made = accounts._scrypt("password", b"NaCl", 1024, 8, 16)
    assert made.hex() == "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"


def test_the_file_is_its_owners_and_holds_no_password(account_file: Path) -> None:
    accounts.add(account_file, "Quist", PASSWORD)
    kept = accounts.read(account_file)
    assert list(kept) == ["Orme", "Quist"]
    assert kept["Orme"] != kept["Quist"]  # a salt each
    assert PASSWORD not in account_file.read_text("utf-8")
    if os.name == "posix":
        assert account_file.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"format": 2, "accounts": {}}', '{"format":1,"accounts":{"a":{}}}'])
def test_a_broken_file_of_accounts_is_a_sentence_and_is_not_written_over(tmp_path: Path, text: str) -> None:
    file = tmp_path / "office.json"
    file.write_text(text, "utf-8")
    with pytest.raises(ConfigError, match="is no file of accounts"):
        accounts.add(file, "Orme", PASSWORD)
    assert file.read_text("utf-8") == text


def test_a_hash_that_would_take_all_memory_is_refused(account_file: Path) -> None:
    account_file.write_text(account_file.read_text("utf-8").replace('"n": 1024', '"n": 1073741824'), "utf-8")
    with pytest.raises(ConfigError, match="damaged one"):
        accounts.read(account_file)


# --- the command -------------------------------------------------------------------------------------------------


def test_accounts_are_added_and_taken_away_at_the_terminal(tmp_path: Path) -> None:
    file = tmp_path / "office.json"
    told = halfpower("board", "--accounts", file, "--add", "Orme", answers=f"{PASSWORD}\n{PASSWORD}\n")
    assert (told.exit_code, PASSWORD in told.output) == (0, False)
    assert "Orme may look from now on" in told.stdout
    kept = accounts.read(file)["Orme"]
    assert (kept.n, kept.r, kept.p) == (1 << 15, 8, 3)  # 32 MiB; a common recommendation (OWASP), from memory
    assert halfpower("board", "--accounts", file, "--add", "Quist", answers="short\nshort\n").exit_code == 3
    assert "has no account 'Quist'; it has 'Orme'" in halfpower("board", "--accounts", file, "--remove", "Quist").stderr
    assert halfpower("board", "--accounts", file, "--remove", "Orme").exit_code == 0
    none_left = halfpower("board", tmp_path, "--store", "none", "--page", "127.0.0.1", "--accounts", file)
    assert "has no account" in none_left.stderr


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("nowhere",), "there is no such folder"),
        ((), "name a folder of runs"),
        ((".", "--within", "soon"), "'soon' is no interval"),
        ((".", "--page", "0.0.0.0"), "needs accounts"),
        ((".", "--accounts", "nowhere.json"), "cannot be read"),
    ],
)
def test_bad_input_gets_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], sentence: str
) -> None:
    monkeypatch.chdir(tmp_path)
    told = halfpower("board", *arguments, "--store", "none")
    assert told.exit_code != 0
    assert sentence in " ".join(told.stderr.split())


def test_the_command_serves_until_it_is_stopped(visits: Path) -> None:
    program = piped("board", visits, "--store", "none")
    try:
        assert program.stdout is not None
        address = program.stdout.readline().split()[-1]
        with Client(address).states() as states:
            assert len(states.until(lambda state: state["reports"])["reports"]) == 2
    finally:
        program.send_signal(signal.SIGINT)
        program.communicate(timeout=20)
    assert program.returncode == 130


@pytest.mark.skipif(sys.platform == "win32", reason="a process without a terminal, as POSIX has it")
def test_a_password_without_a_terminal_is_one_sentence(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "harness.cli", "board", "--accounts", str(tmp_path / "a.json"), "--add", "Orme"]
    told = subprocess.run(command, input="", capture_output=True, text=True, start_new_session=True, check=False)
    assert told.returncode == 1
    assert told.stderr == "A password is asked for at a terminal, which shows it nowhere. Run this there.\n"
