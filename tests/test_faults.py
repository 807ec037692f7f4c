"""Faults on demand: each does what it says, at its rate, and the same seed gives the same."""

from __future__ import annotations

from pathlib import Path

import pytest
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError

from harness.sim.bench import SimulatedBench
from harness.sim.faults import FAULTS, FaultInjector, FaultPlan

DEMO = Path(__file__).parent.parent / "demo" / "brackwater" / "bench_sim.toml"
IDENTITY = b"Northfen,G550,G550-0093,1.7"


def make(*kinds: str, **more: object) -> SimulatedBench:
    bench = SimulatedBench.load(DEMO)
    bench.inject(FaultPlan(rate=1.0, kinds=kinds or FAULTS, **more))
    return bench


def opened(bench: SimulatedBench, role: str = "generator"):
    return bench.resource_manager().open_resource(
        bench.addresses[role], read_termination="\n", write_termination="\n", timeout=1000
    )


def raw(bench: SimulatedBench, line: str, role: str = "generator") -> bytes:
    resource = opened(bench, role)
    resource.write(line)
    return resource.read_raw()


def test_late() -> None:
    bench = make("late", late="3 s")
    resource = opened(bench)
    with pytest.raises(VisaIOError) as caught:
        resource.query("*IDN?")
    assert caught.value.error_code == StatusCode.error_timeout
    bench.clock.sleep(2)
    assert resource.read_raw() == IDENTITY + b"\n"


def test_lost() -> None:
    bench = make("lost")
    resource = opened(bench)
    resource.write("*IDN?")
    bench.clock.sleep(1000)
    with pytest.raises(VisaIOError):
        resource.read_raw()


def test_doubled() -> None:
    bench = make("doubled")
    resource = opened(bench)
    resource.write("*IDN?")
    assert [resource.read_raw(), resource.read_raw()] == [IDENTITY + b"\n"] * 2


def test_prefixed_and_damaged_bytes_are_no_valid_reply() -> None:
    for seed in range(20):
        reply = raw(make("prefixed", seed=seed), "*IDN?")
        assert reply.endswith(IDENTITY + b"\n")
        assert 1 <= len(reply) - len(IDENTITY) - 1 <= 6
        damaged = raw(make("damaged", seed=seed), "*IDN?").rstrip(b"\n")
        assert sum(a != b for a, b in zip(damaged, IDENTITY, strict=True)) == 1
        assert max(damaged) >= 0x80


@pytest.mark.parametrize(
    ("kind", "code"), [("closed", StatusCode.error_timeout), ("reset", StatusCode.error_connection_lost)]
)
def test_a_connection_that_ends_stays_so_until_it_is_opened_anew(kind: str, code: StatusCode) -> None:
    bench = make(kind)
    resource = opened(bench)
    with pytest.raises(VisaIOError) as caught:
        resource.query("*IDN?")
    assert caught.value.error_code == code
    with pytest.raises(VisaIOError):
        resource.query("*IDN?")
    again = opened(bench)
    with pytest.raises(VisaIOError) as caught:
        again.query("*IDN?")
    assert caught.value.error_code == code  # the new connection worked, and met the next fault


def test_a_power_cycle_loses_the_settings_and_says_so() -> None:
    bench = make("power cycle", roles=("generator",))
    resource = opened(bench)
    resource.write("SOUR:VOLT 2;:OUTP ON;*ESE 7;*CLS")
    assert bench.outputs_on() == ("generator",)
    with pytest.raises(VisaIOError):
        resource.query("*OPC?")
    assert bench.outputs_on() == ()
    assert bench.devices["generator"].handle(b"*ESR?;*ESE?;:SOUR:VOLT?") == b"128;0;1.000000000E-01"


def test_refused() -> None:
    bench = make("refused", roles=("generator",))
    resource = opened(bench)
    assert resource.query("SOUR:VOLT 2;*OPC?") == "1"
    assert resource.query("SYST:ERR?") == '-221,"Settings conflict"'
    assert bench.devices["generator"].handle(b"SOUR:VOLT?") == b"1.000000000E-01"


def test_overload_answers_numbers_with_the_mark() -> None:
    bench = make("overload", roles=("generator",))
    assert raw(bench, "SOUR:VOLT?;:SOUR:FUNC?") == b"9.9E37;SIN\n"
    assert raw(bench, "*IDN?") == IDENTITY + b"\n"


def test_standing_faults_a_stuck_output_a_slow_instrument_and_drift() -> None:
    bench = SimulatedBench.load(DEMO)
    bench.inject(FaultPlan(stuck=("generator",), slow={"counter": "7 s"}, drift_per_hour={"generator": "1 %"}))
    generator = opened(bench)
    generator.query("OUTP ON;*OPC?")
    assert generator.query("OUTP OFF;OUTP?") == "0"  # it believes so itself
    assert bench.outputs_on() == ("generator",)
    before = bench.clock.now()
    counter = opened(bench, "counter")
    counter.timeout = 10_000
    counter.query("*IDN?")
    assert bench.clock.now() - before == pytest.approx(7.0)
    assert bench.world.sources["generator"].truth.drift_per_hour == 0.01


def test_the_rate_and_the_seed() -> None:
    plan = FaultPlan(rate="5 %", seed=11)
    first, second, other = (FaultInjector(p, "unit") for p in (plan, plan, FaultPlan(rate="5 %", seed=12)))
    drawn = [first.draw(b"*OPC?") for _ in range(20_000)]
    assert drawn == [second.draw(b"*OPC?") for _ in range(20_000)]
    assert drawn != [other.draw(b"*OPC?") for _ in range(20_000)]
    hits = sum(fault is not None for fault in drawn)
    assert abs(hits - 1000) < 5 * (20_000 * 0.05 * 0.95) ** 0.5  # five standard deviations of a binomial
    assert set(first.counts) == set(FAULTS)
    assert sum(first.counts.values()) == hits


def test_only_queries_and_only_the_named_roles() -> None:
    injector = FaultInjector(FaultPlan(rate=1.0, roles=("unit",)), "unit")
    assert injector.draw(b"OUTP OFF") is None
    assert injector.draw(b"OUTP?") is not None
    assert FaultInjector(FaultPlan(rate=1.0, roles=("unit",)), "counter").draw(b"*IDN?") is None
