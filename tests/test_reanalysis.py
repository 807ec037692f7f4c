"""Re-analysis: what changes is what must, the numbers do not depend on who works, and nothing is written over."""

from __future__ import annotations

import csv
import datetime as dt
import json
import os
import re
import shutil
import signal
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from harness.errors import ConfigError, HalfpowerError, RecordsError
from harness.journal import journal
from harness.years import corrections, reanalysis, reanalysis_record, workers
from harness.years.outcomes import Outcomes
from harness.years.records.rows import Selection
from harness.years.records.store import Store
from tests.helpers.demo_lab import halfpower
from tests.helpers.dying_worker import square_or_die
from tests.helpers.sample_years import Visit, reseal, run_visits

HIGH = 1.02  # what the calibrator is now said to have given, over what was set

CORRECTION = """\
reason = "The calibrator gave 2 % too much after its repair."

[[standard]]
serial = "Orme-0417"
since = 2021-01-01
until = 2022-12-31

[[standard.known_error]]
function = "dc"
of_value = "+2 %"
"""


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """Four visits a year apart; channel 1 at +2.2 %, channel 2 at −1.9 %."""
    visits = [Visit(day=dt.date(2020 + n, 6, 1), gains=(2.2, -1.9), seed=n + 1) for n in range(4)]
    return run_visits(tmp_path_factory.mktemp("years"), visits)


@pytest.fixture
def correction(tmp_path):
    def write(text=CORRECTION):
        path = tmp_path / "orme.toml"
        path.write_text(text, "utf-8")
        return path

    return write


def tasks_of(folder):
    return [reanalysis.Task(data=f.read_bytes(), where=str(f)) for f in sorted(Path(folder).rglob(journal.NAME))]


def worked(folder, spread=None, **changes):
    function = partial(reanalysis.reanalyse, changes=reanalysis.Changes(**changes))
    return tuple((spread or workers.Serial()).map(function, tasks_of(folder), lost))


def lost(task):
    return reanalysis.Outcome(where=task.where, problem="lost")


# --- what changes ------------------------------------------------------------------------------------------------


def test_without_a_change_every_number_and_word_stays(runs):
    outcomes = worked(runs)
    assert len(outcomes) == 4
    assert not any(each.changes or each.moved or each.touched or each.problem for each in outcomes)
    assert all(each.results for each in outcomes)


def test_a_known_error_moves_the_errors_of_its_time_by_its_amount_and_no_others(runs, correction):
    plain = worked(runs)
    again = worked(runs, corrections=corrections.load(correction()).value)
    assert [each.touched for each in again] == [(), (0,), (0,), ()]
    for before, after in zip(plain, again, strict=True):
        factor = HIGH if after.touched else 1.0
        for was, now in zip(before.results, after.results, strict=True):
            if was.quantity == "deflection" and was.kind == "point":
                # By hand: shown/applied − 1, and what was applied is 2 % more.
                assert now.result == pytest.approx(100 * ((1 + was.result / 100) / factor - 1), abs=1e-9)
    # −1.9 % becomes −3.8 %: out of ±3 %. +2.2 % becomes +0.2 %, a pass as before.
    assert {(each.before, each.after) for one in again for each in one.changes} == {("pass", "fail")}
    assert [each.overall_after for each in again] == ["meets", "does not meet", "does not meet", "meets"]
    assert all("channel 2" in each.point for one in again for each in one.changes)


def test_a_corrected_accuracy_changes_uncertainties_alone(runs, correction):
    poor = CORRECTION.replace("known_error", "accuracy").replace('"+2 %"', '"1.5 %"')
    plain, again = worked(runs), worked(runs, corrections=corrections.load(correction(poor)).value)
    was, now = plain[1].results[0], again[1].results[0]
    assert now.result == was.result
    assert now.standard_u > 5 * was.standard_u
    assert {(each.before, each.after) for each in again[1].changes} == {("pass", "undecided")}
    assert again[0].results == plain[0].results  # not in its time


def test_a_result_that_moved_is_told_where_its_verdict_stands_too(runs, correction):
    """Channel 1 goes from +2.2 % to +0.2 %, a pass as before; what moved by less than the stated share is left out."""
    known = corrections.load(correction()).value
    again = worked(runs, corrections=known, share=0.1)
    assert [bool(each.moves) for each in again] == [False, True, True, False]
    of_one = [move for move in again[1].moves if "deflection, channel 1" in move.point]
    assert {(move.verdict_before, move.verdict_after) for move in of_one} == {("pass", "pass")}
    for move in of_one:
        # By hand: (shown/applied)/1.02 − 1, over the U that was stated.
        moved = abs(100 * ((1 + move.result_before / 100) / HIGH - 1) - move.result_before)
        assert move.share_of_u == pytest.approx(moved / move.expanded_u_before, rel=1e-3)
    far = 1 + max(move.share_of_u for move in again[1].moves)
    words_alone = worked(runs, corrections=known, share=far)[1].moves
    assert len(words_alone) == len(again[1].changes)


def test_an_uncertainty_that_grew_is_told_though_the_result_stands(runs, correction):
    poor = CORRECTION.replace("known_error", "accuracy").replace('"+2 %"', '"0.5 %"')
    (move, *_) = worked(runs, corrections=corrections.load(correction(poor)).value)[1].moves
    assert move.result_before == move.result_after
    assert move.share_of_u == pytest.approx(move.expanded_u_after / move.expanded_u_before - 1)


def test_outcomes_on_disk_are_those_that_were_put_aside_by_date_and_each_run_once(runs):
    one, two, three, four = worked(runs)
    longer = replace(two, run=replace(two.run, journal_bytes=two.run.journal_bytes + 1))
    unreadable = reanalysis.Outcome(where="a", problem="damaged")
    with Outcomes(iter([four, unreadable, two, one, longer, three, two])) as kept:
        assert list(kept) == [one, longer, three, four, unreadable]
        assert reanalysis.digest(kept) == reanalysis.digest(list(kept))
        assert kept[1] == longer


def test_another_rule_and_another_definition(runs):
    for outcome in worked(runs, rule="simple"):
        assert not outcome.moved
        assert not outcome.changes  # all within ±3 % by more than their uncertainty
    was, now = worked(runs)[0].results[0], worked(runs, error="deflection factor")[0].results[0]
    # Two definitions of one error: 1/(1 + e) − 1.
    assert now.result == pytest.approx(100 * (1 / (1 + was.result / 100) - 1), abs=1e-9)


MADE = dt.datetime(2026, 11, 27, 9, 30, 5, tzinfo=dt.UTC)


def test_a_page_has_its_own_number_and_borrows_neither_consent_nor_authority(runs, tmp_path):
    """The customer agreed to the rule of then; who authorised the report of then has not seen this one."""
    copied = shutil.copytree(sorted(runs.iterdir())[0], tmp_path / "run") / journal.NAME
    names = {"rule_agreed": "order SAN-118", "authorised_by": "E. Quill", "operator": "I. Marrow"}
    reseal(copied, lambda header: header["setup"]["job"].update(names))
    (task,) = tasks_of(tmp_path)
    both = task, reanalysis.reanalyse(task, reanalysis.Changes())
    anew = reanalysis.page(both, reanalysis.Changes(rule="simple"), "Re-analysed: for a test.", MADE)
    assert "End of report 2020-06-01-Egret-3071-01, re-analysed 2026-11-27 09:30:05." in anew
    assert "SAN-118" not in anew
    assert "E. Quill" not in anew
    assert "I. Marrow" in anew
    same_rule = reanalysis.page(both, reanalysis.Changes(error="deflection factor"), "r", MADE)
    assert "SAN-118" in same_rule
    later = reanalysis.page(both, reanalysis.Changes(rule="simple"), "r", MADE + dt.timedelta(minutes=5))
    assert "Egret-3071-01, re-analysed 2026-11-27 09:35:05." in later  # the same run again, on the same day


def test_two_corrections_of_one_standard_by_two_of_its_names_are_refused(runs, correction):
    other = CORRECTION.split("[[standard]]")[1].replace('serial = "Orme-0417"', 'certificate = "BW-C-2021"')
    both = corrections.load(correction(f"{CORRECTION}\n[[standard]]{other}")).value
    problems = [each.problem for each in worked(runs, corrections=both)]
    assert [bool(problem) for problem in problems] == [False, True, False, False]
    assert "standard[1] and standard[2] both concern the calibrator (Northfen Orme" in problems[1]


def test_runs_are_chosen_by_what_they_are(runs):
    def chosen(**where):
        where = {"simulated": None, **where}
        return sum(each is not None for each in worked(runs, where=Selection(**where)))

    assert chosen() == 4
    assert chosen(simulated=False) == 0
    assert chosen(since=dt.date(2021, 6, 1), until=dt.date(2022, 6, 1)) == 2
    assert chosen(standard="BW-C-2021") == chosen(standard="BW-C-2022") == 1
    assert chosen(standard="Orme-0417") == 4
    assert chosen(standard="Nare-0093") == 0  # on the bench, and not used
    assert chosen(serial="Egret-3071") == 4
    assert chosen(serial="Egret") == 0


def test_what_a_store_says_is_what_was_before(runs, tmp_path):
    """An older version that decided otherwise: what it decided stands in the store, and is the word before."""
    with Store.open(str(tmp_path / "store.sqlite")) as store:
        for file in sorted(runs.rglob(journal.NAME)):
            store.add(file)
        every = Selection(simulated=None)
        first = store.runs(every)[0]
        stored = store.derived(first.id)
    as_then = replace(
        stored,
        run=replace(stored.run, overall="does not meet"),
        results=tuple(replace_word(row) for row in stored.results),
    )
    task = reanalysis.Task(data=stored.journal, where="store", stored=as_then)
    outcome = reanalysis.reanalyse(task, reanalysis.Changes())
    assert (outcome.overall_before, outcome.overall_after) == ("does not meet", "meets")
    assert {(each.before, each.after) for each in outcome.changes} == {("fail", "pass")}
    assert len(outcome.changes) == len([row for row in stored.results if row.kind == "point"])


def replace_word(row):
    return replace(row, verdict="fail") if row.kind == "point" else row


# --- who works ---------------------------------------------------------------------------------------------------


def test_the_numbers_are_the_same_whatever_the_number_of_processes(runs, correction):
    known = corrections.load(correction()).value
    serial = worked(runs, corrections=known)
    two = worked(runs, workers.Processes(2), corrections=known)
    assert two == serial
    assert reanalysis.digest(two) == reanalysis.digest(serial)
    assert reanalysis.digest(serial) != reanalysis.digest(worked(runs))


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX")
@pytest.mark.parametrize("once", [True, False])
def test_a_worker_that_is_killed_loses_nothing_else(tmp_path, once):
    marker = tmp_path / "died" if once else None
    found = list(workers.Processes(2).map(partial(square_or_die, 3, marker), range(12), lambda thing: -thing))
    assert found == [n * n if once or n != 3 else -3 for n in range(12)]


def test_a_cluster_that_is_not_there_is_said_in_one_sentence(monkeypatch):
    monkeypatch.setattr(workers, "_CONNECT_S", 0.5)
    says = r"tcp://127\.0\.0\.1:1: no dask scheduler answers there"
    with pytest.raises(HalfpowerError, match=says), workers.cluster("tcp://127.0.0.1:1"):
        pass


@pytest.mark.soak
@pytest.mark.filterwarnings("ignore")  # of distributed's own closing
def test_a_dask_cluster_gives_the_same_numbers_to_the_last_bit_and_survives_a_killed_worker(runs, correction, tmp_path):
    from distributed import LocalCluster

    known = corrections.load(correction()).value
    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
        ) as local,
        workers.cluster(local.scheduler_address) as spread,
    ):
        outcomes = worked(runs, spread, corrections=known)
        assert outcomes == worked(runs, corrections=known)
        first = next(iter(local.workers.values()))
        os.kill(first.pid, signal.SIGKILL)
        assert worked(runs, spread, corrections=known) == outcomes
        work = partial(square_or_die, 3, tmp_path / "died")
        assert list(spread.map(work, range(8), lambda thing: -thing)) == [n * n for n in range(8)]
        work = partial(square_or_die, 3, None)
        assert list(spread.map(work, range(8), lambda thing: -thing)) == [n * n if n != 3 else -3 for n in range(8)]
        spread.client.wait_for_workers(2, timeout=60)  # a cluster that is closed while one starts again may raise


def test_a_worker_with_other_versions_is_told_apart():
    own = workers.fingerprint()
    assert workers.apart(own, own) == []
    theirs = {**own, "numpy": "1.0", "sources": "0"}
    assert workers.apart(theirs, own) == [f"sources 0 (here {own['sources']})", f"numpy 1.0 (here {own['numpy']})"]


# --- the file of corrections -------------------------------------------------------------------------------------

BAD = [
    ('reason = "The', 'reson = "The', "orme.toml:1: reason: missing"),
    ('serial = "Orme-0417"', "", "orme.toml:3: standard[1]: names no standard; expected 'serial' or 'certificate'"),
    ("until = 2022-12-31", "until = 2020-12-31", "orme.toml:5: standard[1].since: lies after 'until'"),
    ('"+2 %"', '"0 %"', "orme.toml:8: standard[1].known_error[1]: states no error; expected of_value or floor"),
    ('"+2 %"', '"2 V"', "orme.toml:10: standard[1].known_error[1].of_value: '2 V' has the unit 'V'"),
    ('"dc"', '"sine"', "orme.toml:9: standard[1].known_error[1].function: 'sine' is not known here"),
    ("until = 2022", "untl = 2022", "orme.toml:6: standard[1].untl: unknown key"),
    (
        '[[standard.known_error]]\nfunction = "dc"\nof_value = "+2 %"\n',
        "",
        "orme.toml:3: standard[1]: corrects nothing; expected one of known_error, accuracy, flatness, edge_rise_time",
    ),
    (
        'of_value = "+2 %"',
        'of_value = "+2 %"\n[[standard]]\nserial = "Orme-0417"\nsince = 2022-12-31\nedge_rise_time = "1 ns"',
        "orme.toml:11: standard[2]: concerns days that line 3 concerns too",
    ),
    (
        'of_value = "+2 %"',
        'of_value = "+2 %"\n[[standard.accuracy]]\nfunction = "dc"\ndb = "0.2 dB"',
        "orme.toml:13: standard[1].accuracy[1].db: belongs to a levelled sine, not to 'dc'",
    ),
    (
        'of_value = "+2 %"',
        'of_value = "+2 %"'
        + "".join(f'\n[[standard.flatness]]\nfrequency = "{n} MHz"\ndb = "0 dB"\nu = "0.1 dB"' for n in (2, 1)),
        "orme.toml:16: standard[1].flatness[2].frequency: is not above the one before",
    ),
]


@pytest.mark.parametrize(("old", "new", "says"), BAD)
def test_what_is_wrong_with_a_file_of_corrections_is_said_with_its_line(correction, old, new, says):
    assert old in CORRECTION
    path = correction(CORRECTION.replace(old, new))
    with pytest.raises(ConfigError) as caught:
        corrections.load(path)
    lines = [problem.replace(f"{path.parent}{os.sep}", "") for problem in caught.value.problems]
    assert any(line.startswith(says) for line in lines), lines


def test_every_problem_is_said_at_once(correction):
    with pytest.raises(ConfigError) as caught:
        corrections.load(correction(CORRECTION.replace('serial = "Orme-0417"', "").replace('"+2 %"', '"0 %"')))
    assert len(caught.value.problems) == 2
    bad = (
        CORRECTION.replace('"+2 %"', '"2 V"')
        .replace("until = 2022", "untl = 2022")
        .replace('reason = "The', 'reson = "The')
    )
    with pytest.raises(ConfigError) as caught:
        corrections.load(correction(bad))
    lines = [int(re.search(r":(\d+)", problem).group(1)) for problem in caught.value.problems]
    assert lines == sorted(lines) == [1, 1, 6, 10]


# --- the command and its record ----------------------------------------------------------------------------------


def test_what_changes_is_shown_and_nothing_is_written(runs, correction, tmp_path):
    before = {path: path.read_bytes() for path in runs.rglob("*") if path.is_file()}
    result = halfpower("reanalyse", runs, "--corrections", correction(), "--simulated")
    assert result.exit_code == 0, result.output
    assert "deflection, channel 2, lead, 5 V/div: pass → fail (−1.9" in result.output
    assert "6 × pass → fail" in result.output
    assert "2 × meets → does not meet" in result.output
    assert "standard[1] (Orme-0417): concerns 2 runs" in result.output
    assert {path: path.read_bytes() for path in runs.rglob("*") if path.is_file()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["orme.toml"]


def test_a_record_says_what_why_when_and_by_which_version(runs, correction, tmp_path):
    record = tmp_path / "record"
    before = {path: path.read_bytes() for path in runs.rglob("*") if path.is_file()}
    result = halfpower(
        "reanalyse", runs, "--corrections", correction(), "--simulated", "--by", "M. Thorne", "--write", record
    )
    assert result.exit_code == 0, result.output
    said = json.loads((record / "record.json").read_text("utf-8"))
    assert said["reason"] == "The calibrator gave 2 % too much after its repair."
    assert (said["by"], said["runs"], said["runs_with_another_verdict"]) == ("M. Thorne", 4, 2)
    assert said["verdicts"] == [{"before": "pass", "after": "fail", "times": 6}]
    assert said["digest_sha256"] == reanalysis.digest(
        worked(runs, corrections=corrections.load(correction()).value, where=Selection(simulated=True))
    )
    assert (record / "corrections.toml").read_text("utf-8") == CORRECTION
    rows = list(csv.DictReader((record / "changes.csv").read_text("utf-8").splitlines()))
    assert len(rows) == 6
    assert {row["after"] for row in rows} == {"fail"}
    told = list(csv.DictReader((record / "concerned.csv").read_text("utf-8").splitlines()))
    assert {row["run_number"][:4] for row in told} == {"2021", "2022"}
    assert sum(each["results"] for each in said["concerned"]) == len(told) > len(rows)
    assert f"{len(told)} results in 2 runs, by up to" in result.output
    assert [each["run"][:4] for each in said["each"]] == ["2020", "2021", "2022", "2023"]
    pages = sorted((record / "reports").iterdir())
    assert [page.name[:10] for page in pages] == ["2021-06-01", "2022-06-01"]
    text = pages[0].read_text("utf-8")
    assert "Re-analysed: not the original report" in text
    assert "The calibrator gave 2 % too much after its repair." in text
    assert "Known errors of the calibrator (Northfen Orme no. Orme-0417) were corrected: dc +2 %." in text
    assert {path: path.read_bytes() for path in runs.rglob("*") if path.is_file()} == before
    again = halfpower("reanalyse", runs, "--corrections", correction(), "--simulated", "--write", record)
    assert again.exit_code == RecordsError.exit_code
    assert "never written over it" in again.output


def test_a_store_is_read_as_a_folder_is(runs, correction, tmp_path):
    with Store.open(str(tmp_path / "store.sqlite")) as store:
        for file in sorted(runs.rglob(journal.NAME)):
            store.add(file)
    arguments = ("--corrections", correction(), "--simulated")
    from_store = halfpower("reanalyse", "--store", tmp_path / "store.sqlite", *arguments)
    from_folder = halfpower("reanalyse", runs, *arguments)
    assert from_store.exit_code == 0, from_store.output
    assert from_store.output.replace("store.sqlite", "") == from_folder.output.replace("store.sqlite", "")


def test_a_copy_of_a_run_counts_once(runs, tmp_path):
    some = shutil.copytree(runs, tmp_path / "some")
    shutil.copytree(sorted(runs.iterdir())[0], some / "copy")
    result = halfpower("reanalyse", some, "--simulated")
    assert (result.exit_code, "4 runs worked out again" in result.output) == (0, True), result.output


def test_a_damaged_journal_among_others_is_named_and_the_others_go_on(runs, tmp_path):
    some = tmp_path / "some"
    shutil.copytree(runs, some)
    damaged = sorted(some.rglob(journal.NAME))[1]
    damaged.write_bytes(damaged.read_bytes().replace(b'"value":', b'"value": ', 1))
    result = halfpower("reanalyse", some, "--simulated")
    assert result.exit_code == 5
    assert "3 runs worked out again" in result.output
    assert f"{damaged}:" in result.output
    assert "was changed or damaged" in result.output
    assert "1 of 4 runs could not be worked out again" in result.output


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("RUNS", "--store", "x"), 2, "or a store with --store, not both"),
        (("--store", "nowhere.sqlite"), RecordsError.exit_code, "there is no store here yet"),
        (("RUNS", "--since", "2023-01-01", "--until", "2022-01-01"), 2, "lies after --until"),
        (("RUNS", "--workers", "2", "--cluster", "tcp://127.0.0.1:1"), 2, "not both"),
        (("nowhere",), RecordsError.exit_code, "there is no such folder"),
        (("RUNS",), RecordsError.exit_code, "Simulated runs count only with --simulated"),
        (("RUNS", "--simulated", "--serial", "X"), RecordsError.exit_code, "no run fits what was asked"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence(runs, arguments, code, says):
    result = halfpower("reanalyse", *(str(runs) if each == "RUNS" else each for each in arguments))
    assert (result.exit_code, says in " ".join(result.output.split())) == (code, True), result.output


def test_a_correction_that_concerns_no_run_stops_before_anything_is_written(runs, correction, tmp_path):
    file = correction(CORRECTION.replace("Orme-0417", "Orme-9999"))
    result = halfpower("reanalyse", runs, "--corrections", file, "--simulated", "--write", tmp_path / "record")
    assert result.exit_code == ConfigError.exit_code
    assert "standard[1] (Orme-9999): concerns none of these runs" in result.output
    assert not (tmp_path / "record").exists()


def test_a_record_is_whole_or_not_there(runs, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    done = reanalysis_record.Reanalysis(
        made="2026-11-27T00:00:00+00:00", reason="r", by="", source="s", changes=reanalysis.Changes(),
        corrections=None, outcomes=worked(runs),
    )  # fmt: skip
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RecordsError, match="No space left"):
        reanalysis_record.write(done, tmp_path / "record", ())
    assert list(tmp_path.iterdir()) == []
