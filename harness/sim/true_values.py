"""Hidden truths in the terms of a verification: what an ideal measurement of the simulated instruments would find."""

from __future__ import annotations

import math

from harness.sim import response
from harness.sim.truth import PathTruth
from harness.sim.waves import step_response
from harness.sim.world import World


def percent_off(shown: float, definition: str) -> float:
    """An error in percent, by the definition of a job, of what is shown over what is applied."""
    return 100 * ((1 / shown if definition == "deflection factor" else shown) - 1)


class TrueValues:
    """Answers about the truth; for tests and demonstrations, never for a measurement."""

    def __init__(self, world: World) -> None:
        self._world = world

    def half_power_hz(self, channel: int, display: str = "unit") -> float:
        """The half-power frequency of a channel's own response."""
        return response.half_power_hz(self._world.screens[display].channel(channel).response.chain)

    def half_power_behind_hz(self, channel: int, path: str, source_ohm: float = 50.0, display: str = "unit") -> float:
        """The same with the channel's input capacitance behind a source resistance and the path's termination."""
        screen = self._world.screens[display]
        ohm, farad = screen.load(channel)
        true = self._world.paths.get(path) or PathTruth()
        conductance = 1 / ohm + (1 / true.termination if true.termination else 0.0)
        loading = response.Loading(source_ohm, 1 / conductance, farad + true.capacitance)
        return response.half_power_hz((*true.response.chain, loading, *screen.channel(channel).response.chain))

    def response_db(self, channel: int, frequency_hz: float, display: str = "unit") -> float:
        """A channel's own response at a frequency."""
        chain = self._world.screens[display].channel(channel).response.chain
        return 20 * math.log10(abs(response.transfer(chain, frequency_hz)))

    def gain_error(self, channel: int, volts_per_div: float, display: str = "unit") -> float:
        """Error of the indication on a range, as a ratio."""
        return self._world.screens[display].channel(channel).gain_error(volts_per_div)

    def offset_div(self, channel: int, display: str = "unit", *, position_div: float = 0.0) -> float:
        """Where the ground line stands, from its place."""
        true = self._world.screens[display].channel(channel)
        return true.offset + true.position * position_div

    def bend(self, channel: int, display: str = "unit") -> float:
        """Departure from a straight line at half the screen's height, as a ratio."""
        return self._world.screens[display].channel(channel).bend

    def time_error(self, s_per_div: float, magnifier: float = 1.0, display: str = "unit") -> float:
        """Error of the indicated time on a range, as a ratio."""
        return self._world.screens[display].truth.time_error(s_per_div, magnifier)

    def rise_time_s(self, channel: int, source_rise_s: float = 0.0, display: str = "unit") -> float:
        """From 10 % to 90 % of the channel's answer to an edge, an ideal one where no rise time is given."""
        chain = self._world.screens[display].channel(channel).response.chain
        return step_response(chain, source_rise_s).rise_time_s()

    def overshoot(self, channel: int, source_rise_s: float = 0.0, display: str = "unit") -> float:
        """Overshoot of that answer, as a ratio of the amplitude."""
        chain = self._world.screens[display].channel(channel).response.chain
        return step_response(chain, source_rise_s).overshoot()

    def shown(self, channel: int, volts_per_div: float, path: str, nominal: float = 1.0) -> float:
        """What is shown of a voltage behind a path of this nominal ratio, over what is applied."""
        return (1 + self.gain_error(channel, volts_per_div)) * nominal / self.divides_by(path)

    def divides_by(self, path: str) -> float:
        """A path's true division ratio."""
        return self._world.paths[path].divides_by
