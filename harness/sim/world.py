"""The physics that joins the instruments: what a screen shows of what a source gives, through what lies between.

source voltage → source response → loading by everything connected → divider → channel response → gain error
→ noise → converter codes, or a trace of some width. Nothing here knows SCPI. The same seed and the same
order of work give the same readings; `begin` makes the noise a function of the step alone. Over 400 lines
because what a voltage meets on its way must be read together.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import assert_never

import numpy as np

from harness.sim.response import Chain, Floats, HighPass, Line, Loading, Pole, Transfer
from harness.sim.sweep import samples
from harness.sim.triggering import TriggerKnobs, fires
from harness.sim.truth import ChannelTruth, CounterTruth, MeterTruth, PathTruth, ScreenTruth, SourceTruth
from harness.sim.waves import (
    Level,
    Marks,
    Seen,
    Silence,
    SineWave,
    SquareWave,
    Steady,
    Wave,
    arrive,
    direct,
    flawed,
    late_s,
    raised,
)
from harness.steps import EXTERNAL, Coupling
from harness.words.clock import Clock

_LEAST_DIV = 0.4
"""Height below which a digital scope finds no edge; an own choice."""
_CROSSTALK_HZ = 100e6
"""Where a channel's crosstalk is stated; stray capacitance couples in proportion to frequency."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Connection:
    """A path from a source to an input."""

    path: str
    source: str
    display: str
    channel: int

    @property
    def at(self) -> tuple[str, int]:
        """The input that it leads to."""
        return self.display, self.channel


@dataclass(slots=True, kw_only=True)
class SimulatedSource:
    """A calibrator or generator: what its panel says, and what it is."""

    truth: SourceTruth
    resistance: float
    into: float | None  # the load for which its levels are stated; None for an open circuit
    wave: Wave = field(default_factory=Silence)
    offset_v: float = 0.0  # a direct voltage under the wave
    on: bool = False
    stuck: bool = False  # a fault: the output relay does not open
    switched: bool = True  # else it gives its signal whenever its instrument is on

    @property
    def live(self) -> bool:
        """Whether a voltage stands at its output."""
        return self.on and not isinstance(self.wave, Silence)

    def true_frequency_hz(self) -> float | None:
        """The repetition frequency of what it gives."""
        match self.wave:
            case SineWave(frequency_hz=f) | SquareWave(frequency_hz=f):
                return f * (1 + self.truth.time)
            case Marks(period_s=period_s):
                return 1 / (period_s * (1 + self.truth.time))
            case Silence() | Level():
                return None
            case _:
                assert_never(self.wave)

    def emf(self, hours: float) -> Wave:
        """The true voltage behind its output resistance."""
        true, open_circuit, common = self.truth, self._open_circuit, self._common(hours)
        match self.wave:
            case Silence():
                return self.wave
            case Level(level_v=level_v):
                return Level(level_v * common * (1 + true.gain_dc) + true.offset * open_circuit)
            case SineWave(level_vpp=vpp, frequency_hz=f):
                return SineWave(vpp * common * (1 + true.gain_sine), f * (1 + true.time))
            case SquareWave(level_vpp=vpp, frequency_hz=f, rise_s=rise_s):
                return SquareWave(vpp * common * (1 + true.gain_square), f * (1 + true.time), rise_s)
            case Marks(level_vpp=vpp, period_s=period_s):
                return Marks(vpp * common, period_s * (1 + true.time))
            case _:
                assert_never(self.wave)

    def emf_offset_v(self, hours: float) -> float:
        """The true direct voltage under it, behind the output resistance."""
        return self.offset_v * self._common(hours) if self.on and self.offset_v else 0.0

    @property
    def _open_circuit(self) -> float:
        return 1 + (self.resistance / self.into if self.into else 0.0)

    def _common(self, hours: float) -> float:
        return (1 + self.truth.gain) * (1 + self.truth.drift_per_hour * hours) * self._open_circuit


@dataclass(slots=True, kw_only=True)
class Input:
    """The settings of one channel of a screen."""

    volts_per_div: float
    ground_div: float = 0.0
    coupling: Coupling = "dc"
    input_ohm: float | None = None  # where another than the usual resistance is chosen
    limited: bool = False  # the bandwidth limiter is on


@dataclass(slots=True, kw_only=True)
class SimulatedScreen:
    """A display: its settings, and what it is."""

    truth: ScreenTruth
    resistance: float
    capacitance: float
    inputs: list[Input]
    s_per_div: float = 1e-3
    magnifier: float = 1.0
    vertical_div: float = 8.0
    horizontal_div: float = 10.0
    bits: int | None = 8  # None for an analogue trace
    limiter_hz: float = 20e6  # the pole of its bandwidth limiter
    knobs: TriggerKnobs = field(default_factory=TriggerKnobs)
    shown: int = 1  # the channel that was set last
    delay_s: float = 0.0  # from the trigger to the place `delay_from` of the width; magnified, of the sweep's middle
    delay_from: float = 0.5

    def channel(self, number: int) -> ChannelTruth:
        """The truth of a channel; an ideal one where none is written."""
        return self.truth.channel[number - 1] if number <= len(self.truth.channel) else _IDEAL

    @property
    def trigger_volts_per_div(self) -> float:
        """The range of the channel that triggers; its sensitivity is in divisions of it."""
        return self.inputs[int(self.knobs.source) - 1].volts_per_div if self.knobs.source != "external" else 1.0

    def load(self, number: int) -> tuple[float, float]:
        """Resistance and capacitance of an input; that of the external trigger is a usual one."""
        if number == EXTERNAL:
            return self.resistance, self.capacitance
        true, chosen_ohm = self.channel(number), self.inputs[number - 1].input_ohm
        usual_ohm = self.resistance if true.resistance is None else true.resistance
        return (
            usual_ohm if chosen_ohm is None else chosen_ohm,
            self.capacitance if true.capacitance is None else true.capacitance,
        )


_IDEAL = ChannelTruth()


@dataclass(slots=True, kw_only=True)
class LevelMeter:
    """A meter of sine level: one input, no screen."""

    truth: MeterTruth


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedTrace:
    """What stands on a screen, in divisions from its centre: where a voltage lies, before noise."""

    seen: Seen
    volts_per_div: float
    gain: float  # true indication per volt, over the nominal
    ground_div: float
    offset_div: float
    bend: float
    half_div: float
    late_s: float = 0.0  # behind the source
    phase: float | None = None  # of the signal where the sweep was started, in cycles; None: anywhere on a sine

    def divisions(self, volts: Floats) -> Floats:
        """Where these voltages appear."""
        y = volts * (self.gain / self.volts_per_div)
        if self.bend:
            # A position is added behind the amplifier; what is beyond the screen was taken off before it.
            before = self.ground_div if abs(self.ground_div) > self.half_div else 0.0
            y = (y + before) * (1 + self.bend * np.square((y + before) / self.half_div)) - before
        return y + (self.ground_div + self.offset_div)

    def extremes_div(self) -> tuple[float, float]:
        """Lowest and highest place of the trace."""
        low, high = self.divisions(np.array(self.seen.extremes()))
        return (float(low), float(high)) if low <= high else (float(high), float(low))

    def leaves_screen(self) -> bool:
        """Whether any of it is beyond the graticule."""
        low, high = self.extremes_div()
        return low < -self.half_div or high > self.half_div


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedRecord:
    """One digitised record: volts as the instrument reports them, with its own time step."""

    volts: Floats
    dt_s: float
    clipped: bool
    instant: tuple[float, float] | None = None  # where the trigger happened to be, in samples and in cycles
    late_s: float = 0.0  # behind the source
    least_v: float = 0.0  # what is lower is noise to the instrument: no edge is looked for in it


class World:
    """Everything that is on the bench and how it is connected."""

    def __init__(self, *, seed: int, clock: Clock) -> None:
        self.clock, self.seed = clock, seed
        self.sources: dict[str, SimulatedSource] = {}
        self.screens: dict[str, SimulatedScreen] = {}
        self.level_meters: dict[str, LevelMeter] = {}
        self.counters: dict[str, CounterTruth] = {}
        self.paths: dict[str, PathTruth] = {}
        self.routes: dict[int, Connection] = {}
        self.closed: set[int] = set()
        self.unplugged: set[tuple[str, int]] = set()  # inputs from which a hand took the switch's lead
        self.by_hand: list[Connection] = []
        self.rng = np.random.default_rng(seed)

    # --- noise -------------------------------------------------------------------------------------------------

    def begin(self, key: str) -> None:
        """Start the noise anew from a key, so that a step reads the same whatever came before it."""
        self.rng = self.rng_of(key)

    def rng_of(self, key: str) -> np.random.Generator:
        """Random numbers that depend on the seed and this key alone."""
        digest = hashlib.blake2b(f"{self.seed}/{key}".encode(), digest_size=16).digest()
        return np.random.Generator(np.random.PCG64(int.from_bytes(digest, "big")))

    @property
    def hours(self) -> float:
        """Time on the bench's clock, for drift."""
        return self.clock.now() / 3600

    # --- connections -------------------------------------------------------------------------------------------

    def connect(self, connection: Connection) -> None:
        """Move leads by hand: what used the path, the source's output or the input before is unplugged."""
        self.by_hand = [
            old
            for old in self.by_hand
            if old.path != connection.path and old.source != connection.source and old.at != connection.at
        ]
        if connection not in self.routes.values():
            here = {connection.at} & self._led_to()
            same = (r for r in self._closed() if (r.path, r.source) == (connection.path, connection.source))
            self.unplugged |= here or {r.at for r in same}  # the lead that a switch brings to another input
        self.by_hand.append(connection)

    def tee(self, connection: Connection) -> None:
        """Plug a further input into what is connected already."""
        self.replug(*connection.at)
        self.unplugged |= {connection.at} & self._led_to()
        self.by_hand.append(connection)

    def replug(self, display: str, channel: int) -> None:
        """Put the switch's lead back."""
        self.by_hand = [made for made in self.by_hand if made.at != (display, channel)]
        self.unplugged.discard((display, channel))

    def connections(self) -> Iterable[Connection]:
        """All that is joined now, by the switch first."""
        return [made for made in self._closed() if made.at not in self.unplugged] + self.by_hand

    def _closed(self) -> list[Connection]:
        """What the switch has closed, in the order of its channels."""
        return [self.routes[number] for number in sorted(self.closed) if number in self.routes]

    def _led_to(self) -> set[tuple[str, int]]:
        """The inputs that have a lead of the switch's."""
        return {route.at for route in self.routes.values()}

    def connection_to(self, display: str, channel: int) -> Connection | None:
        """What is plugged into an input."""
        return next((made for made in self.connections() if made.at == (display, channel)), None)

    def _load(self, connection: Connection) -> tuple[float, float]:
        """Conductance and capacitance that one connection puts on its source."""
        path = self.paths.get(connection.path) or PathTruth()
        conductance = 1 / path.termination if path.termination else 0.0
        if path.resistance:
            return conductance + 1 / path.resistance, path.capacitance
        if connection.display in self.screens:
            ohm, farad = self.screens[connection.display].load(connection.channel)
        else:
            meter = self.level_meters[connection.display].truth
            ohm, farad = meter.resistance, meter.capacitance
        if path.series:
            return 1 / (path.series + ohm), 0.0  # what is behind it hardly loads the source
        return conductance + 1 / ohm, farad + path.capacitance

    def _in_series(self, connection: Connection, path: PathTruth) -> Chain:
        """A resistor in the line, into the input behind it."""
        if not path.series or connection.display not in self.screens:
            return ()
        ohm, farad = self.screens[connection.display].load(connection.channel)
        return (Loading(path.series, ohm, farad + path.capacitance),)

    def arriving(self, connection: Connection) -> tuple[Wave, Chain, float]:
        """The source's true voltage, the cascade up to the input, and the division by the path."""
        source = self.sources[connection.source]
        path = self.paths.get(connection.path) or PathTruth()
        loads = [self._load(joined) for joined in self.connections() if joined.source == connection.source]
        load_ohm, load_farad = 1 / sum(g for g, _ in loads), sum(c for _, c in loads)
        loading: Transfer = Loading(source.resistance, load_ohm, load_farad)
        if source.truth.match is not None:  # what several inputs on a tee put on it stands at the end of its line
            loading = Line(source.resistance, path.delay, source.truth.match, load_ohm, load_farad)
        wave = source.emf(self.hours) if source.on else Silence()
        behind = (*path.response.chain, *self._in_series(connection, path))
        return wave, (*source.truth.response.chain, loading, *behind), 1 / path.divides_by

    # --- screens -----------------------------------------------------------------------------------------------

    def look(self, display: str, channel: int) -> SimulatedTrace:
        """What stands on a screen now."""
        screen = self.screens[display]
        settings, true = screen.inputs[channel - 1], screen.channel(channel)
        seen = self._seen(display, channel, settings, true)
        return SimulatedTrace(
            seen=seen,
            late_s=late_s(seen) + true.delay,
            volts_per_div=settings.volts_per_div,
            gain=(1 + true.gain_error(settings.volts_per_div)) * (1 + screen.truth.drift_per_hour * self.hours),
            ground_div=settings.ground_div,
            offset_div=true.offset + true.position * settings.ground_div + screen.truth.line_at(self.hours),
            bend=true.bend,
            half_div=screen.vertical_div / 2,
        )

    def _seen(self, display: str, channel: int, settings: Input, true: ChannelTruth) -> Seen:
        own = self.connection_to(display, channel)
        connection = own or (self._beside(display) if true.crosstalk else None)
        if connection is None or settings.coupling == "ground":
            return Steady(0.0)
        wave, chain, ratio = self.arriving(connection)
        if own is None and not isinstance(wave, SineWave):
            return Steady(0.0)
        if own is None:
            chain = (*chain, HighPass(_CROSSTALK_HZ / true.crosstalk))
        blocks = settings.coupling == "ac"
        if blocks and isinstance(wave, SineWave):
            chain = (*chain, HighPass(self.screens[display].truth.coupling))
        if settings.limited:
            chain = (*chain, Pole(self._limiter_hz(display)))
        seen = arrive(wave, chain + true.response.chain, ratio, blocks_dc=blocks)
        seen = flawed(seen, fall_slower=true.fall_slower, sag=true.sag, sag_below_hz=true.sag_below)
        under_v = 0.0 if blocks else self.sources[connection.source].emf_offset_v(self.hours)
        return raised(seen, under_v * ratio * direct(chain)) if under_v else seen

    def started(self, display: str) -> tuple[bool, float | None]:
        """Whether the next sweep is started, and where in the signal's cycle; None: anywhere."""
        screen = self.screens[display]
        knobs = screen.knobs
        if not knobs.chosen:
            return True, None
        seen = self._at_trigger(display, knobs)
        phase = fires(knobs, screen.truth.starts, seen, screen.trigger_volts_per_div, self.rng.standard_normal())
        return knobs.free_runs or phase is not None, phase

    def _at_trigger(self, display: str, knobs: TriggerKnobs) -> Seen:
        """What its trigger has to decide on: a channel as it is set, or what is plugged into the external input."""
        screen = self.screens[display]
        if knobs.source != "external":
            number = int(knobs.source)
            return self._seen(display, number, screen.inputs[number - 1], screen.channel(number))
        connection = self.connection_to(display, EXTERNAL)
        if connection is None:
            return Steady(0.0)
        wave, chain, ratio = self.arriving(connection)
        return arrive(wave, chain, ratio, blocks_dc=False)

    def _limiter_hz(self, display: str) -> float:
        screen = self.screens[display]
        return screen.truth.limiter or screen.limiter_hz

    def _beside(self, display: str) -> Connection | None:
        """What is plugged into any channel of a screen: a little of it couples into those that have nothing."""
        return next((each for each in self.connections() if each.display == display), None)

    def time_error(self, display: str) -> float:
        """The error of a screen's time scale as it is set."""
        screen = self.screens[display]
        return screen.truth.time_error(screen.s_per_div, screen.magnifier)

    def record(
        self, display: str, trace: SimulatedTrace, points: int, *, after: SimulatedRecord | None = None
    ) -> SimulatedRecord:
        """Digitise a trace: samples over the whole width, noise, and codes that end with the screen.

        A trace of the same sweep as an earlier record has its trigger, and arrives as much later as it does.
        """
        screen = self.screens[display]
        dt = screen.horizontal_div * screen.s_per_div / screen.magnifier / points
        instant, behind_s = (None, 0.0) if after is None else (after.instant, trace.late_s - after.late_s)
        if instant is None and not isinstance(trace.seen, Steady):
            jitter, phase = self.rng.random(2)
            instant = float(jitter), float(phase)
        volts = samples(
            trace, screen, points, dt / (1 + self.time_error(display)), self.rng,
            instant=instant or (0.0, 0.0), behind_s=behind_s,
        )  # fmt: skip
        y = trace.divisions(volts)
        noise_div = math.hypot(screen.truth.noise, screen.truth.noise_floor / trace.volts_per_div)
        if noise_div:
            y = y + self.rng.standard_normal(points) * noise_div
        top = (1 << (screen.bits or 8)) - 1
        half = trace.half_div
        codes = np.rint((y + half) * (top / (2 * half)))
        clipped = bool(codes.min() <= 0 or codes.max() >= top)
        codes = np.clip(codes, 0, top)
        reported = (codes * (2 * half / top) - (half + trace.ground_div)) * trace.volts_per_div
        least_v = _LEAST_DIV * trace.volts_per_div
        return SimulatedRecord(
            volts=reported, dt_s=dt, clipped=clipped, least_v=least_v, instant=instant, late_s=trace.late_s
        )

    # --- meters ------------------------------------------------------------------------------------------------

    def level_vrms(self, meter: str) -> float:
        """What a level meter indicates; NaN without a sine."""
        connection = self.connection_to(meter, 1)
        true = self.level_meters[meter].truth
        if connection is None:
            return math.nan
        wave, chain, ratio = self.arriving(connection)
        low, high = arrive(wave, chain + true.response.chain, ratio, blocks_dc=True).extremes()
        if not isinstance(wave, SineWave):
            return 0.0 if high == low else math.nan
        scatter = 1 + true.scatter * self.rng.standard_normal() if true.scatter else 1.0
        return float((high - low) / (2 * math.sqrt(2)) * (1 + true.gain) * scatter)

    def count_hz(self, counter: str, source: str) -> float:
        """What a counter indicates of a source's frequency; NaN where there is nothing to count."""
        box = self.sources[source]
        frequency_hz = box.true_frequency_hz() if box.live else None
        if frequency_hz is None:
            return math.nan
        true = self.counters[counter]
        scatter = true.scatter * self.rng.standard_normal() if true.scatter else 0.0
        return float(frequency_hz / (1 + true.time) * (1 + scatter))
