"""What the shipped simulated instruments answer and do: every setting is asked back, and each acts on what is seen."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from harness.sim.bench import SimulatedBench

DEMO = Path(__file__).parent.parent / "demo" / "brackwater" / "bench_sim.toml"


@pytest.fixture
def bench() -> SimulatedBench:
    return SimulatedBench.load(DEMO)


def ask(bench: SimulatedBench, role: str, line: str) -> str:
    reply = bench.devices[role].handle(line.encode())
    return "" if reply is None else reply.decode()


def tell(bench: SimulatedBench, role: str, line: str) -> None:
    assert ask(bench, role, f"*CLS;:{line};:SYST:ERR?") == '0,"No error"'


def seen_v(bench: SimulatedBench, channel: int = 1) -> tuple[float, float]:
    """Lowest and highest voltage that the unit's trace stands for, its own offset and gain aside."""
    low, high = bench.world.look("unit", channel).seen.extremes()
    return float(low), float(high)


OF_A_SCOPE = (
    *("SENS1:VOLT:RANG:PTP", "SENS2:VOLT:RANG:OFFS", "INP2:COUP", "INP1:IMP", "INP1:FILT"),
    *("SENS:SWE:TIME", "SENS:SWE:POIN", "SENS:SWE:OFFS:TIME", "SENS:SWE:OREF:LOC", "FORM", "FORM:BORD"),
    *("TRIG:SOUR", "TRIG:SLOP", "TRIG:COUP", "TRIG:FILT:HPAS", "TRIG:FILT:LPAS", "TRIG:ATR", "TRIG:LEV:AUTO"),
    *("TRIG:LEV", "SENS:AVER"),
)
SETTINGS = {
    "calibrator": ("FUNC", "VOLT", "VOLT:OFFS", "FREQ", "PULS:PER", "PULS:TRAN", "OUTP"),
    "generator": ("FUNC", "VOLT", "VOLT:OFFS", "FREQ", "PULS:PER", "PULS:TRAN", "OUTP"),
    "unit": OF_A_SCOPE,
    "reference": OF_A_SCOPE,
    "counter": ("SENS:FREQ:APER",),
}


@pytest.mark.parametrize("role", SETTINGS)
def test_every_setting_answers_its_query(bench: SimulatedBench, role: str) -> None:
    """All of a profile's settings, in one compound message as a closing check asks them."""
    headers = SETTINGS[role]
    sets = {command.name for command in bench.profiles[role].table if command.does == "sets"}
    assert len({bench.devices[role]._find(f":{header}".upper())[0].name for header in headers}) == len(sets)
    replies = ask(bench, role, ";".join(f":{header}?" for header in headers) + ";*ESR?;:SYST:ERR?").split(";")
    assert len(replies) == len(headers) + 2
    assert replies[-1] == '0,"No error"'


@pytest.mark.parametrize("role", ["calibrator", "generator", "counter", "reference", "unit", "switch"])
def test_a_reset_gives_back_what_was_there_at_the_start(bench: SimulatedBench, role: str) -> None:
    asked = ";".join(f":{header}?" for header in SETTINGS.get(role, ("ROUT:CLOS:STAT",)))
    fresh = ask(bench, role, asked)
    changes = {
        "calibrator": "FUNC SQU;:VOLT 12;:VOLT:OFFS 60;:FREQ 20;:PULS:PER 1;:PULS:TRAN MIN;:OUTP ON",
        "generator": "FUNC SQU;:VOLT 2;:VOLT:OFFS 1;:FREQ 20;:PULS:PER 1;:PULS:TRAN MIN;:OUTP ON",
        "counter": "SENS:FREQ:APER 3",
        "switch": "ROUT:CLOS (@101,203)",
    }
    scope = "SENS1:VOLT:RANG:PTP 0.1;:SENS2:VOLT:RANG:OFFS 1;:INP2:COUP AC;:INP1:IMP 50;:INP1:FILT ON;:SENS:SWE:TIME 1"
    scope += ";:SENS:SWE:OFFS:TIME 1;:SENS:SWE:OREF:LOC 0"
    scope += ";:SENS:SWE:POIN 200;:FORM REAL,32;:FORM:BORD SWAP;:TRIG:SOUR EXT;:TRIG:SLOP NEG;:TRIG:COUP AC"
    scope += ";:TRIG:FILT:HPAS ON;:TRIG:FILT:LPAS ON;:TRIG:ATR OFF;:TRIG:LEV 1;:SENS:AVER ON"
    tell(bench, role, changes.get(role, scope))
    assert all(a != b for a, b in zip(ask(bench, role, asked).split(";"), fresh.split(";"), strict=True))
    ask(bench, role, "*RST")
    assert ask(bench, role, asked) == fresh
    assert bench.outputs_on() == ()


def test_an_offset_stands_under_every_wave(bench: SimulatedBench) -> None:
    """30 V of square wave over a left-over 60 V is 90 V at its top."""
    bench.connect("lead", "calibrator", "unit", 1)
    tell(bench, "calibrator", "FUNC SQU;:VOLT 30;:VOLT:OFFS 60;:OUTP ON")
    assert seen_v(bench) == pytest.approx((60, 90), rel=1e-3)
    tell(bench, "calibrator", "FUNC DC")
    assert seen_v(bench) == pytest.approx((90, 90), rel=1e-3)
    tell(bench, "calibrator", "FUNC PULS")
    assert seen_v(bench) == pytest.approx((60, 90), rel=1e-2)
    tell(bench, "unit", "INP1:COUP AC")
    assert max(seen_v(bench)) < 31  # the coupling capacitor keeps it away
    tell(bench, "calibrator", "OUTP OFF")
    tell(bench, "unit", "INP1:COUP DC")
    assert seen_v(bench) == (0, 0)


def test_an_offset_of_the_generator_is_stated_into_its_load(bench: SimulatedBench) -> None:
    tell(bench, "generator", "VOLT 1;:VOLT:OFFS 1;:OUTP ON")
    bench.connect("terminated", "generator", "unit", 1)
    assert seen_v(bench) == pytest.approx((0.5, 1.5), rel=1e-2)
    bench.connect("lead", "generator", "unit", 1)
    assert seen_v(bench) == pytest.approx((1.0, 3.0), rel=1e-2)


def test_an_input_of_fifty_ohms_loads_its_source(bench: SimulatedBench) -> None:
    """50 Ω at the input do what a termination does, and beside a termination divide once more: 25 of 75 Ω."""
    tell(bench, "generator", "VOLT 1;:OUTP ON")
    bench.connect("lead", "generator", "unit", 2)
    assert seen_v(bench, 2)[1] == pytest.approx(1.0, rel=1e-2)
    tell(bench, "unit", "INP2:IMP 50")
    assert ask(bench, "unit", "INP1:IMP?;:INP2:IMP?") == "1.000000000E+06;5.000000000E+01"
    assert seen_v(bench, 2)[1] == pytest.approx(0.5, rel=1e-2)
    bench.connect("terminated", "generator", "unit", 2)
    assert seen_v(bench, 2)[1] == pytest.approx(25 / 75, rel=1e-2)


def test_a_limiter_is_a_pole_where_the_profile_puts_it(bench: SimulatedBench) -> None:
    """One pole is 1/√2 at its corner."""
    bench.connect("terminated", "generator", "unit", 1)
    tell(bench, "generator", "VOLT 1;:FREQ 20 MHZ;:OUTP ON")
    open_v = seen_v(bench)[1]
    tell(bench, "unit", "INP1:FILT ON")
    assert ask(bench, "unit", "INP1:FILT?;:INP2:FILT?") == "1;0"
    assert seen_v(bench)[1] == pytest.approx(open_v / math.sqrt(2), rel=1e-6)  # the generator's own 0.8 ppm
    tell(bench, "unit", "INP1:FILT:LPAS:STAT 0")
    assert seen_v(bench)[1] == open_v


def test_an_input_resistance_may_be_chosen_by_a_word(tmp_path: Path) -> None:
    text = (DEMO.parents[2] / "sim_profiles" / "aldermoor_digital_scope.toml").read_text("utf-8")
    by_number = 'unit = "ohm", steps = ["50 ohm", "1 Mohm"], default = "1 Mohm"'
    assert by_number in text
    (tmp_path / "own.toml").write_text(text.replace(by_number, 'words = { HIGH = "1 Mohm", LOW = "50 ohm" }'), "utf-8")
    path = tmp_path / "bench_sim.toml"
    path.write_text("[unit]\nprofile = 'own.toml'\naddress = 'GPIB0::1::INSTR'\n", "utf-8")
    bench = SimulatedBench.load(path)
    assert ask(bench, "unit", "INP2:IMP?;:INP2:IMP LOW;:INP2:IMP?;:INP1:IMP?") == "HIGH;LOW;HIGH"
    assert bench.world.screens["unit"].load(2)[0] == 50.0


def test_the_switch_says_which_channels_are_closed(bench: SimulatedBench) -> None:
    tell(bench, "switch", "ROUT:CLOS (@203,101)")
    assert ask(bench, "switch", "ROUT:CLOS? (@101,102,203);:ROUT:CLOS:STAT?") == "1,0,1;(@101,203)"
    tell(bench, "switch", "ROUT:OPEN:ALL")
    assert ask(bench, "switch", "ROUT:CLOS? (@101:102);:ROUT:CLOS:STAT?") == "0,0;(@)"
