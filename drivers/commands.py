"""The command tables: a template for everything a generic driver can ask of an instrument.

Written from SCPI-1999, Volume 2. A bench file overrides a template by its name; an empty one says that the instrument
has no such command, and it is left out. A field stands in braces; a template may hold several commands with `;`.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeAlias

from harness.errors import ConfigError
from harness.replies import rooted

if TYPE_CHECKING:
    from harness.steps import Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One entry: its text, the fields that it may use, and what it is for."""

    template: str
    fields: tuple[str, ...] = ()
    use: str


Table: TypeAlias = Mapping[str, Command]

_SINE_LEVEL: Final = ("level_vpp", "level_vp", "level_vrms", "level_dbm", "frequency_hz")
_SQUARE: Final = ("level_vpp", "level_vp", "offset_v", "frequency_hz", "period_s")
_DISPLAY: Final = (
    "channel", "volts_per_div", "full_scale_v", "offset_v", "position_div", "coupling", "s_per_div", "sweep_s",
    "points", "magnifier",
)  # fmt: skip
_EXPECTED: Final = ("channel", "frequency_hz", "expected_v")

_NEXT_ERROR: Final = Command(template=":SYST:ERR?", use="read and remove the oldest entry of the error queue")
_OUTPUT: Final[Table] = {
    "output_on": Command(template=":OUTP ON", use="switch the output on"),
    "output_off": Command(template=":OUTP OFF", use="switch the output off"),
    "next_error": _NEXT_ERROR,
}

SOURCE: Final[Table] = {
    "dc": Command(
        template=":SOUR:FUNC DC;:SOUR:VOLT {level_v}", fields=("level_v",), use="a direct voltage of level_v"
    ),
    "square": Command(
        template=":SOUR:FUNC SQU;:SOUR:PULS:TRAN DEF;:SOUR:FREQ {frequency_hz};:SOUR:VOLT {level_vpp}",
        fields=_SQUARE,
        use="a square wave from 0 V to level_vpp",
    ),
    "sine": Command(
        template=":SOUR:FUNC SIN;:SOUR:FREQ {frequency_hz};:SOUR:VOLT {level_vpp}",
        fields=_SINE_LEVEL,
        use="a sine wave",
    ),
    "time_marks": Command(
        template=":SOUR:FUNC PULS;:SOUR:PULS:PER {period_s};:SOUR:VOLT {level_vpp}",
        fields=("level_vpp", "level_vp", "period_s", "frequency_hz"),
        use="time marks, one a period",
    ),
    "edge": Command(
        template=":SOUR:FUNC SQU;:SOUR:PULS:TRAN MIN;:SOUR:FREQ {frequency_hz};:SOUR:VOLT {level_vpp}",
        fields=_SQUARE,
        use="a square wave with the fastest edge",
    ),
    **_OUTPUT,
}

COUNTER: Final[Table] = {
    "setup": Command(template="", fields=("gate_s",), use="sent once, and again after trouble: input, gate, filter"),
    "frequency": Command(
        template=":MEAS:FREQ? {expected_hz}", fields=("expected_hz", "gate_s"), use="count; answers a frequency in Hz"
    ),
    "next_error": _NEXT_ERROR,
}

SCOPE: Final[Table] = {
    "range": Command(
        template=":SENS{channel}:VOLT:RANG:PTP {full_scale_v}", fields=_DISPLAY, use="set the deflection factor"
    ),
    "offset": Command(
        template=":SENS{channel}:VOLT:RANG:OFFS {offset_v}", fields=_DISPLAY, use="the voltage at the screen's centre"
    ),
    "coupling": Command(
        template=":INP{channel}:COUP {coupling}", fields=_DISPLAY, use="couple the input: DC, AC or GRO"
    ),
    "sweep": Command(template=":SENS:SWE:TIME {sweep_s}", fields=_DISPLAY, use="the time across the screen"),
    "points": Command(template=":SENS:SWE:POIN {points}", fields=_DISPLAY, use="the number of samples of a record"),
    "format": Command(template=":FORM REAL,32;:FORM:BORD NORM", use="records as big-endian floats"),
    "start": Command(template=":INIT", fields=("channel",), use="take one record"),
    "record": Command(
        template=":TRAC? CHAN{channel}", fields=("channel",), use="answer the record, a block of volts; '' if none"
    ),
    "mean": Command(template=":MEAS:VOLT:DC? (@{channel})", fields=_EXPECTED, use="own measurement of a mean, V"),
    "peak_to_peak": Command(
        template=":MEAS:VOLT:PTP? (@{channel})", fields=_EXPECTED, use="own measurement of a peak-to-peak, V"
    ),
    "amplitude": Command(
        template=":MEAS:VOLT:AMPL? (@{channel})", fields=_EXPECTED, use="own measurement, top less base, V"
    ),
    "period": Command(template=":MEAS:PER? (@{channel})", fields=_EXPECTED, use="own measurement of a period, s"),
    "rise_time": Command(
        template=":MEAS:VOLT:RISE:TIME? (@{channel})", fields=_EXPECTED, use="own measurement of a rise time, s"
    ),
    "overshoot": Command(
        template=":MEAS:VOLT:RISE:OVER? (@{channel})", fields=_EXPECTED, use="own measurement of an overshoot, %"
    ),
    "next_error": _NEXT_ERROR,
}

LEVEL_METER: Final[Table] = {
    "setup": Command(template="", fields=("channel", "frequency_hz", "expected_vrms"), use="sent before a reading"),
    "vrms": Command(
        template=":MEAS:VOLT:AC?",
        fields=("channel", "frequency_hz", "expected_vrms"),
        use="answer the level in V rms; '' if the meter answers in dBm",
    ),
    "dbm": Command(
        template="", fields=("channel", "frequency_hz", "expected_vrms"), use="answer the level in dBm in 50 Ω"
    ),
    "next_error": _NEXT_ERROR,
}

SWITCH: Final[Table] = {
    "open_all": Command(template=":ROUT:OPEN:ALL", use="open every channel"),
    "close": Command(template=":ROUT:CLOS {channel_list}", fields=("channel_list",), use="close these channels"),
    "next_error": _NEXT_ERROR,
}

TABLES: Final[Mapping[Role, tuple[Table, ...]]] = {
    "calibrator": (SOURCE,),
    "generator": (SOURCE,),
    "counter": (COUNTER,),
    "reference": (SCOPE, LEVEL_METER),
    "unit": (SCOPE,),
    "switch": (SWITCH,),
}

_FIELD: Final = re.compile(r"\{(\w+)\}")


class Commands:
    """One instrument's table: the generic one with the bench file's overrides in it."""

    def __init__(self, role: Role, table: Table, overrides: Mapping[str, str]) -> None:
        problems = check_overrides(role, overrides)
        if problems:
            raise ConfigError(*problems)
        self._templates = {name: overrides.get(name, command.template) for name, command in table.items()}

    def has(self, name: str) -> bool:
        """Whether the instrument has such a command."""
        return bool(self._templates[name].strip())

    def text(self, name: str, **values: float | str) -> str:
        """Fill a template in; "" where the instrument has no such command."""
        filled = _FIELD.sub(lambda match: number(values[match.group(1)]), self._templates[name])
        return rooted(filled)

    def message(self, *texts: str) -> str:
        """Join filled templates into one message."""
        return ";".join(text for text in texts if text)


def check_overrides(role: Role, commands: Mapping[str, str]) -> list[str]:
    """Find every fault of a bench file's overrides, one sentence each; opens nothing."""
    known: dict[str, set[str]] = {}
    for table in TABLES[role]:
        for name, command in table.items():
            known.setdefault(name, set()).update(command.fields)
    problems = []
    for name, template in commands.items():
        if name not in known:
            problems.append(f"{role}.commands.{name}: no such command{_nearest(name, known)}")
            continue
        if not template.isascii() or not (template.isprintable() or not template):
            problems.append(f"{role}.commands.{name}: a command is one line of plain ASCII")
        if set(_FIELD.sub("", template)) & set("{}"):
            problems.append(f"{role}.commands.{name}: a brace without its partner; a field is written {{like_this}}")
        problems.extend(
            f"{role}.commands.{name}: no field {{{field}}} here{_nearest(field, known[name])}"
            for field in _FIELD.findall(template)
            if field not in known[name]
        )
    return problems


def number(value: float | str) -> str:
    """Write a number so that any SCPI parser reads it and it comes back equal; text goes as it is."""
    if isinstance(value, str):
        return value
    if isinstance(value, int):
        return str(int(value))  # True is 1
    plain = float(value)  # a number of another library calls itself otherwise
    if not math.isfinite(plain):
        raise ValueError(f"{plain} cannot be sent to an instrument")
    return repr(plain + 0.0).upper()  # −0.0 + 0.0 is 0.0


def _nearest(name: str, known: Mapping[str, object] | set[str]) -> str:
    near = difflib.get_close_matches(name, list(known), n=1)
    if near:
        return f"; did you mean {near[0]!r}?"
    return f"; known are {', '.join(sorted(known))}" if known else "; it takes none"
