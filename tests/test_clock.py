"""Signs of life: given before anything that takes time, and never later than the lease before promised."""

import datetime as dt
import itertools
import math
import re
import shutil
from collections import Counter

import pytest

from harness import runs as opening
from harness.journal.journal import read
from harness.sim.bench import SimulatedBench
from harness.sim.clock import VirtualClock
from harness.steps import Connect
from harness.words.clock import BETWEEN_SIGNS_S, SLICE_S, BeatingClock, Stamps
from tests.helpers.demo_lab import DEMO

POOR = 'rate = 0.05\nkinds = ["late", "cut", "lost", "doubled", "prefixed"]\n'


@pytest.fixture
def lab(tmp_path):
    """The demo without its longest sequence, and its simulated bench within reach."""
    demo = shutil.copytree(DEMO, tmp_path / "demo")
    for job in ("digital.toml", "by_eye.toml"):
        path = demo / job
        head, *sequences = path.read_text("utf-8").split("[[sequence]]")
        path.write_text("[[sequence]]".join([head, *sequences[:1]]), "utf-8")
    return demo


def signs_of(job, runs, benches):
    """Run a job on the virtual clock; every sign with its time, and every step."""
    signs, steps = [], []
    opening.start(
        job,
        runs,
        on_life=lambda within_s: signs.append((benches[-1].clock.now(), within_s)),
        watch=lambda _part, _n, step, _reply: steps.append((len(signs), step)),
    )
    return signs, steps


def overdue(signs):
    """Signs that came later than promised; on a virtual clock computing takes no time, so that the margin is unused."""
    pairs = itertools.pairwise(signs)
    return [(at, within) for (at, within), (then, _) in pairs if then - at > within - BETWEEN_SIGNS_S + 1e-9]


def test_every_step_exchange_and_wait_is_announced_and_no_lease_is_broken(lab, tmp_path, benches):
    signs, steps = signs_of(lab / "digital.toml", tmp_path / "runs", benches)
    assert overdue(signs) == []
    assert signs[-1][0] > 1.0  # the clock moved: there were waits
    between = [later - sooner for (sooner, _), (later, _) in itertools.pairwise(steps)]
    assert min(between) >= 2
    assert len(signs) > 10 * len(steps)  # every message written and every reply read is one


def test_no_lease_is_broken_on_a_poor_line_either(lab, tmp_path, benches):
    path = lab / "bench_sim.toml"
    path.write_text(re.sub(r"\[calibrator\]", f"[faults]\n{POOR}\n[calibrator]", path.read_text("utf-8"), count=1))
    signs, _ = signs_of(lab / "digital.toml", tmp_path / "runs", benches)
    assert overdue(signs) == []
    assert signs[-1][0] > 10.0  # time-outs and waits on the way back


def test_whoever_waits_for_a_person_says_so(lab, tmp_path, benches, monkeypatch):
    asked = Counter()
    ask = SimulatedBench.load(lab / "hand_bench_sim.toml").operator.__class__.ask

    def counted(self, prompt):
        asked[prompt.kind] += 1
        return ask(self, prompt)

    monkeypatch.setattr("harness.sim.eyes.Person.ask", counted)
    signs, steps = signs_of(lab / "by_eye.toml", tmp_path / "runs", benches)
    endless = [place for place, (_, within) in enumerate(signs) if math.isinf(within)]
    assert len(endless) == asked.total() > len(steps) > 0
    assert asked["do"] >= sum(isinstance(step, Connect) for _, step in steps)
    assert all(signs[place + 1][1] == BETWEEN_SIGNS_S for place in endless)  # and after the answer time counts again


class Counting(VirtualClock):
    def __init__(self):
        super().__init__()
        self.slept = []

    def sleep(self, seconds):
        self.slept.append(seconds)
        super().sleep(seconds)


def test_a_long_sleep_is_cut_into_slices_each_with_its_sign():
    clock, signs = Counting(), []
    BeatingClock(clock, signs.append).sleep(3.5)
    assert clock.slept == [SLICE_S, SLICE_S, SLICE_S, 0.5]
    assert signs == [each + BETWEEN_SIGNS_S for each in clock.slept]
    assert clock.now() == 3.5


def test_a_virtual_night_is_slept_at_once():
    clock, signs = Counting(), []
    BeatingClock(clock, signs.append, slice_s=math.inf).sleep(86400.0)
    assert clock.slept == [86400.0]
    assert signs == [86400.0 + BETWEEN_SIGNS_S]


def test_no_wait_is_no_sleep():
    clock = Counting()
    BeatingClock(clock, lambda _s: None).sleep(0.0)
    assert clock.slept == []


# --- the clock of the day, which may be set ------------------------------------------------------------------------

NOON = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)


def set_by(clock, seconds):
    clock._start += dt.timedelta(seconds=seconds)


@pytest.mark.parametrize(("passed_s", "set_s", "told"), [
    (60.0, 0.0, None), (60.0, +3600.0, None), (60.0, -1.0, None), (36000.0, -20.0, None),  # kept right by the network
    (60.0, -3600.0, "1 h 00 min"), (3600.0, -60.0, "1 min"),  # although the later stamp is still the later one
])  # fmt: skip
def test_a_clock_that_is_set_back_is_told_once_and_one_that_is_kept_right_is_not(passed_s, set_s, told):
    clock, said = VirtualClock(NOON), []
    stamps = Stamps(clock, lambda *event: said.append(event))
    for _ in range(3):
        stamps()
        clock.sleep(passed_s)
    set_by(clock, set_s)
    assert stamps() == stamps() == clock.utc().isoformat(timespec="milliseconds")
    assert [text.partition(";")[0] for _, text in said] == ([f"The clock was set back by {told}"] if told else [])


@pytest.mark.parametrize("last", ["", "t17", "2026-11-25T13:00:00", "2026-11-25T12:00:01.000+00:00"])
def test_a_run_that_goes_on_without_a_later_line_has_nothing_to_tell(last):
    Stamps(VirtualClock(NOON), lambda *event: pytest.fail(str(event)), last)()


def test_a_run_that_goes_on_earlier_than_it_stopped_tells_it():
    said = []
    Stamps(VirtualClock(NOON), lambda *event: said.append(event), "2026-11-25T13:30:00.000+01:00")()
    assert [text.partition(";")[0] for _, text in said] == ["The clock was set back by 30 min"]


def test_a_clock_set_back_during_a_run_stands_in_its_journal_and_report_and_changes_nothing(lab, tmp_path, benches):
    unset = opening.start(lab / "digital.toml", tmp_path / "unset")

    def watch(_part, n, _step, _reply):
        if n == 7:
            set_by(benches[-1].clock, -7200.0)

    run = opening.start(lab / "digital.toml", tmp_path / "set", watch=watch)
    contents = read(run.folder)
    (event,) = (event for event in contents.events if event.what == "clock")
    before, after = (record for record in contents.records if record.n in (7, 8))
    assert event.text.startswith("The clock was set back by 2 h 00 min;")
    assert before.line < event.line < after.line
    assert after.at < before.at
    assert event.text in run.report.deviations
    assert run.report.parts == unset.report.parts
