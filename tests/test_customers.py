"""Customers: a file for all jobs, choosing by customer, and removing what is kept of them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import sqlalchemy as sa

from harness import runs as opening
from harness.errors import ConfigError, RecordsError
from harness.files import files
from harness.files.files import starter
from harness.journal import journal
from harness.years import history
from harness.years.records.folder import RunFolders
from harness.years.records.rows import Selection
from harness.years.records.store import Store
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job, change, halfpower

CUSTOMER = 'customers = "customers.toml"\ncustomer = "petrel"'
NAME = "Training ship Petrel"


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    lab = tmp_path_factory.mktemp("lab")
    shutil.copytree(DEMO, lab, dirs_exist_ok=True)
    (lab / "customers.toml").write_text(starter("customers"), "utf-8")
    for serial, head in (("Egret-3071", CUSTOMER), ("Egret-3090", 'customer = "Harbour office"')):
        part = f'{ONE_CHANNEL}\nranges = ["1 V"]'
        change(lab / "bench_sim.toml", ("[unit]\n", f'[unit]\nserial = "{serial}"\n'))
        opening.start(a_job(lab / f"{serial}.toml", part, serial=serial, head=head), lab / "runs")
        change(lab / "bench_sim.toml", (f'serial = "{serial}"\n', ""))
    return lab


def test_a_job_takes_name_contact_and_interval_and_its_journal_holds_them(lab: Path) -> None:
    (file,) = [file for file in lab.rglob(journal.NAME) if "3071" in str(file)]
    job = journal.read(file.parent).header["setup"]["job"]
    assert (job["customer"], job["customer_contact"]) == (NAME, "Chief engineer, berth 4, Brackwater")
    assert job["interval"] == "12 months"


def test_history_lists_the_units_of_one_customer_and_when_they_are_due(lab: Path, tmp_path: Path) -> None:
    where = Selection(simulated=True, customer=NAME)
    with Store.open(str(tmp_path / "store.sqlite")) as store:
        for file in sorted(lab.rglob(journal.NAME)):
            store.add(file)
        for records in (RunFolders(lab / "runs"), store):
            (unit,) = history.read(records, where).units
            assert (unit.serial, str(unit.due)) == ("Egret-3071", "2027-11-25")
            with pytest.raises(RecordsError, match="no run with the customer 'Training ship Petral'; did you mean"):
                history.read(records, Selection(simulated=True, customer="Training ship Petral"))
    shown = halfpower("history", lab / "runs", "--simulated", "--customer", NAME).output
    assert "Egret-3071" in shown
    assert "Egret-3090" not in shown


def test_a_run_is_forgotten_whole_and_nothing_of_it_can_be_read(lab: Path, tmp_path: Path) -> None:
    place = tmp_path / "store.sqlite"
    with Store.open(str(place)) as store:
        for file in sorted(lab.rglob(journal.NAME)):
            store.add(file)
        one, other = store.runs(Selection(simulated=None))
    gone = halfpower("records", "forget", one.number, "--yes", "--store", place)
    assert gone.exit_code == 0, gone.output
    assert "removed from" in gone.output
    with Store.open(str(place)) as store:
        assert [run.id for run in store.runs(Selection(simulated=None))] == [other.id]
        with store.connection() as connection:
            for table in ("results", "standards", "journals"):
                held = connection.execute(sa.text(f"SELECT DISTINCT run_id FROM {table}")).scalars().all()
                assert held == [other.id]
    assert one.id.encode() not in place.read_bytes()
    assert "holds no run" in halfpower("records", "forget", one.number, "--yes", "--store", place).output
    kept = halfpower("records", "forget", other.number, "--store", place, answers="n\n")
    assert kept.exit_code != 0
    with Store.open(str(place)) as store:
        assert len(store.runs(Selection(simulated=None))) == 1


@pytest.mark.parametrize(("file", "old", "new", "says"), [
    ("job.toml", '"petrel"', '"petral"', "'petral' is not in customers.toml (did you mean 'petrel'?); add it there"),
    ("job.toml", '"customers.toml"', '"custom.toml"', "job.toml:4: customers: 'custom.toml': "),
    ("job.toml", 'serial =', 'customer_contact = "x"\nserial =', "customer_contact: stands in customers.toml too"),
    ("customers.toml", '"12 months"', '"12 moons"', "customer[1].interval: "),
    ("customers.toml", '"petrel"', '""', "customer[1].called: '' is too short; expected some text"),
    ("customers.toml", "[[customer]]", '[[customer]]\ncalled = "Petrel"\nname = "x"\n\n[[customer]]',
     "customer[2].called: 'petrel' stands in line 6; expected it once"),
])  # fmt: skip
def test_what_is_wrong_is_one_sentence(tmp_path: Path, file: str, old: str, new: str, says: str) -> None:
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    (tmp_path / "customers.toml").write_text(starter("customers"), "utf-8")
    a_job(tmp_path / "job.toml", ONE_CHANNEL, head=CUSTOMER)
    assert files.load_job(tmp_path / "job.toml").setup.job.customer == NAME
    change(tmp_path / file, (old, new))
    with pytest.raises(ConfigError) as caught:
        files.load_job(tmp_path / "job.toml")
    assert says in str(caught.value)
