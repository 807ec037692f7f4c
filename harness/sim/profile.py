"""Profiles: an instrument as data. Identity, command table in the standard's notation, ranges, default truth."""

from __future__ import annotations

import importlib.resources
from collections.abc import Iterator, Mapping
from functools import cache, cached_property
from pathlib import Path
from typing import Any, Final, Literal, TypeAlias

from pydantic import Field, ValidationInfo, field_validator, model_validator

from harness import quantities
from harness.errors import ConfigError
from harness.sim import scpi
from harness.sim.device import Boolean, Choice, Form, Holds, Numeric, TableLine, Takes
from harness.sim.dialect import OWN, SimulatedDialect
from harness.sim.settings import check, read_toml
from harness.values import Divisions, Farads, Hertz, Model, Ohms, Seconds, Volts

Kind: TypeAlias = Literal["source", "counter", "scope", "level meter", "switch", "room meter"]

KNOWN: Final[Mapping[Kind, Mapping[str, frozenset[str]]]] = {
    "source": {
        "sets": frozenset({"function", "level_v", "offset_v", "frequency_hz", "period_s", "transition_s", "output"}),
        "does": frozenset(),
        "answers": frozenset(),
    },
    "counter": {"sets": frozenset({"gate_s"}), "does": frozenset(), "answers": frozenset({"frequency", "period"})},
    "scope": {
        "sets": frozenset(
            {"full_scale_v", "volts_per_div", "offset_v", "coupling", "sweep_s", "s_per_div", "magnifier", "points"}
            | {"format", "byte_order", "input_ohm", "limiter", "delay_s", "delay_from"}
            | {"trigger_source", "trigger_slope", "trigger_coupling", "trigger_low_reject", "trigger_high_reject"}
            | {"trigger_free_runs", "trigger_middle", "trigger_level_v", "averaging"}
        ),
        "does": frozenset({"acquire", "give_up"}),
        "answers": frozenset({"record", "record_points", "condition", "sample_rate", "self_calibration", *OWN}),
    },
    "level meter": {"sets": frozenset(), "does": frozenset(), "answers": frozenset({"vrms", "dbm"})},
    "switch": {
        "sets": frozenset(),
        "does": frozenset({"close", "open", "open_all"}),
        "answers": frozenset({"closed", "closed_list"}),
    },
    "room meter": {
        "sets": frozenset({"temperature_unit"}),
        "does": frozenset(),
        "answers": frozenset({"temperature", "humidity"}),
    },
}
"""What each kind of instrument can do; a profile says by which command."""

_EVERYWHERE: Final = {
    "answers": frozenset({"error", "version", "identity"}),
    "does": frozenset({"preset"}),
    "sets": frozenset(),
}
_MEANINGS: Final = {
    "temperature_unit": {"celsius", "fahrenheit", "kelvin"},
    "function": {"dc", "square", "sine", "marks"},
    "coupling": {"dc", "ac", "ground"},
    "format": {"real32", "real64", "ascii"},
    "byte_order": {"big", "little"},
    "trigger_slope": {"rising", "falling"},
    "trigger_coupling": {"dc", "ac"},
}
_SWITCHES: Final = {
    "output", "limiter", "trigger_low_reject", "trigger_high_reject", "trigger_free_runs", "trigger_middle",
    "averaging",
}  # fmt: skip
_WHOLE: Final = {"points"}


class ProfileCommand(Model):
    """One command: exactly one of `sets`, `does`, `answers`, and what its parameter may be."""

    sets: str | None = None
    does: str | None = None
    answers: str | None = None
    unit: Literal["V", "Hz", "s", "ohm", ""] = ""
    low: str | float | None = None
    high: str | float | None = None
    default: str | float | bool | None = None
    steps: tuple[str | float, ...] = ()
    words: dict[str, str] | None = Field(None, description="word in the standard's notation → meaning")
    takes: tuple[Takes, ...] = ()
    form: Form = "NR3"
    query: bool = True

    @model_validator(mode="after")
    def _complete(self) -> ProfileCommand:
        if sum(name is not None for name in (self.sets, self.does, self.answers)) != 1:
            raise ValueError("needs exactly one of 'sets', 'does' and 'answers'")
        if self.sets is not None:
            self._holds()
        return self

    def _holds(self) -> Holds:
        """What the setting's parameter may be."""
        name = self.sets or ""
        if name in _SWITCHES:
            return Boolean(default=bool(self.default))
        if self.words is not None or name in _MEANINGS:
            return self._choice(name)
        low, high = self._number(self.low, -1e30), self._number(self.high, 1e30)
        steps = tuple(self._number(step, 0.0) for step in self.steps)
        if steps:
            low = low if self.low is not None else min(steps)
            high = high if self.high is not None else max(steps)
        default = self._number(self.default, min(max(0.0, low), high))
        if not low <= default <= high:
            raise ValueError(f"default {default:g} is outside low {low:g} … high {high:g}")
        return Numeric(unit=self.unit.upper(), low=low, high=high, default=default, steps=steps, whole=name in _WHOLE)

    def _choice(self, name: str) -> Choice:
        words = self.words or {}
        meanings = _MEANINGS.get(name, set(words.values()))
        wrong = sorted(set(words.values()) - meanings)
        if name == "input_ohm":
            for meaning in words.values():
                quantities.parse(meaning, "Ω")
        if not words or wrong:
            raise ValueError(f"'words' maps to {wrong or 'nothing'}; {name} can be {', '.join(sorted(meanings))}")
        default = str(self.default) if self.default is not None else next(iter(words.values()))
        if default not in words.values():
            raise ValueError(f"default {default!r} is none of {', '.join(words.values())}")
        return Choice(words=tuple(words.items()), default=default)

    def _number(self, value: str | float | bool | None, otherwise: float) -> float:
        if value is None:
            return otherwise
        if isinstance(value, str) or not self.unit:
            return quantities.parse(value, self.unit or "ratio")
        raise ValueError(f"{value!r} has no unit; write it as text with its unit, such as '5 V'")


class Output(Model):
    """A source's output socket."""

    resistance: Ohms = Field(50.0, ge=0)
    into: Ohms | None = Field(None, gt=0, description="load for which the levels are stated; none for an open circuit")
    levels: tuple[Volts, ...] = Field((), description="the only levels of its front panel; any where none is listed")


class ScreenSize(Model):
    """A display's graticule, ranges and inputs."""

    channels: int = Field(2, ge=1, le=16)
    volts_per_div: tuple[Volts, ...] = Field(min_length=1)
    s_per_div: tuple[Seconds, ...] = Field(min_length=1)
    vertical_div: Divisions = Field(8.0, gt=0)
    horizontal_div: Divisions = Field(10.0, gt=0)
    bits: int | None = Field(None, ge=6, le=16, description="of the converter; none for an analogue trace")
    points: int = Field(1000, ge=50, le=1_000_000)
    resistance: Ohms = Field(1e6, gt=0)
    capacitance: Farads = Field(20e-12, ge=0)
    limiter: Hertz = Field(20e6, gt=0, description="the pole of its bandwidth limiter")
    sample_rate: Hertz = Field(1e9, gt=0, description="of its converter; faster sweeps are taken in several")
    calibrates_in: Seconds = Field(60.0, ge=0, description="busy with its own calibration")


class Profile(Model):
    """One kind of instrument."""

    kind: Kind
    maker: str
    model: str
    serial: str = "0"
    firmware: str = "1.0"
    identity: str | None = Field(None, description="answer to *IDN?; made of the four above where it is not given")
    scpi: str = "1999.0"
    goes_on: bool = Field(True, description="whether the rest of a message is obeyed after a refused unit")
    errors_kept: int = Field(20, ge=2, le=1000)
    dialect: SimulatedDialect | None = Field(None, description="what is not as the standards say")
    settle: Seconds = Field(0.0, ge=0, description="busy after a setting")
    measures_in: Seconds = Field(0.0, ge=0, description="busy with a measurement")
    output: Output = Output()
    screen: ScreenSize | None = None
    truth: Mapping[str, Any] = Field(default_factory=dict)
    commands: Mapping[str, ProfileCommand] = Field(
        default_factory=dict, description="by header, in the standard's notation"
    )

    @field_validator("commands")
    @classmethod
    def _headers(cls, commands: Mapping[str, ProfileCommand], info: ValidationInfo) -> Mapping[str, ProfileCommand]:
        kind: Kind | None = info.data.get("kind")
        problems = [problem for header, entry in commands.items() for problem in _faults(header, entry, kind)]
        if problems:
            raise ValueError("; ".join(problems))
        return commands

    @model_validator(mode="after")
    def _screen_there(self) -> Profile:
        if self.kind == "scope" and self.screen is None:
            raise ValueError("a scope needs the table [screen]")
        return self

    @property
    def size(self) -> ScreenSize:
        """The screen of a scope; a scope's profile has one."""
        if self.screen is None:
            raise TypeError(f"a {self.kind} has no screen")
        return self.screen

    @property
    def remote(self) -> bool:
        """Whether it has a remote interface."""
        return bool(self.commands)

    @cached_property
    def table(self) -> tuple[TableLine, ...]:
        """The commands as a device takes them: a setting is also asked."""
        return tuple(self._lines())

    def _lines(self) -> Iterator[TableLine]:
        channels = self.screen.channels if self.screen else 1
        for header, entry in self.commands.items():
            name = entry.sets or entry.does or entry.answers or ""
            if entry.sets is None:
                does: Literal["acts", "answers"] = "acts" if entry.does else "answers"
                yield TableLine(
                    spelling=scpi.spelling(header), name=name, does=does, takes=entry.takes, form=entry.form,
                    channels=channels,
                )  # fmt: skip
                continue
            holds = entry._holds()
            yield TableLine(spelling=scpi.spelling(header), name=name, does="sets", holds=holds, channels=channels)
            if entry.query:
                yield TableLine(
                    spelling=scpi.spelling(f"{header}?"), name=name, does="asks", holds=holds, channels=channels,
                    form="NR1" if name in _WHOLE else entry.form,
                )  # fmt: skip

    def defaults(self) -> dict[str, float | bool | str]:
        """Every setting as after *RST."""
        return {
            command.name: command.holds.default
            for command in self.table
            if command.does == "sets" and command.holds is not None
        }


def _faults(header: str, entry: ProfileCommand, kind: Kind | None) -> Iterator[str]:
    try:
        scpi.spelling(header)
    except ValueError as error:
        yield str(error)
    if header.startswith("*"):
        yield f"{header!r}: every device has the common commands; leave it out"
    for what in ("sets", "does", "answers"):
        name = getattr(entry, what)
        if name is None or kind is None:
            continue
        known = KNOWN[kind][what] | _EVERYWHERE[what]
        if name not in known:
            yield f"{header!r}: a {kind} has nothing named {name!r} that '{what}'; it has {', '.join(sorted(known))}"
        if (what == "answers") != header.endswith("?"):
            yield f"{header!r}: a header ends in ? where it answers, and only there"


@cache
def shipped() -> tuple[str, ...]:
    """The names of the profiles that come with the program."""
    folder = importlib.resources.files("sim_profiles")
    return tuple(sorted(item.name[:-5] for item in folder.iterdir() if item.name.endswith(".toml")))


def load(name: str, beside: Path, key: str) -> Profile:
    """A profile by the name of a shipped one, or by a path relative to the file that asks for it."""
    if name.endswith(".toml"):
        path = beside.parent / name
    elif name in shipped():
        return _shipped(name)
    else:
        raise ConfigError(
            f"{beside}: {key}: there is no profile {name!r}; expected one of {', '.join(shipped())}, "
            "or a path to a .toml file"
        )
    return check(Profile, read_toml(path), str(path))


@cache  # read again and again, and the same as long as the program runs
def _shipped(name: str) -> Profile:
    with importlib.resources.as_file(importlib.resources.files("sim_profiles") / f"{name}.toml") as path:
        return check(Profile, read_toml(path), str(path))
