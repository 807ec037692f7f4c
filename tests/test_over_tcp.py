"""A job over real sockets: no simulation in the bench file, pyvisa speaks TCP to instruments served on loopback."""

import re
import shutil
from pathlib import Path

import pytest

from harness import open as opening
from harness.errors import OperatorStop
from harness.faulted import LINE
from harness.journal import comparable, read
from harness.sim.bench import SimulatedBench
from harness.sim.faults import FaultPlan

DEMO = Path(__file__).parent.parent / "demo" / "brackwater"
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
def served(tmp_path):
    """The demo's bench at loopback addresses, without waits for settling."""
    folder = tmp_path / "demo"
    shutil.copytree(DEMO, folder)
    text = (folder / "digital.toml").read_text("utf-8")
    (folder / "digital.toml").write_text(text[: text.index("[[sequence]]")] + JOB, "utf-8")
    simulated = SimulatedBench.load(folder / "bench_sim.toml")
    with simulated.serve() as servers:
        bench = (folder / "bench.toml").read_text("utf-8")
        bench = re.sub(r"\nsimulation = .*", "", bench)
        bench = re.sub(r'settle = ".*"', 'settle = "0 s"', bench)
        for address, real in servers.addresses.items():
            bench = bench.replace(address, real)
        (folder / "tcp_bench.toml").write_text(bench, "utf-8")
        job = (folder / "digital.toml").read_text("utf-8").replace('"bench.toml"', '"tcp_bench.toml"')
        (folder / "tcp.toml").write_text(job, "utf-8")
        yield folder, simulated


def test_a_job_over_tcp_finds_what_the_same_job_finds_in_process(served, tmp_path):
    folder, simulated = served
    over_tcp = opening.start(folder / "tcp.toml", tmp_path / "tcp")
    in_process = opening.start(folder / "digital.toml", tmp_path / "in")
    assert over_tcp.report.finished
    assert not over_tcp.report.simulated
    words = [[p.word for p in result.report.parts[0].points] for result in (over_tcp, in_process)]
    assert words == [["pass", "pass", "pass", "fail"]] * 2
    (response,) = over_tcp.report.parts[1].responses
    low, high = response.result.interval_hz
    assert low <= simulated.truth.half_power_hz(2) <= high
    assert simulated.outputs_on() == ()
    assert len(comparable(over_tcp.folder)) > 20


def test_a_job_over_tcp_under_faults_ends_as_without(served, tmp_path):
    """Closed, reset, doubled, noisy, cut and lost replies on real sockets, with real time-outs."""
    folder, simulated = served
    bench = (folder / "tcp_bench.toml").read_text("utf-8")
    bench = re.sub("^(address = .*)$", r"\1" + '\ntimeout = "80 ms"', bench, flags=re.M)
    (folder / "tcp_bench.toml").write_text(bench, "utf-8")
    job = (folder / "tcp.toml").read_text("utf-8")
    (folder / "tcp.toml").write_text(job[: job.rindex("[[sequence]]")], "utf-8")
    right = opening.start(folder / "tcp.toml", tmp_path / "right")
    simulated.inject(FaultPlan(rate=0.06, seed=3, late="120 ms", kinds=(*LINE, "power cycle")))
    poor = opening.start(folder / "tcp.toml", tmp_path / "poor")
    assert sum(sum(injector.counts.values()) for injector in simulated.faults.values()) > 5
    assert [p.word for p in poor.report.parts[0].points] == [p.word for p in right.report.parts[0].points]
    assert poor.report.sentence == right.report.sentence
    told = [event.what for event in read(poor.folder).events]
    assert told.count("resync") >= told.count("repeat") > 0


def test_a_bench_without_a_person_stops_where_hands_are_needed_and_can_be_resumed(served, tmp_path):
    folder, simulated = served
    bench = (folder / "tcp_bench.toml").read_text("utf-8")
    (folder / "tcp_bench.toml").write_text(bench.replace('unit-2 = "(@102)"', 'unit-9 = "(@102)"'), "utf-8")
    with pytest.raises(OperatorStop, match="this run has none: Outputs are off"):
        opening.start(folder / "tcp.toml", tmp_path / "runs")
    assert simulated.outputs_on() == ()
    (run,) = (tmp_path / "runs").iterdir()
    assert len(opening.report(run).parts[0].points) in (0, 2)
