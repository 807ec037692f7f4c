"""The evening's look at the benches: what is wrong is said while somebody is there, and before anything begins."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from harness.night import evening, plan
from tests.helpers.demo_lab import halfpower
from tests.helpers.night_lab import Lab
from tests.helpers.served import a_lab


@pytest.fixture
def lab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Lab:
    lab = Lab.make(tmp_path)
    monkeypatch.chdir(lab.folder)
    return lab


def asked(lab: Lab, *names: str) -> plan.NightPlan:
    return evening.asked(lab.plan(*names), lab.showing.tell)


def off(lab: Lab) -> None:
    """The unit of the second bench is off: every reply is lost."""
    lab.change("second_bench_sim.toml", 'rate = "40 %"', 'rate = "100 %"')


def test_benches_that_are_well_change_nothing_and_are_asked_once(lab: Lab) -> None:
    planned = lab.plan("first", "second", "third")
    assert evening.asked(planned, lab.showing.tell) == planned
    assert lab.showing.told == ["Asking bench.toml who answers ...", "Asking second_bench.toml who answers ..."]


def test_a_job_whose_instrument_does_not_answer_is_refused_and_the_others_are_not(lab: Lab) -> None:
    off(lab)
    found = asked(lab, "first", "second")
    assert [each.job.name for each in found.checked] == ["first.toml"]
    ((said,),) = (each.problems for each in found.refused)
    assert "second.toml: second_bench.toml: the unit (" in said
    assert "no answer in time" in said
    assert said.endswith("Look at it now; with --unasked nothing is asked beforehand.")


def test_another_instrument_than_the_bench_files_and_another_unit_than_the_jobs_are_refused(lab: Lab) -> None:
    lab.change("bench.toml", 'identity = "Northfen,Orme,Orme-0417,2.4"', 'identity = "Northfen,Orme,Orme-0999,2.4"')
    lab.job("second", bench="second_bench", serial="Egret-9999")
    found = asked(lab, "first", "second")
    assert found.checked == ()
    told = "\n".join(problem for each in found.refused for problem in each.problems)
    assert "first.toml: bench.toml: the calibrator (Northfen Orme no. Orme-0417) is not ready: " in told
    assert "Orme-0999" in told
    assert "second.toml: serial: 'Egret-9999', but the unit that answers is " in told
    assert "Egret-3088" in told


def test_an_error_in_a_queue_is_told_once_and_costs_nothing(tmp_path: Path) -> None:
    with a_lab(tmp_path / "lab") as real:
        real.simulated.devices["calibrator"].handle(b":NO:SUCH")
        planned = plan.look_through([real.job], dt.datetime.now(dt.UTC))
        found = evening.asked(planned, lambda _text: None)
        again = evening.asked(planned, lambda _text: None)
    assert len(found.checked) == 1
    (told,) = [text for text in found.warnings if "error" in text]
    assert told.startswith("tcp_bench.toml: calibrator (Northfen Orme no. Orme-0417): held errors from before: -113,")
    assert not [text for text in again.warnings if "error" in text]
    assert real.on() == ()


def test_a_source_that_no_job_uses_is_a_warning(lab: Lab) -> None:
    lab.change("bench.toml", 'identity = "Northfen,Nare,Nare-0093', 'identity = "Northfen,Nare,Nare-0999')
    found = asked(lab, "first")
    assert [each.job.name for each in found.checked] == ["first.toml"]
    assert [text for text in found.warnings if text.startswith("bench.toml: the generator (")]


def test_a_certificate_dated_after_today_is_told(lab: Lab) -> None:
    lab.change("bench.toml", "certified = 2026-04-14", "certified = 2026-12-24")
    (told,) = lab.plan("first").warnings
    assert "the certificate of the calibrator (Northfen Orme no. Orme-0417) is dated 2026-12-24, after today" in told


def test_a_queue_that_goes_on_says_what_is_wrong_and_goes_on(lab: Lab) -> None:
    folder = lab.begin("second", "first", again=0)
    off(lab)
    lab.showing.told.clear()
    night = lab.go_on(folder, ask=evening.troubles)
    (told,) = [text for text in lab.showing.told if text.startswith("warning: ")]
    assert told.startswith("warning: second_bench.toml: the unit (")
    assert night.finished


def test_the_command_asks_before_it_waits_and_not_where_nobody_wants_it(lab: Lab) -> None:
    off(lab)
    told = halfpower("queue", "first.toml", "second.toml", "--at", "2030-01-01T18:00")
    assert told.exit_code == 11
    assert "second.toml: second_bench.toml: the unit (" in told.stderr
    assert "Nothing was started." in told.stderr
    assert not lab.runs.exists()
    told = halfpower("queue", "first.toml", "second.toml", "--rehearse", "--leave-out")
    assert (told.exit_code, "1 to run, 1 refused" in told.stdout) == (0, True)
    told = halfpower("queue", "first.toml", "second.toml", "--rehearse", "--unasked")
    assert (told.exit_code, "2 to run, 0 refused" in told.stdout) == (0, True)
    assert "Asking" not in told.stdout
