"""A level meter as the reference on which the sine is levelled, by SCPI."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drivers.commands import LEVEL_METER
from drivers.remote import Remote
from drivers.source import DBM_LOAD_OHM
from harness.errors import InstrumentError
from harness.link.link import Link
from harness.measurement import quantity_of
from harness.quantities import VPP_PER_VRMS_SINE
from harness.steps import Measure, Reading, Sine, View

if TYPE_CHECKING:
    from harness.models import Reference


class ScpiLevelMeter(Remote):
    """Answers in V rms (or dBm); read in the divisions of a display, so that it stands in for one."""

    def __init__(self, link: Link, model: Reference) -> None:
        super().__init__(link, "reference", LEVEL_METER, model.commands, model.setup)

    def show(self, view: View) -> None:
        """Nothing to set: a level meter ranges by itself."""

    def read(self, step: Measure) -> Reading:
        """Read the level of a sine."""
        if not isinstance(step.stimulus, Sine) or not quantity_of(step).amplitude:
            raise InstrumentError(self.link.name, f"is a level meter and cannot read {step.quantity} of this signal")
        values = {
            "channel": step.view.channel,
            "frequency_hz": step.stimulus.frequency_hz,
            "expected_vrms": step.stimulus.level_vpp / VPP_PER_VRMS_SINE,
        }
        self.establish(self.commands.text("setup", **values))
        level_vpp = self._level_vrms(values) * VPP_PER_VRMS_SINE
        return Reading(value=level_vpp / step.view.volts_per_div)

    def _level_vrms(self, values: dict[str, float]) -> float:
        if self.commands.has("vrms"):
            return self.link.query_float(self.commands.text("vrms", **values), low=0.0)
        if self.commands.has("dbm"):
            level_dbm = self.link.query_float(self.commands.text("dbm", **values))
            return math.sqrt(10 ** (level_dbm / 10) * 1e-3 * DBM_LOAD_OHM)
        raise InstrumentError(self.link.name, "has neither 'commands.vrms' nor 'commands.dbm'")
