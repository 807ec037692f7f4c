"""Whole jobs where something stays away, warms up, is one of several, or fails in a user's own file."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from harness import runs as opening
from harness.errors import ConfigError, JournalError, OwnCodeError, SafetyError
from harness.journal.journal import read
from harness.report.points import DRIFT
from harness.sim.bench import SimulatedBench
from harness.sim.faults import FaultInjector, FaultPlan
from harness.steps import RETURN, Measure, Reading, Reply, Step
from tests.helpers.demo_lab import DEMO, a_job, change, with_two_places
from tests.helpers.journals import comparable


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """A copy of the demo to change."""
    return shutil.copytree(DEMO, tmp_path / "lab")


def job(lab: Path, *sequences: str, head: str = "") -> Path:
    serial = "Egret-0002" if 'position = "right"' in head else "Egret-3071"  # as the simulated units answer
    return a_job(lab / "job.toml", *sequences, serial=serial, head=head)


VERTICAL = 'use = "vertical"\nranges = ["100 mV", "200 mV", "500 mV"]'
TIME_BASE = 'use = "time_base"\nranges = ["1 us", "10 us"]'
BANDWIDTH = 'use = "bandwidth"'


# --- an instrument that stays away -------------------------------------------------------------------------------


def away(bench: SimulatedBench, role: str) -> None:
    """No reply any more, as from an instrument that was switched off."""
    bench._endpoints[role].injector = FaultInjector(FaultPlan(rate=1.0, kinds=("lost",)), role)


def losing(benches: list[SimulatedBench], role: str, part: str, n: int) -> Callable[[str, int, Step, Reply], None]:
    def watch(name: str, number: int, _step: Step, _reply: Reply) -> None:
        if (name, number) == (part, n):
            away(benches[-1], role)

    return watch


def test_a_lost_instrument_ends_what_needs_it_and_the_report_names_what_is_missing(
    lab: Path, benches: list[SimulatedBench], tmp_path: Path
) -> None:
    path = job(lab, BANDWIDTH, VERTICAL, TIME_BASE)
    result = opening.start(path, tmp_path, watch=losing(benches, "counter", "1 bandwidth", 9))
    bandwidth, vertical, time_base = result.report.parts
    assert (bandwidth.finished, vertical.finished, time_base.finished) == (False, True, True)
    assert result.exit_code == 4
    assert "counter (Northfen Mull no. Mull-2210): does not answer after 5 tries" in result.ended_early[0]
    assert bandwidth.missing == ("channel 2: half-power frequency",)
    deviations = " ".join(result.report.deviations)
    assert "Bandwidth ended early: counter" in deviations
    assert "Bandwidth: not finished; missing: channel 2: half-power frequency." in deviations


def test_points_that_were_not_reached_are_named_by_channel_and_range(
    lab: Path, benches: list[SimulatedBench], tmp_path: Path
) -> None:
    result = opening.start(job(lab, VERTICAL), tmp_path, watch=losing(benches, "unit", "1 vertical", 4))
    (part,) = result.report.parts
    read_there = {(point.channel, point.setting) for point in part.results}
    every = {(channel, f"{v} mV/div") for channel in (1, 2) for v in (100, 200, 500)}
    named = {
        (int(text.split(":")[0].removeprefix("channel ")), setting)
        for text in part.missing
        for setting in text.split(": ")[1].split(", ")
    }
    assert named == every - read_there
    assert 3 <= len(named) < 6


def test_outputs_go_off_when_the_part_ends_and_what_needs_the_lost_one_is_tried_once_and_quickly(
    lab: Path, benches: list[SimulatedBench], tmp_path: Path
) -> None:
    seen: list[tuple[float, str, tuple[str, ...]]] = []

    def on_event(what: str, _text: str) -> None:
        seen.append((benches[-1].clock.now(), what, benches[-1].outputs_on()) if benches else (0.0, what, ()))

    watch = losing(benches, "unit", "1 vertical", 4)
    job_path = job(lab, VERTICAL, TIME_BASE, 'use = "pulse"\npath = "terminated"\nsource = "generator"', BANDWIDTH)
    result = opening.start(job_path, tmp_path, watch=watch, on_event=on_event)
    assert [part.finished for part in result.report.parts] == [False] * 4
    assert benches[-1].outputs_on() == ()
    ended = [event.at for event in read(result.folder).events if event.what == "ended early"]
    assert len(ended) == 4
    seconds = [float(at[17:23]) + 60 * float(at[14:16]) for at in ended]
    first, *others = [b - a for a, b in pairwise(seconds)]
    assert max(first, *others[:1]) < 10.0  # one try of a two-second time-out, not five with waits between them


def test_a_source_that_would_not_go_off_ends_its_parts_and_not_those_that_a_switch_connects(
    lab: Path, benches: list[SimulatedBench], tmp_path: Path
) -> None:
    path = job(lab, VERTICAL, 'use = "pulse"\npath = "terminated"\nsource = "generator"', TIME_BASE)
    with pytest.raises(SafetyError, match=r"output of the calibrator .* may still be ON"):  # the last word, at the end
        opening.start(path, tmp_path, watch=losing(benches, "calibrator", "1 vertical", 4))
    (folder,) = tmp_path.glob("20*")
    assert [part.finished for part in opening.report(folder).parts] == [False, True, False]
    outputs = [event.text for event in read(folder).events if event.what == "outputs"]
    assert outputs
    assert all("output of the calibrator" in text for text in outputs)
    assert len(outputs) <= 2  # said once for each reason, not at every try


def test_every_repeat_is_an_event_with_instrument_and_reason(lab: Path, tmp_path: Path) -> None:
    change(
        lab / "bench_sim.toml", ("[calibrator]", '[faults]\nrate = "6 %"\nkinds = ["lost"]\nseed = 5\n\n[calibrator]')
    )
    result = opening.start(job(lab, VERTICAL), tmp_path)
    repeats = [event.text for event in read(result.folder).events if event.what == "repeat"]
    assert repeats
    assert all(re.match(r"(unit|calibrator|generator|switch) \(.*\): .*; try \d of \d$", text) for text in repeats)
    assert result.report.parts[0].finished


# --- several units behind one switch -----------------------------------------------------------------------------


@pytest.fixture
def two_places(lab: Path) -> Path:
    return with_two_places(lab)


ONE_RANGE = 'use = "vertical"\nranges = ["100 mV"]\nchannels = [1]'


def test_two_units_of_one_switched_bench_are_measured_each_at_its_place(two_places: Path, tmp_path: Path) -> None:
    gains = {}
    for head in ("", 'position = "right"'):
        path = job(two_places, ONE_RANGE, head=head)
        assert opening.rehearse(opening.load(path)).hands == ()
        result = opening.start(path, tmp_path)
        (point,) = result.report.parts[0].results
        truth = opening.simulated_bench(opening.load(path)).truth  # type: ignore[union-attr]  # it is simulated
        assert abs(point.statement.estimate - 100 * truth.gain_error(1, 0.1)) <= point.statement.expanded  # type: ignore[union-attr]
        gains[head] = point.statement.estimate  # type: ignore[union-attr]
        identity = read(result.folder).header["identities"]["unit"]
        assert ("Egret-0002" in identity) == bool(head)
        (place,) = (fact.text for group in result.report.facts for fact in group.facts if fact.name.startswith("Place"))
        assert ("position right" in place) == bool(head)
    assert gains['position = "right"'] == pytest.approx(-2.0, abs=0.3)
    assert gains[""] == pytest.approx(0.6, abs=0.3)


def test_where_a_position_has_no_route_hands_are_needed_and_said_beforehand(two_places: Path) -> None:
    loaded = opening.load(job(two_places, 'use = "vertical"\nranges = ["100 mV"]', head='position = "right"'))
    assert opening.rehearse(loaded).hands == ("1 × connect calibrator → lead → channel 2 of the unit",)


def test_a_run_at_a_position_resumes_at_it(two_places: Path, tmp_path: Path) -> None:
    path = job(two_places, 'use = "vertical"\nchannels = [1]', head='position = "right"')
    unbroken = opening.start(path, tmp_path / "a")

    class Stopped(BaseException):
        pass

    def stop(_part: str, n: int, *_: object) -> None:
        if n == 7:
            raise Stopped

    with pytest.raises(Stopped):
        opening.start(path, tmp_path / "b", watch=stop)
    (folder,) = (tmp_path / "b").iterdir()
    assert comparable(opening.resume(folder).folder) == comparable(unbroken.folder)


def test_a_bench_whose_simulation_lacks_an_address_is_said_so(two_places: Path) -> None:
    change(
        two_places / "bench_sim.toml", ('address = "TCPIP0::192.0.2.31::5025::SOCKET"', 'address = "GPIB0::3::INSTR"')
    )
    loaded = opening.load(job(two_places, ONE_RANGE, head='position = "right"'))
    with pytest.raises(ConfigError, match=r"bench.toml: unit.address: .*2\.31.* is none of bench_sim.toml"):
        opening.simulated_bench(loaded)
    change(two_places / "bench_sim.toml", ("positions.right", "positions.left"), ('"right"', '"left"'))
    with pytest.raises(ConfigError, match=r"bench_sim.toml: positions.right: missing"):
        opening.simulated_bench(loaded)


# --- warming up --------------------------------------------------------------------------------------------------


def test_a_run_waits_until_everything_has_warmed_up_and_again_after_a_power_cycle(
    lab: Path, benches: list[SimulatedBench], tmp_path: Path
) -> None:
    change(lab / "bench.toml", ('settle = "50 ms"', 'settle = "50 ms"\nwarm_up = "30 min"'))
    hours: list[float] = []

    def watch(_part: str, n: int, step: Step, _reply: Reply) -> None:
        if isinstance(step, Measure):
            hours.append(benches[-1].world.hours)
        if n == 4:
            benches[-1].devices["calibrator"].power_cycle()

    result = opening.start(job(lab, VERTICAL), tmp_path, watch=watch)
    assert hours[0] == pytest.approx(0.5, abs=0.01)
    assert hours[3] < 0.51
    assert hours[4] < 0.51  # a ground line: the source is off, and is asked nothing but to stay so
    assert hours[5] == pytest.approx(1.0, abs=0.02)
    said = [event.text for event in read(result.folder).events if event.what == "warm-up"]
    assert len(said) == 3  # the wait; it begins again; the wait
    assert "begins again" in said[1]
    assert not any("warm-up" in text for text in result.report.deviations)  # as planned


def test_what_was_taken_as_warm_is_in_the_report(lab: Path, benches: list[SimulatedBench], tmp_path: Path) -> None:
    change(lab / "bench.toml", ('settle = "50 ms"', 'settle = "50 ms"\nwarm_up = "30 min"'))
    result = opening.start(job(lab, VERTICAL), tmp_path, warm=True)
    assert benches[-1].world.hours < 0.01
    assert any("Taken as warm, as was said at the start: calibrator" in text for text in result.report.deviations)


def test_a_rehearsal_says_how_long_warming_up_may_take(lab: Path) -> None:
    change(lab / "bench.toml", ('settle = "50 ms"', 'settle = "50 ms"\nwarm_up = "30 min"'))
    assert opening.rehearse(opening.load(job(lab, VERTICAL))).warm_up_s == 1800
    assert (
        opening.rehearse(opening.load(job(lab, 'use = "pulse"\nsource = "generator"\npath = "terminated"'))).warm_up_s
        == 0
    )


# --- back to the first point -------------------------------------------------------------------------------------


def drift_of(lab: Path, tmp_path: Path, **drift: str) -> list[Any]:
    for role, per_hour in drift.items():
        fault = f'[faults]\ndrift_per_hour = {{ {role} = "{per_hour}" }}'
        change(lab / "bench_sim.toml", (f"[{role}]", f"{fault}\n\n[{role}]"))
    result = opening.start(job(lab, f"{VERTICAL}\nreturn_to_first = true"), tmp_path)
    taken = [r for r in read(result.folder).records if isinstance(r.step, Measure) and r.step.purpose == RETURN]
    assert len(taken) == 2
    (part,) = result.report.parts
    assert len(part.results) == 6  # a return is no further repeat of its point
    return [finding for finding in part.findings if finding.name == DRIFT]


def test_the_first_point_once_more_tells_what_moved_and_whether_the_budget_allows_for_it(
    lab: Path, tmp_path: Path
) -> None:
    """Seven settings of a minute each between first and last: 20 % an hour is 2 % and more over a pass."""
    change(lab / "bench.toml", ('settle = "50 ms"', 'settle = "60 s"'))
    still = drift_of(lab, tmp_path)
    assert [finding.channel for finding in still] == [1, 2]
    for finding in still:
        assert abs(finding.value) <= finding.u
        assert "no more than the two readings can tell" in finding.sentence
    for finding in drift_of(lab, tmp_path, calibrator="20 %"):
        assert finding.value > 1.0
        assert finding.value > 3 * finding.u
        assert "more than the ±" in finding.sentence
        assert "take the channel again" in finding.sentence


def test_a_time_base_returns_to_its_first_point_too(lab: Path, tmp_path: Path) -> None:
    result = opening.start(job(lab, f"{TIME_BASE}\nreturn_to_first = true"), tmp_path)
    (part,) = result.report.parts
    (finding,) = part.findings
    assert (finding.name, finding.unit, len(part.results)) == (DRIFT, "%", 2)
    assert "1 µs/div: at the end of the pass" in finding.sentence
    assert opening.load(job(lab, TIME_BASE)).uses[0].options.return_to_first is False


# --- inputs that end their line ----------------------------------------------------------------------------------

STRAIGHT = """
[paths.straight]
label = "1 m lead to the meter"
routes = { reference = "(@201)" }
"""


def with_a_meter(lab: Path) -> Path:
    """The demo's bench with a level meter of 50 ohm instead of the faster scope, on a path of its own."""
    bench, sim = lab / "bench.toml", lab / "bench_sim.toml"
    text = bench.read_text("utf-8")
    before, after = text[: text.index("[reference]")], text[text.index("[unit]") :]
    meter = (
        'kind = "level_meter"\naddress = "TCPIP0::192.0.2.22::5025::SOCKET"\nmaximum_rms = "5 Vrms"\n'
        'maker = "Northfen"\nmodel = "Selsey"\nserial = "Selsey-0750"\ndue = 2027-06-30\nbandwidth = "8 GHz"\n'
    )
    bench.write_text(f"{before}[reference]\n{meter}\n{after}{STRAIGHT}", "utf-8")
    change(bench, ('routes = { reference = "(@201)", unit-1', "routes = { unit-1"))
    change(
        sim,
        ("northfen_reference_scope", "northfen_level_meter"),
        ("[paths.lead] ", "[paths.straight]\n\n[paths.lead] "),
    )
    change(sim, ('201 = { path = "terminated"', '201 = { path = "straight"'))
    return lab


def test_a_level_meter_of_fifty_ohm_levels_the_sine_on_a_path_of_its_own(lab: Path, tmp_path: Path) -> None:
    """The unit behind its feed-through, the meter without: each line ends once, and the half power is right."""
    with_a_meter(lab)
    with pytest.raises(
        ConfigError, match=r"sequence\[1\].level_path: path 'terminated' has a feed-through termination"
    ):
        opening.load(job(lab, BANDWIDTH))
    path = job(lab, f'{BANDWIDTH}\nlevel_path = "straight"\nchannels = [1]')
    assert opening.rehearse(opening.load(path)).refused == ()
    result = opening.start(path, tmp_path / "runs")
    (response,) = result.report.parts[0].results
    truth = opening.simulated_bench(opening.load(path)).truth  # type: ignore[union-attr]  # it is simulated
    low, high = response.statement.low, response.statement.high
    assert low <= truth.half_power_hz(1) <= high
    assert high - low < 0.05 * truth.half_power_hz(1)


def test_the_rehearsal_says_what_is_above_the_rating_of_a_fifty_ohm_input(lab: Path, tmp_path: Path) -> None:
    with_a_meter(lab)
    change(lab / "bench.toml", ('maximum_rms = "5 Vrms"', 'maximum_rms = "50 mVrms"'))
    loaded = opening.load(job(lab, f'{BANDWIDTH}\nlevel_path = "straight"'))
    # 6 div at 100 mV/div are 600 mVpp, 212.1 mV rms.
    said = "300 mV peak, 212.1 mV rms is above the 50 mVrms that the 50 Ω input of the reference may take"
    assert any(said in text for text in opening.rehearse(loaded).refused)
    with pytest.raises(SafetyError, match="50 Ω input of the reference"):
        opening.start(job(lab, f'{BANDWIDTH}\nlevel_path = "straight"'), tmp_path / "runs")


# --- a user's own sequence that fails ----------------------------------------------------------------------------

OWN = """
from harness.models import Model
from harness.steps import Dc, Measure, View, connect, measure

class Options(Model):
    pass

def script(setup, options):
    yield from connect(path="lead", source="calibrator", display="unit", channel=1)
    view = View(channel=1, volts_per_div=0.1, s_per_div=1e-3)
    step = Measure(purpose="mine", path="lead", source="calibrator", stimulus=Dc(level_v=0.3), display="unit",
                   view=view, quantity="deflection", expected=3.0)
    reading = yield from measure(step)
    {then}
"""


def own_job(lab: Path, then: str) -> Path:
    (lab / "mine.py").write_text(OWN.format(then=then), "utf-8")
    return job(lab, 'use = "mine.py"', VERTICAL)


def test_a_users_sequence_that_raises_is_said_with_its_line_and_the_others_go_on(
    lab: Path, benches: list[SimulatedBench], tmp_path: Path
) -> None:
    result = opening.start(own_job(lab, "if reading.value != 3.0: print(1 / 0)"), tmp_path)
    (said,) = result.ended_early
    assert said.startswith(
        "1 mine: mine.py:14: your sequence fails: ZeroDivisionError: division by zero, at: if reading"
    )
    assert (result.exit_code, benches[-1].outputs_on()) == (3, ())
    kept = result.folder / "traceback.txt"
    assert str(kept) in said
    assert "ZeroDivisionError" in kept.read_text("utf-8")
    mine, vertical = result.report.parts
    assert (mine.finished, vertical.finished, len(mine.plain)) == (False, True, 1)
    (lab / "mine.py").write_text(OWN.format(then="return"), "utf-8")
    with pytest.raises(JournalError, match=r"mine.py: has changed since the run was begun; .* resume with --corrected"):
        opening.resume(result.folder)
    assert opening.resume(result.folder, corrected=True).report.finished  # it goes on where it stopped
    told = [event.text for event in read(result.folder).events if event.what == "own code"]
    assert told[0] == f"Runs your own Python: {lab / 'mine.py'}"
    assert told[1].startswith(f"{told[0]}. It was changed after the run was begun; its SHA-256 is now ")


def test_a_users_sequence_that_fails_in_rehearsal_is_said_before_anything_is_opened(lab: Path, tmp_path: Path) -> None:
    path = own_job(lab, "{}[reading.value]")
    with pytest.raises(OwnCodeError, match=r"mine.py:14: your sequence fails: KeyError: 3.0, at: ") as failed:
        opening.start(path, tmp_path / "runs")
    assert isinstance(failed.value.__cause__, KeyError)
    assert "rehearsal" in failed.value.__notes__[0]
    assert not (tmp_path / "runs").exists()


def test_a_users_sequence_that_yields_no_step_is_said_so(lab: Path, tmp_path: Path) -> None:
    with pytest.raises(
        OwnCodeError, match=r"mine.py:14: your sequence yields 3.0; expected a Connect, a Measure or a Look"
    ):
        opening.start(own_job(lab, "yield 3.0"), tmp_path)


PLANNED = """return

def plan(setup, options):
    from harness.steps import TimeMarks
    from sequences import Plan, Planned
    view = View(channel=1, volts_per_div=0.1, s_per_div=1e-3)
    marks = Measure(purpose="mine", path="lead", source="calibrator", stimulus=TimeMarks(period_s=0.0, level_vpp=1.0),
                    display="unit", view=view, quantity="span", expected=8.0)
    return Plan(points=(Planned(step=marks),))
"""
MISPLACED = [
    (
        'yield replace(step, path="terminated")',
        "measures calibrator → terminated → channel 1 of the unit, but what is ",
    ),
    ('yield replace(step, path="bare")', "names the path 'bare', which the bench file has not ('lead', 'terminated')"),
    ("yield replace(step, stimulus=Dc(level_v=1e9))", "asks for Dc(level_v=1000000000.0), which is more than"),
    (PLANNED, "asks for TimeMarks(period_s=0.0), which is not above zero"),
]


@pytest.mark.parametrize(("then", "sentence"), MISPLACED)
def test_a_users_step_that_cannot_be_meant_is_named_in_rehearsal(
    lab: Path, tmp_path: Path, then: str, sentence: str
) -> None:
    path = own_job(lab, f"from dataclasses import replace; {then}")
    with pytest.raises(OwnCodeError, match=re.escape(f": your sequence {sentence}")):
        opening.start(path, tmp_path / "runs")
    assert not (tmp_path / "runs").exists()


def test_a_users_step_that_cannot_be_meant_ends_its_part_with_nothing_set_and_the_others_go_on(
    lab: Path, benches: list[SimulatedBench], tmp_path: Path
) -> None:
    """An ideal unit reads 3 div exactly, so the rehearsal does not come there."""
    then = "from dataclasses import replace\n    if reading.value != 3.0: yield replace(step, path='terminated')"
    result = opening.start(own_job(lab, then), tmp_path)
    assert result.ended_early[0].startswith("1 mine: mine.py:15: your sequence measures calibrator → terminated → ")
    mine, vertical = result.report.parts
    assert (len(mine.plain), mine.finished, vertical.finished, benches[-1].outputs_on()) == (1, False, True, ())


# --- a skipped point ---------------------------------------------------------------------------------------------


def search_skipping(which: Callable[[int], bool]) -> list[Measure]:
    """What the bandwidth search of one channel asks of an ideal unit, and of a person who skips some of it."""
    from harness.run.rehearsal import ideal
    from sequences.bandwidth import steps as bandwidth
    from tests.helpers.setups import a_setup

    setup = a_setup()
    options = bandwidth.Options(channels=(1,))
    script = bandwidth.script(setup, options)
    asked: list[Measure] = []
    step = next(script)
    try:
        while True:
            reply = ideal(setup, step)
            if isinstance(step, Measure):
                asked.append(step)
                if step.quantity == "peak_to_peak" and which(len(asked)):
                    reply = Reading(status="skipped")
            step = script.send(reply)
    except StopIteration:
        return asked


def test_a_skipped_point_is_left_out_alone() -> None:
    asked = search_skipping(lambda n: n == 4)
    assert len(asked) > 10  # the search went on to its end
    skipped_hz, next_hz = (step.stimulus.frequency_hz for step in asked[3:5])  # type: ignore[union-attr]  # both sines
    assert next_hz == pytest.approx(skipped_hz * 1.03, rel=1e-3)
    assert sum(step.stimulus == asked[3].stimulus for step in asked) == 1


def test_who_skips_everything_is_not_asked_for_ever() -> None:
    asked = search_skipping(lambda n: n > 4)
    assert len(asked) == 8
