"""Units over the years: drift against the hidden truth, what a standard touched, what is due, and how it is shown."""

from __future__ import annotations

import csv
import datetime as dt
import doctest
import io
import json
import random
import re
import shutil
from dataclasses import replace

import pytest
from rich.console import Console

from harness.errors import RecordsError
from harness.journal import journal
from harness.report import trends
from harness.report.history_page import blocks, history_page
from harness.report.terminal_page import on_terminal
from harness.years import history
from harness.years.records.folder import RunFolders
from harness.years.records.rows import Selection, StandardRow, newest
from harness.years.records.store import Store
from tests.helpers.demo_lab import halfpower
from tests.helpers.sample_years import Visit, as_real, reseal, run_visits

FIRST = dt.date(2019, 5, 10)
PER_YEAR = (0.35, 0.0)  # true drift of the channels, percent a year
ADJUSTED = -1.2  # percent, of channel 1 in the fourth year
TODAY = dt.date(2026, 11, 27)
EVERY = Selection(simulated=True)


def true_gains(year, *, left=False):
    return (0.2 + PER_YEAR[0] * year + (ADJUSTED if year > 3 or left else 0.0), -0.5)


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """One unit every year for seven years, adjusted in the fourth; another one twice."""
    visits = [
        Visit(day=FIRST.replace(year=2019 + n), gains=true_gains(n), seed=n + 1, calibrator=0.01 * (-1) ** n)
        for n in range(7)
    ]
    left = Visit(day=FIRST.replace(year=2022), gains=true_gains(3, left=True), seed=50, condition="as left")
    others = [Visit(day=dt.date(2023 + n, 9, 1), gains=(0.0, 4.1), serial="Egret-3090", seed=60 + n) for n in range(2)]
    return run_visits(tmp_path_factory.mktemp("years"), [*visits, left, *others], ranges=("50 mV", "5 V"))


@pytest.fixture(scope="module")
def found(runs):
    return history.read(RunFolders(runs), EVERY, interval="12 months")


def track(found, serial, channel, setting="50 mV/div"):
    (one,) = [t for t in found.tracks if (t.serial, t.channel, t.setting) == (serial, channel, setting)]
    return one


# --- drift -------------------------------------------------------------------------------------------------------


def test_the_true_drift_lies_in_the_stated_interval_before_and_after_the_adjustment(found):
    for setting in ("50 mV/div", "5 V/div"):
        moving, still = (track(found, "Egret-3071", channel, setting) for channel in (1, 2))
        assert [len(series.entries) for series in moving.series] == [4, 4]
        for series in moving.series:
            assert abs(series.drift.per_year - PER_YEAR[0]) <= series.drift.expanded_per_year
            assert series.drift.significant
        assert [series.drift.significant for series in still.series] == [False, False]
        assert moving.series[1].entries[0].as_left
        # As found and as left of one day: before and after the adjustment.
        before, after = moving.series[0].entries[-1].row, moving.series[1].entries[0].row
        assert after.result - before.result == pytest.approx(ADJUSTED, abs=before.expanded_u)


def test_the_date_of_leaving_agrees_with_the_truth(found):
    leaving = track(found, "Egret-3071", 1).latest.drift.leaving
    true_years = (3.0 - true_gains(4)[0]) / PER_YEAR[0] + 4
    true_day = FIRST + dt.timedelta(days=true_years * 365.25)
    assert leaving.side == "high"
    assert leaving.earliest < true_day
    assert abs((leaving.expected - true_day).days) < 3 * 365


def test_the_standard_s_certificates_are_shared_errors(found):
    entries = track(found, "Egret-3071", 1).series[0].entries
    names = [dict(entry.shared) for entry in entries]
    calibrator = "Northfen Orme no. Orme-0417"
    assert [list(each) for each in names] == [
        [f"limits of {calibrator}, {calibrator}, BW-C-{year}"] for year in (2019, 2020, 2021, 2022)
    ]
    for entry in entries:
        (u,) = dict(entry.shared).values()
        # ±(0.05 % + 10 µV) of 300 mV, rectangular.
        assert u == pytest.approx((0.05 + 100 * 10e-6 / 0.3) / 3**0.5, rel=0.02)
        assert u < entry.row.standard_u


def test_the_rise_time_of_the_edge_is_one_error_of_all_runs_under_one_certificate(tmp_path):
    """4 % of a rise time of 1 ns is no scatter of a year: it is the source's, and moves every result alike."""
    more = '[[sequence]]\nuse = "pulse"\npath = "terminated"\nsource = "generator"\nchannels = [1]\n'
    visits = [Visit(day=FIRST.replace(year=2019 + n), gains=(0.0, 0.0), seed=n + 1) for n in range(3)]
    runs = run_visits(tmp_path, visits, ranges=["50 mV"], more=more)
    (one,) = [t for t in history.read(RunFolders(runs), EVERY).tracks if t.quantity == "rise time"]
    edges = [each for entry in one.entries for each in entry.shared if each[0].startswith("rise time of the source")]
    assert {name for name, _ in edges} == {"rise time of the source, Northfen Nare no. Nare-0093, BW-C-2218"}
    assert len(edges) == 3
    u = min(u for _, u in edges)
    assert 0.0 < u < one.entries[0].row.standard_u
    # No number of runs under one certificate averages it away.
    assert one.latest.drift.predict(one.entries[1].day).u >= u


def test_levels_signals_and_definitions_of_one_range_are_points_of_their_own(tmp_path):
    """Else three levels of two days would pass for six results, and a change of definition for a drift through zero."""
    more = 'levels = 3\n[[sequence]]\nuse = "vertical"\npaths = ["lead"]\nranges = ["50 mV"]\nsignal = "square"\n'
    days = [dt.date(2020, 6, 1), dt.date(2021, 6, 1)]
    gains = (2.0, 0.0)
    runs = run_visits(tmp_path, [Visit(day=day, gains=gains) for day in days], ranges=["50 mV"], more=more)
    run_visits(tmp_path / "plain", [Visit(day=dt.date(2022, 6, 1), gains=gains)], ranges=["50 mV"])
    shutil.copytree(tmp_path / "plain" / "runs", runs, dirs_exist_ok=True)
    (first,) = runs.glob("2020-*")
    reseal(first / journal.NAME, lambda header: header["setup"]["job"].update(error="deflection factor"))
    found = [each for each in history.read(RunFolders(runs), EVERY).tracks if each.channel == 1]
    assert {each.detail: [entry.day.year for entry in each.entries] for each in found} == {
        "300 mV DC, error as deflection factor": [2020],
        "300 mV DC, error as indication": [2021, 2022],
        "200 mV DC, error as deflection factor": [2020],
        "200 mV DC, error as indication": [2021],
        "100 mV DC, error as deflection factor": [2020],
        "100 mV DC, error as indication": [2021],
        "300 mVpp square wave, 1 kHz, error as deflection factor": [2020],
        "300 mVpp square wave, 1 kHz, error as indication": [2021],
    }
    assert found[0].name == ("deflection, channel 1, lead, 50 mV/div, 300 mV DC, error as deflection factor")
    assert all(len(each.series) == 1 and "at least 3 results" in each.series[0].why_not for each in found)


@pytest.mark.parametrize(
    "where", [{"condition": "as found"}, {"overall": "meets"}, {"standard": "BW-C-2024"}, {"verdict": "pass"}]
)
def test_what_chooses_a_point_does_not_thin_out_its_results(runs, found, where):
    chosen = history.read(RunFolders(runs), Selection(simulated=True, serial="Egret-3071", **where))
    assert track(chosen, "Egret-3071", 1) == track(found, "Egret-3071", 1)
    failing = history.read(RunFolders(runs), Selection(simulated=True, verdict="fail"))
    assert {(each.serial, each.channel) for each in failing.tracks} == {("Egret-3090", 2)}


def test_too_few_results_give_their_reason(found):
    few = track(found, "Egret-3090", 1).latest
    assert few.drift is None
    assert trends.drift_words(track(found, "Egret-3090", 1), few) == (
        "No drift is stated: a drift needs at least 3 results, and there are 2."
    )


def test_soon_after_an_adjustment_the_drift_before_it_is_told(found):
    whole = track(found, "Egret-3071", 1)
    short = replace(whole.series[1], entries=whole.series[1].entries[:1], drift=None, why_not="there is 1 result")
    words = trends.track_words(replace(whole, series=(whole.series[0], short)))
    assert words.startswith("No drift is stated: there is 1 result. Before the last adjustment it drifted by (+0.3")
    assert trends.track_words(whole) == trends.drift_words(whole, whole.latest)


@pytest.mark.soak
def test_years_of_many_units_hold_their_true_drifts_about_as_often_as_they_say(tmp_path):
    """Calibrators anywhere within their limits, a new error every year; the unit's scatter as its file says."""
    rng = random.Random(8)
    truth, visits = {}, []
    for number in range(16):
        serial = f"Egret-4{number:03d}"
        truth[serial] = [(rng.uniform(-1.0, 1.0), rng.uniform(-0.3, 0.3)) for _ in range(2)]
        for year in range(5):
            day = dt.date(2019 + year, 6, 1 + number)
            gains = tuple(a + b * (day - FIRST).days / 365.25 for a, b in truth[serial])
            visits.append(
                Visit(
                    day=day, gains=gains, serial=serial, seed=rng.randrange(10**6), calibrator=rng.uniform(-0.05, 0.05)
                )
            )
    known = history.read(RunFolders(run_visits(tmp_path, visits, scatter="0.001 div")), EVERY)
    held = [
        abs(one.latest.drift.per_year - truth[one.serial][one.channel - 1][1]) <= one.latest.drift.expanded_per_year
        for one in known.tracks
    ]
    assert len(held) == 16 * 6
    assert sum(held) / len(held) >= 0.88  # the six points of a unit share its calibrators: few independent trials


# --- due, and standards ------------------------------------------------------------------------------------------


def test_a_unit_is_due_an_interval_after_its_last_run(found):
    due = {unit.serial: unit.due for unit in found.units}
    assert due == {"Egret-3071": dt.date(2026, 5, 10), "Egret-3090": dt.date(2025, 9, 1)}
    (table,) = next(each for each in blocks(found, dt.date(2026, 1, 1)) if getattr(each, "key", "") == "units").blocks
    assert [row.cells[0][0].text[-10:] for row in table.rows] == ["Egret-3090", "Egret-3071"]  # the first due first
    assert trends.headline(found, dt.date(2026, 1, 1)).startswith(
        "10 runs of 2 units; 2 of 4 points drift; no drift can be stated yet of 4 points; 1 unit overdue"
    )


def test_what_the_job_says_goes_before_the_option(tmp_path):
    folder = run_visits(tmp_path, [Visit(day=dt.date(2024, 2, 29), gains=(0.0, 0.0))], ranges=("5 V",))

    def due(interval=""):
        return history.read(RunFolders(folder), EVERY, interval=interval).units[0].due

    assert due() is None
    assert due("1 year") == dt.date(2025, 2, 28)
    (file,) = folder.rglob(journal.NAME)
    reseal(file, lambda header: header["setup"]["job"].update(interval="6 months"))
    assert due("1 year") == dt.date(2024, 8, 29)
    reseal(file, lambda header: header["setup"]["job"].update(next_due="2024-07-01"))  # the customer's wish
    assert due("1 year") == dt.date(2024, 7, 1)


def test_a_standard_names_every_run_and_verdict_that_it_touched(runs):
    of_2023 = history.read(RunFolders(runs), Selection(simulated=True, standard="BW-C-2023"))
    lines = printed(of_2023).split("Runs with BW-C-2023")[1]
    assert all(use.run.number in lines for use in of_2023.uses)  # no number is broken at 80 columns
    assert [use.run.serial for use in of_2023.uses] == ["Egret-3071", "Egret-3090"]
    assert [trends.tally(use.results) for use in of_2023.uses] == ["4 pass", "2 pass, 2 fail"]
    assert "fail: deflection, channel 2, 5 V/div" in trends.use_points(of_2023.uses[1])
    since = Selection(simulated=True, standard="Orme-0417", since=dt.date(2023, 1, 1))
    assert len(history.read(RunFolders(runs), since).uses) == 5
    with pytest.raises(RecordsError, match="no run was made with the standard 'Nare-0093'"):
        history.read(RunFolders(runs), Selection(simulated=True, standard="Nare-0093"))  # on the bench, not used


def test_a_standard_is_judged_by_its_newest_certificate_whichever_unit_it_was_last_used_on(runs, tmp_path):
    with Store.open(str(tmp_path / "store.sqlite")) as store:
        for file in sorted(runs.rglob(journal.NAME)):
            store.add(file)
        for records in (RunFolders(runs), store):  # the unit was last here in 2024, the standard in 2025
            of_unit = history.read(records, replace(EVERY, serial="Egret-3090"))
            (source,) = [row for row in of_unit.standards if row.serial == "Orme-0417"]
            assert (source.certificate, source.due) == ("BW-C-2025", dt.date(2026, 4, 14))


def test_a_bench_file_with_an_old_certificate_hides_no_newer_one():
    row = StandardRow(
        run_id="1", role="calibrator", label="Orme", maker="Northfen", model="Orme", serial="Orme-0417", identity="",
        certificate="BW-2", certified=dt.date(2025, 4, 14), due=dt.date(2026, 4, 14), used=True, overdue=False,
        started=dt.datetime(2025, 5, 1, tzinfo=dt.UTC), finished=True, simulated=False, bench="Bench 1",
    )  # fmt: skip
    old = replace(row, certificate="BW-1", certified=dt.date(2024, 4, 14), label="Orme, bench 2", bench="Bench 2")
    unsaid = replace(row, certificate="BW-3", certified=None)
    assert list(newest([row, old]).values()) == [row]
    assert list(newest([row, unsaid]).values()) == [unsaid]


def test_a_store_gives_the_same_history_as_a_folder(runs, found, tmp_path):
    with Store.open(str(tmp_path / "store.sqlite")) as store:
        for file in sorted(runs.rglob(journal.NAME)):
            store.add(file)
        stored = history.read(store, EVERY, interval="12 months")
    assert list(history.table(stored)) == list(history.table(found))
    assert [unit.due for unit in stored.units] == [unit.due for unit in found.units]


# --- what is not there -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("where", "says"),
    [
        ({"serial": "Egret-3017"}, "no run with the serial 'Egret-3017'; did you mean 'Egret-3071'?"),
        ({"model": "Z"}, "no run with the model 'Z'; it holds 'Egret'."),
        ({"standard": "Orme-0471"}, "no run was made with the standard 'Orme-0471'; did you mean 'Orme-0417'?"),
        ({"since": dt.date(2030, 1, 1)}, "no run fits all that was asked."),
        ({"simulated": False}, "no run fits all that was asked. It holds 10 simulated runs, shown by --simulated."),
    ],
)
def test_what_is_not_there_is_said_with_what_is_near(runs, where, says):
    with pytest.raises(RecordsError) as caught:
        history.read(RunFolders(runs), Selection(**{"simulated": True, **where}))
    assert says in str(caught.value)


def test_an_empty_store_says_how_to_fill_it(tmp_path):
    with (
        Store.open(str(tmp_path / "store.sqlite")) as store,
        pytest.raises(RecordsError, match=r"holds no run yet.*--simulated"),
    ):
        history.read(store)


def test_simulated_and_real_runs_are_never_taken_together(runs):
    with pytest.raises(RecordsError, match="not taken together"):
        history.read(RunFolders(runs), Selection(simulated=None))


# --- pages and tables --------------------------------------------------------------------------------------------


def test_the_page_stands_alone_and_says_in_words_what_it_draws(found):
    page = history_page(found, today=TODAY, program="1")
    assert page == history_page(found, today=TODAY, program="1")
    assert not re.findall(r'(?:src|href)="(?!#|data:,)', page)
    assert "<script" not in page
    assert "Simulated bench: no real instrument was measured" in page
    alts = re.findall(r'role="img" aria-label="([^"]*)"', page)
    assert len(alts) == 8
    assert re.search(
        r"Deflection, channel 1, lead, 50 mV/div: 8 results, 2019-05-10 to 2025-05-10, 1 of them as left after an "
        r"adjustment\. Last \(\+\d\.\d\d ± 0\.\d\d\) %, pass; limits ±3 %\. Drifts by \(\+0\.3",
        alts[0],
    )
    assert "overdue" in page


def test_hostile_text_is_shown_and_never_obeyed(tmp_path):
    serial = '<script>alert(1)</script>"&'
    visits = [Visit(day=dt.date(2022 + n, 5, 1), gains=(0.1 * n, 0.0)) for n in range(3)]
    folder = run_visits(tmp_path, visits, ranges=("5 V",))
    for file in folder.rglob(journal.NAME):
        reseal(file, lambda entry: entry["setup"]["job"].update(serial=serial + "\x1b[31m"))
    known = history.read(RunFolders(folder), EVERY)
    page = history_page(known, today=TODAY, program="1")
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "\x1b" not in page
    assert "\x1b" not in printed(known)


def printed(known, width=80):
    console = Console(file=io.StringIO(), width=width, color_system=None, legacy_windows=False)
    console.print(on_terminal(blocks(known, TODAY), trends.marks(known)))
    return console.file.getvalue()


def test_the_terminal_fits_eighty_columns_and_ends_with_the_sentence(found):
    text = printed(found)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "Drift, %/year" in text
    assert "50 mV/div" in text
    assert "No drift is stated of 4 points: a drift needs at least 3 results, and there are 2." in " ".join(
        text.split()
    )
    assert "n counts the results since the last adjustment." in text
    (row,) = [line.split() for line in text.splitlines() if line.startswith("Ch. 1, 50 mV/div")][-1:]
    assert row[4] == "4"  # as left, and three years since; four before
    assert " ".join(re.sub("[│╰╯─]", " ", text).split()).endswith("2 units overdue; 1 certificate run out.")


def test_a_run_without_an_end_is_left_out_with_a_word(runs, tmp_path):
    shutil.copytree(runs, tmp_path / "runs")
    last = sorted((tmp_path / "runs").glob("*-Egret-3090-*"))[-1] / journal.NAME
    lines = last.read_bytes().splitlines(keepends=True)
    ends = next(n for n, line in enumerate(lines) if b'"kind":"end"' in line)
    last.write_bytes(b"".join(lines[:ends]))
    records = RunFolders(tmp_path / "runs")
    known = history.read(records, EVERY)
    assert known.unfinished == 1
    assert trends.headline(known, TODAY).endswith("1 run without an end left out.")
    assert history.read(records, replace(EVERY, finished=None)).unfinished == 0


def test_the_frame_has_every_result_with_the_drift_of_its_series(found):
    table = history.frame(found)
    assert len(table) == (8 + 2) * 4
    one = table[(table["serial"] == "Egret-3071") & (table["channel"] == 1) & (table["setting"] == "5 V/div")]
    assert list(one["series"]) == [1] * 4 + [2] * 4
    assert one["drift_per_year"].nunique() == 2
    assert str(table["leaves_earliest"].dtype).startswith("datetime64")
    assert table[table["serial"] == "Egret-3090"]["drift_per_year"].isna().all()


def test_the_example_of_the_frame_runs(runs, tmp_path, monkeypatch):
    real = as_real(shutil.copytree(runs, tmp_path / "runs"))
    with Store.open(str(tmp_path / "records.sqlite")) as store:
        for file in sorted(real.rglob(journal.NAME)):
            store.add(file)
    monkeypatch.chdir(tmp_path)
    finder = doctest.DocTestFinder(recurse=False)
    (example,) = finder.find(history.frame, "frame", globs={})
    assert doctest.DocTestRunner().run(example).failed == 0


# --- the command -------------------------------------------------------------------------------------------------


def test_the_command_writes_page_table_and_json(runs, tmp_path):
    page, table, plain = (tmp_path / name for name in ("h.html", "h.csv", "h.json"))
    result = halfpower(
        "history", runs, "--simulated", "--serial", "Egret-3071", "--html", page, "--csv", table, "--json", plain
    )
    assert result.exit_code == 0, result.output
    rows = list(csv.DictReader(io.StringIO(table.read_bytes().decode("utf-8"))))
    assert len(rows) == 8 * 4 == len(json.loads(plain.read_text("utf-8")))
    assert rows[0]["started"] == "2019-05-10T09:00:00+00:00"
    assert float(rows[0]["drift_per_year"]) == pytest.approx(PER_YEAR[0], abs=0.1)
    assert page.read_text("utf-8").startswith("<!DOCTYPE html>") or "<!DOCTYPE html>" in page.read_text("utf-8")[:200]


def test_a_damaged_journal_is_named_and_the_others_count(runs, tmp_path):
    some = shutil.copytree(runs, tmp_path / "runs")
    damaged = sorted(some.rglob(journal.NAME))[0]
    damaged.write_bytes(damaged.read_bytes().replace(b'"value":', b'"value": ', 1))
    result = halfpower("history", some, "--simulated", "--serial", "Egret-3071", "--units")
    assert result.exit_code == 5
    assert str(damaged) in result.output
    assert "7 runs of 1 unit" in " ".join(result.output.split())


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("RUNS", "--store", "x"), 2, "or a store with --store, not both"),
        (("RUNS", "--since", "2023-01-01", "--until", "2022-01-01"), 2, "lies after --until"),
        (("RUNS", "--interval", "soon"), 2, "'soon' is no interval; expected such as '12 months'"),
        (("nowhere",), RecordsError.exit_code, "there is no such folder"),
        (("RUNS", "--serial", "Egret-3017"), RecordsError.exit_code, "did you mean 'Egret-3071'?"),
        (("RUNS", "--simulated", "--open"), 2, "name a file with --html"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence(runs, arguments, code, says):
    result = halfpower("history", *(str(runs) if each == "RUNS" else each for each in arguments))
    # Boxes of the terminal are no words.
    said = " ".join(re.sub(r"[│╭╮╰╯─]", " ", result.output).split())
    assert (result.exit_code, says in said) == (code, True), result.output
