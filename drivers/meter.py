"""The meter of the room, by SCPI: a thermometer, and mostly a hygrometer too."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.commands import METER
from drivers.remote import Remote
from harness.link.link import Link

if TYPE_CHECKING:
    from harness.models import Meter


class ScpiMeter(Remote):
    """Temperature in °C, relative humidity in percent."""

    def __init__(self, link: Link, model: Meter) -> None:
        super().__init__(link, "meter", METER, model.commands)

    def read_room(self) -> tuple[float, float | None]:
        """Measure; a room is between -40 °C and 80 °C, as in a logger's table."""
        self.establish(self.commands.text("setup"), held=self.commands.read_backs("setup"))
        warm = self.link.query_float(self.commands.text("temperature"), low=-40.0, high=80.0)
        if not self.commands.has("humidity"):
            return warm, None
        return warm, self.link.query_float(self.commands.text("humidity"), low=0.0, high=100.0)
