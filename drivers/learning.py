"""What a scope says of itself: asked by IEEE 488.2 and by the command table, for a unit file to start from.

Ranges and sweeps are the one thing that is switched, each to be asked back; then they stand as they stood before.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final, TypeAlias

from drivers.commands import SCOPE, Commands, ReadBack
from harness.errors import ConfigError, InstrumentError, LinkError
from harness.link.link import Link, repeat_point
from harness.quantities import stepped

MOST_CHANNELS: Final = 16
WIDTH_DIV: Final = 10.0
HEIGHT_DIV: Final = 8.0
_HEIGHTS_DIV: Final = (HEIGHT_DIV, 10.0, 6.0)  # what graticules have, common practice
_RANGES_V: Final = (1e-3, 10.0)  # a division, where an instrument does not tell its least and its most
_SWEEPS_S: Final = (1e-9, 50.0)
_OPTIONS: Final = "*OPT?"  # IEEE 488.2, clause 10.20: "0" where there are none
_DIGITS: Final = 9
Bounds: TypeAlias = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """A scope as it answered; None, () and "" for what it does not say."""

    identity: str
    options: str
    channels: int
    volts_per_div: tuple[float, ...]
    s_per_div: tuple[float, ...]
    height_div: float | None  # at which its ranges are steps of 1, 2 and 5
    input_ohm: float | None
    limits_bandwidth: bool


def learn(link: Link, overrides: Mapping[str, str] = MappingProxyType({})) -> Learned:
    """Ask a scope that is connected; raises InstrumentError for one that is no scope, or that would not be put back."""
    commands = Commands("unit", SCOPE, overrides)
    ranges = _Knob(link=link, commands=commands, name="range", across_div=1.0)
    sweeps = _Knob(link=link, commands=commands, name="sweep", across_div=WIDTH_DIV)
    channels = _channels(ranges)
    height_div = _height(ranges)
    ohm = _Knob(link=link, commands=commands, name="input", across_div=1.0).answers()
    limiter = _Knob(link=link, commands=commands, name="limiter", across_div=1.0).answers()
    return Learned(
        identity=link.identity,
        options=_options(link),
        channels=channels,
        volts_per_div=replace(ranges, across_div=height_div or HEIGHT_DIV).steps(_RANGES_V),
        s_per_div=sweeps.steps(_SWEEPS_S),
        height_div=height_div,
        input_ohm=None if ohm is None else float(ohm),
        limits_bandwidth=limiter is not None,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Knob:
    """A setting of the table, turned in units a division."""

    link: Link
    commands: Commands
    name: str
    across_div: float  # of the whole screen
    channel: int = 1

    def fields(self, per_div: float) -> dict[str, float]:
        """What a template may ask for."""
        whole = float(f"{per_div * self.across_div:.{_DIGITS}g}")
        return {
            **dict.fromkeys(SCOPE[self.name].fields, 1.0),
            "channel": self.channel, "volts_per_div": per_div, "full_scale_v": whole, "s_per_div": per_div,
            "sweep_s": whole,
        }  # fmt: skip

    def back(self, per_div: float = 1.0) -> ReadBack:
        """What asks it back, and what is expected then; ConfigError where the bench file has left that out."""
        backs = self.commands.read_backs(self.name, **self.fields(per_div))
        if not backs:
            raise ConfigError(
                f"unit.commands.{self.name}_is: missing; expected the question that answers what '{self.name}' has set"
            )
        return backs[0]

    def answers(self, of: str = "") -> str | None:
        """What it is set to, or one of its ends; None from an instrument that refuses the question."""
        back = self.back()
        try:
            return repeat_point(lambda: self.link.query(f"{back.query}{of}", back.shape))
        except LinkError:
            raise
        except InstrumentError:
            return None

    def per_div(self, answer: str) -> float:
        """An answer in units a division, whichever of them the instrument answers in."""
        return float(f"{float(answer) / float(self.back().expected):.{_DIGITS}g}")

    def bounds(self) -> Bounds | None:
        """Its least and its most, as SCPI-1999 volume 1 has them asked for: MINimum and MAXimum."""
        ends = [self.per_div(told) for end in (" MIN", " MAX") if (told := self.answers(end)) is not None]
        return (ends[0], ends[1]) if len(ends) == 2 and 0 < ends[0] < ends[1] < math.inf else None

    def takes(self, per_div: float) -> bool:
        """Whether it can be set so, and answers so."""
        back, text = self.back(per_div), self.commands.text(self.name, **self.fields(per_div))
        try:
            return back.agrees(*repeat_point(lambda: self.link.set(text, confirm=((back.query, back.shape),))))
        except LinkError:
            raise
        except InstrumentError:
            return False

    def steps(self, usual: Bounds) -> tuple[float, ...]:
        """The steps of 1, 2 and 5 that it takes."""
        stands = self.answers()
        if stands is None:
            return ()
        with self._put_back(self.per_div(stands)):
            return tuple(filter(self.takes, stepped(*(self.bounds() or usual))))

    @contextmanager
    def _put_back(self, stood: float) -> Iterator[None]:
        """Put it back at the end, however that comes, and have it confirmed."""
        try:
            yield
        finally:
            if not self.takes(stood):
                back = self.back(stood)
                why = f"does not go back to {back.expected}, where it stood ({back.query}): set it by hand"
                raise InstrumentError(self.link.name, why)


def _channels(knob: _Knob) -> int:
    """How many channels have a deflection factor; InstrumentError where none has."""
    for channel in range(1, MOST_CHANNELS + 1):
        if replace(knob, channel=channel).answers() is None:
            if channel > 1:
                return channel - 1
            raise InstrumentError(
                knob.link.name,
                f"is no oscilloscope, or one that speaks otherwise: it answers as {knob.link.identity!r} and refuses "
                f"{knob.back().query!r}, which asks for a deflection factor",
            )
    return MOST_CHANNELS


def _height(knob: _Knob) -> float | None:
    """The height of the screen at which its least and its most range are steps, where they tell of the whole screen."""
    bounds = knob.bounds()
    if bounds is None or replace(knob, across_div=HEIGHT_DIV).back().expected == knob.back().expected:
        return None

    def is_step(value: float) -> bool:
        return any(math.isclose(value, step, rel_tol=1e-3) for step in stepped(value / 1.5, value * 1.5))

    return next((div for div in _HEIGHTS_DIV if all(is_step(end / div) for end in bounds)), None)


def _options(link: Link) -> str:
    try:
        told = repeat_point(lambda: link.query(_OPTIONS, ".+"))
    except LinkError:
        raise
    except InstrumentError:
        return ""
    return "" if told.strip('" ') == "0" else told.strip()
