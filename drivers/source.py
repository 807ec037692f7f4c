"""Any instrument that gives a signal, by SCPI; the calibrator and the generator are two of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from drivers.commands import SOURCE, ReadBack
from drivers.remote import Remote
from harness.errors import InstrumentError, LinkError
from harness.link.link import Link, repeat_point
from harness.quantities import VPP_PER_VRMS_SINE
from harness.steps import Dc, NoSignal, Stimulus

if TYPE_CHECKING:
    from harness.steps import Role

DBM_LOAD_OHM = 50.0
REFUSALS = 5  # of "off" in a row that are believed


class ScpiSource(Remote):
    """Sets everything in one message, the output last; a new function is taken with the output off."""

    def __init__(self, link: Link, role: Role, overrides: Mapping[str, str]) -> None:
        super().__init__(link, role, SOURCE, overrides)
        self._function: tuple[int, type] | None = None

    def apply(self, stimulus: Stimulus) -> None:
        """Set the stimulus and switch the output on."""
        if isinstance(stimulus, NoSignal):
            self.off()
            return
        settings, held = self._settings(stimulus)
        message = self.commands.message(settings, self.commands.text("output_on"))
        if self.stands(message):
            return
        # A level that was right for one function may not be for the next: change it behind an open output.
        on = self.link.clean and self._function == (self.link.epoch, type(stimulus))
        self._function = None
        self.establish(settings, before="" if on else self.commands.text("output_off"), held=(*held, *self._output(on)))
        held = (*self._held[: len(held)], *self._output(on=True))
        if not on:
            self.establish(self.commands.text("output_on"), held=held)  # what was set may have changed behind it
        self._standing, self._held = (self.link.epoch, message), held
        self._function = (self.link.epoch, type(stimulus))

    def gives(self, stimulus: Stimulus) -> bool:
        """Whether just this stands at its output, and nothing has happened since that could have changed it."""
        if isinstance(stimulus, NoSignal):
            return False
        return self.stands(self.commands.message(self._settings(stimulus)[0], self.commands.text("output_on")))

    def off(self) -> None:
        """Switch the output off; always sent, whatever is believed to be set: the one command that takes no for no."""
        self.forget()
        for left in reversed(range(REFUSALS)):
            try:
                repeat_point(self._off, on_event=self.link.on_event)
            except LinkError:
                raise
            except InstrumentError as error:
                if not left and not error.command:
                    text = self.commands.text("output_off")
                    why = str(error).removeprefix(f"{self.link.name}: ")
                    raise InstrumentError(
                        self.link.name, f"{why} after {text!r}, its 'commands.output_off'", command=text
                    ) from error
                if not left:
                    raise
            else:
                return

    def forget(self) -> None:
        """Hold nothing for set."""
        super().forget()
        self._function = None

    def release(self) -> None:
        """Somebody turns the knobs of its front panel: nothing is certain but that the output is on."""
        self.forget()
        self._held = self._output(on=True)

    def _off(self) -> None:
        self.link.discard_errors()  # an earlier command's refusal must not look like this one's
        self._held = self._output(on=False)
        self.link.set(self.commands.text("output_off"))  # no preset first: off is urgent
        self.check()

    def _preset_holds(self) -> tuple[ReadBack, ...]:
        return self._output(on=False)

    def _output(self, on: bool) -> tuple[ReadBack, ...]:
        return self.commands.read_backs("output", on=int(on))

    def _settings(self, stimulus: Stimulus) -> tuple[str, tuple[ReadBack, ...]]:
        name, values = stimulus.command, fields_of(stimulus)
        text = self.commands.text(name, **values)
        if not text:
            raise InstrumentError(self.link.name, f"has no command for {name.replace('_', ' ')}; see 'commands.{name}'")
        return text, self.commands.read_backs(name, **values) + self.commands.read_backs("always")


def fields_of(stimulus: Stimulus) -> dict[str, float]:
    """Everything that the fields of its template may ask for; `offset_v` is the middle of a wave that stands on 0 V."""
    if isinstance(stimulus, Dc):
        return {"level_v": stimulus.level_v}
    rate_hz = stimulus.rate_hz or math.inf
    level_vrms = stimulus.level / VPP_PER_VRMS_SINE
    power_mw = level_vrms**2 / DBM_LOAD_OHM * 1e3
    return {
        "level_vpp": stimulus.level,
        "level_vp": stimulus.level / 2,
        "offset_v": stimulus.level / 2,
        "level_vrms": level_vrms,
        "level_dbm": 10 * math.log10(power_mw) if power_mw > 0 else -200.0,
        "frequency_hz": rate_hz,
        "period_s": getattr(stimulus, "period_s", 1 / rate_hz),
    }
