"""Instruments as they are: legal replies are read, other manners are recognised and said with the key that helps."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from harness import runs as opening
from harness.bench.guardian import Charge, Work
from harness.errors import InstrumentError, LinkError
from harness.link.dialect import Dialect, split
from harness.link.link import Link, LinkDown, NoValue, repeat_point
from harness.link.port import ConnectionRefused, Damage, MemoryPort
from harness.link.visa import open_link, resource_manager
from harness.models import Generator, LinkProfile
from harness.sim import dialect as simulated
from harness.sim.bench import SimulatedBench
from harness.sim.clock import VirtualClock
from harness.sim.device import Answer, Argument, Boolean, Choice, Device, Numeric, TableLine, Value
from harness.sim.dialect import DialectDevice
from harness.sim.scpi import spelling
from harness.words.clock import RealClock
from tests.helpers.demo_lab import DEMO, a_job, change
from tests.helpers.journals import comparable
from tests.helpers.link_double import Double, TcpDouble, Trouble, WaitingClock


class Box:
    """A source of a voltage that can also be measured."""

    def __init__(self) -> None:
        self.reset()

    def put(self, name: str, _number: int, value: Value, /) -> None:
        self.held[name] = value

    def get(self, name: str, _number: int, /) -> Value:
        return self.held[name]

    def do(self, name: str, arguments: Any, /) -> None:
        raise AssertionError(name)

    def answer(self, name: str, _arguments: list[Argument], /) -> Answer:
        return b"#13\n;\r" if name == "block" else self.held["level"]

    def reset(self) -> None:
        self.held: dict[str, Value] = {"level": 0.0, "on": False, "function": "sine"}


def a_device(**dialect: Any) -> Device:
    volts = Numeric(unit="V", low=-10, high=10)
    shapes = Choice(words=(("SINusoid", "sine"), ("DC", "dc")), default="sine")
    table = [
        TableLine(spelling=spelling("VOLTage"), name="level", does="sets", holds=volts),
        TableLine(spelling=spelling("VOLTage?"), name="level", does="asks", holds=volts),
        TableLine(spelling=spelling("FUNCtion"), name="function", does="sets", holds=shapes),
        TableLine(spelling=spelling("FUNCtion?"), name="function", does="asks", holds=shapes),
        TableLine(spelling=spelling("OUTPut"), name="on", does="sets", holds=Boolean()),
        TableLine(spelling=spelling("MEASure:VOLTage?"), name="mean", does="answers"),
        TableLine(spelling=spelling("CURVe?"), name="block", does="answers"),
        TableLine(spelling=spelling("SYSTem:ERRor?"), name="error", does="answers"),
        TableLine(spelling=spelling("ID?"), name="identity", does="answers"),
    ]
    return DialectDevice(
        simulated.SimulatedDialect(**dialect), identity="NORTHFEN X1", table=table, model=Box(), clock=VirtualClock()
    )


def a_link(
    device: Device, *, next_error: str = ":SYST:ERR?", tag: bool = True,
    damage: Damage = lambda reply: (reply, b""), **keys: Any,
) -> Link:  # fmt: skip
    return Link(
        MemoryPort(device.handle, damage=damage), "generator", clock=WaitingClock(), tag_queries=tag,
        next_error=next_error,
        dialect=Dialect.of(LinkProfile.model_validate(keys, context={"si": True}).model_dump()),
    )  # fmt: skip


def a_point(link: Link, level_v: float = 1.5) -> float:
    """Set, confirm, measure, close."""

    def once() -> float:
        confirmed = link.set(f":VOLT {level_v}", confirm=((":VOLT?", r"[-+\d.eE]+"), (":FUNC?", r"[A-Z]+")))
        assert (float(confirmed[0]), confirmed[1]) == (level_v, "SIN")
        value = link.query_float(":MEAS:VOLT?")
        link.check(((":VOLT?", r"[-+\d.eE]+"),))
        return value

    return repeat_point(once)


# --- replies that the standards allow ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reply", "value"),
    [
        # IEEE 488.2, 8.7.2 to 8.7.4: NR1, NR2, NR3, each with an optional sign
        ("+37", 37), ("37", 37), ("-037", -37), ("+3.70", 3.7), ("37.", 37), (".5", 0.5), ("+3.7E+1", 37),
        ("3.7E1", 37), ("3.7e+01", 37), ("  +3.7E+01 ", 37),
    ],
)  # fmt: skip
@pytest.mark.parametrize("tag", [True, False])
def test_every_legal_number_is_read(reply: str, value: float, tag: bool) -> None:
    link = Link(
        MemoryPort(Double({"MEASure:VOLTage?": lambda: reply}).handle), "unit", clock=WaitingClock(), tag_queries=tag
    )
    assert link.query_float(":MEAS:VOLT?") == value


@pytest.mark.parametrize("reply", ["NAN", "INF", "-inf", "NINF"])
def test_a_word_for_no_number_is_no_value(reply: str) -> None:
    link = Link(MemoryPort(Double({"MEASure:VOLTage?": lambda: reply}).handle), "unit", clock=WaitingClock())
    with pytest.raises(NoValue, match="has no value"):
        link.query_float(":MEAS:VOLT?")


@pytest.mark.parametrize(
    "dialect",
    [
        {"plus": True}, {"small_e": True}, {"quotes": False}, {"plus": True, "quotes": False, "small_e": True},
    ],
    ids=str,
)  # fmt: skip
@pytest.mark.parametrize("tag", [True, False], ids=["tagged", "plain"])
def test_signs_and_quotes_need_no_key(dialect: dict[str, Any], tag: bool) -> None:
    """`+1` for *OPC?, `+37` for *ESR? and the tag, `+0,No error`: NR1 may have a sign (8.7.2)."""
    link = a_link(a_device(**dialect), tag=tag)
    assert link.connect() == "NORTHFEN X1"
    assert a_point(link) == 1.5
    link.set(":VOLT 99")
    with pytest.raises(InstrumentError, match=r"reports .*Data out of range"):
        link.check()
    with pytest.raises(InstrumentError, match="Data out of range"):
        link.set(":VOLT 98", confirm=((":VOLT?", r"[-+\d.eE]+"),))


@pytest.mark.parametrize("entry", ["0", "+0", "+0,No error", '0 , "No error"'])
def test_an_empty_queue_is_said_in_these_ways(entry: str) -> None:
    link = Link(MemoryPort(Double().handle), "unit", clock=WaitingClock(), tag_queries=True)
    link.connect()
    double = Double()
    double.errors = [entry]
    link = Link(MemoryPort(double.handle), "unit", clock=WaitingClock(), tag_queries=True)
    link.connect()
    assert link.counts["old_errors"] == 0


# --- other manners: said with the key, and understood with it ----------------------------------------------------

OTHER = [
    ({"headers": True}, "it sends headers", {"headers": True}),
    ({"units": True}, r"it sends units.*units = \[\"V\"\]", {"units": ["V"]}),
    (
        {"headers": True, "units": True},
        r"it sends headers and units.*headers = true and units = \[\"V\"\]",
        {"headers": True, "units": ["V"]},
    ),
    ({"compounds": False}, "one command in a message.*compounds = false", {"compounds": False}),
    ({"common": ["*IDN?", "*OPC?", "*ESR?"]}, r"it has no \*ESE.*echo = \"\"", {"echo": ""}),
    (
        {"compounds": False, "common": ["*IDN?"]},
        r"it has no \*ESE",
        {"compounds": False, "echo": "", "status": "", "done": ""},
    ),
]


@pytest.mark.parametrize(("dialect", "said", "keys"), OTHER, ids=lambda value: str(value)[:40])
def test_another_manner_is_said_with_the_key_that_helps_and_understood_with_it(
    dialect: dict[str, Any], said: str, keys: dict[str, Any]
) -> None:
    with pytest.raises(InstrumentError, match=said) as caught:
        a_point(a_link(a_device(**dialect)))
    assert "'link' in the bench file" in str(caught.value)
    assert not isinstance(caught.value, LinkError), "told at once, not repeated"
    device = a_device(**dialect)
    link = a_link(device, **keys)
    assert link.connect() == "NORTHFEN X1"
    assert a_point(link, 1.25) == 1.25
    assert link.query_block(":CURV?") == b"\n;\r"
    link.set(":VOLT 99")
    with pytest.raises(InstrumentError, match="Data out of range"):
        link.check()


def test_a_unit_with_a_prefix_is_never_taken_for_the_bare_one() -> None:
    """ "1.5 MV" is millivolts after IEEE 488.2, table 7-2: a thousandth."""
    replies = {"reply": "1.5 MV"}
    link = Link(
        MemoryPort(Double({"MEASure:VOLTage?": lambda: replies["reply"]}).handle), "unit", clock=WaitingClock(),
        tag_queries=True, dialect=Dialect(units=("V",)),
    )  # fmt: skip
    with pytest.raises(InstrumentError, match="it sends units"):
        repeat_point(lambda: link.query_float(":MEAS:VOLT?"))
    replies["reply"] = "1.5 V"
    assert link.query_float(":MEAS:VOLT?") == 1.5


def test_an_answer_line_by_line_is_told_from_a_poor_line() -> None:
    """It answers each query of a message in a line of its own: the tag comes too late."""

    def handle(message: bytes) -> bytes | None:
        replies = [reply for unit in message.split(b";") if (reply := device.handle(unit)) is not None]
        return b"\n".join(replies) if replies else None

    device = a_device()
    link = Link(MemoryPort(handle), "generator", clock=WaitingClock(), tag_queries=True)
    with pytest.raises(InstrumentError, match="compounds = false"):
        a_point(link)


def test_a_line_that_sends_back_what_it_is_sent_is_no_identity() -> None:
    link = Link(MemoryPort(lambda message: message), "counter", clock=WaitingClock(), tag_queries=True)
    with pytest.raises(InstrumentError, match="it sends back what it is sent; switch its echo off"):
        link.connect()


@pytest.mark.parametrize("damaged", [b":VOLT 1.5E0;{}\n", b"1.5 V;{}\n"])
def test_a_reply_that_is_damaged_once_is_no_manner(damaged: bytes) -> None:
    device, count = a_device(), [0]

    def damage(reply: bytes) -> tuple[bytes, bytes]:
        count[0] += 1
        return (damaged, b"") if count[0] == 8 else (reply, b"")

    link = Link(MemoryPort(device.handle, damage=damage), "generator", clock=WaitingClock(), tag_queries=True)
    link.connect()
    assert a_point(link) == 1.5


def test_without_a_question_for_completion_the_tag_is_the_only_reply() -> None:
    device = a_device(common=["*IDN?", "*ESE", "*ESE?", "*ESR?"])
    link = a_link(device, done="")
    link.connect()
    link.set(":VOLT 2")
    assert a_point(link) == 1.5
    assert link.counts["resync"] == 0


def test_an_answer_that_begins_as_a_refusal_does_is_an_answer() -> None:
    replies = {"reply": "NORM"}
    link = Link(
        MemoryPort(Double({"FUNCtion?": lambda: replies["reply"]}).handle), "unit", clock=WaitingClock(),
        dialect=Dialect(refuses="NO"),
    )  # fmt: skip
    assert link.query(":FUNC?", "[A-Z]+") == "NORM"
    replies["reply"] = "NO"
    with pytest.raises(InstrumentError, match="refuses"):
        link.query(":FUNC?", "[A-Z]+")


def test_commands_are_taken_apart_outside_quotes() -> None:
    assert split(':DISP:TEXT "a;b";:VOLT 1 ; OUT ON;') == ['DISP:TEXT "a;b"', "VOLT 1", "OUT ON"]


def test_the_bench_files_keys_are_the_dialects() -> None:
    ours = {field.name.removesuffix("_s"): field.default for field in fields(Dialect)}
    assert ours == {name: field.default for name, field in LinkProfile.model_fields.items()}


MANNERS: list[tuple[dict[str, Any], dict[str, Any], str]] = [
    ({"plus": True, "quotes": False}, {}, ":SYST:ERR?"),
    ({"compounds": False}, {"compounds": False}, ":SYST:ERR?"),
    (
        {"compounds": False, "common": ["*IDN?"]},
        {"compounds": False, "echo": "", "status": "", "done": ""},
        ":SYST:ERR?",
    ),
    (
        {"compounds": False, "common": [], "acknowledges": "OK", "refuses": "NO"},
        {"acknowledges": "OK", "refuses": "NO", "identify": "ID?", "echo": "", "status": "", "done": ""},
        "",
    ),
]


@pytest.mark.parametrize(
    ("rate", "points"),
    [
        (0.05, 300),
        pytest.param(0.05, 30_000, marks=[pytest.mark.soak, pytest.mark.timeout(3600)]),
        pytest.param(0.1, 10_000, marks=[pytest.mark.soak, pytest.mark.timeout(3600)]),
    ],
)
@pytest.mark.parametrize(
    ("dialect", "keys", "next_error"), MANNERS, ids=["legal", "one by one", "identity alone", "acknowledged"]
)
def test_no_value_is_silently_wrong_whatever_the_manner(
    dialect: dict[str, Any], keys: dict[str, Any], next_error: str, rate: float, points: int
) -> None:
    trouble = Trouble(rate, seed=7)
    link = a_link(a_device(**dialect), next_error=next_error, damage=trouble, **keys)
    wrong = failed = 0
    for number in range(points):
        level_v = round(1 + (number * 0.618034) % 1, 6)

        def point(level_v: float = level_v) -> float:
            link.set(f":VOLT {level_v}")
            value = link.query_float(":MEAS:VOLT?")
            link.check()
            return value

        try:
            wrong += abs(repeat_point(point) - level_v) > 1e-6
        except InstrumentError:
            failed += 1
    print(f"\n{keys}: {rate}, {points} points, {trouble.tampered} damaged, {wrong} wrong, {failed} failed")  # noqa: T201 - docs/faults.md
    assert trouble.tampered > points // 20
    assert wrong == 0
    assert failed <= points // 20


# --- connections -------------------------------------------------------------------------------------------------


class OneAtATime(MemoryPort):
    """It refuses connections until a time."""

    def __init__(self, handle: Any, clock: WaitingClock, free_at: float) -> None:
        super().__init__(handle)
        self._clock, self._free_at = clock, free_at

    def reopen(self) -> None:
        if self._clock.now() < self._free_at:
            raise ConnectionRefused("Connection refused")
        super().reopen()


def test_a_connection_that_is_refused_is_said_and_waited_for_where_the_bench_file_says_how_long() -> None:
    clock = WaitingClock()
    link = Link(OneAtATime(a_device().handle, clock, 20.0), "generator", clock=clock)
    with pytest.raises(LinkDown, match=r"another program holds the only connection.*'patience'"):
        link.connect()
    clock = WaitingClock()
    patient = Link(OneAtATime(a_device().handle, clock, 20.0), "unit", clock=clock, dialect=Dialect(patience_s=30.0))
    assert patient.connect() == "NORTHFEN X1"
    assert 20 <= clock.now() < 25


def test_a_second_connection_is_refused_by_name_over_tcp() -> None:
    """pyvisa-py takes a refused or closed connection for a silent one."""
    double = TcpDouble(Double())
    double.close()
    model = Generator.model_validate({"address": double.address, "timeout": 0.05}, context={"si": True})
    with pytest.raises(LinkDown, match=r"refused.*another program holds the only connection"):
        open_link(model, "generator", resource_manager("@py"), WaitingClock())


def test_an_instrument_that_serves_one_connection_is_said_over_tcp(tmp_path: Path) -> None:
    lab = shutil.copytree(DEMO, tmp_path / "lab")
    plain = SimulatedBench.load(plain_lab(lab))
    plain.devices["calibrator"].dialect = simulated.SimulatedDialect(connections=1)  # type: ignore[attr-defined]
    with plain.serve() as servers:
        address = servers.addresses[plain.addresses["calibrator"]]
        keys = {"address": address, "timeout": 0.05, "link": LINK, "commands": {"next_error": ""}}
        model = Generator.model_validate(keys, context={"si": True})
        holds = open_link(model, "generator", resource_manager("@py"), RealClock())
        with pytest.raises(LinkDown, match=r"has closed the connection.*another program holds the only connection"):
            open_link(model, "generator", resource_manager("@py"), WaitingClock())
        holds.close()


# --- an instrument that is not IEEE 488.2 at all, through a whole job --------------------------------------------

LINK = {
    "ends_with": "CR", "answers_end_with": "CR", "acknowledges": "OK", "refuses": "NO", "identify": "ID?", "done": "",
    "status": "", "echo": "",
}  # fmt: skip
PLAIN = """
[calibrator.link]
ends_with = "CR"
answers_end_with = "CR"
acknowledges = "OK"
refuses = "NO"
identify = "ID?"
done = ""
status = ""
echo = ""

[calibrator.commands]
dc = "MODE DC;VSET {level_v}"
dc_is = "MODE?=DC;VSET?={level_v}"
square = "MODE SQR;FSET {frequency_hz};VSET {level_vpp}"
square_is = "MODE?=SQR;FSET?={frequency_hz};VSET?={level_vpp}"
time_marks = "MODE MRK;TSET {period_s};VSET {level_vpp}"
time_marks_is = "MODE?=MRK;TSET?={period_s};VSET?={level_vpp}"
output_on = "OUT ON"
output_off = "OUT OFF"
output_is = "OUT?={on}"
always_is = ""
preset = "CLEAR"
next_error = ""
"""
SOCKET = "TCPIP0::192.0.2.40::4001::SOCKET"
SEQUENCES = ('use = "vertical"\nranges = ["100 mV", "500 mV"]', 'use = "time_base"\nranges = ["1 us", "10 us"]')


def plain_lab(lab: Path) -> Path:
    """The demo's bench with the plain calibrator in the other's place; its simulated bench."""
    change(
        lab / "bench.toml",
        ('address = "GPIB0::9::INSTR"', f'address = "{SOCKET}"'),
        ('identity = "Northfen,Orme,Orme-0417,2.4"', 'identity = "NORTHFEN GRIBBIN 0007"'),
        ('[[calibrator.accuracy]]\nfunction = "dc"', f'{PLAIN}\n[[calibrator.accuracy]]\nfunction = "dc"'),
    )
    change(
        lab / "bench_sim.toml",
        ('profile = "northfen_calibrator"\naddress = "GPIB0::9::INSTR"',
         f'profile = "northfen_plain_calibrator"\naddress = "{SOCKET}"'),
    )  # fmt: skip
    return lab / "bench_sim.toml"


def replies(folder: Path) -> list[Any]:
    return [entry["reply"] for entry in comparable(folder) if entry["kind"] == "reply"]


def test_a_whole_job_with_an_instrument_of_its_own_manner_reads_what_it_reads_with_another(tmp_path: Path) -> None:
    lab = shutil.copytree(DEMO, tmp_path / "lab")
    ordinary = replies(opening.start(a_job(lab / "job.toml", *SEQUENCES), tmp_path / "a").folder)
    plain_lab(lab)
    result = opening.start(a_job(lab / "job.toml", *SEQUENCES), tmp_path / "b")
    assert result.report.finished
    assert replies(result.folder) == ordinary


def test_the_same_over_tcp(tmp_path: Path) -> None:
    lab = shutil.copytree(DEMO, tmp_path / "lab")
    simulated_bench = SimulatedBench.load(plain_lab(lab))
    with simulated_bench.serve() as servers:
        pairs = [('\nsimulation = "bench_sim.toml"', ""), *servers.addresses.items()]
        text = (lab / "bench.toml").read_text("utf-8")
        for old, new in pairs:
            text = text.replace(old, new)
        (lab / "bench.toml").write_text(text.replace('settle = "20 ms"', 'settle = "0 s"'), "utf-8")
        result = opening.start(a_job(lab / "job.toml", SEQUENCES[0]), tmp_path / "c")
        assert result.report.finished
        assert simulated_bench.outputs_on() == ()


def test_its_guardian_speaks_to_it_as_the_run_does(tmp_path: Path) -> None:
    bench = SimulatedBench.load(plain_lab(shutil.copytree(DEMO, tmp_path / "lab")))
    with bench.serve() as servers:
        address = servers.addresses[bench.addresses["calibrator"]]
        bench.devices["calibrator"].handle(b"OUT ON")
        assert bench.outputs_on() == ("calibrator",)
        charge = Charge(
            role="calibrator",
            label="Gribbin",
            address=address,
            command=":OUT OFF;OUT OFF",
            link=json.loads(json.dumps(LINK)),
        )
        assert Work((charge,), resource_manager("@py"), lambda _charge: None).problems() == []
        assert bench.outputs_on() == ()


def test_what_it_refuses_is_told_in_its_own_words() -> None:
    device = a_device(compounds=False, common=[], acknowledges="OK", refuses="NO")
    keys = {**LINK, "ends_with": "LF", "answers_end_with": "LF"}
    link = a_link(device, next_error="", **keys)
    assert link.connect() == "NORTHFEN X1"
    assert a_point(link) == 1.5
    sent = len(link._port.messages)  # type: ignore[attr-defined]
    with pytest.raises(InstrumentError, match=r"refuses 'VOLT 99': it answers 'NO'"):
        link.set("VOLT 1;VOLT 99;VOLT 2")
    assert link._port.messages[sent:] == [b"VOLT 1", b"VOLT 99"]  # type: ignore[attr-defined]
    assert not math.isnan(a_point(link, 2.5))


@pytest.mark.parametrize("text", ["ID?\n:OUTP ON", "µ", "x" * 65])
def test_what_is_sent_is_one_short_line_of_ascii(text: str) -> None:
    with pytest.raises(ValueError, match="plain ASCII"):
        LinkProfile.model_validate({"identify": text})
