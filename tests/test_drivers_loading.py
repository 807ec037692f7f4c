"""Drivers by name: the generic ones, the manual ones, and a file of the user's own."""

from __future__ import annotations

import pytest

from drivers.calibrator import ScpiCalibrator
from drivers.level_meter import ScpiLevelMeter
from drivers.loading import load_class, longest_s, make_driver, off_command, problem_of
from drivers.manual import ManualMeter, ManualScreen, ManualSource
from drivers.scope import ScpiScope
from harness.errors import ConfigError
from harness.files.files import read_bench
from harness.link.link import Link
from harness.link.port import MemoryPort
from harness.models import Bench, Job, SequenceUse, Setup, Unit
from harness.run.talk import talk
from tests.helpers.link_double import Double, WaitingClock

SI = {"si": True}
ADDRESS = "TCPIP0::192.0.2.11::5025::SOCKET"
OWN = """
class Odd:
    def __init__(self, link, model):
        self.link, self.model = link, model
    def apply(self, stimulus): pass
    def off(self): self.link.set(":STBY")
    def identify(self): return self.link.identity
    def check(self): pass
    def close(self): pass

class Half:
    def apply(self, stimulus): pass
"""


class Nobody:
    def ask(self, prompt):
        raise AssertionError("asked")

    def tell(self, text):
        raise AssertionError("told")


def a_bench(bench, read="remote"):
    unit = {
        "maker": "Northfen", "model": "Plover", "volts_per_div": [0.05], "bandwidth": 40e6,
        "input": {"maximum": 300.0}, "read": read,
    }  # fmt: skip
    return Setup(
        bench=Bench.model_validate({"name": "b", **bench}, context=SI),
        unit=Unit.model_validate(unit, context=SI),
        job=Job(unit="u", bench="b", serial="1", sequence=(SequenceUse(use="vertical"),)),
    )


def make(role, bench, tmp_path, read="remote"):
    def open_link(instrument, role):
        return Link(MemoryPort(Double({"STBY": lambda: None}).handle), role, clock=WaitingClock())

    return make_driver(role, a_bench(bench, read), folder=tmp_path, open_link=open_link, operator=Nobody())


@pytest.mark.parametrize(
    ("role", "bench", "read", "kind"),
    [
        ("calibrator", {"calibrator": {"address": ADDRESS}}, "remote", ScpiCalibrator),
        ("calibrator", {"calibrator": {"driver": "manual"}}, "remote", ManualSource),
        ("counter", {"counter": {"driver": "manual"}}, "remote", ManualMeter),
        ("unit", {"unit": {"address": ADDRESS}}, "remote", ScpiScope),
        ("unit", {"unit": {"address": ADDRESS}}, "eye", ManualScreen),
        ("unit", {}, "eye", ManualScreen),
        ("reference", {"reference": {"address": ADDRESS}}, "remote", ScpiScope),
        ("reference", {"reference": {"address": ADDRESS, "kind": "level_meter"}}, "remote", ScpiLevelMeter),
        ("reference", {"reference": {"read": "eye"}}, "remote", ManualScreen),
    ],
)
def test_a_role_gets_its_driver(role, bench, read, kind, tmp_path):
    driver = make(role, bench, tmp_path, read)
    assert isinstance(driver, kind)
    driver.close()


def test_a_driver_of_ones_own(tmp_path):
    (tmp_path / "odd.py").write_text(OWN)
    driver = make("generator", {"generator": {"driver": "odd.py:Odd", "address": ADDRESS}}, tmp_path)
    driver.off()
    assert driver.identify() == "Northfen,NF-1,1,2"
    driver = make("generator", {"generator": {"driver": "odd.py:Odd"}}, tmp_path)
    assert driver.link is None  # without an address it finds its own way


GUARDED = """
from drivers.calibrator import ScpiCalibrator

class Derived(ScpiCalibrator):
    longest_s = 90.0

class Told(ScpiCalibrator):
    off_command = "STBY"
"""


@pytest.mark.parametrize(
    ("calibrator", "text"),
    [
        ({"address": ADDRESS}, ":OUTP OFF"),
        ({"address": ADDRESS, "commands": {"output_off": "OUTP:STAT 0"}}, ":OUTP:STAT 0"),
        ({"address": ADDRESS, "commands": {"output_off": ""}}, ""),
        ({"driver": "manual"}, ""),
        ({"driver": "odd.py:Odd", "address": ADDRESS}, ""),
        ({"driver": "guarded.py:Derived", "address": ADDRESS}, ":OUTP OFF"),
        ({"driver": "guarded.py:Told", "address": ADDRESS}, "STBY"),
        ({"driver": "guarded.py:Told"}, ""),  # it finds its own way, which nobody else knows
    ],
)
def test_what_switches_an_output_off_is_known_without_its_driver(calibrator, text, tmp_path):
    (tmp_path / "odd.py").write_text(OWN)
    (tmp_path / "guarded.py").write_text(GUARDED)
    assert off_command("calibrator", a_bench({"calibrator": calibrator}), tmp_path) == text


def test_a_driver_may_say_how_long_it_is_silent(tmp_path):
    (tmp_path / "guarded.py").write_text(GUARDED)
    own = {"driver": "guarded.py:Derived", "address": ADDRESS}
    assert longest_s("calibrator", a_bench({"calibrator": own}), tmp_path) == 90.0
    assert longest_s("calibrator", a_bench({"calibrator": {"address": ADDRESS}}), tmp_path) == 0.0
    assert longest_s("generator", a_bench({}), tmp_path) == 0.0


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("scipy", "expected 'scpi', 'manual' or 'FILE.py:Class'"),
        ("odd.py", "expected 'scpi', 'manual' or 'FILE.py:Class'"),
        ("none.py:Odd", "there is no 'none.py' beside this file"),
        ("odd.py:Even", "odd.py has no class Even"),
        ("odd.py:Half", "also needs off, identify, check, close"),
        ("broken.py:Odd", "fails on import: ZeroDivisionError"),
        ("syntax.py:Odd", "fails on import: SyntaxError"),
    ],
)
def test_what_is_wrong_with_a_driver_is_said(name, sentence, tmp_path):
    (tmp_path / "odd.py").write_text(OWN)
    (tmp_path / "broken.py").write_text("1 / 0")
    (tmp_path / "syntax.py").write_text("class")
    with pytest.raises(ConfigError, match=sentence.replace("(", r"\(")):
        load_class(name, "generator", tmp_path)


def test_what_is_wrong_with_a_driver_is_said_before_any_instrument_is_asked(tmp_path):
    """By the check of the bench file, with its line, and by the command that asks the bench."""
    (tmp_path / "odd.py").write_text(OWN)
    bench = tmp_path / "bench.toml"
    table = '[generator]\naddress = "TCPIP0::127.0.0.1::1::SOCKET"\ndriver = "odd.py:Missing"\n'
    bench.write_text(f'name = "x"\n\n{table}level_high = "5 Vpp"\nfrequency_high = "1 MHz"\n')
    with pytest.raises(ConfigError) as told:
        read_bench(bench, check_driver=problem_of)
    said = f"{bench}:5: generator.driver: 'odd.py:Missing': odd.py has no class Missing"
    assert said in told.value.problems
    (state,) = talk(bench)
    assert state.problem == "its driver 'odd.py:Missing': odd.py has no class Missing"
    bench.write_text(bench.read_text().replace("Missing", "Odd"))
    read_bench(bench, check_driver=problem_of)


def test_a_class_that_cannot_be_built_is_the_files_fault(tmp_path):
    (tmp_path / "odd.py").write_text(OWN.replace("self, link, model", "self"))
    with pytest.raises(ConfigError, match=r"cannot be built as Class\(link, model\)"):
        make("generator", {"generator": {"driver": "odd.py:Odd", "address": ADDRESS}}, tmp_path)


@pytest.mark.parametrize(
    ("role", "bench", "sentence"),
    [
        ("generator", {}, r"add \[generator\]"),
        ("unit", {}, r"add \[unit\]"),
        ("generator", {"generator": {}}, "generator.address is missing"),
        ("switch", {"switch": {"driver": "manual"}}, "cables are moved instead"),
    ],
)
def test_what_a_bench_lacks_is_said(role, bench, sentence, tmp_path):
    with pytest.raises(ConfigError, match=sentence):
        make(role, bench, tmp_path)
