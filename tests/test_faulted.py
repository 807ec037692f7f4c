"""Whole jobs under faults on purpose: what is kept is what the instruments answered, and the account is true."""

from __future__ import annotations

import json
import re
import shutil
import signal
import socket
from pathlib import Path

import pytest

from harness import runs as opening
from harness.bench.perform import LiveBench
from harness.errors import ConfigError
from harness.journal.events import Events
from harness.journal.journal import read
from harness.run.faulted import INSTRUMENT, LINE, STANDING, STATE, Faults, account_of
from harness.sim.bench import SimulatedBench
from harness.sim.faults import FAULTS
from harness.steps import Measure
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job, halfpower, serving
from tests.helpers.journals import comparable

# A damaged byte of a record is a valid sample: only a tagged link reads it twice (test_soak.py).
SURE = tuple(kind for kind in (*LINE, "power cycle") if kind != "damaged")


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """The demo's files, with a short job."""
    folder = shutil.copytree(DEMO, tmp_path / "lab")
    a_job(folder / "quick.toml", ONE_CHANNEL)
    return folder


def test_a_whole_job_under_faults_is_the_job_without_them(digital: opening.RunResult, tmp_path: Path) -> None:
    """The noise of the simulated bench depends on the step alone, so every reading must be equal to the last digit."""
    result = opening.start(DEMO / "digital.toml", tmp_path, faults=Faults(rate=0.05, seed=7, kinds=SURE))
    assert comparable(result.folder) == comparable(digital.folder)
    assert result.report.sentence == digital.report.sentence
    assert re.match(r"\d{2,3} faults were injected into \d{4} queries: closed \d", result.faults[0])
    assert re.match(
        r"The tool got back in step \d{2,3} times, did \d{2,3} points again, saw \d+ power cycles", result.faults[1]
    )
    told = [event.text for event in read(result.folder).events if event.what == "faults"]
    assert told == [Faults(rate=0.05, seed=7, kinds=SURE).sentence, *result.faults]
    assert set(told) <= set(result.report.deviations)


@pytest.mark.parametrize("seed", [1, pytest.param(4, marks=pytest.mark.soak)])
def test_a_whole_job_on_instruments_that_misbehave_is_the_job_without_it(
    seed: int, short_job: Path, short: opening.RunResult, tmp_path: Path
) -> None:
    """Late, rounding, deaf, reset from the panel, set by somebody else, full of old settings: equal all the same."""
    faults = Faults(rate=0.1, seed=seed, kinds=(*STATE, "left over"))
    result = opening.start(short_job, tmp_path, faults=faults)
    assert comparable(result.folder) == comparable(short.folder)
    assert result.ended_early == ()
    assert int(result.faults[0].split()[0]) > 40, result.faults


def test_the_same_seed_gives_the_same_run_and_another_seed_another(lab: Path) -> None:
    def events(seed: int) -> list[tuple[str, str]]:
        run = opening.start(lab / "quick.toml", lab / "runs", faults=Faults(rate=0.04, seed=seed, kinds=SURE))
        return [(event.what, event.text) for event in read(run.folder).events]

    first = events(5)
    assert events(5) == first
    assert events(6) != first


@pytest.mark.parametrize("role", ["calibrator", "switch", pytest.param("unit", marks=pytest.mark.soak)])
def test_an_instrument_that_loses_power_between_two_points_changes_no_reading(
    role: str, short_job: Path, short: opening.RunResult, tmp_path: Path, benches: list[SimulatedBench]
) -> None:
    """Settings, and the path that a switch has let go of: all is as it was before the point counts."""

    def watch(_part: str, n: int, step: object, _reply: object) -> None:
        if n in (1, 3, 9, 13) and isinstance(step, Measure):
            benches[-1].devices[role].power_cycle()

    result = opening.start(short_job, tmp_path, watch=watch)
    assert comparable(result.folder) == comparable(short.folder)
    told = [event.what for event in read(result.folder).events]
    assert told.count("power_cycle") >= 3
    assert "repeat" in told


def test_a_path_is_closed_again_with_outputs_off(
    short_job: Path, tmp_path: Path, benches: list[SimulatedBench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A switch that has lost its path must not get it back under a live output."""
    seen: list[tuple[str, ...]] = []
    close = LiveBench._by_switch
    monkeypatch.setattr(LiveBench, "_by_switch", lambda bench: seen.append(benches[-1].outputs_on()) or close(bench))

    def watch(_part: str, n: int, step: object, _reply: object) -> None:
        if n == 1 and isinstance(step, Measure):
            benches[-1].devices["switch"].power_cycle()

    opening.start(short_job, tmp_path, watch=watch)
    assert len(seen) > 8
    assert set(seen) == {()}


def test_a_stuck_output_is_noticed_by_nobody(short_job: Path, short: opening.RunResult, tmp_path: Path) -> None:
    """Why a person has to look: the instrument itself says that its output is off, and so does the tool."""
    result = opening.start(short_job, tmp_path, faults=Faults(rate=0.0, kinds=("stuck",)))
    assert comparable(result.folder) == comparable(short.folder)
    said = (
        "From start to end: an output of the calibrator that stays on when it is switched off, an output of the "
        "generator that stays on when it is switched off. No instrument tells of a stuck output: a person has to look."
    )
    assert result.faults == (said,)


def test_an_instrument_that_is_slow_within_its_time_out_changes_nothing(
    short_job: Path, short: opening.RunResult, tmp_path: Path
) -> None:
    result = opening.start(short_job, tmp_path, faults=Faults(rate=0.0, kinds=("slow",)))
    assert comparable(result.folder) == comparable(short.folder)


def test_a_refusal_ends_its_part_and_the_others_go_on(short_job: Path, tmp_path: Path) -> None:
    result = opening.start(short_job, tmp_path, faults=Faults(rate=0.02, seed=3, kinds=("refused",)))
    assert result.ended_early
    assert all("-221" in sentence for sentence in result.ended_early)
    assert result.faults[1].endswith(f"ended {len(result.ended_early)} parts early.")


# --- words -------------------------------------------------------------------------------------------------------


def test_every_fault_of_the_simulator_has_its_word() -> None:
    assert set(LINE) | set(INSTRUMENT) == set(FAULTS)
    assert Faults.of_words("5 %").kinds == (*LINE, *INSTRUMENT)
    assert Faults.of_words("1 %", kinds="state,left_over").kinds == (*STATE, "left over")
    assert Faults.of_words("0.05", kinds="line, power_cycle,late").kinds == (*LINE, "power cycle")
    assert Faults.of_words("2 %", kinds=",".join(STANDING)).kinds == STANDING


def test_what_is_there_from_the_start_is_told() -> None:
    simulated = SimulatedBench.load(DEMO / "bench_sim.toml")
    Faults(rate=0.0, kinds=("deaf", "coarse", "left over")).put_on(simulated)
    with Events(lambda *_: None) as events:
        (said,) = account_of(simulated, events, 0)
    everyone = sorted(simulated.devices)
    assert said == (
        "From start to end: a calibrator that ignores 'output off', a generator that ignores 'output off', "
        + ", ".join(f"a {role} that rounds to one digit" for role in everyone)
        + ", "
        + ", ".join(f"a {role} with settings left over from others" for role in everyone)
        + "."
    )


@pytest.mark.parametrize(
    ("rate", "kinds", "expected"),
    [
        ("often", "", "--faults: 'often' is not a quantity; expected"),
        ("5 V", "", "--faults: '5 V' "),
        ("120 %", "", "--faults: '120 %' is no share of the queries; expected 0 % to 100 %"),
        ("nan", "", "--faults: "),
        ("5 %", "late,cat", "--fault-kinds: 'cat' is no kind of fault; expected line, state, late, cut, "),
    ],
)
def test_what_is_no_fault_is_said(rate: str, kinds: str, expected: str) -> None:
    with pytest.raises(ConfigError) as caught:
        Faults.of_words(rate, kinds=kinds)
    assert str(caught.value).startswith(expected)


# --- commands ----------------------------------------------------------------------------------------------------


def test_a_run_under_faults_ends_with_the_account(lab: Path) -> None:
    command = ("run", lab / "quick.toml", "--runs", lab / "runs", "--faults", "5 %", "--seed", "7")
    command += ("--fault-kinds", "line")
    done = halfpower(*command, "--quiet")
    assert done.exit_code == 0, done.stderr
    *_, account, did, _report = done.stdout.splitlines()
    assert re.fullmatch(r"\d+ faults were injected into \d+ queries: .*\.", account)
    assert did.startswith("The tool got back in step")
    as_json = halfpower(*command, "--json")
    told = [entry["text"] for line in as_json.stdout.splitlines() if (entry := json.loads(line))["event"] == "faults"]
    assert told[1:] == [account, did]


def test_a_real_bench_takes_no_faults(lab: Path) -> None:
    bench = (lab / "bench.toml").read_text("utf-8")
    (lab / "bench.toml").write_text(re.sub(r"\nsimulation = .*", "", bench), "utf-8")
    done = halfpower("run", lab / "quick.toml", "--runs", lab / "runs", "--faults", "5 %")
    assert done.exit_code == 3
    assert "faults on purpose are for simulated benches, and this one is real" in done.stderr
    assert not (lab / "runs").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ("run", "quick.toml", "--seed", "7"),
        ("bench", "bench.toml", "--faults", "5 %"),
        ("run", "quick.toml", "--fault-kinds", "late"),
    ],
)
def test_options_that_do_nothing_alone_are_refused(lab: Path, arguments: tuple[str, ...]) -> None:
    command, name, *options = arguments
    done = halfpower(command, lab / name, *options)
    assert done.exit_code == 2
    assert "--faults" in done.stderr


def test_clients_of_a_served_bench_meet_the_faults(lab: Path) -> None:
    with serving(lab / "bench.toml", "--faults", "100 %", "--fault-kinds", "doubled") as (process, said):
        assert "On purpose; a fault at 100 % of the queries" in said
        port = int(re.search(r"counter: TCPIP0::127.0.0.1::(\d+)", said)[1])
        with socket.create_connection(("127.0.0.1", port), timeout=10) as wire, wire.makefile("r") as lines:
            wire.sendall(b"*IDN?\n")
            assert lines.readline() == lines.readline()
        process.send_signal(signal.SIGINT)
        assert process.stdout is not None
        assert process.stdout.read() == "1 faults were injected into 1 queries: doubled 1.\n"
        assert process.wait(timeout=20) == 130
