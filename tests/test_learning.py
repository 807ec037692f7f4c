"""A unit file from a scope that answers: what it says stands in it, the rest is a question, the scope as it stood."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.learning import learn
from harness.errors import ConfigError, InstrumentError
from harness.files.files import read_unit, starter
from harness.link.link import Link
from harness.link.port import MemoryPort
from harness.link.visa import open_link
from harness.models import UnitLink
from harness.run.learning import unit_file
from harness.sim.bench import SimulatedBench
from harness.sim.faults import FaultPlan
from harness.start.from_scope import unit_from
from tests.helpers.demo_lab import DEMO, halfpower
from tests.helpers.link_double import Double, Refusal, WaitingClock


@pytest.fixture
def bench() -> SimulatedBench:
    return SimulatedBench.load(DEMO / "bench_sim.toml")


@pytest.fixture
def served(bench: SimulatedBench) -> Iterator[dict[str, str]]:
    with bench.serve() as servers:
        yield {role: servers.addresses[address] for role, address in bench.addresses.items()}


def standing(bench: SimulatedBench) -> str:
    screen = bench.world.screens["unit"]
    return repr((screen.inputs, screen.s_per_div, bench.world.sources["calibrator"]))


def test_a_scope_that_answers_is_a_unit_file_of_which_check_says_what_is_missing(
    bench: SimulatedBench, served: dict[str, str], tmp_path: Path
) -> None:
    bench.devices["unit"].handle(b":SENS1:VOLT:RANG:PTP 1.6;:SENS2:VOLT:RANG:PTP 40;:SENS:SWE:TIME 5E-4")
    before = standing(bench)
    said = halfpower("new", "unit", "--from", served["unit"])
    assert said.exit_code == 0, said.stderr
    assert standing(bench) == before
    assert "Aldermoor,Egret,Egret-3071,1.08: 2 channels, 11 ranges, 29 sweeps" in said.stderr
    path = tmp_path / "unit.toml"
    path.write_text(said.stdout, "utf-8")
    checked = halfpower("check", path)
    missing = re.findall(r": ([\w.]+): missing", checked.stderr)
    assert (checked.exit_code, missing) == (3, ["bandwidth", "input.maximum"])
    path.write_text(re.sub(r"^# (bandwidth|maximum) =", r"\1 =", said.stdout, flags=re.M), "utf-8")
    assert halfpower("check", path).exit_code == 0
    unit, size = read_unit(path).value, bench.profiles["unit"].size
    assert (unit.maker, unit.model, unit.channels) == ("Aldermoor", "Egret", 2)
    assert (unit.volts_per_div, unit.s_per_div) == (size.volts_per_div, size.s_per_div)
    assert (unit.vertical_div, unit.input.resistance, unit.read) == (8.0, 1e6, "remote")
    assert 'serial = "Egret-3071"' in said.stdout


def test_a_poor_line_learns_the_same(bench: SimulatedBench) -> None:
    def learned() -> object:
        link = open_link(UnitLink(address=bench.addresses["unit"]), "unit", bench.resource_manager, bench.clock)
        return learn(link)

    clean = learned()
    bench.inject(FaultPlan(rate=0.05, kinds=("late", "cut", "doubled", "lost", "closed")))
    assert learned() == clean
    assert bench.faults["unit"].counts


def test_the_scope_of_a_bench_file_is_asked_by_its_own_commands(tmp_path: Path) -> None:
    said = halfpower("new", "unit", "--from", DEMO / "bench.toml")
    assert said.exit_code == 0, said.stderr
    assert 'model = "Egret"' in said.stdout


@pytest.mark.parametrize(
    ("address", "code", "sentence"),
    [
        ("nonsense", 3, "'nonsense' is no VISA address"),
        ("nowhere.toml", 3, "nowhere.toml: there is no such file"),
    ],
)
def test_what_cannot_be_asked_is_one_sentence_and_no_file(address: str, code: int, sentence: str) -> None:
    said = halfpower("new", "unit", "--from", address)
    assert (said.exit_code, said.stdout, said.stderr.count("\n")) == (code, "", 1)
    assert sentence in said.stderr


def test_where_nothing_answers_there_is_one_sentence() -> None:
    with pytest.raises(InstrumentError, match=r"9::SOCKET: nothing answers there \(Connection refused\): look whether"):
        unit_file("TCPIP0::127.0.0.1::9::SOCKET", clock=WaitingClock())


def test_what_is_no_scope_is_said_and_left_alone(bench: SimulatedBench, served: dict[str, str]) -> None:
    before = standing(bench)
    said = halfpower("new", "unit", "--from", served["calibrator"])
    assert (said.exit_code, said.stdout, said.stderr.count("\n")) == (4, "", 1)
    assert (
        "is no oscilloscope, or one that speaks otherwise: it answers as 'Northfen,Orme,Orme-0417,2.4'" in said.stderr
    )
    assert standing(bench) == before


def test_from_goes_with_a_unit_alone() -> None:
    assert halfpower("new", "bench", "--from", "GPIB0::9::INSTR").exit_code == 2
    assert halfpower("new", "unit", "--scope", "digital", "--from", "GPIB0::9::INSTR").exit_code == 2


class PlainScope(Double):
    """A scope of ten divisions that is set in volts a division, tells no least and no most, and has options."""

    RANGES = (0.01, 0.02, 0.05, 0.1)

    def __init__(self, identity: str = "Northfen,Gannet,G-1,1.0", *, sticks: bool = False) -> None:
        self.scale, self.sticks = 0.05, sticks
        handlers = {
            "CH<n>:SCALe": self._set,
            "CH<n>:SCALe?": lambda *end, **_: self._answer(*end),
            "*OPT?": lambda: "LIM20,MEM2",
        }
        super().__init__(handlers, identity=identity, goes_on=False)

    def _set(self, value: str, **_: object) -> None:
        if float(value) not in self.RANGES or (self.sticks and float(value) == 0.05):
            raise Refusal('-222,"Data out of range"')
        self.scale = float(value)

    def _answer(self, *end: str) -> float:
        if end:
            raise Refusal('-108,"Parameter not allowed"', 32)
        return self.scale


OWN = {"range": ":CH{channel}:SCAL {volts_per_div}", "range_is": ":CH{channel}:SCAL?={volts_per_div}"}


def link_to(double: Double) -> Link:
    link = Link(MemoryPort(double.handle), "unit", clock=WaitingClock())
    link.connect()
    return link


def test_a_scope_with_words_of_its_own_and_without_a_least_range() -> None:
    scope = PlainScope()
    learned = learn(link_to(scope), OWN)
    assert learned.volts_per_div == PlainScope.RANGES
    assert (learned.options, learned.s_per_div, learned.height_div) == ("LIM20,MEM2", (), None)
    assert (learned.input_ohm, learned.limits_bandwidth, scope.scale) == (None, False, 0.05)


def test_a_scope_that_does_not_go_back_is_told_with_where_it_stood() -> None:
    with pytest.raises(InstrumentError, match=r"does not go back to 0\.05, where it stood \(:CH1:SCAL\?\)"):
        learn(link_to(PlainScope(sticks=True)), OWN)


def test_a_range_that_nothing_asks_back_is_a_key_to_write() -> None:
    with pytest.raises(ConfigError, match=r"unit\.commands\.range_is: missing"):
        learn(link_to(PlainScope()), {"range": OWN["range"]})


@pytest.mark.parametrize("identity", ['Evil"\x7f\\,A # b,]\x85,', "one word", "a,b,c\u2028d,e", ",,0,"])
def test_whatever_an_instrument_is_called_the_file_is_toml(identity: str) -> None:
    text = unit_from(
        starter("unit", "digital"), identity=identity, options=identity, channels=1, volts_per_div=(0.1,), s_per_div=(),
        height_div=None, input_ohm=None, limits_bandwidth=False,
    )  # fmt: skip
    table, fields = tomllib.loads(text), [field.strip() for field in identity.split(",")]
    assert table.get("maker", "") == fields[0]
    assert table.get("model", "") == (fields[1] if len(fields) > 1 else "")
    assert table["volts_per_div"] == ["100 mV"]
