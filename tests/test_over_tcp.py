"""A job over real sockets: no simulation in the bench file, pyvisa speaks TCP to instruments served on loopback."""

import re

import pytest

from harness import runs as opening
from harness.errors import OperatorStop
from harness.journal.journal import read
from harness.run.faulted import LINE
from harness.sim.faults import FaultPlan
from tests.helpers.journals import comparable
from tests.helpers.served import a_lab

JOB = """
[[sequence]]
use = "vertical"
channels = [1, 2]
ranges = ["100 mV", "500 mV"]

[[sequence]]
use = "bandwidth"
channels = [2]
target = "1 %"
"""


@pytest.fixture
def lab(tmp_path):
    with a_lab(tmp_path / "lab", JOB, chance=True) as served:
        yield served


def test_a_job_over_tcp_finds_what_the_same_job_finds_in_process(lab, tmp_path):
    over_tcp = opening.start(lab.job, tmp_path / "tcp")
    in_process = opening.start(lab.folder / "digital.toml", tmp_path / "in")
    assert over_tcp.report.finished
    assert not over_tcp.report.simulated
    words = [[p.word for p in result.report.parts[0].results] for result in (over_tcp, in_process)]
    assert words == [["pass", "pass", "pass", "fail"]] * 2
    (response,) = over_tcp.report.parts[1].results
    low, high = response.statement.low, response.statement.high
    assert low <= lab.simulated.truth.half_power_hz(2) <= high
    assert lab.on() == ()
    assert len(comparable(over_tcp.folder)) > 20


@pytest.mark.soak
def test_a_job_over_tcp_under_faults_ends_as_without(lab, tmp_path):
    """Closed, reset, doubled, noisy, cut and lost replies on real sockets, with real time-outs."""
    bench = lab.bench.read_text("utf-8")
    bench = re.sub("^(address = .*)$", r"\1" + '\ntimeout = "80 ms"', bench, flags=re.M)
    lab.bench.write_text(bench, "utf-8")
    job = lab.job.read_text("utf-8")
    lab.job.write_text(job[: job.rindex("[[sequence]]")], "utf-8")
    right = opening.start(lab.job, tmp_path / "right")
    lab.simulated.inject(FaultPlan(rate=0.06, seed=3, late="120 ms", kinds=(*LINE, "power cycle")))
    poor = opening.start(lab.job, tmp_path / "poor")
    assert sum(sum(injector.counts.values()) for injector in lab.simulated.faults.values()) > 5
    assert [p.word for p in poor.report.parts[0].results] == [p.word for p in right.report.parts[0].results]
    assert poor.report.sentence == right.report.sentence
    told = [event.what for event in read(poor.folder).events]
    assert told.count("resync") >= told.count("repeat") > 0


def test_a_bench_without_a_person_stops_where_hands_are_needed_and_can_be_resumed(lab, tmp_path):
    lab.change('unit-2 = "(@102)"', 'unit-9 = "(@102)"')
    with pytest.raises(OperatorStop, match="this run has none: Outputs are off"):
        opening.start(lab.job, tmp_path / "runs")
    assert lab.on() == ()
    (run,) = (tmp_path / "runs").iterdir()
    assert len(opening.report(run).parts[0].results) in (0, 2)
