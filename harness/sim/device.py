"""An instrument as SCPI hears it, without I/O: one program message in, one response message or None out.

The device knows the mandatory common commands of IEEE 488.2 (clause 10) and what its command table lists,
nothing else. What a setting means is its model's business. Status reporting after SCPI-1999 volume 1,
chapter 9, and IEEE 488.2 clause 11.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from string import ascii_lowercase
from typing import Final, Literal, Protocol, TypeAlias

from harness.sim import scpi
from harness.sim.scpi import MessageUnit, Parameter, ScpiError, Spelling
from harness.words.clock import Clock

Value: TypeAlias = float | int | bool | str
Argument: TypeAlias = float | int | str | tuple[int, ...]
Answer: TypeAlias = float | int | bool | str | bytes
Takes: TypeAlias = Literal["number", "number?", "channels", "channels?", "trace", "trace?"]
Form: TypeAlias = Literal["NR1", "NR2", "NR3"]

POWER_ON: Final = 128
_OPERATION_COMPLETE: Final = 1
_CACHED: Final = 4096  # messages kept parsed; a run repeats most of its messages


class Hardware(Protocol):
    """What stands behind the commands: settings by name and channel, actions, answers."""

    def put(self, name: str, number: int, value: Value, /) -> None:
        """Change a setting; raises ScpiError when the hardware cannot."""

    def get(self, name: str, number: int, /) -> Value:
        """A setting as it is."""

    def do(self, name: str, arguments: Sequence[Argument], /) -> None:
        """Act."""

    def answer(self, name: str, arguments: Sequence[Argument], /) -> Answer:
        """Measure or report; NaN where there is no value, infinity where it is too large."""

    def reset(self) -> None:
        """Settings as after *RST."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Numeric:
    """A decimal numeric parameter: unit for its suffix, range, and MIN, MAX, DEF."""

    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    default: float = 0.0
    steps: tuple[float, ...] = ()  # an instrument with fixed ranges takes the next one that holds the value
    whole: bool = False

    def read(self, parameter: Parameter) -> float:
        """The value in SI; refuses what the range does not hold."""
        if parameter.kind == "word":
            return self.named(parameter.text)
        if parameter.kind != "number":
            raise ScpiError(_NOT_ALLOWED[parameter.kind])
        value = parameter.value * scpi.scale(parameter.suffix, self.unit)
        slack = 1e-9 * abs(value)
        if not math.isfinite(value) or not self.low - slack <= value <= self.high + slack:
            raise ScpiError(-222)
        if self.steps:
            held = [step for step in self.steps if step >= value - 1e-6 * abs(value)]
            if not held:
                raise ScpiError(-222)
            value = min(held)
        return round(value) if self.whole else value

    def named(self, word: str) -> float:
        """MINimum, MAXimum or DEFault."""
        for notation, value in (("MINimum", self.low), ("MAXimum", self.high), ("DEFault", self.default)):
            if scpi.word_matches(notation, word):
                return int(value) if self.whole else value
        raise ScpiError(-148)


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One word of a list, `{"SINusoid": "sine"}`, or a word and a number, `{"REAL,32": "real32"}`."""

    words: tuple[tuple[str, str], ...]
    default: str

    def read(self, parameters: Sequence[Parameter]) -> str:
        """The meaning of the word; a number left out takes the first that is listed."""
        word, *rest = parameters
        if word.kind != "word":
            raise ScpiError(_NOT_ALLOWED[word.kind])
        if len(rest) > 1 or (rest and not any("," in notation for notation, _ in self.words)):
            raise ScpiError(-108)
        for notation, meaning in self.words:
            name, _, number = notation.partition(",")
            if scpi.word_matches(name, word.text) and (not rest or rest[0].value == float(number or "nan")):
                return meaning
        raise ScpiError(-224)

    def short(self, meaning: str) -> bytes:
        """What a query answers: the short form."""
        notation = next(notation for notation, means in self.words if means == meaning)
        return notation.encode().translate(None, ascii_lowercase.encode())


@dataclass(frozen=True, slots=True, kw_only=True)
class Boolean:
    """A Boolean parameter: ON, OFF, or a number that rounds to not zero; SCPI-1999 volume 1, 7.3."""

    default: bool = False

    def read(self, parameter: Parameter) -> bool:
        """Whether it is on."""
        if parameter.kind == "number":
            if parameter.suffix:
                raise ScpiError(-138)
            return abs(parameter.value) >= 0.5
        if parameter.kind != "word":
            raise ScpiError(_NOT_ALLOWED[parameter.kind])
        word = parameter.text.upper()
        if word not in ("ON", "OFF"):
            raise ScpiError(-224)
        return word == "ON"


Holds: TypeAlias = Numeric | Choice | Boolean
_NOT_ALLOWED: Final = {"number": -128, "word": -148, "string": -158, "block": -168, "expression": -178}


@dataclass(frozen=True, slots=True, kw_only=True)
class TableLine:
    """One line of a command table: the header, and which setting, action or answer of the model it is."""

    spelling: Spelling
    name: str
    does: Literal["sets", "asks", "acts", "answers"]
    holds: Holds | None = None
    takes: tuple[Takes, ...] = ()
    channels: int = 1  # the largest numeric suffix
    form: Form = "NR3"


class Device:
    """One instrument on the bus: status, error queue and the table; `handle` is all that the I/O calls."""

    def __init__(
        self,
        *,
        identity: str,
        table: Sequence[TableLine],
        model: Hardware,
        clock: Clock,
        goes_on: bool = True,
        errors_kept: int = 20,
    ) -> None:
        self.identity, self.model, self.clock = identity, model, clock
        self.ends_with = self.answers_end_with = b"\n"
        self.ready_at = 0.0  # on the clock: a busy instrument answers when it is done
        self.unread = False  # set by the I/O: a reply waits in the output queue (MAV)
        # A fault may change what is taken, or leave it out (None), or refuse it; an action comes as None.
        self.taken: Callable[[TableLine, Value | None], Value | None] = lambda _command, value: value
        self.settings = tuple(command for command in table if command.does == "sets")
        self._table, self._goes_on, self._errors_kept = tuple(table), goes_on, errors_kept
        self._errors: deque[str] = deque()
        self._parsed: dict[bytes, list[MessageUnit | ScpiError]] = {}
        self._headers: dict[str, tuple[TableLine, int] | int] = {}
        self._common: dict[str, Callable[[], str | None]] = {
            "*CLS": self._clear, "*RST": self._reset, "*OPC": self._operation_complete, "*WAI": lambda: None,
            "*IDN?": lambda: self.identity, "*OPC?": lambda: "1", "*TST?": lambda: "0",
            "*ESR?": self._read_esr, "*ESE?": lambda: str(self._ese), "*SRE?": lambda: str(self._sre),
            "*STB?": lambda: str(self.status_byte(summary=True)),
        }  # fmt: skip
        self._power_on_state()

    def _power_on_state(self) -> None:
        self._errors.clear()
        self._esr, self._ese, self._sre, self._complete_asked = POWER_ON, 0, 0, False
        self._replies: list[bytes] = []
        self.model.reset()

    def power_cycle(self) -> None:
        """Off and on: settings and queue are lost, and the standard event register says so."""
        self._power_on_state()
        self.unread = False
        self.ready_at = 0.0

    def busy(self, seconds: float) -> None:
        """The next reply has to wait this much longer."""
        self.ready_at = max(self.ready_at, self.clock.now()) + seconds

    def fail(self, code: int) -> None:
        """Put an error on the queue and set the bit of its class."""
        if len(self._errors) < self._errors_kept:
            self._errors.append(str(ScpiError(code)))
        else:
            self._errors[-1] = str(ScpiError(-350))
        self._esr |= 32 if -200 < code <= -100 else 16 if -300 < code <= -200 else 4 if -500 < code <= -400 else 8

    def interrupted(self) -> None:
        """A new message came before the reply was read; IEEE 488.2, 6.3.2.3."""
        self.unread = False
        self.fail(-410)

    def unterminated(self) -> None:
        """A read with nothing to say; IEEE 488.2, 6.3.2.2."""
        self.fail(-420)

    def status_byte(self, *, summary: bool = False) -> int:
        """Error queue 4, MAV 16, event summary 32, and the master summary 64."""
        waiting = self.unread or (summary and bool(self._replies))
        byte = 4 * bool(self._errors) | 16 * waiting | 32 * bool(self._esr & self._ese)
        return byte | 64 * bool(byte & self._sre)

    def handle(self, line: bytes) -> bytes | None:
        """Obey one program message, its terminator stripped."""
        self._replies = replies = []
        for unit in self._units(line):
            try:
                if isinstance(unit, ScpiError):
                    raise unit
                reply = self._obey(unit)
            except ScpiError as error:
                self.fail(error.code)
                if not self._goes_on:
                    break
            else:
                if reply is not None:
                    replies.append(reply)
        self._replies = []
        return b";".join(replies) if replies else None

    def count_settings(self, line: bytes) -> int:
        """How many settings and actions a message holds."""
        headers = [unit.header for unit in self._units(line) if isinstance(unit, MessageUnit) and unit.header[0] != "*"]
        commands = [self._headers.get(header) or self._search(header) for header in headers]
        return sum(not isinstance(command, int) and command[0].does in ("sets", "acts") for command in commands)

    def _units(self, line: bytes) -> list[MessageUnit | ScpiError]:
        units = self._parsed.get(line)
        if units is None:
            units = scpi.parse(line)
            if len(self._parsed) >= _CACHED:
                self._parsed.clear()
            if len(line) <= 256:
                self._parsed[line] = units
        return units

    def _obey(self, unit: MessageUnit) -> bytes | None:
        if unit.header[0] == "*":
            return self._obey_common(unit)
        command, number = self._find(unit.header)
        match command.does:
            case "sets":
                value = self.taken(command, _read(command.holds, unit.parameters))
                if value is not None:
                    self.model.put(command.name, number, value)
                return None
            case "asks":
                return self._ask(command, number, unit.parameters)
            case "acts":
                self.taken(command, None)
                self.model.do(command.name, self._arguments(command, unit.parameters))
                return None
            case "answers":
                arguments = self._arguments(command, unit.parameters)
                if command.name == "error":
                    return self._errors.popleft().encode() if self._errors else b'0,"No error"'
                return _show(self.model.answer(command.name, arguments), command.form)

    def _find(self, header: str) -> tuple[TableLine, int]:
        known = self._headers.get(header)
        if known is None:
            known = self._search(header)
            if len(self._headers) < _CACHED:
                self._headers[header] = known
        if isinstance(known, int):
            raise ScpiError(known)
        return known

    def _search(self, header: str) -> tuple[TableLine, int] | int:
        for command in self._table:
            numbers = command.spelling.match(header)
            if numbers is not None:
                number = numbers[0] if numbers else 1
                return (command, number) if 1 <= number <= command.channels else -114
        return -113

    def _ask(self, command: TableLine, number: int, parameters: Sequence[Parameter]) -> bytes:
        holds = command.holds
        if parameters:
            if len(parameters) > 1 or not isinstance(holds, Numeric):
                raise ScpiError(-108)
            if parameters[0].kind != "word":
                raise ScpiError(_NOT_ALLOWED[parameters[0].kind])
            return _show(holds.named(parameters[0].text), command.form)
        value = self.model.get(command.name, number)
        return holds.short(str(value)) if isinstance(holds, Choice) else _show(value, command.form)

    def _arguments(self, command: TableLine, parameters: Sequence[Parameter]) -> list[Argument]:
        if not command.takes and not parameters:
            return []
        arguments: list[Argument] = []
        rest = list(parameters)
        for takes in command.takes:
            kind = takes.rstrip("?")
            if rest and rest[0].kind == _ELEMENT[kind]:
                arguments.append(_argument(kind, rest.pop(0)))
            elif rest and kind == "number" and rest[0].kind == "word":
                rest.pop(0)  # DEFault: the instrument chooses
            elif not takes.endswith("?"):
                raise ScpiError(_NOT_ALLOWED[rest[0].kind] if rest else -109)
        if rest:
            raise ScpiError(-108)
        return arguments

    def _obey_common(self, unit: MessageUnit) -> bytes | None:
        if unit.header in ("*ESE", "*SRE"):
            value = int(_BYTE.read(unit.parameters[0])) if len(unit.parameters) == 1 else None
            if value is None:
                raise ScpiError(-108 if unit.parameters else -109)
            if unit.header == "*ESE":
                self._ese = value
            else:
                self._sre = value & ~64
            return None
        action = self._common.get(unit.header)
        if action is None:
            raise ScpiError(-113)
        if unit.parameters:
            raise ScpiError(-108)
        reply = action()
        return None if reply is None else reply.encode("latin-1", "replace")

    def _clear(self) -> None:
        self._errors.clear()
        self._esr, self._complete_asked = 0, False

    def _reset(self) -> None:
        self._complete_asked = False
        self.model.reset()

    def _operation_complete(self) -> None:
        self._complete_asked = True

    def _read_esr(self) -> str:
        if self._complete_asked and self.clock.now() >= self.ready_at:
            self._esr |= _OPERATION_COMPLETE
            self._complete_asked = False
        value, self._esr = self._esr, 0
        return str(value)


def _read(holds: Holds | None, parameters: Sequence[Parameter]) -> Value:
    if holds is None:
        raise ScpiError(-310)  # a table that says of a setting nothing about its parameter
    if not parameters:
        raise ScpiError(-109)
    if isinstance(holds, Choice):
        return holds.read(parameters)
    if len(parameters) > 1:
        raise ScpiError(-108)
    return holds.read(parameters[0])


_BYTE: Final = Numeric(low=0, high=255, whole=True)
_ELEMENT: Final = {"number": "number", "channels": "expression", "trace": "word"}


def _argument(kind: str, parameter: Parameter) -> Argument:
    match kind:
        case "channels":
            return scpi.channel_list(parameter.text)
        case "trace":
            return parameter.text.upper()
        case _:
            return parameter.value  # an expected value; its suffix changes nothing here


def _show(answer: Answer, form: Form) -> bytes:
    """Write an answer; SCPI-1999 volume 1, 7.2.1.4 has the marks for infinity and not a number."""
    if isinstance(answer, float) and form == "NR3" and math.isfinite(answer):  # nearly every one
        return b"%.9E" % answer
    if isinstance(answer, bytes):
        return answer
    if isinstance(answer, str):
        return answer.encode("latin-1", "replace")
    if isinstance(answer, int):  # bool too
        return b"%d" % answer
    if math.isnan(answer):
        return b"9.91E37"
    if math.isinf(answer):
        return b"9.9E37" if answer > 0 else b"-9.9E37"
    return b"%d" % round(answer) if form == "NR1" else b"%.9f" % answer
