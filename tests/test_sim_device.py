"""A device's manners: status, error queue, replies; against IEEE 488.2, SCPI-1999 and an independent status system."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scpipy.server.status.system import StatusSystem
from scpipy.shared.errors import ErrorQueue
from scpipy.shared.errors import ScpiError as TheirError

from harness.sim.clock import VirtualClock
from harness.sim.device import Answer, Argument, Boolean, Choice, Device, Numeric, TableLine, Value
from harness.sim.scpi import TEXTS, spelling

FUNCTION = Choice(words=(("SINusoid", "sine"), ("DC", "dc")), default="sine")
FORMAT = Choice(words=(("ASCii", "ascii"), ("REAL,32", "real32"), ("REAL,64", "real64")), default="ascii")
LEVEL = Numeric(unit="V", low=0.0, high=10.0, default=1.0)
RANGE = Numeric(unit="V", low=0.016, high=40.0, default=8.0, steps=(0.016, 0.08, 8.0, 40.0))


class Box:
    """A model with a few settings."""

    def __init__(self) -> None:
        self.reset()

    def put(self, name: str, number: int, value: Value, /) -> None:
        self.held[name, number] = value

    def get(self, name: str, number: int, /) -> Value:
        return self.held[name, number]

    def do(self, name: str, arguments: Sequence[Argument], /) -> None:
        self.done.append((name, *arguments))

    def answer(self, name: str, arguments: Sequence[Argument], /) -> Answer:
        return {"nan": math.nan, "inf": math.inf, "number": 12.5, "count": 7, "block": b"#11\n"}[name]

    def reset(self) -> None:
        self.held: dict[tuple[str, int], Value] = {
            ("function", 1): "sine", ("level", 1): 1.0, ("range", 1): 8.0, ("range", 2): 8.0, ("on", 1): False,
            ("format", 1): "ascii",
        }  # fmt: skip
        self.done: list[tuple[Argument, ...]] = []


def make(*, goes_on: bool = True, errors_kept: int = 20) -> Device:
    settings = [
        ("[SOURce]:FUNCtion[:SHAPe]", "function", FUNCTION),
        ("[SOURce]:VOLTage[:LEVel]", "level", LEVEL),
        ("SENSe#:RANGe", "range", RANGE),
        ("OUTPut[:STATe]", "on", Boolean()),
        ("FORMat[:DATA]", "format", FORMAT),
    ]
    table = [TableLine(spelling=spelling(h), name=n, does="sets", holds=p, channels=2) for h, n, p in settings]
    table += [TableLine(spelling=spelling(f"{h}?"), name=n, does="asks", holds=p, channels=2) for h, n, p in settings]
    table += [
        TableLine(spelling=spelling("SYSTem:ERRor[:NEXT]?"), name="error", does="answers"),
        TableLine(spelling=spelling("ROUTe:CLOSe"), name="close", does="acts", takes=("channels",)),
        TableLine(spelling=spelling("MEASure:NUMBer?"), name="number", does="answers", takes=("number?", "channels?")),
        TableLine(spelling=spelling("MEASure:FIXed?"), name="number", does="answers", form="NR2"),
        TableLine(spelling=spelling("MEASure:COUNt?"), name="count", does="answers"),
        TableLine(spelling=spelling("MEASure:NAN?"), name="nan", does="answers"),
        TableLine(spelling=spelling("MEASure:INFinity?"), name="inf", does="answers"),
        TableLine(spelling=spelling("TRACe[:DATA]?"), name="block", does="answers", takes=("trace",)),
    ]
    return Device(
        identity="Northfen,X1,1,1.0", table=table, model=Box(), clock=VirtualClock(), goes_on=goes_on,
        errors_kept=errors_kept,
    )  # fmt: skip


@pytest.fixture
def device() -> Device:
    return make()


def errors(device: Device) -> list[int]:
    """Drain the queue."""
    found = []
    while (entry := device.handle(b"SYST:ERR?")) != b'0,"No error"':
        assert entry is not None
        number, text = entry.decode().split(",", 1)
        assert text == f'"{TEXTS[int(number)]}"'
        found.append(int(number))
    return found


def test_identity_and_the_mandatory_common_commands(device: Device) -> None:
    """IEEE 488.2-1992, 10: the mandatory set."""
    assert device.handle(b"*IDN?") == b"Northfen,X1,1,1.0"
    assert device.handle(b"*OPC?;*TST?;*ESE?;*SRE?") == b"1;0;0;0"
    assert device.handle(b"*WAI;*CLS;*RST;*OPC") is None
    assert errors(device) == []


def test_a_setting_is_set_and_asked_in_every_spelling(device: Device) -> None:
    assert device.handle(b":SOURCE:VOLTAGE:LEVEL 500 mV;:VOLT?") == b"5.000000000E-01"
    assert device.handle(b"func dc;func?") == b"DC"
    assert device.handle(b"FUNC SINUSOID;FUNC?") == b"SIN"
    assert device.handle(b"OUTP ON;OUTP?;:OUTP 0;OUTP?;:OUTP 0.4;OUTP?;:OUTP -3;OUTP?") == b"1;0;0;1"
    assert device.handle(b"FORM REAL,64;FORM?;:FORM REAL;FORM?;:FORM ASC;FORM?") == b"REAL,64;REAL,32;ASC"
    assert errors(device) == []


def test_minimum_maximum_and_default(device: Device) -> None:
    assert (
        device.handle(b"VOLT MAX;VOLT?;VOLT? MIN;:VOLT DEFAULT;VOLT?")
        == b"1.000000000E+01;0.000000000E+00;1.000000000E+00"
    )
    assert errors(device) == []


def test_a_range_takes_the_next_step_that_holds_the_value(device: Device) -> None:
    assert device.handle(b"SENS2:RANG 0.05;RANG?;:SENS1:RANG?") is not None
    assert device.model.get("range", 2) == 0.08
    assert device.model.get("range", 1) == 8.0


@pytest.mark.parametrize(
    ("line", "code"),
    [
        (b"VOLT 11", -222),
        (b"VOLT 1E400", -222),
        (b"VOLT", -109),
        (b"VOLT 1,2", -108),
        (b"VOLT 1 S", -131),
        (b"VOLT BIG", -148),
        (b'VOLT "1"', -158),
        (b"VOLT #11a", -168),
        (b"VOLT (@1)", -178),
        (b"FUNC TRI", -224),
        (b"FUNC SINU", -224),
        (b"FUNC 1", -128),
        (b"FUNC DC,1", -108),
        (b"FORM REAL,48", -224),
        (b"OUTP MAYBE", -224),
        (b"SENS3:RANG 1", -114),
        (b"SENS0:RANG 1", -114),
        (b"BOGUS 1", -113),
        (b"VOLTA 1", -113),
        (b"*FOO", -113),
        (b"*IDN? 1", -108),
        (b"*ESE", -109),
        (b"*ESE 256", -222),
        (b"SYST:ERR? 1", -108),
        (b"ROUT:CLOS", -109),
        (b"ROUT:CLOS 101", -128),
        (b"VOLT? 1", -128),
        (b"OUTP? MAX", -108),
    ],
)
def test_each_refusal_has_its_number(device: Device, line: bytes, code: int) -> None:
    assert device.handle(line) is None
    assert errors(device) == [code]


def test_what_the_table_does_not_list_is_unknown(device: Device) -> None:
    device.handle(b"SYST:VERS?")
    assert errors(device) == [-113]


@pytest.mark.parametrize(("goes_on", "reply"), [(True, b"1"), (False, None)])
def test_both_habits_after_a_refused_unit(goes_on: bool, reply: bytes | None) -> None:
    device = make(goes_on=goes_on)
    assert device.handle(b"VOLT 99;*OPC?") == reply
    assert errors(device) == [-222]


def test_replies_of_one_message_stand_in_one_response(device: Device) -> None:
    assert device.handle(b"MEAS:NUMB?;FIX?;COUN?") == b"1.250000000E+01;12.500000000;7"
    assert device.handle(b"MEAS:NUMB? 1E3,(@1);COUN?") == b"1.250000000E+01;7"
    assert device.handle(b"MEAS:NUMB? DEF;:TRAC? CHAN1") == b"1.250000000E+01;#11\n"


def test_marks_for_no_value_and_for_too_large(device: Device) -> None:
    """SCPI-1999 volume 1, 7.2.1.4: NAN is 9.91E37, INF is 9.9E37."""
    assert device.handle(b"MEAS:NAN?;INF?") == b"9.91E37;9.9E37"


def test_the_queue_overflows_as_the_standard_says() -> None:
    """SCPI-1999 volume 2, 21.8.1: the last entry is replaced by −350; checked beside an independent queue."""
    device, theirs = make(errors_kept=4), ErrorQueue(4)
    for _ in range(6):
        device.handle(b"BOGUS")
        theirs.put(TheirError(-113, "Undefined header"))
    ours = [device.handle(b"SYST:ERR?") for _ in range(5)]
    assert ours == [theirs.get().encode() for _ in range(5)]
    assert ours[3] == b'-350,"Queue overflow"'


def test_power_on_is_seen_once(device: Device) -> None:
    assert device.handle(b"*ESR?") == b"128"
    assert device.handle(b"*ESR?") == b"0"
    device.handle(b"VOLT 5;*ESE 255;*SRE 32")
    device.power_cycle()
    assert device.handle(b"*ESR?;*ESE?;*SRE?;VOLT?") == b"128;0;0;1.000000000E+00"


@pytest.mark.parametrize(("code", "bit"), [(-113, 32), (-222, 16), (-350, 8), (-310, 8), (-410, 4), (-420, 4)])
def test_the_class_of_an_error_sets_its_bit(device: Device, code: int, bit: int) -> None:
    """IEEE 488.2, 11.5.1."""
    device.handle(b"*CLS")
    device.fail(code)
    assert device.handle(b"*ESR?") == b"%d" % bit


def test_a_query_error_by_a_new_message_and_by_a_read_without_a_query(device: Device) -> None:
    device.interrupted()
    device.unterminated()
    assert errors(device) == [-410, -420]


def test_operation_complete_waits_for_the_operation(device: Device) -> None:
    device.handle(b"*CLS")
    device.busy(2.0)
    device.handle(b"*OPC")
    assert device.handle(b"*ESR?") == b"0"
    device.clock.sleep(2.0)
    assert device.handle(b"*ESR?") == b"1"


def test_message_available(device: Device) -> None:
    assert device.status_byte() == 0
    device.unread = True
    assert device.status_byte() == 16
    assert device.handle(b"*IDN?;*STB?") == b"Northfen,X1,1,1.0;16"


actions = st.lists(
    st.one_of(
        st.sampled_from([-101, -113, -222, -224, -310, -350, -410, -420]),
        st.tuples(st.sampled_from(["*ESE", "*SRE"]), st.integers(0, 255)),
        st.sampled_from(["*CLS", "*ESR?"]),
    ),
    max_size=20,
)


@given(actions)
def test_the_status_byte_agrees_with_an_independent_status_system(history: list[int | str | tuple[str, int]]) -> None:
    ours, theirs, queued = make(errors_kept=100), StatusSystem(), 0
    for action in history:
        match action:
            case int():
                ours.fail(action)
                theirs.record_error(action)
                queued += 1
            case ("*ESE", value):
                ours.handle(b"*ESE %d" % value)
                theirs.event_enable = value
            case (_, value):
                ours.handle(b"*SRE %d" % value)
                theirs.service_request_enable = value
            case "*CLS":
                ours.handle(b"*CLS")
                theirs.clear()
                queued = 0
            case _:
                assert ours.handle(b"*ESR?") == b"%d" % theirs.read_event_status()
        theirs.set_error_available(queued > 0)
        assert ours.handle(b"*STB?") == b"%d" % theirs.status_byte
        assert ours.status_byte() == theirs.status_byte


@given(st.lists(st.binary(max_size=40), max_size=4))
def test_no_message_breaks_a_device(pieces: list[bytes]) -> None:
    device = make()
    for piece in pieces:
        reply = device.handle(b"VOLT " + piece)
        assert reply is None or isinstance(reply, bytes)
        device.handle(piece)
    assert device.handle(b"*IDN?") == b"Northfen,X1,1,1.0"
