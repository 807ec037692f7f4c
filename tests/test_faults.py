"""Faults on demand: each does what it says, at its rate, and the same seed gives the same."""

from __future__ import annotations

from pathlib import Path

import pytest
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError

from harness.errors import ConfigError
from harness.sim.bench import SimulatedBench
from harness.sim.faults import FAULTS, FaultInjector, FaultPlan

DEMO = Path(__file__).parent.parent / "demo" / "brackwater" / "bench_sim.toml"
IDENTITY = b"Northfen,Nare,Nare-0093,1.7"


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


@pytest.mark.parametrize("goes_on", [True, False])
def test_one_setting_of_a_compound_is_refused_and_the_parsers_habit_decides_on_the_rest(goes_on: bool) -> None:
    """Three settings: each is the refused one sometimes; a parser that stops obeys and answers nothing after it."""
    message, untouched = b"VOLT 2;:FREQ 1E6;:PULS:PER 1E-6;*OPC?", (0.1, 5e4, 1e-3)
    seen = set()
    for seed in range(30):
        bench = make("refused", seed=seed)
        device = bench.devices["generator"]
        device._goes_on = goes_on
        reply = b"".join(piece for _, piece in bench._endpoints["generator"].message(message).pieces)
        held = tuple(float(v) for v in (device.handle(b"VOLT?;:FREQ?;:PULS:PER?") or b"").split(b";"))
        refused = [now == before for now, before in zip(held, untouched, strict=True)]
        at = refused.index(True)
        assert refused == ([n == at for n in range(3)] if goes_on else [n >= at for n in range(3)])
        assert reply == (b"1\n" if goes_on else b"")
        assert device.handle(b"SYST:ERR?") == b'-221,"Settings conflict"'
        seen.add(at)
    assert seen == {0, 1, 2}


def only(bench: SimulatedBench, role: str) -> SimulatedBench:
    """No further faults by chance; what is armed or held back stays."""
    bench.faults[role]._on = False
    return bench


def test_settings_that_are_obeyed_late_are_not_answered_and_come_over_newer_ones() -> None:
    bench = make("obeyed late", held=12, seed=2)
    resource = opened(bench)
    with pytest.raises(VisaIOError):
        resource.query("VOLT 2;:OUTP ON;*OPC?")
    only(bench, "generator")
    again = opened(bench)
    assert again.query("OUTP OFF;:VOLT 1;*OPC?") == "1"
    assert bench.outputs_on() == ()
    levels = [float(again.query("VOLT?")) for _ in range(12)]
    assert levels[0] == 1.0
    assert levels[-1] == 2.0
    assert bench.outputs_on() == ("generator",)


def test_a_number_is_rounded_once_without_an_error() -> None:
    for seed in range(20):
        bench = make("rounded", seed=seed)
        assert opened(bench).query("VOLT 1.2345;*OPC?") == "1"
        device = bench.devices["generator"]
        assert device.handle(b"SYST:ERR?;:VOLT?") in (
            b'0,"No error";' + level for level in (b"1.000000000E+00", b"1.200000000E+00", b"1.230000000E+00")
        )
        assert device.handle(b"VOLT 1.2345;:VOLT?") == b"1.234500000E+00"


def test_output_off_is_ignored_once_and_the_instrument_says_that_it_is_on() -> None:
    bench = make("off ignored")
    bench.devices["generator"].handle(b"OUTP ON")
    resource = opened(bench)
    assert resource.query("OUTP OFF;OUTP?;SYST:ERR?") == '1;0,"No error"'
    only(bench, "generator")
    assert resource.query("OUTP OFF;OUTP?") == "0"
    assert bench.outputs_on() == ()


def test_a_panel_reset_loses_the_settings_and_says_nothing() -> None:
    bench = make("panel reset")
    bench.devices["generator"].handle(b"*CLS;*ESE 7;:VOLT 2;:OUTP ON")
    assert opened(bench).query("VOLT?;:OUTP?;*ESR?;*ESE?") == "1.000000000E-01;0;0;7"


def test_a_second_controller_changes_one_setting_at_a_time() -> None:
    headers = ("FUNC", "VOLT", "VOLT:OFFS", "FREQ", "PULS:PER", "PULS:TRAN", "OUTP")
    asked = ";".join(f":{header}?" for header in headers)
    bench = make("second controller")
    before = (bench.devices["generator"].handle(asked.encode()) or b"").decode().split(";")
    resource, changed = opened(bench), set()
    for _ in range(100):
        now = resource.query(asked).split(";")
        differ = [header for header, a, b in zip(headers, before, now, strict=True) if a != b]
        assert len(differ) <= 1
        changed |= set(differ)
        before = now
    assert changed == set(headers)
    switch = opened(bench, "switch")
    assert {switch.query("ROUT:CLOS:STAT?") for _ in range(60)} == {f"(@{n})" for n in (101, 102, 201, 202, 203)}


def test_faults_that_an_instrument_cannot_have_are_not_counted() -> None:
    bench = make("off ignored", "rounded")
    assert raw(bench, "*IDN?", "switch")
    assert bench.faults["switch"].counts in ({"off ignored": 0}, {"rounded": 0})


def test_a_power_cycle_forgets_what_was_held_back() -> None:
    bench = make("obeyed late", held=1)
    with pytest.raises(VisaIOError):
        opened(bench).query("VOLT 2;*OPC?")
    bench.inject(FaultPlan(rate=1.0, kinds=("power cycle",)))
    with pytest.raises(VisaIOError):
        opened(bench).query("*OPC?")
    bench.inject(FaultPlan())
    assert float(opened(bench).query("VOLT?")) == 0.1


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


def test_standing_faults_deaf_and_coarse() -> None:
    bench = SimulatedBench.load(DEMO)
    bench.inject(FaultPlan(deaf=("generator",), coarse=("unit",)))
    assert opened(bench).query("OUTP ON;OUTP OFF;OUTP?;SYST:ERR?") == '1;0,"No error"'
    assert opened(bench, "unit").query("SENS1:VOLT:RANG:PTP 0.16;PTP?;:SYST:ERR?") == '4.000000000E-01;0,"No error"'


def test_scrambled_settings_are_anything_that_the_instrument_takes() -> None:
    """No two starts alike, and a reset leads out of each."""
    roles = ("calibrator", "unit", "reference", "switch")
    asked = dict.fromkeys(roles[:1], b"FUNC?;:VOLT?;:VOLT:OFFS?;:OUTP?")
    asked |= dict.fromkeys(roles[1:3], b"INP1:COUP?;:INP2:IMP?;:INP1:FILT?;:SENS2:VOLT:RANG:PTP?;:SENS:SWE:POIN?")
    asked |= {"switch": b"ROUT:CLOS:STAT?"}
    fresh = SimulatedBench.load(DEMO)
    starts = {role: set() for role in roles}
    for seed in range(40):
        bench = SimulatedBench.load(DEMO)
        bench.inject(FaultPlan(scrambled=roles, seed=seed))
        for role, device in bench.devices.items():
            if role in roles:
                starts[role].add(device.handle(asked[role]))
                device.handle(b"*RST")
                assert device.handle(asked[role]) == fresh.devices[role].handle(asked[role])
    assert {role: len(found) for role, found in starts.items()} == {r: 5 if r == "switch" else 40 for r in roles}


LEFT_OVER = """
[calibrator]
profile = 'northfen_calibrator'
address = 'GPIB0::1::INSTR'
left_over = { function = 'square', level_v = '30 V', offset_v = '60 V', output = true }
[unit]
profile = 'aldermoor_digital_scope'
address = 'GPIB0::2::INSTR'
left_over = { coupling = 'ac', limiter = true, input_ohm = '50 ohm', full_scale_v = '16 mV', points = 500 }
[switch]
profile = 'northfen_switch'
address = 'GPIB0::3::INSTR'
left_over = { closed = [1] }
routes = { 1 = { path = 'lead', source = 'calibrator', display = 'unit' } }
[paths.lead]
"""


def test_what_the_last_user_left_is_there_before_the_first_command(tmp_path: Path) -> None:
    path = tmp_path / "bench_sim.toml"
    path.write_text(LEFT_OVER, "utf-8")
    bench = SimulatedBench.load(path)
    assert bench.outputs_on() == ("calibrator",)
    assert bench.world.closed == {1}
    calibrator, unit = bench.devices["calibrator"], bench.devices["unit"]
    assert calibrator.handle(b"FUNC?;:VOLT?;:VOLT:OFFS?;:OUTP?") == b"SQU;3.000000000E+01;6.000000000E+01;1"
    assert unit.handle(b"INP2:COUP?;:INP1:FILT?;:INP2:IMP?;:SENS2:VOLT:RANG:PTP?;:SENS:SWE:POIN?") == (
        b"AC;1;5.000000000E+01;1.600000000E-02;500"
    )
    calibrator.power_cycle()
    assert calibrator.handle(b"VOLT:OFFS?;:OUTP?") == b"0.000000000E+00;0"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "offset_v",
            "ofset_v",
            "calibrator.left_over.ofset_v: it has no such setting; it has function,",
        ),
        ("level_v = '30 V'", "level_v = '30 kV'", 'calibrator.left_over.level_v: -222,"Data out of range"'),
        ("level_v = '30 V'", "level_v = '30 s'", "calibrator.left_over.level_v: '30 s'"),
        ("'square'", "'saw'", "calibrator.left_over.function: 'saw' is none of dc, square, marks"),
        ("output = true", "output = 1", "calibrator.left_over.output: 1 is neither true nor false"),
        ("closed = [1]", "closed = [7]", 'switch.left_over.closed: -222,"Data out of range"'),
        ("address = 'GPIB0::2::INSTR'", "", "unit.left_over: an instrument worked by hand is set by hand"),
    ],
)
def test_a_left_over_setting_that_cannot_be_is_named(tmp_path: Path, old: str, new: str, said: str) -> None:
    path = tmp_path / "bench_sim.toml"
    assert old in LEFT_OVER
    path.write_text(LEFT_OVER.replace(old, new), "utf-8")
    with pytest.raises(ConfigError) as caught:
        SimulatedBench.load(path)
    assert str(caught.value).startswith(f"{path}: {said}")


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
