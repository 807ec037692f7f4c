"""The command tables: a template for everything a generic driver can ask of an instrument.

Written from SCPI-1999, Volume 2. A bench file overrides a template by its name; an empty one says that the instrument
has no such command, and it is left out. A field stands in braces; a template may hold several commands with `;`.

A name that ends in `_is` asks back what the name before it has set: `QUERY=EXPECTED`, a number within 0.01 % of what is
expected or within what stands behind a `~`, as a share (`~0.1%`) or as it is (`~0.02`). Several stand with `;`. Where a
command is overridden and its question is not, the question is left out: it was another command's.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Container, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple, TypeAlias

from harness.errors import ConfigError
from harness.link.replies import NUMBER, rooted

if TYPE_CHECKING:
    from harness.steps import Role


class Command(NamedTuple):
    """One entry: its text, what it is for, and the fields that it may use."""

    template: str
    use: str
    fields: tuple[str, ...] = ()


Table: TypeAlias = Mapping[str, Command]

_SINE_LEVEL: Final = ("level_vpp", "level_vp", "level_vrms", "level_dbm", "frequency_hz")
_SQUARE: Final = ("level_vpp", "level_vp", "offset_v", "frequency_hz", "period_s")
_MARKS: Final = ("level_vpp", "level_vp", "period_s", "frequency_hz")
_DISPLAY: Final = (
    "channel", "volts_per_div", "full_scale_v", "offset_v", "offset_within_v", "position_div", "coupling", "s_per_div",
    "sweep_s", "points", "magnifier", "input_ohm", "limited",
)  # fmt: skip
_TRIGGER: Final = (
    "channel", "trigger_source", "trigger_slope", "trigger_coupling", "low_reject", "high_reject", "free_runs",
)  # fmt: skip
_TRIGGER_LEVEL: Final = ("channel", "trigger_level_v", "trigger_within_v")
_DELAY: Final = ("channel", "delay_s", "delay_within_s", "s_per_div")
_EXPECTED: Final = ("channel", "frequency_hz", "expected_v")
_LEVEL: Final = ("channel", "frequency_hz", "expected_vrms")

_NEXT_ERROR: Final = Command(":SYST:ERR?", "read and remove the oldest entry of the error queue")
_PRESET: Final = Command("*RST", "bring every setting to a known state, outputs off; sent at the start")
_OUTPUT: Final[Table] = {
    "output_on": Command(":OUTP ON", "switch the output on"),
    "output_off": Command(":OUTP OFF", "switch the output off"),
    "output_is": Command(":OUTP?={on}", "whether the output is on, 1 or 0", ("on",)),
    "always_is": Command(":SOUR:VOLT:OFFS?=0~1E-6", "what must hold for every signal: no offset"),
    "preset": _PRESET,
    "next_error": _NEXT_ERROR,
}


def _back(template: str, fields: tuple[str, ...], name: str) -> Command:
    return Command(template, f"asks back what '{name}' has set", fields)


_HERTZ_IS: Final = ":SOUR:FREQ?={frequency_hz}~0.0001%"

SOURCE: Final[Table] = {
    "dc": Command(":SOUR:FUNC DC;:SOUR:VOLT {level_v}", "a direct voltage of level_v", ("level_v",)),
    "dc_is": _back(":SOUR:FUNC?=DC;:SOUR:VOLT?={level_v}", ("level_v",), "dc"),
    "square": Command(
        ":SOUR:FUNC SQU;:SOUR:PULS:TRAN DEF;:SOUR:FREQ {frequency_hz};:SOUR:VOLT {level_vpp}",
        "a square wave from 0 V to level_vpp",
        _SQUARE,
    ),
    "square_is": _back(f":SOUR:FUNC?=SQU;{_HERTZ_IS};:SOUR:VOLT?={{level_vpp}}", _SQUARE, "square"),
    "sine": Command(":SOUR:FUNC SIN;:SOUR:FREQ {frequency_hz};:SOUR:VOLT {level_vpp}", "a sine wave", _SINE_LEVEL),
    "sine_is": _back(f":SOUR:FUNC?=SIN;{_HERTZ_IS};:SOUR:VOLT?={{level_vpp}}", _SINE_LEVEL, "sine"),
    "time_marks": Command(
        ":SOUR:FUNC PULS;:SOUR:PULS:PER {period_s};:SOUR:VOLT {level_vpp}", "time marks, one a period", _MARKS
    ),
    "time_marks_is": _back(
        ":SOUR:FUNC?=PULS;:SOUR:PULS:PER?={period_s}~0.0001%;:SOUR:VOLT?={level_vpp}", _MARKS, "time_marks"
    ),
    "edge": Command(
        ":SOUR:FUNC SQU;:SOUR:PULS:TRAN MIN;:SOUR:FREQ {frequency_hz};:SOUR:VOLT {level_vpp}",
        "a square wave with the fastest edge",
        _SQUARE,
    ),
    "edge_is": _back(f":SOUR:FUNC?=SQU;:SOUR:PULS:TRAN?=*;{_HERTZ_IS};:SOUR:VOLT?={{level_vpp}}", _SQUARE, "edge"),
    **_OUTPUT,
}

COUNTER: Final[Table] = {
    "setup": Command("", "sent once, and again after trouble: input, gate, filter", ("gate_s",)),
    "setup_is": Command("", "asks back what 'setup' has set", ("gate_s",)),
    "frequency": Command(":MEAS:FREQ? {expected_hz}", "count; answers a frequency in Hz", ("expected_hz", "gate_s")),
    "preset": _PRESET,
    "next_error": _NEXT_ERROR,
}

SCOPE: Final[Table] = {
    "range": Command(":SENS{channel}:VOLT:RANG:PTP {full_scale_v}", "set the deflection factor", _DISPLAY),
    "range_is": _back(":SENS{channel}:VOLT:RANG:PTP?={full_scale_v}~0.1%", _DISPLAY, "range"),
    "offset": Command(":SENS{channel}:VOLT:RANG:OFFS {offset_v}", "the voltage at the screen's centre", _DISPLAY),
    "offset_is": _back(":SENS{channel}:VOLT:RANG:OFFS?={offset_v}~{offset_within_v}", _DISPLAY, "offset"),
    "coupling": Command(":INP{channel}:COUP {coupling}", "couple the input: DC, AC or GRO", _DISPLAY),
    "coupling_is": _back(":INP{channel}:COUP?={coupling}", _DISPLAY, "coupling"),
    "input": Command(":INP{channel}:IMP {input_ohm}", "the input's resistance; '' if it has but one", _DISPLAY),
    "input_is": _back(":INP{channel}:IMP?={input_ohm}~5%", _DISPLAY, "input"),
    "limiter": Command(":INP{channel}:FILT {limited}", "the bandwidth limiter, 1 or 0; '' if there is none", _DISPLAY),
    "limiter_is": _back(":INP{channel}:FILT?={limited}", _DISPLAY, "limiter"),
    "probe": Command("", "the probe factor that the input reckons with: 1", _DISPLAY),
    "probe_is": _back("", _DISPLAY, "probe"),
    "position": Command("", "where 0 V stands, div from the centre; 'offset' then stays at 0 V", _DISPLAY),
    "position_is": _back("", _DISPLAY, "position"),
    "alone": Command("", "show this channel, and no other", _DISPLAY),
    "alone_is": _back("", _DISPLAY, "alone"),
    "sweep": Command(":SENS:SWE:TIME {sweep_s}", "the time across the screen", _DISPLAY),
    "sweep_is": _back(":SENS:SWE:TIME?={sweep_s}~0.1%", _DISPLAY, "sweep"),
    "trigger_source": Command(":TRIG:SOUR {trigger_source}", "INT and a channel, or EXT", _TRIGGER),
    "trigger_source_is": _back(":TRIG:SOUR?={trigger_source}", _TRIGGER, "trigger_source"),
    "trigger_slope": Command(":TRIG:SLOP {trigger_slope}", "the edge that triggers: POS or NEG", _TRIGGER),
    "trigger_slope_is": _back(":TRIG:SLOP?={trigger_slope}", _TRIGGER, "trigger_slope"),
    "trigger_coupling": Command(
        ":TRIG:COUP {trigger_coupling};:TRIG:FILT:HPAS {low_reject};:TRIG:FILT:LPAS {high_reject}",
        "DC or AC, and whether low or high frequencies are rejected, 1 or 0",
        _TRIGGER,
    ),
    "trigger_coupling_is": _back(
        ":TRIG:COUP?={trigger_coupling};:TRIG:FILT:HPAS?={low_reject};:TRIG:FILT:LPAS?={high_reject}",
        _TRIGGER,
        "trigger_coupling",
    ),
    "trigger_mode": Command(":TRIG:ATR {free_runs}", "whether it sweeps without a trigger as well, 1 or 0", _TRIGGER),
    "trigger_mode_is": _back(":TRIG:ATR?={free_runs}", _TRIGGER, "trigger_mode"),
    "trigger_middle": Command(":TRIG:LEV:AUTO ON", "have it find the middle of the signal by itself", _TRIGGER_LEVEL),
    "trigger_middle_is": _back(":TRIG:LEV:AUTO?=1", _TRIGGER_LEVEL, "trigger_middle"),
    "trigger_level": Command(":TRIG:LEV {trigger_level_v}", "the voltage at the input that triggers", _TRIGGER_LEVEL),
    "trigger_level_is": _back(":TRIG:LEV?={trigger_level_v}~{trigger_within_v}", _TRIGGER_LEVEL, "trigger_level"),
    "averaging": Command(":SENS:AVER OFF", "each record by itself, and no mean of several", _DISPLAY),
    "averaging_is": _back(":SENS:AVER?=0", _DISPLAY, "averaging"),
    "delay": Command(
        ":SENS:SWE:OREF:LOC 0.5;:SENS:SWE:OFFS:TIME {delay_s}",
        "the time from the trigger to the middle of the screen",
        _DELAY,
    ),
    "delay_is": _back(":SENS:SWE:OREF:LOC?=0.5~0.001;:SENS:SWE:OFFS:TIME?={delay_s}~{delay_within_s}", _DELAY, "delay"),
    "points": Command(":SENS:SWE:POIN {points}", "the number of samples of a record", _DISPLAY),
    "points_is": _back(":SENS:SWE:POIN?={points}", _DISPLAY, "points"),
    "format": Command(":FORM REAL,32;:FORM:BORD NORM", "records as big-endian floats"),
    "format_is": _back(":FORM?=REAL,32;:FORM:BORD?=NORM", (), "format"),
    "start": Command(":INIT", "take one record", ("channel",)),
    "arm": Command(":INIT", "begin a record, without waiting for its trigger", ("channel",)),
    "waits_is": Command(":STAT:OPER:COND?=32", "whether it still waits for its trigger: a number with this bit"),
    "give_up": Command(":ABOR", "wait for no trigger any more"),
    "sample_rate": Command("", "answer how many samples a second it really takes, Hz"),
    "record": Command(":TRAC? CHAN{channel}", "answer the record, a block of volts; '' if none", ("channel",)),
    "mean": Command(":MEAS:VOLT:DC? (@{channel})", "own measurement of a mean, V", _EXPECTED),
    "ac_rms": Command(":MEAS:VOLT:AC? (@{channel})", "own measurement of the rms of what is not DC, V", _EXPECTED),
    "peak_to_peak": Command(":MEAS:VOLT:PTP? (@{channel})", "own measurement of a peak-to-peak, V", _EXPECTED),
    "amplitude": Command(":MEAS:VOLT:AMPL? (@{channel})", "own measurement, top less base, V", _EXPECTED),
    "period": Command(":MEAS:PER? (@{channel})", "own measurement of a period, s", _EXPECTED),
    "rate": Command(":MEAS:FREQ? (@{channel})", "own measurement of a frequency, Hz", _EXPECTED),
    "rise_time": Command(":MEAS:VOLT:RISE:TIME? (@{channel})", "own measurement of a rise time, s", _EXPECTED),
    "overshoot": Command(":MEAS:VOLT:RISE:OVER? (@{channel})", "own measurement of an overshoot, %", _EXPECTED),
    "calibrate": Command(":CAL?", "have it calibrate itself; answers 0 when that went well"),
    "preset": _PRESET,
    "next_error": _NEXT_ERROR,
}

LEVEL_METER: Final[Table] = {
    "setup": Command("", "sent before a reading", _LEVEL),
    "vrms": Command(":MEAS:VOLT:AC?", "answer the level in V rms; '' if the meter answers in dBm", _LEVEL),
    "dbm": Command("", "answer the level in dBm in 50 Ω", _LEVEL),
    "preset": _PRESET,
    "next_error": _NEXT_ERROR,
}

SWITCH: Final[Table] = {
    "open_all": Command(":ROUT:OPEN:ALL", "open every channel"),
    "close": Command(":ROUT:CLOS {channel_list}", "close these channels", ("channel_list",)),
    "close_is": _back(":ROUT:CLOS? {channel_list}=1", ("channel_list",), "close"),
    "preset": _PRESET,
    "next_error": _NEXT_ERROR,
}

METER: Final[Table] = {
    "setup": Command(":UNIT:TEMP C", "sent at the start, and again after trouble: degrees Celsius"),
    "setup_is": _back(":UNIT:TEMP?=C", (), "setup"),
    "temperature": Command(":MEAS:TEMP?", "answer the temperature of the air, °C"),
    "humidity": Command(":MEAS:HUM?", "answer its relative humidity, %; '' if it has none"),
    "preset": Command("", "it goes on as it stands: others may log by it"),
    "next_error": _NEXT_ERROR,
}
"""SCPI-1999 volume 2 has the temperature and its unit (from memory) and no humidity: that is formed after it."""

TABLES: Final[Mapping[Role, tuple[Table, ...]]] = {
    "calibrator": (SOURCE,),
    "generator": (SOURCE,),
    "counter": (COUNTER,),
    "reference": (SCOPE, LEVEL_METER),
    "unit": (SCOPE,),
    "switch": (SWITCH,),
    "meter": (METER,),
}

_FIELD: Final = re.compile(r"\{(\w+)\}")
_BACK: Final = re.compile(r"(?P<query>[^=;]+\?[^=;]*)=(?P<expected>[^~;]+)(?:~(?P<within>[^%;]+)(?P<share>%?))?")
_IS: Final = "_is"
ANY: Final = "*"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadBack:
    """One question about what has been set: the query, what it must answer, and how near a number must come."""

    key: str
    query: str
    expected: str  # ANY: whatever it answers when it is set must still be so
    within: float | None = None  # as it is, or 0.01 %

    def as_answered(self, reply: str) -> ReadBack:
        """The same question, held to this answer where any would do."""
        return replace(self, expected=reply.strip().strip('"')) if self.expected == ANY else self

    @property
    def shape(self) -> str:
        """What a reply looks like; a list has an item for each channel."""
        return rf"{NUMBER}(?:\s*,\s*{NUMBER})*" if _is_number(self.expected) else r'[^;"]+|"[^"]*"'

    def agrees(self, reply: str) -> bool:
        """Whether every item of a reply is what is expected; of a word the short form, SCPI-1999 volume 1, 6.2.1."""
        return self.expected == ANY or _agree(self.expected, self.within, reply)

    def has(self, reply: str) -> bool:
        """Whether a reply is what is expected: the same word, or a number with these bits in it."""
        return bool(int(float(reply)) & int(float(self.expected))) if _is_number(self.expected) else self.agrees(reply)


def read_backs(key: str, text: str) -> tuple[ReadBack, ...]:
    """Take a filled question apart."""
    backs = []
    for match in _BACK.finditer(text):
        within = float(match["within"]) if match["within"] else None
        if within is not None and match["share"]:
            within *= abs(float(match["expected"])) / 100
        backs.append(ReadBack(key=key, query=rooted(match["query"]), expected=match["expected"].strip(), within=within))
    return tuple(backs)


@lru_cache(maxsize=1024)  # most of what was set stands for many points, and is asked back at each
def _agree(expected: str, within: float | None, reply: str) -> bool:
    if not _is_number(expected):  # a word may have its number: REAL,32
        return reply.strip().strip('"').upper().startswith(expected.upper())
    wanted = float(expected)
    most = (1e-4 * abs(wanted) if within is None else within) * (1 + 1e-9)
    return all(abs(float(item.strip().strip('"')) - wanted) <= most for item in reply.split(","))


@lru_cache(maxsize=1024)  # asked of every expected value at every point
def _is_number(text: str) -> bool:
    return re.fullmatch(NUMBER, text, re.ASCII) is not None


class Commands:
    """One instrument's table: the generic one with the bench file's overrides in it."""

    def __init__(self, role: Role, table: Table, overrides: Mapping[str, str]) -> None:
        problems = check_overrides(role, overrides)
        if problems:
            raise ConfigError(*problems)
        self._standard = {name: command.template for name, command in table.items()}
        self._templates = {name: overrides.get(name, command.template) for name, command in table.items()}
        for name in table:
            if name.endswith(_IS) and name not in overrides and _asked_of(name) & set(overrides):
                self._templates[name] = ""  # it asks for what another command has set

    def has(self, name: str) -> bool:
        """Whether the instrument has such a command."""
        return bool(self._templates[name].strip())

    def template(self, name: str) -> str:
        """As it stands, with its fields."""
        return self._templates[name]

    def standard(self, name: str) -> str:
        """As it would stand if the bench file said nothing of it; "" where the standard has no such command."""
        return self._standard.get(name, "")

    def text(self, name: str, **values: float | str) -> str:
        """Fill a template in; "" where the instrument has no such command."""
        return rooted(fill(self._templates[name], values))

    def read_backs(self, *names: str, **values: float | str) -> tuple[ReadBack, ...]:
        """Everything that asks back what these commands have set."""
        questions = ((name + _IS, self.text(name + _IS, **values)) for name in names)
        return tuple(back for key, text in questions for back in read_backs(key, text))

    def on_trust(self) -> tuple[str, ...]:
        """The commands that set something which nothing asks back."""
        return tuple(
            name.removesuffix(_IS)
            for name, template in self._templates.items()
            if name.endswith(_IS) and not template.strip()
            and any(self._templates.get(asked, "").strip() for asked in _asked_of(name))
        )  # fmt: skip

    def message(self, *texts: str) -> str:
        """Join filled templates into one message."""
        return ";".join(text for text in texts if text)


def _asked_of(name: str) -> set[str]:
    """The commands whose effect a question is about."""
    base = name.removesuffix(_IS)
    return {"output_on", "output_off"} if base == "output" else {base}


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
        if name.endswith(_IS) and template.strip() and not _is_question(template):
            problems.append(
                f"{role}.commands.{name}: expected questions such as ':VOLT?={{level_v}}~0.1%', with ';' between them"
            )
    return problems


def fill(template: str, values: Mapping[str, float | str], only: Container[str] | None = None) -> str:
    """Put values in for the fields; of some fields `only`, where those are named."""
    return _FIELD.sub(
        lambda match: number(values[match[1]]) if only is None or match[1] in only else match[0], template
    )


def _is_question(template: str) -> bool:
    parts = [_BACK.fullmatch(part.strip()) for part in template.split(";")]
    return all(
        part is not None and (part["within"] is None or _is_number(part["within"]) or _FIELD.fullmatch(part["within"]))
        for part in parts
    )


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
