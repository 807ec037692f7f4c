"""What becomes of a report: draft, approved by somebody else, amended with a number of its own, signed.

ISO/IEC 17025:2017, 7.8.2.1 and 7.8.8, from memory of the standard's text: an amended report is told from every other,
refers to the one that it replaces, and says what was changed and, where it fits, why.
"""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from harness.errors import HalfpowerError, JournalError
from harness.journal import issues, journal
from harness.report import shown
from harness.report.results import results
from harness.report.sheet import sheet
from harness.runs import report
from harness.years.issuing import ADMINISTRATIVE, Who, amend, approve, report_of
from harness.years.records.check import problems
from harness.years.records.folder import RunFolders
from harness.years.records.push import everything, push
from harness.years.records.rows import Selection
from harness.years.records.store import Store
from tests.helpers.demo_lab import halfpower
from tests.helpers.record_examples import measured, told_again

NOW = dt.datetime(2026, 11, 30, 9, 0, tzinfo=dt.UTC)
GARLAND = Who(by="S. Garland", function="head of the laboratory", place="Brackwater", issued=dt.date(2026, 11, 30))


def a_run(folder: Path, number: str = "BW-2026-0041", *, asked: bool = True, n: int = 1, **job: str) -> Path:
    setup = json.loads(json.dumps(measured().header["setup"]))
    setup["job"] |= {"serial": "Egret-3071", "operator": "M. Thorne", "authorised_by": "S. Garland", **job}
    if asked:
        setup["bench"]["approval"] = "required"
    return told_again(folder, n, header={"run": number, "setup": setup})


def facts(made: Any) -> dict[str, str]:
    return {fact.name: fact.text for group in made.facts for fact in group.facts}


def command(*arguments: object) -> Result:
    return halfpower(*arguments, "--store", "none")


def test_a_draft_is_marked_until_somebody_else_approves_it(tmp_path: Path) -> None:
    folder = a_run(tmp_path)
    before = (folder / journal.NAME).read_bytes()
    draft = report(folder)
    assert shown.marks(draft)[0] == "Draft: not approved, not to be handed out"
    assert sheet(draft)["marks"][0] == shown.DRAFT
    assert (draft.issued, facts(draft)["Issued"]) == ("", "not yet: this is a draft")
    assert [who.name for who in draft.signatures] == ["M. Thorne", ""], (
        "what the job said beforehand counts for nothing"
    )

    approve(folder, GARLAND, NOW)
    approved = report(folder)
    assert shown.DRAFT not in shown.marks(approved)
    assert approved.issued == "2026-11-30"
    assert facts(approved)["Issued"] == "2026-11-30, Brackwater"
    assert facts(approved)["Approved"] == "S. Garland, head of the laboratory, 2026-11-30 09:00:00 +00:00"
    assert [who.name for who in approved.signatures] == ["M. Thorne", "S. Garland"]
    assert approved.parts == draft.parts
    assert (folder / journal.NAME).read_bytes() == before


def test_a_laboratory_that_asks_for_no_approval_has_reports_as_ever(tmp_path: Path) -> None:
    made = report(a_run(tmp_path, asked=False))
    assert made.issue is None
    assert shown.DRAFT not in shown.marks(made)
    assert "issue" not in results(made)
    assert made.signatures[1].name == "S. Garland"


@pytest.mark.parametrize("name", ["M. Thorne", "  m.  THORNE ", "m.thorne", "Thorne, M."])
def test_the_operator_does_not_approve(tmp_path: Path, name: str) -> None:
    folder = a_run(tmp_path)
    told = command("approve", folder, "--by", name)
    assert told.exit_code == 1
    assert "did the work of run BW-2026-0041; somebody else approves it. Nothing was approved." in told.stderr
    assert not (folder / issues.NAME).exists()


def test_what_cannot_be_approved_is_one_sentence(tmp_path: Path) -> None:
    nobody, some = a_run(tmp_path / "a", operator=""), a_run(tmp_path / "b")
    with pytest.raises(HalfpowerError, match="names no operator"):
        approve(nobody, GARLAND, NOW)
    early = Who(by="S. Garland", issued=dt.date(2026, 2, 1))
    with pytest.raises(HalfpowerError, match="cannot hold a run that ended on"):
        approve(some, early, NOW)
    with pytest.raises(HalfpowerError, match="Nobody is named"):
        approve(some, Who(by=" ", issued=GARLAND.issued), NOW)
    half = told_again(tmp_path / "c", records=5, header={"run": "half"})
    with pytest.raises(HalfpowerError, match="has not reached its end"):
        approve(half, GARLAND, NOW)
    assert not [*tmp_path.rglob(issues.NAME)]
    approve(some, GARLAND, NOW)
    with pytest.raises(HalfpowerError, match=r"was approved by S\. Garland on 2026-11-30"):
        approve(some, GARLAND, NOW)
    assert "was issued on 2026-11-30" in halfpower("report", some, "--issued", "2026-12-01").stderr


def test_an_amended_report_has_a_number_a_reason_and_the_same_results(tmp_path: Path) -> None:
    folder = a_run(tmp_path, customer="Training ship Sanderlin")
    approve(folder, GARLAND, NOW)
    first = report(folder)
    why = "the customer's name was wrong"
    told = command("amend", folder, "--set", "customer=Training ship Sanderling", "--why", why)
    assert told.stdout.splitlines()[0] == f"Report BW-2026-0041-A1: draft, replaces BW-2026-0041, because: {why}"
    assert report_of(folder, "BW-2026-0041") == first, "until the new one is approved, the old one stands"
    assert "Report BW-2026-0041-A1" in (folder / "report.html").read_text("utf-8")
    assert command("approve", folder, "--by", "S. Garland", "--unsigned").exit_code == 0
    amended, old = report(folder), report_of(folder, "BW-2026-0041")
    assert (amended.number, amended.id) == ("BW-2026-0041-A1", first.id)
    assert amended.setup.job.customer == "Training ship Sanderling"
    assert facts(amended)["Replaces"] == "report BW-2026-0041, because: the customer's name was wrong"
    assert facts(amended)["Changed"] == "customer; no result"
    assert amended.parts == first.parts
    assert shown.marks(old)[0] == "Replaced by report BW-2026-0041-A1"
    assert old.setup.job.customer == "Training ship Sanderlin"
    assert halfpower("report", folder, "--number", "BW-2026-0041").exit_code == 0
    assert "it has BW-2026-0041, BW-2026-0041-A1" in halfpower("report", folder, "--number", "BW-1").stderr


def test_amended_twice_each_replaces_the_one_before(tmp_path: Path) -> None:
    folder = a_run(tmp_path, asked=False)
    for n, customer in enumerate(("one", "two"), 1):
        assert amend(folder, "again", {"customer": customer}, NOW).number == f"BW-2026-0041-A{n}"
    some = issues.read(folder, journal.read(folder))
    assert [(one.number, one.replaces, one.state) for one in some] == [
        ("BW-2026-0041", "", "replaced"),
        ("BW-2026-0041-A1", "BW-2026-0041", "replaced"),
        ("BW-2026-0041-A2", "BW-2026-0041-A1", "amended"),
    ]
    assert [one.replaced_by for one in some] == ["BW-2026-0041-A1", "BW-2026-0041-A2", ""]
    assert shown.marks(report(folder))[0] == shown.SIMULATED, "no approval is asked for, and none is missed"


def test_a_draft_is_corrected_as_it_is(tmp_path: Path) -> None:
    folder = a_run(tmp_path)
    amend(folder, "typing error", {"customer": "Training ship Sanderling"}, NOW)
    (draft,) = issues.read(folder, journal.read(folder))
    assert (draft.number, draft.state, draft.replaces) == ("BW-2026-0041", "draft", "")
    assert report(folder).setup.job.customer == "Training ship Sanderling"


def test_an_amended_draft_corrected_again_says_the_last_reason(tmp_path: Path) -> None:
    folder = a_run(tmp_path)
    approve(folder, GARLAND, NOW)
    amend(folder, "typing error", {"customer": "Training ship Petrel"}, NOW)
    told = command("amend", folder, "--set", "customer=Training ship Sanderling", "--why", "Another ship's name")
    assert "draft, replaces BW-2026-0041, because: Another ship's name" in told.stdout
    assert issues.read(folder, journal.read(folder))[-1].why == "Another ship's name"


@pytest.mark.parametrize("key", ["serial", "rule", "coverage", "environment", "operator", "condition", "sequence"])
def test_an_amendment_of_what_results_rest_on_is_refused(tmp_path: Path, key: str) -> None:
    folder = a_run(tmp_path)
    told = command("amend", folder, "--set", f"{key}=0.99", "--why", "it looks better")
    assert told.exit_code == 1
    assert f"'{key}' is no administrative particular: results, and what they rest on, are never amended" in told.stderr
    assert not (folder / issues.NAME).exists()


def test_no_administrative_particular_moves_a_result(tmp_path: Path) -> None:
    folder = a_run(tmp_path)
    days = {"received": "2026-02-20", "next_due": "2027-03-02"}
    before = report(folder)
    for key in ADMINISTRATIVE:
        amend(folder, "all of them", {key: days.get(key, "another")}, NOW)
    after = report(folder)
    assert (after.parts, after.overall, after.standards) == (before.parts, before.overall, before.standards)


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (("--set", "received=soon", "--why", "x"), "received = 'soon' cannot be"),
        (("--set", "colour=red", "--why", "x"), "'colour' is no key of a job"),
        (("--set", "customer", "--why", "x"), "expected KEY=TEXT"),
        (("--set", "customer=x", "--why", " "), "says why it replaces another"),
    ],
)
def test_an_amendment_that_cannot_be_is_one_sentence(tmp_path: Path, arguments: tuple[str, ...], why: str) -> None:
    folder = a_run(tmp_path)
    told = command("amend", folder, *arguments)
    assert told.exit_code != 0
    assert why in told.stderr
    assert not (folder / issues.NAME).exists()


def test_a_changed_file_and_another_journal_are_told(tmp_path: Path) -> None:
    folder, other = a_run(tmp_path), a_run(tmp_path, "BW-2026-0042", n=2)
    approve(folder, GARLAND, NOW)
    file = folder / issues.NAME
    sealed = file.read_bytes()
    file.write_bytes(sealed.replace(b"S. Garland", b"M. Thorne!"))
    with pytest.raises(JournalError, match="changed or damaged after it was written"):
        report(folder)
    (other / issues.NAME).write_bytes(sealed)
    with pytest.raises(JournalError, match="belongs to another run"):
        report(other)
    file.write_bytes(sealed)
    with (folder / journal.NAME).open("ab") as torn:
        torn.write(b"{")
    with pytest.raises(JournalError, match="approved of another journal"):
        report(folder)


def test_both_reports_and_their_states_stand_in_the_store(tmp_path: Path) -> None:
    folder, url = a_run(tmp_path / "runs"), str(tmp_path / "records.sqlite")
    with Store.open(url) as store, Store.open(str(tmp_path / "server.sqlite")) as server:
        store.add(folder)
        push(store, server, everything(store, simulated=True))
        assert not store.reports()
        approve(folder, GARLAND, NOW)
        amend(folder, "the customer's name was wrong", {"customer": "x"}, NOW)
        approve(folder, GARLAND, NOW)
        assert (store.add(folder).outcome, store.add(folder).outcome) == ("replaced", "known")
        assert len(push(store, server, everything(store, simulated=True)).sent) == 1, "the server learns of it too"
        for each in (store, server):
            assert [(row.number, row.state, row.approved_by, row.issued) for row in each.reports()] == [
                ("BW-2026-0041", "replaced", "S. Garland", GARLAND.issued),
                ("BW-2026-0041-A1", "approved", "S. Garland", GARLAND.issued),
            ]
            assert [run.customer for run in each.runs(Selection(simulated=None))] == [
                "x"
            ]  # as the report says that is in force
        assert [run.customer for run in RunFolders(tmp_path / "runs").runs(Selection(simulated=None))] == ["x"]
        assert {number for number, _ in store.numbers()} == {"BW-2026-0041", "BW-2026-0041-A1"}
        assert not list(problems(store))
        with closing(sqlite3.connect(url)) as database:
            database.execute("UPDATE reports SET approved_by = 'M. Thorne'")
            database.commit()
        (found,) = problems(store)
        assert "report 1, approved_by is 'M. Thorne', by the journal 'S. Garland', and 1 more" in found


def listed(store: Path) -> list[str]:
    return halfpower("records", "list", "--simulated", "--store", store).stdout.splitlines()


def test_the_list_of_runs_says_what_became_of_each_report(tmp_path: Path) -> None:
    folder, store = a_run(tmp_path / "a"), tmp_path / "store.sqlite"
    halfpower("records", "add", folder, "--store", store, "--simulated")
    halfpower(
        "records", "add", a_run(tmp_path / "b", "BW-2026-0042", asked=False, n=2), "--store", store, "--simulated"
    )
    assert not listed(store)[0].endswith("report")
    halfpower("approve", folder, "--by", "S. Garland", "--issued", "2026-11-30", "--store", store)
    assert listed(store)[1].endswith("BW-2026-0041  approved")
    halfpower("amend", folder, "--why", "Misspelt", "--set", "customer=Petrel", "--store", store)
    head, first, second, *_ = listed(store)
    assert head.endswith("report")
    assert first.endswith("BW-2026-0041  draft, BW-2026-0041-A1")
    assert second.endswith("BW-2026-0042")
