"""The frequency counter, by SCPI."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.commands import COUNTER
from drivers.remote import Remote
from harness.errors import LinkError
from harness.link.link import Link

if TYPE_CHECKING:
    from harness.models import Counter


class ScpiCounter(Remote):
    """A counter."""

    def __init__(self, link: Link, model: Counter) -> None:
        super().__init__(link, "counter", COUNTER, model.commands)
        self.gate_s = model.gate

    def read_frequency_hz(self, expected_hz: float) -> float:
        """Count; the gate's own time is waited for on top of the link's."""
        self.preset()
        setup = self.commands.text("setup", gate_s=self.gate_s)
        if setup:
            self.establish(setup, held=self.commands.read_backs("setup", gate_s=self.gate_s))
        command = self.commands.text("frequency", expected_hz=expected_hz, gate_s=self.gate_s)
        try:
            return self.link.query_float(command, low=0.0, extra_s=2 * self.gate_s)
        except LinkError:
            self._preset_in = None  # somebody else's gate may be longer than anybody waits
            raise
