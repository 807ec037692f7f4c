"""The register of standards: what held on which day, what is wrong with it, and that a journal needs no register."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest

from harness import runs as opening
from harness.errors import ChangedSince, ConfigError
from harness.files import files
from harness.files.files import starter
from harness.files.register import Register, states
from harness.journal import journal
from harness.models import Setup
from harness.night import plan
from harness.report.summary import summarise
from harness.run.refusals import nearly_out
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job, change, halfpower

OLD = "BW-2025-009"
NEW = "BW-2026-017"
LINES = ('certificate = "BW-C-2217"\n', 'certificate_by = "Harbour Standards Laboratory, Brackwater"\n')
DATES = ("certified = 2026-04-14\n", "due = 2027-04-14\n")


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """The demo's bench with a register, whose calibrator has its certificate there."""
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    bench = tmp_path / "bench.toml"
    text = bench.read_text("utf-8").replace("simulation =", 'standards = "register.toml"\nsimulation =', 1)
    for line in (*LINES, *DATES):
        text = text.replace(line, "", 1)
    bench.write_text(text, "utf-8")
    (tmp_path / "register.toml").write_text(starter("register").replace("Rame-0612", "Rame-0613"), "utf-8")
    a_job(tmp_path / "job.toml", f'{ONE_CHANNEL}\nranges = ["1 V"]')
    return tmp_path


def on(lab: Path, day: str) -> files.CheckedFile:
    return files.read_bench(lab / "bench.toml", day_of=lambda *_: dt.date.fromisoformat(day))


def wrong(lab: Path, day: str = "2026-11-25") -> str:
    with pytest.raises(ConfigError) as caught:
        on(lab, day)
    return str(caught.value)


# --- what held on a day --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("day", "number"), [
    ("2025-05-02", OLD), ("2026-04-19", OLD), ("2026-04-30", NEW), ("2027-04-30", NEW), ("2027-05-01", NEW),
])  # fmt: skip
def test_the_newest_certificate_of_the_day_counts(lab: Path, day: str, number: str) -> None:
    calibrator = on(lab, day).value.calibrator
    assert (calibrator.certificate, calibrator.maker) == (number, "Northfen")


@pytest.mark.parametrize(("day", "says"), [
    ("2025-05-01", "Orme-0417 has no certificate of 2025-05-01 or before; the first is dated 2025-05-02"),
    ("2026-04-20", "is not in use from 2026-04-20 until it is back on 2026-04-30: fan replaced"),
])  # fmt: skip
def test_a_day_without_a_certificate_is_refused_in_a_sentence(lab: Path, day: str, says: str) -> None:
    said = wrong(lab, day)
    assert "calibrator.serial: " in said
    assert says in said
    assert said.endswith("register.toml:5)")


def test_an_adjustment_or_a_withdrawal_ends_a_certificate(lab: Path) -> None:
    change(lab / "register.toml", ("due = 2027-04-30", "due = 2027-04-30\nuntil = 2026-08-31"))
    assert "has no certificate on 2026-09-01: BW-2026-017 counted until 2026-08-31" in wrong(lab, "2026-09-01")
    done = '[[standard.maintenance]]\nday = 2026-07-01\nwhat = "relay replaced"\nadjusted = true\n\n'
    change(lab / "register.toml", ('[[standard]]\nserial = "Rame', f'{done}[[standard]]\nserial = "Rame'))
    assert "has no certificate after 2026-07-01, when it was adjusted: relay replaced" in wrong(lab, "2026-07-01")
    assert on(lab, "2026-06-30").value.calibrator.certificate == NEW


def test_a_certificates_lines_stand_beside_the_makers_and_take_the_place_of_its_own_kind(lab: Path) -> None:
    calibrator = on(lab, "2026-11-25").value.calibrator
    dc = [(line.stated_as, line.of_value) for line in calibrator.accuracy if line.function == "dc"]
    assert dc == [("expanded", 2e-4), ("limits", 5e-4)]
    assert calibrator.known_error[0].of_value == 1e-4
    change(
        lab / "register.toml",
        ('function = "dc"\nof_value = "0.02 %"', 'function = "dc"\nstated_as = "limits"\nof_value = "0.02 %"'),
    )
    dc = [line for line in on(lab, "2026-11-25").value.calibrator.accuracy if line.function == "dc"]
    assert [(line.stated_as, line.of_value) for line in dc] == [("limits", 2e-4)]


def test_level_by_frequency_is_taken_for_the_reference(lab: Path) -> None:
    reference = ('certificate = "BW-C-2220"\n', LINES[1], "certified = 2026-06-30\n",
                 "due = 2027-06-30\n")  # fmt: skip
    text = (lab / "bench.toml").read_text("utf-8")
    at = text.index("[reference]")
    table = text[at:].replace("Rame-0612", "Rame-0613")
    for line in reference:
        table = table.replace(line, "", 1)
    (lab / "bench.toml").write_text(text[:at] + table, "utf-8")
    assert [point.db for point in on(lab, "2026-11-25").value.reference.flatness] == [0.0, -0.11]


# --- what is wrong -------------------------------------------------------------------------------------------------


def test_what_is_wrong_with_a_bench_and_its_register(lab: Path) -> None:
    change(lab / "bench.toml", ('serial = "Orme-0417"\n', 'serial = "Orme-0471"\n'))
    assert "'Orme-0471' is not in register.toml; expected it there (did you mean 'Orme-0417'?)" in wrong(lab)
    change(
        lab / "bench.toml", ('"Orme-0471"\n', '"Orme-0417"\ndue = 2027-04-14\n'), ('model = "Orme"', 'model = "Orm"')
    )
    said = wrong(lab)
    assert "calibrator.due: stands in register.toml too, for Orme-0417; expected it there alone" in said
    assert "calibrator.model: is 'Orm', and 'Orme' in register.toml; expected the same instrument" in said
    change(lab / "bench.toml", ('"register.toml"', '"registre.toml"'))
    assert "bench.toml:4: standards: 'registre.toml': " in wrong(lab)


@pytest.mark.parametrize(("old", "new", "says"), [
    ("due = 2026-05-02", "due = 2024-05-02", "14: standard[1].certificate[1].due: 2024-05-02 lies before"),
    ("due = 2027-04-30", "due = 2027-04-30\nlevel = 3", "standard[1].certificate[2].level: unknown key"),
    ('serial = "Rame-0613"', 'serial = "Orme-0417"', "'Orme-0417' stands in line 5; expected it once"),
    ("certified = 2026-04-30", "certified = 2025-05-02", "is the date of 'BW-2025-009' (line 10) too"),
    ("back = 2026-04-30", "back = 2026-04-01", "standard[1].maintenance[1].back: lies before 'day', 2026-04-20"),
    ('"100 MHz"', '"10 kHz"', "is not above the one before; expected rising order"),
])  # fmt: skip
def test_a_broken_register_is_told_by_itself_and_through_a_bench(lab: Path, old: str, new: str, says: str) -> None:
    change(lab / "register.toml", (old, new))
    told = halfpower("check", lab / "register.toml")
    assert told.exit_code == 3
    assert says in told.output.replace("\n", " ")
    assert says in wrong(lab)


@pytest.mark.parametrize(("old", "new", "says"), [
    ("until = 2026-04-29", "until = 2026-04-01", "no certificate of Orme-0417 holds after 2026-04-01 (line 10)"),
    ("until = 2026-04-29", "", "two hold at once; the newer one counts from its date: say so with until = 2026-04-29"),
    ('"BW-2026-020"', '"BW-2026-017"', "'BW-2026-017' is the certificate of Orme-0417 too"),
])  # fmt: skip
def test_gaps_overlaps_and_one_certificate_for_two_are_told_in_a_sentence(
    lab: Path, old: str, new: str, says: str
) -> None:
    assert files.read_register(lab / "register.toml").warnings == ()
    change(lab / "register.toml", (old, new))
    (warning,) = files.read_register(lab / "register.toml").warnings
    assert says in warning


def test_what_is_out_or_nearly_is_told() -> None:
    register = Register.model_validate(__import__("tomllib").loads(starter("register")))
    assert list(states(register, dt.date(2027, 3, 1))) == []
    assert list(states(register, dt.date(2027, 4, 1))) == ["Orme-0417: certificate BW-2026-017 runs out on 2027-04-30"]
    assert next(states(register, dt.date(2027, 5, 1))) == "Orme-0417: certificate BW-2026-017 ran out on 2027-04-30"


# --- in a run ------------------------------------------------------------------------------------------------------


def test_a_journal_holds_what_was_taken_and_needs_no_register(lab: Path) -> None:
    run = opening.start(lab / "job.toml", lab / "runs").folder
    before = summarise(journal.read(run))
    (lab / "register.toml").unlink()
    contents = journal.read(run)
    assert summarise(contents) == before
    taken = contents.header["setup"]["bench"]["calibrator"]
    assert (taken["certificate"], taken["due"], len(taken["known_error"])) == (NEW, "2027-04-30", 1)
    assert Setup.from_header(contents.header["setup"]).to_header() == contents.header["setup"]
    assert next(s.certificate for s in before.standards if s.role == "calibrator") == NEW


def test_a_run_goes_on_by_the_certificates_of_the_day_it_began_on(lab: Path) -> None:
    run = opening.start(lab / "job.toml", lab / "runs").folder
    contents = journal.read(run)
    later = (
        '[[standard.certificate]]\nnumber = "BW-2026-099"\ncertified = {}\ndue = 2027-11-30\n\n[[standard.maintenance]]'
    )
    change(lab / "register.toml", ("[[standard.maintenance]]", later.format("2026-11-26")))
    loaded = opening.load_again(contents, tell=lambda _: None)
    assert loaded.setup.bench.calibrator.certificate == NEW
    change(lab / "register.toml", ("certified = 2026-11-26", "certified = 2026-11-25"))
    with pytest.raises(ChangedSince, match="the bench file has changed since the run was begun"):
        opening.load_again(contents, tell=lambda _: None)


def test_what_runs_out_soon_is_told_before_the_run_and_in_the_evening(lab: Path) -> None:
    change(lab / "register.toml", ("due = 2027-04-30", "due = 2026-12-20"))
    says = "the certificate of the calibrator (Northfen Orme no. Orme-0417) runs out on 2026-12-20, in 25 days"
    assert says in halfpower("rehearse", lab / "job.toml").output.replace("\n", " ")
    change(lab / "job.toml", ("serial =", "allow_hazardous_voltage = true\nserial ="))
    evening = plan.look_through([lab / "job.toml"], dt.datetime(2026, 11, 25, 18, tzinfo=dt.UTC))
    assert [warning for warning in evening.warnings if says in warning] != []
    bench = on(lab, "2026-11-25").value
    assert nearly_out(bench, dt.date(2026, 11, 1)) == ()
    assert nearly_out(bench, dt.date(2026, 12, 20))[0].endswith("runs out on 2026-12-20, today")
    assert nearly_out(bench, dt.date(2026, 12, 21)) == ()  # it is refused instead
