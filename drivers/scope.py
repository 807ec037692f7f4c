"""A display with a remote interface, by SCPI: the unit under test, or the reference scope."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from drivers.commands import SCOPE, ReadBack
from drivers.remote import Remote
from drivers.waveform import read_record
from harness.errors import AnalysisError, InstrumentError, LinkError
from harness.link.link import Link, NotTaken, NoValue
from harness.link.replies import NUMBER
from harness.measurement import POINTS, Aliased, Screenful, quantity_of
from harness.quantities import show
from harness.steps import Measure, Reading, Sine, Trigger, View

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from harness.models import Reference, Unit, UnitLink

OWN: Final = "own measurement"
DELAY_WITHIN_DIV: Final = 0.01  # what is shown would stand elsewhere by as much
OFFSET_WITHIN_DIV: Final = 0.1  # a converter's own step; the ground line is read besides, as it stands
CONFIRMED: Final = (
    "alone", "coupling", "input", "limiter", "probe", "range", "offset", "position", "sweep", "averaging",
    "delay", "trigger_source", "trigger_slope", "trigger_coupling", "trigger_mode",
)  # fmt: skip
_COUPLING: Final = {"dc": "DC", "ac": "AC", "ground": "GRO"}
NO_TRIGGER: Final = "no trigger"
NOT_REAL_TIME: Final = "more samples than were taken in one sweep: interleaved, equivalent-time or interpolated"
_TAKEN: Final = 0.99  # of the samples of a record
_MOST_MISSED: Final = 3
_BETWEEN_LOOKS_S: Final = 0.05
_EXTERNAL_WITHIN_V: Final = 0.02  # of a level at an input that has no range of its own
_NUMBERS: Final = rf"{NUMBER}(?:\s*,\s*{NUMBER})*"


class ScpiScope(Remote):
    """Reads its record; where the bench file leaves "record" empty, the instrument's own measurements."""

    def __init__(self, link: Link, model: UnitLink | Reference, unit: Unit | None = None) -> None:
        super().__init__(link, "reference" if unit is None else "unit", SCOPE, model.commands, model.setup)
        self._is_unit = unit is not None
        self._height_div = unit.vertical_div if unit is not None else getattr(model, "vertical_div", 8.0)
        self._width_div = unit.horizontal_div if unit is not None else 10.0
        self._input_ohm = unit.input.resistance if unit is not None else getattr(model, "input_ohm", 1e6)
        self._built: tuple[View, str, tuple[ReadBack, ...]] | None = None  # the last view: a point asks for it twice

    def show(self, view: View) -> None:
        """Set the display, in one message."""
        if self._built is None or self._built[0] != view:
            self._built = view, *self._message(view)
        try:
            self.establish(self._built[1], held=self._built[2])
        except NotTaken as error:
            raise self._has_not(view, error) from error

    def _has_not(self, view: View, error: NotTaken) -> NotTaken:
        """Say what it cannot be set to as its front panel has it, and which key of which file says that it can."""
        if error.key not in ("", "range_is", "sweep_is"):
            return error
        range_ = f"{show(view.volts_per_div, 'V')}/div on channel {view.channel}"
        sweep = f"{show(view.s_per_div, 's')}/div" + (f" ×{view.magnifier:g}" if view.magnifier != 1 else "")
        setting, keys = {"range_is": (range_, "volts_per_div"), "sweep_is": (sweep, "s_per_div")}.get(
            error.key, (f"{range_}, {sweep}", "volts_per_div or s_per_div")
        )
        where = "the unit file" if self._is_unit else "[reference] of the bench file"
        finds = f"its commands: 'halfpower try-out {'unit' if self._is_unit else 'reference'}' finds which"
        asks = f"'commands.{error.key}', which asks" if error.key else finds
        return NotTaken(
            self.link.name,
            f"cannot be set to {setting}: it {error.why}",
            f". Correct {keys} in {where}, or {asks}",
            command=error.command,
            key=error.key,
        )

    def _message(self, view: View) -> tuple[str, tuple[ReadBack, ...]]:
        values = self.values(view)
        chosen = view.trigger is not None and view.trigger.level_v is not None
        level = "trigger_level" if chosen or not self.commands.has("trigger_middle") else "trigger_middle"
        if view.delay_s and not self.commands.has("delay"):
            raise InstrumentError(self.link.name, "has no command for a delay; see 'commands.delay'")
        usual = (name for name in CONFIRMED if name != "alone" or not view.together)
        names = (*usual, level, "points", *(("format",) if self.commands.has("record") else ()))
        texts = [self.commands.text(name, **values) for name in names]
        return self.commands.message(*texts), self.commands.read_backs(*names, **values)

    def read(self, step: Measure) -> Reading:
        """Take a record and read the step's quantity from it."""
        self.show(step.view)
        if sweeps := quantity_of(step).sweeps:
            return self._share(step, sweeps)
        if step.view.trigger is not None and step.view.trigger.normal:
            if not self._triggered(step):
                return Reading(status="no_signal", flags=(NO_TRIGGER,))
        else:
            record_s = self._sweep_s(step.view) + max(step.view.delay_s, 0.0)
            self.link.set(self.commands.text("start", channel=step.view.channel), extra_s=2 * record_s)
        if not self.commands.has("record") or quantity_of(step).read_out:
            return self._own(step)
        volts = self._record(step.view.channel)
        second = None if step.second is None else self._record(step.second)
        screen = self._screenful(step.view, volts.size)
        try:
            return self._marked(read_record(step, volts, screen, second), screen)
        except Aliased as error:
            if not self._has_own(step):
                raise InstrumentError(self.link.name, str(error)) from error
            return self._own(step, "aliased")
        except AnalysisError as error:
            raise AnalysisError(f"{self.link.name}: {error}") from error

    def calibrate_itself(self, within_s: float) -> str:
        """Have it calibrate itself; what came of it, in a sentence. Raises InstrumentError where it does not end well.

        A calibration that a run rests on is no matter of taste: what fails, or never ends, is told before any reading.
        """
        text = self.commands.text("calibrate")
        if not text:
            raise InstrumentError(self.link.name, "has no way to calibrate itself; see 'commands.calibrate'")
        began_s = self.link.clock.now()
        try:
            code = self.link.query_float(text, extra_s=within_s)
        except LinkError as error:
            raise InstrumentError(
                self.link.name, f"has not ended its self-calibration within {show(within_s, 's')}", command=text
            ) from error
        self.link.check()
        self.forget()  # it may have moved what was set
        if code:
            raise InstrumentError(
                self.link.name,
                f"failed its self-calibration (it answers {code:g} to {text!r}): have it repaired, or take "
                "'self_calibration' out of the unit file to see what it shows as it is",
                command=text,
            )
        return f"{self.link.name}: its self-calibration went well, in {show(self.link.clock.now() - began_s, 's', 2)}."

    # A trigger that may stay away.

    def _triggered(self, step: Measure) -> bool:
        """Begin a sweep that waits for its trigger, for no longer than is certain to be enough."""
        channel, waits = step.view.channel, self.commands.read_backs("waits")
        if not waits:
            raise InstrumentError(
                self.link.name, "cannot say whether it still waits for its trigger; see 'commands.waits_is'"
            )
        until_s = self.link.clock.now() + self._patience_s(step)
        begin = (self.commands.text("give_up"), self.commands.text("arm", channel=channel))
        asked = self.commands.message(*begin, waits[0].query)
        while waits[0].has(self.link.query(asked, waits[0].shape)):
            if self.link.clock.now() >= until_s:
                self.link.set(self.commands.text("give_up"))
                return False
            self.link.clock.sleep(_BETWEEN_LOOKS_S)
            asked = waits[0].query
        return True

    def _share(self, step: Measure, sweeps: int) -> Reading:
        """How many of its sweeps are started; after a few that were not, no more are waited for."""
        tried = started = 0
        while tried < sweeps and tried - started < _MOST_MISSED:
            started += self._triggered(step)
            tried += 1
        return Reading(value=started / tried, more={"started": float(started), "sweeps": float(tried)})

    def _patience_s(self, step: Measure) -> float:
        """Twenty periods of what is applied, two sweeps, and what an instrument needs for its answer."""
        return max(20 / (step.stimulus.rate_hz or math.inf), 2 * self._sweep_s(step.view), _BETWEEN_LOOKS_S * 4)

    # The record.

    def _record(self, channel: int) -> NDArray[np.float64]:
        """A record as long as the display says that it is."""
        volts = self.samples(channel)
        if self.commands.has("points_is") and volts.size != POINTS:
            raise InstrumentError(
                self.link.name,
                f"sends a record of {volts.size} samples and says that it is set to {POINTS}: is that the whole sweep? "
                "Correct 'commands.points' or 'commands.record'",
            )
        return volts

    def samples(self, channel: int) -> NDArray[np.float64]:
        """What the instrument sends of a channel."""
        command = self.commands.text("record", channel=channel)
        form = self.commands.text("format").upper()
        if "ASC" in form:
            return np.array([float(item) for item in self.link.query(command, _NUMBERS).split(",")])
        kind = ("<" if "SWAP" in form else ">") + ("f8" if "64" in form else "f4")
        size = np.dtype(kind).itemsize
        data = self._block(command, POINTS * size)
        if not data or len(data) % size:
            raise InstrumentError(
                self.link.name, f"sends a record of {len(data)} bytes, which are no whole samples", command=command
            )
        with np.errstate(invalid="ignore"):  # a sample that is no number is looked at with the record
            return np.frombuffer(data, dtype=kind).astype(np.float64)

    def _marked(self, reading: Reading, screen: Screenful) -> Reading:
        """Mark a reading whose record has more samples than were taken in one sweep, where the instrument can say."""
        if not self.commands.has("sample_rate"):
            return reading
        rate_hz = self.link.query_float(self.commands.text("sample_rate"), low=0.0)
        if rate_hz * screen.interval_s > _TAKEN:
            return reading
        return replace(reading, flags=(*reading.flags, NOT_REAL_TIME), more={**reading.more, "sample_rate_hz": rate_hz})

    def _block(self, command: str, expected_bytes: int) -> bytes:
        """On a poor line the record is asked for twice: a damaged byte of a block is a valid sample."""
        data = self.link.query_block(command, expected_bytes=expected_bytes)
        if self.link.careful and self.link.query_block(command, expected_bytes=expected_bytes) != data:
            raise LinkError(self.link.name, "sends the same record differently the second time", command=command)
        return data

    def _screenful(self, view: View, samples: int) -> Screenful:
        centre_v = self._centre_v(view)
        half_v = self._height_div / 2 * view.volts_per_div
        return Screenful(
            interval_s=self._sweep_s(view) / samples,
            low_v=centre_v - half_v,
            high_v=centre_v + half_v,
            volts_per_div=view.volts_per_div,
            s_per_div=view.s_per_div / view.magnifier,
            ground_v=centre_v + view.ground_line_div * view.volts_per_div,
        )

    def values(self, view: View) -> dict[str, float | str]:
        """What the templates of a view's commands are filled with."""
        return {
            "channel": view.channel,
            "volts_per_div": view.volts_per_div,
            "full_scale_v": _clean(self._height_div * view.volts_per_div),
            "offset_v": 0.0 if self.commands.has("position") else self._centre_v(view),
            "offset_within_v": _clean(OFFSET_WITHIN_DIV * view.volts_per_div),
            "position_div": view.ground_line_div,
            "coupling": _COUPLING[view.coupling],
            "s_per_div": view.s_per_div,
            "sweep_s": self._sweep_s(view),
            "points": POINTS,
            "magnifier": view.magnifier,
            "delay_s": view.delay_s,
            "delay_within_s": _clean(DELAY_WITHIN_DIV * view.s_per_div / view.magnifier),
            "input_ohm": view.input_ohm or self._input_ohm,
            "limited": view.limited,
            **_trigger_values(view),
        }

    def _sweep_s(self, view: View) -> float:
        return _clean(self._width_div * view.s_per_div / view.magnifier)

    @staticmethod
    def _centre_v(view: View) -> float:
        """Voltage at the screen's centre when the ground line stands where it should."""
        return _clean(-view.ground_line_div * view.volts_per_div)

    # The instrument's own measurements.

    def _own(self, step: Measure, *flags: str) -> Reading:
        quantity = quantity_of(step)
        if quantity.own is None:
            what = step.quantity.replace("_", " ")
            raise InstrumentError(self.link.name, f"has no measurement of the {what} of its own")
        name, per_unit = quantity.own(step)
        text = self.commands.text(
            name,
            channel=step.view.channel,
            frequency_hz=step.stimulus.frequency_hz if isinstance(step.stimulus, Sine) else 0.0,
            expected_v=(step.expected or 0.0) * (step.view.volts_per_div if quantity.unit == "div" else 1.0),
        )
        if not text:
            raise InstrumentError(self.link.name, f"has no way to read {step.quantity}; see 'commands.{name}'")
        try:
            value = self.link.query_float(text) / per_unit
        except NoValue:
            return Reading(status="off_screen", flags=(OWN, *flags))
        limit_div = self._height_div / 2 if quantity.from_ground else self._height_div
        standing_div = value + step.view.ground_line_div if quantity.from_ground else value
        if (quantity.from_ground or quantity.amplitude) and abs(standing_div) >= limit_div:
            return Reading(status="off_screen", flags=(OWN, *flags))
        return Reading(value=value, flags=(OWN, *flags))

    def _has_own(self, step: Measure) -> bool:
        own = quantity_of(step).own
        return own is not None and self.commands.has(own(step)[0])


def _trigger_values(view: View) -> dict[str, float | str]:
    """What starts the sweep: where a view does not say, the channel that is shown, at the middle of its signal."""
    trigger = view.trigger or Trigger()
    external = trigger.source == "external"
    return {
        "trigger_source": "EXT" if external else f"INT{view.channel}",
        "trigger_slope": "POS" if trigger.slope == "rising" else "NEG",
        "trigger_coupling": "AC" if trigger.coupling == "ac" else "DC",
        "low_reject": trigger.coupling == "low_reject",
        "high_reject": trigger.coupling == "high_reject",
        "free_runs": not trigger.normal,
        "trigger_level_v": trigger.level_v or 0.0,
        "trigger_within_v": _EXTERNAL_WITHIN_V if external else _clean(OFFSET_WITHIN_DIV * view.volts_per_div),
    }


def _clean(value: float) -> float:
    """Take off the last bits that a product leaves, so that 8 × 0.1 V is sent as 0.8."""
    return float(f"{value:.12g}")
