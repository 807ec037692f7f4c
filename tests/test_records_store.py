"""The store of finished runs: the same questions and answers on SQLite and PostgreSQL."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Final

import pytest

from harness.errors import JournalError, RecordsError, RunRefused
from harness.journal import journal
from harness.report.summary import summarise
from harness.report.tables import PointRow, point_rows
from harness.years.records.derive import LONG, SHORT, Origin, derive
from harness.years.records.folder import RunFolders
from harness.years.records.rows import Derived, ResultRow, Selection
from harness.years.records.store import Store
from tests.helpers.record_examples import measured, plain, resumed, told_again

EVERYTHING = Selection(simulated=None, finished=None)
BEFORE = dt.datetime(2026, 11, 1, tzinfo=dt.UTC)


@pytest.fixture
def store(store_url: str) -> Iterator[Store]:
    with Store.open(store_url) as opened:
        yield opened


def derived(folder: Path) -> Derived:
    origin = Origin(host="bench-2", folder=str(folder), added=BEFORE)
    return derive(journal.sound(folder), folder, origin)


# --- what goes in comes out --------------------------------------------------------------------------------------


def test_what_is_added_comes_back_equal_to_the_last_bit(store: Store, tmp_path: Path) -> None:
    put = derived(told_again(tmp_path))
    assert store.put(put).outcome == "added"
    assert store.derived(put.run.id) == put


def test_the_results_are_the_rows_of_the_report(store: Store, tmp_path: Path) -> None:
    folder = told_again(tmp_path)
    store.add(folder)
    made = point_rows(summarise(journal.read(folder)))
    names = [f.name for f in fields(PointRow)]
    kept = store.results()
    assert len(kept) == len(made) > 9
    for row, expected in zip(kept, made, strict=True):
        for name in names:
            value = getattr(expected, name)
            finite = value if not isinstance(value, float) or value - value == 0 else None
            assert getattr(row, name) == finite, (row.position, name)


def test_a_run_says_what_its_journal_says(store: Store, tmp_path: Path) -> None:
    folder = told_again(tmp_path, 7, serial="Egret-9", bench="Bench 4", on=dt.date(2026, 5, 6), condition="as left")
    store.add(folder)
    (run,) = store.runs()
    data = (folder / journal.NAME).read_bytes()
    assert run.id == f"{7:032x}" == journal.read(folder).id
    assert (run.number, run.serial, run.bench, run.condition) == (folder.name, "Egret-9", "Bench 4", "as left")
    assert run.started == dt.datetime(2026, 5, 6, 9, 0, tzinfo=dt.UTC)
    assert run.ended > run.started
    assert (run.finished, run.simulated) == (True, False)
    assert run.journal_sha256 == hashlib.sha256(data).hexdigest()
    assert run.sentence == summarise(journal.read(folder)).sentence
    assert run.folder == str(folder)
    assert store.journal(run.id) == data


def test_the_time_of_a_point_is_that_of_its_last_reading(store: Store, tmp_path: Path) -> None:
    folder = told_again(tmp_path)
    store.add(folder)
    contents = journal.read(folder)
    times = {dt.datetime.fromisoformat(record.at) for record in contents.records}
    points = [row for row in store.results() if row.kind == "point"]
    assert all(row.at in times for row in points)
    assert len({row.at for row in points}) == len(points)
    on_channel_1 = [row for row in points if row.channel == 1 and row.quantity == "deflection"]
    # The sequence goes from the highest range down, the report from the lowest up.
    assert [row.at for row in on_channel_1] == sorted((row.at for row in on_channel_1), reverse=True)
    assert all(row.at is None for row in store.results() if row.kind == "finding")


def test_the_standards_are_told_apart_by_use(store: Store, tmp_path: Path) -> None:
    store.add(told_again(tmp_path))
    used = {row.role: row.used for row in store.standards()}
    assert used == {"calibrator": True, "counter": False, "generator": False, "reference": False}
    calibrator = store.standards(Selection(standard="BW-C-2217"))[0]
    assert (calibrator.maker, calibrator.model, calibrator.serial) == ("Northfen", "Orme", "Orme-0417")
    assert (calibrator.certified, calibrator.due) == (dt.date(2026, 4, 14), dt.date(2027, 4, 14))


def test_a_standard_without_written_names_is_known_by_its_identity(store: Store, tmp_path: Path) -> None:
    """The answer to *IDN?: maker, model, serial number, firmware; 0 where unknown. IEEE 488.2-1992, 10.14."""
    header = dict(measured().header)
    setup = json.loads(json.dumps(header["setup"]))
    del setup["bench"]["simulation"]
    for name in ("maker", "model", "serial"):
        del setup["bench"]["calibrator"][name]
    identities = {**header["identities"], "calibrator": "Northfen, Orme ,0,2.4"}
    store.add(told_again(tmp_path, header={"setup": setup, "identities": identities}))
    row = next(row for row in store.standards() if row.role == "calibrator")
    assert (row.maker, row.model, row.serial) == ("Northfen", "Orme", "")


# --- adding again ------------------------------------------------------------------------------------------------


def test_a_run_is_added_once(store: Store, tmp_path: Path) -> None:
    folder = told_again(tmp_path)
    assert [store.add(folder).outcome, store.add(folder / journal.NAME).outcome] == ["added", "known"]
    assert len(store.runs()) == 1
    assert store.put(derived(folder)).outcome == "known"


def test_a_run_that_went_on_replaces_what_was_known_of_it(store: Store, tmp_path: Path) -> None:
    folder = told_again(tmp_path / "runs")
    half = resumed(folder, tmp_path / "half")
    assert store.add(half).outcome == "added"
    assert store.runs() == ()
    (before,) = store.runs(EVERYTHING)
    assert (before.finished, before.overall) == (False, "cannot be decided")
    assert store.add(folder).outcome == "replaced"
    (after,) = store.runs()
    assert after.finished
    assert plain(store.results()) == plain(derived(folder).results)
    assert store.add(half).outcome == "known", "an older copy changes nothing"
    assert plain(store.runs()) == plain([after])


def test_another_journal_of_the_same_identity_is_refused_and_nothing_changes(store: Store, tmp_path: Path) -> None:
    store.add(told_again(tmp_path / "one"))
    before = store.derived(f"{1:032x}")
    with pytest.raises(RunRefused, match="another journal has the same identity"):
        store.add(told_again(tmp_path / "other", serial="Egret-3072"))
    assert store.derived(f"{1:032x}") == before


def test_a_torn_last_line_is_no_other_journal(store: Store, tmp_path: Path) -> None:
    folder = told_again(tmp_path)
    with (folder / journal.NAME).open("ab") as file:
        file.write(b'{"kind":"event","part"')
    assert store.add(folder).outcome == "added"
    assert store.add(folder).outcome == "known"
    assert store.journal(f"{1:032x}").endswith(b"\n")


# --- asking ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def in_folders(tmp_path_factory: pytest.TempPathFactory) -> RunFolders:
    """The same runs in their folders, without a store."""
    runs = tmp_path_factory.mktemp("folders")
    with Store.open(str(runs.with_suffix(".sqlite"))) as store:
        _fill(store, runs)
    return RunFolders(runs)


@pytest.fixture(scope="module")
def filled(new_store_url: Callable[[], str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Three units on two benches over three years, a simulated run, one without an end; nobody changes it."""
    runs = tmp_path_factory.mktemp("runs")
    with Store.open(new_store_url()) as store:
        _fill(store, runs)
        yield store


def _fill(store: Store, runs: Path) -> None:
    store.add(told_again(runs, 1, serial="Egret-1", on=dt.date(2024, 3, 1), certificate="BW-C-1800"))
    store.add(told_again(runs, 2, serial="Egret-1", on=dt.date(2025, 3, 2)))
    store.add(told_again(runs, 3, serial="Egret-1", on=dt.date(2026, 3, 3), gain=1.06))
    store.add(told_again(runs, 4, serial="Egret-2", on=dt.date(2026, 3, 3), bench="Bench 2", condition="as left"))
    store.add(told_again(runs, 5, serial="å; DROP TABLE runs --", on=dt.date(2026, 3, 4)))
    store.add(told_again(runs, 6, serial="Egret-1", on=dt.date(2026, 4, 1), simulated=True))
    store.add(told_again(runs, 7, serial="Egret-1", on=dt.date(2026, 5, 1), records=9))


def numbers(store: Store, where: Selection) -> list[int]:
    return [int(run.id, 16) for run in store.runs(where)]


CASES: Final = (
    (Selection(), [1, 2, 3, 4, 5]),
    (Selection(simulated=True), [6]),
    (Selection(simulated=None), [1, 2, 3, 4, 5, 6]),
    (Selection(finished=None), [1, 2, 3, 4, 5, 7]),
    (Selection(finished=False), [7]),
    (Selection(serial="Egret-1"), [1, 2, 3]),
    (Selection(serial="egret-1"), []),
    (Selection(serial="å; DROP TABLE runs --"), [5]),
    (Selection(maker="Aldermoor", model="Egret"), [1, 2, 3, 4, 5]),
    (Selection(maker="Northfen"), []),
    (Selection(bench="Bench 2"), [4]),
    (Selection(condition="as left"), [4]),
    (Selection(since=dt.date(2025, 3, 2), until=dt.date(2026, 3, 3)), [2, 3, 4]),
    (Selection(until=dt.date(9999, 12, 31)), [1, 2, 3, 4, 5]),
    (Selection(standard="BW-C-1800"), [1]),
    (Selection(standard="Orme-0417"), [1, 2, 3, 4, 5]),
    (Selection(standard="Northfen Orme no. Orme-0417"), [1, 2, 3, 4, 5]),
    (Selection(standard="Northfen,Orme,Orme-0417,2.4"), [1, 2, 3, 4, 5]),
    (Selection(standard="Nare-0093"), []),  # on the bench, and no reading was taken with it
    (Selection(channel=1, setting="20 mV/div", verdict="fail"), [3]),
    (Selection(quantity="deflection", path="lead"), [1, 2, 3, 4, 5]),
    (Selection(quantity="rise time"), []),
    (Selection(overall="cannot be decided", finished=False), [7]),
    (Selection(run_ids=(f"{5:032x}", f"{1:032x}", "unknown")), [1, 5]),
    (Selection(run_ids=()), []),
    (Selection(serial="\udcff\0"), []),
)


@pytest.mark.parametrize(("where", "expected"), CASES)
def test_runs_are_chosen(filled: Store, where: Selection, expected: list[int]) -> None:
    assert numbers(filled, where) == expected


@pytest.mark.parametrize("where", [where for where, _ in CASES])
def test_a_store_answers_as_the_folders_of_its_runs_do(filled: Store, in_folders: RunFolders, where: Selection) -> None:
    assert [run.id for run in filled.runs(where)] == [run.id for run in in_folders.runs(where)]
    assert filled.results(where) == in_folders.results(where)
    assert filled.standards(where) == in_folders.standards(where)


def test_the_history_of_one_point_is_in_its_order_of_time(filled: Store) -> None:
    where = Selection(serial="Egret-1", quantity="deflection", channel=2, setting="20 mV/div", path="lead")
    history = filled.results(where)
    assert [row.started.year for row in history] == [2024, 2025, 2026]
    assert {(row.serial, row.bench, row.condition, row.simulated) for row in history} == {
        ("Egret-1", "Bench 1", "as found", False)
    }
    assert history[2].result == pytest.approx(history[1].result + 6, abs=0.2)  # % of a gain 6 % too high
    assert all(row.setting_value == 0.02 for row in history)


def test_results_and_standards_are_chosen_by_their_run(filled: Store) -> None:
    assert {row.run_id for row in filled.results(Selection(standard="BW-C-1800"))} == {f"{1:032x}"}
    assert {row.verdict for row in filled.results(Selection(verdict="fail"))} == {"fail"}
    certificates = [row.certificate for row in filled.standards(Selection(serial="Egret-1", standard="Orme-0417"))]
    assert certificates == ["BW-C-1800", "BW-C-2217", "BW-C-2217"]
    everything = filled.results(EVERYTHING)
    assert [(row.started, row.run_id, row.position) for row in everything] == sorted(
        (row.started, row.run_id, row.position) for row in everything
    )


def test_what_is_due_is_the_newest_certificate_of_each_standard(filled: Store) -> None:
    assert filled.due(dt.date(2027, 1, 1)) == ()
    due = filled.due(dt.date(2027, 4, 14))
    assert [(row.serial, row.due) for row in due] == [
        ("Mull-2210", dt.date(2027, 2, 2)), ("Orme-0417", dt.date(2027, 4, 14)),
    ]  # fmt: skip
    assert due[1].certificate == "BW-C-2217"
    assert not any(row.simulated for row in due)


def test_too_many_names_are_refused_in_a_sentence(store: Store) -> None:
    with pytest.raises(RecordsError, match="20000 runs are asked for by name"):
        store.runs(Selection(run_ids=tuple(str(n) for n in range(20_000))))


def test_a_run_that_is_not_there(store: Store) -> None:
    with pytest.raises(RecordsError, match="holds no run 'nobody'"):
        store.journal("nobody")
    with pytest.raises(RecordsError, match="holds no run 'nobody'"):
        store.rebuild("nobody")


# --- rebuilding --------------------------------------------------------------------------------------------------


def test_rebuilding_gives_the_same_rows(filled: Store) -> None:
    before = [filled.derived(run.id) for run in filled.runs(EVERYTHING)]
    assert [filled.rebuild(each.run.id) for each in before] == ["equal"] * 7
    assert [filled.derived(each.run.id) for each in before] == before


def test_rebuilding_puts_right_what_an_older_version_worked_out(store: Store, tmp_path: Path) -> None:
    right = derived(told_again(tmp_path))
    wrong = replace(
        right,
        run=replace(right.run, overall="meets", derived_by="0.0.1"),
        results=tuple(replace(row, result=0.0) for row in right.results[:-1]),
    )
    store.put(wrong)
    assert store.rebuild(right.run.id) == "changed"
    assert store.derived(right.run.id) == right
    assert store.rebuild(right.run.id) == "equal"


# --- what no record can hold -------------------------------------------------------------------------------------


def test_numbers_are_finite_or_none(store: Store, tmp_path: Path) -> None:
    store.add(told_again(tmp_path))
    numbers = [
        (row.position, f.name)
        for row in store.results()
        for f in fields(ResultRow)
        if isinstance(value := getattr(row, f.name), float) and value - value != 0
    ]
    assert numbers == []
    assert any(row.degrees_of_freedom is None for row in store.results()), "where the report has infinity"


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"id": "../../etc/passwd"}, "its 'id' is none that this program gives"),
        ({"id": "x" * 65}, "its 'id' is none that this program gives"),
        ({"run": "n" * (SHORT + 1)}, f"number has {SHORT + 1} characters, and a record holds {SHORT}"),
        ({"program": "p" * (LONG + 1)}, f"program has {LONG + 1} characters"),
        ({"setup": {}}, "no report can be made from this journal"),
        ({"started": "yesterday"}, "no report can be made from this journal"),
    ],
)
def test_a_run_that_does_not_fit_is_refused_in_a_sentence(
    store: Store, tmp_path: Path, change: dict[str, object], sentence: str
) -> None:
    folder = told_again(tmp_path)
    with_header(folder, tmp_path / "changed", change)
    with pytest.raises(RunRefused, match=sentence):
        store.add(tmp_path / "changed")
    assert store.runs(EVERYTHING) == ()


def with_header(folder: Path, target: Path, change: dict[str, object]) -> None:
    """A journal with another header, written by the journal itself."""
    contents = journal.read(folder)
    head = {key: value for key, value in contents.header.items() if key not in ("kind", "format", "at")} | change
    made = journal.Journal.create(target, head, lambda: "2026-03-02T09:00:00.000+00:00")
    made.end()
    made.close()


def test_hostile_text_is_kept_as_text(store: Store, tmp_path: Path) -> None:
    serial = "'; DROP TABLE runs; --\0\u202e[bold]å"
    store.add(told_again(tmp_path, serial=serial, header={"run": "hostile"}))
    (run,) = store.runs()
    assert run.serial == serial.replace("\0", "\ufffd")
    assert numbers(store, Selection(serial=serial)) == [1]


def test_a_damaged_journal_is_refused_and_nothing_is_added(store: Store, tmp_path: Path) -> None:
    folder = told_again(tmp_path)
    path = folder / journal.NAME
    path.write_bytes(path.read_bytes().replace(b"Bench 1", b"Bench 2", 1))
    with pytest.raises(JournalError, match="changed or damaged"):
        store.add(folder)
    assert store.runs(EVERYTHING) == ()
