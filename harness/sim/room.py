"""A thermometer and hygrometer, and the room that it stands in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.sim.device import Answer, Argument
from harness.sim.instruments import Base
from harness.sim.profile import Profile
from harness.sim.truth import RoomTruth
from harness.sim.world import World

_SCALES: Final = {"celsius": (1.0, 0.0), "kelvin": (1.0, 273.15), "fahrenheit": (1.8, 32.0)}  # a kelvin in it, and 0 °C


class RoomMeterModel(Base):
    """A thermometer and hygrometer."""

    def __init__(self, name: str, profile: Profile, world: World, truth: RoomTruth) -> None:
        super().__init__(name, profile, world)
        self.truth = truth

    def answer(self, name: str, arguments: Sequence[Argument]) -> Answer:
        """Measure the room as it is by now."""
        if name == "humidity":
            return 100 * self.truth.humidity
        if name != "temperature":
            return super().answer(name, arguments)
        self.busy(self.profile.measures_in)
        celsius = self.truth.temperature + self.truth.warms_per_hour * self.world.clock.now() / 3600
        per_kelvin, zero = _SCALES[str(self.settings.get("temperature_unit", "celsius"))]
        return zero + per_kelvin * celsius
