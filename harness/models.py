"""The four files as frozen models: bench, unit, job and queue. Pure: reading files is `harness.files.files`' work.

Every value is SI in memory; in a file it is text with its unit ("20 MHz"). A journal's header holds the
SI numbers themselves and is read back with `from_header`.
Over 400 lines because it is one list: every key that a file may have, in one place to look it up.
"""

from __future__ import annotations

import datetime as dt
import inspect
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, TypeAlias, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, SecretStr, create_model

from harness import measurement
from harness.steps import EXTERNAL, ROLES, Connect, Display, Role, Trigger, View
from harness.values import (
    Celsius,
    Day,
    Decibels,
    Divisions,
    Factor,
    Farads,
    Flag,
    Hertz,
    Level,
    Model,
    Ohms,
    Ratings,
    Ratio,
    Seconds,
    ToCarrier,
    Volts,
    VoltsPp,
    VoltsRms,
    Watts,
    Whole,
)
from harness.words import moments, numbering
from harness.words.language import languages

# Standing-wave ratios that are assumed where none is stated; common practice: makers state 1.2 to 2 of a generator, and
# 1.05 to 1.2 of a feed-through termination.
ASSUMED_SOURCE_VSWR: Final = 1.5
ASSUMED_LOAD_VSWR: Final = 1.1
ASSUMED_PEAKING_DB: Final = 0.3
"""What a second-order response of 9 % overshoot rises by; makers rate 5 to 10 % (common practice)."""
ASSUMED_GAIN_CHANGE: Final = {"remote": 0.005, "eye": 0.01}
"""Of a converter and of a tube, between a deflection and 0.71 of it; common practice."""
LOW_OHM: Final = 1e3
"""An input below this ends a line, as one of 50 ohm does: it turns what is applied into heat, and needs a rating."""


Function: TypeAlias = Literal["dc", "square", "sine", "frequency", "period"]


def _within(value: float | None, low: float | None, high: float | None) -> bool:
    return value is None or (
        (low is None or value >= low * (1 - 1e-9)) and (high is None or value <= high * (1 + 1e-9))
    )


class SignalRange(Model):
    """A range of level and frequency, for which a line holds."""

    level_from: Level | None = Field(None, description="lowest level the line holds for")
    level_to: Level | None = Field(None, description="highest level the line holds for")
    frequency_from: Hertz | None = Field(None, description="lowest frequency the line holds for")
    frequency_to: Hertz | None = Field(None, description="highest frequency the line holds for")

    def covers(self, *, level: float | None = None, frequency_hz: float | None = None) -> bool:
        """Whether the line holds at a level and a frequency; a signal without one of them is in every range of it."""
        return _within(level, self.level_from, self.level_to) and _within(
            frequency_hz, self.frequency_from, self.frequency_to
        )


class Accuracy(SignalRange):
    """One line of a specification: ±(of_value · value + floor), for a function over a range."""

    function: Function = Field(description="what is specified: dc, square or sine level, frequency, or period")
    of_value: Ratio = Field(0.0, ge=0, description="part proportional to the value, such as '0.05 %'")
    floor: Level | None = Field(None, ge=0, description="fixed part of a level, such as '10 uV'")
    db: Decibels | None = Field(
        None, ge=0, description="for a levelled sine: flatness relative to the reference frequency"
    )
    stated_as: Literal["limits", "expanded"] = Field(
        "limits",
        description="'limits': a maker's ± limits, taken as rectangular; 'expanded': a certificate's U with k = 2",
    )


class SerialLine(Model):
    """How a serial line is set; both ends must agree."""

    baud: Whole = Field(9600, ge=50, le=4_000_000, description="bits a second")
    data_bits: Literal[7, 8] = Field(8, description="bits of a character")
    parity: Literal["none", "odd", "even"] = Field("none", description="parity bit after them")
    stop_bits: Literal[1, 2] = Field(1, description="stop bits")
    flow_control: Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"] = Field(
        "none", description="how a full buffer is said: by characters, or by the line that is named"
    )


End: TypeAlias = Literal["LF", "CR", "CR LF"]


def _sent(value: object) -> object:
    if isinstance(value, str) and not (value.isascii() and (value.isprintable() or not value) and len(value) <= 64):
        raise ValueError("stands on the line to an instrument: expected at most 64 characters of plain ASCII")
    return value


SentText: TypeAlias = Annotated[str, BeforeValidator(_sent)]


class LinkProfile(Model):
    """How an instrument is spoken to that differs from IEEE 488.2; `harness.link.dialect` has the same keys."""

    ends_with: End = Field("LF", description="what ends a message to the instrument")
    answers_end_with: End = Field("LF", description="what ends its answers")
    compounds: Flag = Field(True, description="whether it takes several commands in one message")
    acknowledges: SentText = Field("", description="what it answers to every command that asks nothing")
    refuses: SentText = Field("", description="what its answer to a command or question that it refuses begins with")
    identify: SentText = Field("*IDN?", description="asks who it is; '' where nothing does")
    done: SentText = Field("*OPC?", description="answers 1 when everything before is done; '' where nothing does")
    status: SentText = Field("*ESR?", description="asks for the event status; '' where it has none")
    echo: SentText = Field(
        "*ESE", description="sets a number that nothing else uses, asked with ?; '' where it has none"
    )
    headers: Flag = Field(False, description="whether its answers begin with their header, ':VOLT 1.0'")
    units: tuple[Literal["V", "Vpp", "Hz", "s", "%", "dBm"], ...] = Field(
        (), description="basic units that may follow its numbers, '1.000 V'; none with a prefix"
    )
    between: Seconds = Field(0.0, ge=0, le=60, description="least time between two connections")
    patience: Seconds = Field(
        0.0, ge=0, le=600, description="how long it may refuse a connection while the last one lingers"
    )


class KnownError(SignalRange):
    """A known error: the true value is what the instrument says, times (1 + of_value), plus floor."""

    function: Literal["dc", "square", "frequency", "period"] = Field(
        description="what is wrong by a known amount: dc or square level, frequency, or period"
    )
    of_value: Ratio = Field(0.0, gt=-1, lt=1, description="part proportional to the value, such as '+0.21 %'")
    floor: Level | None = Field(None, description="fixed part of a level, such as '-30 uV'")


class SourceSettling(SignalRange):
    """One line of how long a source takes to settle, over a range of level and frequency."""

    wait: Seconds = Field(ge=0, le=3600, description="wait after a new setting there, instead of 'settle'")


class ScreenSettling(Model):
    """One line of how long a display takes to settle, over a range of deflection factors."""

    volts_per_div_from: Volts | None = Field(None, description="lowest deflection factor the line holds for")
    volts_per_div_to: Volts | None = Field(None, description="highest deflection factor the line holds for")
    wait: Seconds = Field(ge=0, le=3600, description="wait after a new setting there, instead of 'settle'")

    def covers(self, volts_per_div: float) -> bool:
        """Whether this line holds at a deflection factor."""
        return _within(volts_per_div, self.volts_per_div_from, self.volts_per_div_to)


SettledWithin: TypeAlias = Annotated[
    Divisions | None,
    Field(gt=0, le=1, description="a reading counts when two in a row agree within this; read over the interface only"),
]
SettledBy: TypeAlias = Annotated[
    Seconds, Field(gt=0, le=3600, description="longest wait for 'settled_within'; then the last reading, marked")
]


class Instrument(Model):
    """What every instrument of a bench has."""

    driver: str = Field(
        "scpi", description="'scpi', 'manual' (a person sets and reads), or 'FILE.py:Class' of your own"
    )
    address: str | None = Field(None, description="a VISA address, such as 'TCPIP0::192.0.2.11::5025::SOCKET'")
    identity: str | None = Field(None, description="what *IDN? must answer; compared at every start")
    maker: str = Field("", description="maker, as the report shows it")
    model: str = Field("", description="model, as the report shows it")
    serial: str = Field("", description="serial number")
    certificate: str | None = Field(None, description="number of the calibration certificate")
    certificate_by: str | None = Field(
        None, description="laboratory that issued the certificate, and its accreditation"
    )
    certified: Day | None = Field(None, description="date of the certificate")
    due: Day | None = Field(None, description="date on which the certificate runs out")
    settle: Seconds = Field(0.0, ge=0, le=600, description="wait after a new setting")
    warm_up: Seconds = Field(0.0, ge=0, le=86400, description="time from switching on until the specification holds")
    timeout: Seconds = Field(2.0, gt=0, le=120, description="longest wait for one answer")
    serial_line: SerialLine | None = Field(None, description="how a serial line is set: the table [ROLE.serial_line]")
    link: LinkProfile | None = Field(None, description="where it differs from IEEE 488.2: the table [ROLE.link]")
    tag_queries: Flag = Field(
        True, description="a counted number goes with every query, so that no other reply can pass for its own"
    )
    commands: Mapping[str, str] = Field(
        default_factory=dict, description="commands that differ from the driver's table"
    )
    accuracy: tuple[Accuracy, ...] = Field((), description="specification, one [[ROLE.accuracy]] table a line")
    known_error: tuple[KnownError, ...] = Field(
        (), description="errors known from its certificate and corrected for, one [[ROLE.known_error]] table a line"
    )

    @property
    def label(self) -> str:
        """Maker, model and serial number, as far as they are known."""
        serial = f"no. {self.serial}" if self.serial else ""
        return (
            " ".join(part for part in (self.maker, self.model, serial) if part) or self.identity or self.address or "?"
        )


Levels: TypeAlias = Literal["continuous", "decade", "1-2-5"] | tuple[Level, ...]


class Calibrator(Instrument):
    """The source of known voltages, time marks and fast edges."""

    functions: tuple[Literal["dc", "square", "time_marks", "edge"], ...] = Field(
        ("dc", "square", "time_marks"), description="what it can give"
    )
    levels: Levels = Field("continuous", description="'continuous', 'decade', '1-2-5', or a list of levels")
    level_low: Level = Field(1e-3, description="smallest level")
    level_high: Level = Field(200.0, description="largest level")
    level_digits: Whole = Field(5, ge=1, le=9, description="significant digits that a continuous level can be set to")
    negative: Flag = Field(True, description="whether it gives direct voltages of either sign")
    square_frequency: Hertz = Field(1e3, description="frequency of the square wave")
    periods: Literal["continuous", "decade", "1-2-5"] | tuple[Seconds, ...] = Field(
        "1-2-5", description="time marks: 'continuous', 'decade', '1-2-5', or a list of periods"
    )
    period_low: Seconds = Field(2e-9, description="shortest period of the time marks")
    period_high: Seconds = Field(5.0, description="longest period of the time marks")
    mark_level: Level = Field(1.0, description="level of the time marks")
    edge_rise_time: Seconds | None = Field(None, gt=0, description="rise time of the fast edge, 10 % to 90 %")
    edge_rise_time_u: Seconds | None = Field(None, ge=0, description="standard uncertainty of the edge's rise time")
    edge_aberration: Ratio | None = Field(
        None, ge=0, description="largest aberration of the edge; left out: nothing is allowed for it"
    )
    edge_frequency: Hertz = Field(1e5, description="repetition frequency of the fast edge")
    output_switch: Flag = Field(
        True, description="its output can be switched off; else it is turned down or unplugged, where that matters"
    )
    settling: tuple[SourceSettling, ...] = Field(
        (), description="other waits than 'settle', one [[calibrator.settling]] table a range"
    )


class Generator(Instrument):
    """The source of the levelled sine."""

    frequency_low: Hertz = Field(1.0, description="lowest frequency")
    frequency_high: Hertz = Field(1e9, description="highest frequency")
    level_low: VoltsPp = Field(1e-2, description="smallest level into 50 ohm")
    level_high: VoltsPp = Field(5.0, description="largest level into 50 ohm")
    vswr: Factor | None = Field(
        None,
        ge=1,
        le=10,
        description=f"of the source, 1 is a perfect match; left out: {ASSUMED_SOURCE_VSWR:g} is assumed",
    )
    harmonics: ToCarrier | None = Field(
        None, ge=-120, le=-10, description="largest harmonic of the sine; left out: nothing is allowed for it"
    )
    edge_rise_time: Seconds | None = Field(
        None, gt=0, description="rise time of its square wave, if it serves as the fast edge"
    )
    edge_rise_time_u: Seconds | None = Field(None, ge=0, description="standard uncertainty of that rise time")
    edge_aberration: Ratio | None = Field(
        None, ge=0, description="largest aberration of that edge; left out: nothing is allowed for it"
    )
    output_switch: Flag = Field(
        True, description="its output can be switched off; else it is turned down or unplugged, where that matters"
    )
    settling: tuple[SourceSettling, ...] = Field(
        (), description="other waits than 'settle', one [[generator.settling]] table a range"
    )

    @property
    def source_vswr(self) -> float:
        """The standing-wave ratio of the source, as stated or assumed."""
        return self.vswr or ASSUMED_SOURCE_VSWR


class Counter(Instrument):
    """Reads the frequency of the sine."""

    gate: Seconds = Field(0.1, gt=0, le=100, description="gate time of one count")


class FlatnessPoint(Model):
    """One point of a measured flatness: indicated over true level, relative to the reference frequency."""

    frequency: Hertz = Field(description="frequency of the point")
    db: Decibels = Field(description="what it shows over what is there, relative to the reference frequency")
    u: Decibels = Field(ge=0, description="expanded uncertainty, k = 2")


_Setup: TypeAlias = Annotated[
    tuple[SentText, ...],
    Field(description="own commands, sent after every preset: what the table of commands has no word for"),
]


class Reference(Instrument):
    """The faster scope, or level meter, on which the sine is levelled."""

    kind: Literal["scope", "level_meter"] = Field("scope", description="a faster oscilloscope, or a level meter")
    read: Literal["remote", "eye"] = Field("remote", description="over its interface, or by a person's eyes")
    channel: Whole = Field(1, ge=1, le=16, description="the input that the sine is levelled on")
    volts_per_div: tuple[Volts, ...] = Field(
        (5e-3, 1e-2, 2e-2, 5e-2, 0.1, 0.2, 0.5, 1.0), description="its deflection factors"
    )
    s_per_div: tuple[Seconds, ...] = Field((), description="its time factors")
    vertical_div: Divisions = Field(8.0, description="height of its graticule")
    bandwidth: Hertz | None = Field(None, gt=0, description="its half-power frequency, for the roll-off correction")
    bandwidth_is: Literal["stated", "at_least"] = Field(
        "at_least", description="'stated': the frequency itself; 'at_least': a rating that it exceeds"
    )
    peaking: Decibels | None = Field(
        None,
        ge=0,
        le=3,
        description="largest rise of its response, where only 'at_least' is known of it; "
        f"left out: {ASSUMED_PEAKING_DB:g} dB",
    )
    shape: Literal["unknown", "single_pole", "gaussian"] = Field(
        "unknown", description="how its response falls, where that is known"
    )
    flatness: tuple[FlatnessPoint, ...] = Field(
        (), description="measured response, one [[reference.flatness]] table a point; preferred to 'bandwidth'"
    )
    resolution: Divisions | None = Field(
        None, ge=0, description="finest step of a reading; left out: 0.1 div by eye, else none"
    )
    scatter: Divisions | None = Field(
        None, ge=0, description="standard deviation of one reading; left out: 0.03 div by eye, else 0.01 div"
    )
    vswr: Factor | None = Field(
        None, ge=1, le=10, description="of its input, 1 is a perfect match; left out: that of the path to it"
    )
    input_resistance: Ohms | None = Field(
        None, gt=0, description="of its input; left out: 1 Mohm for a scope, 50 ohm for a level meter"
    )
    input_capacitance: Farads = Field(
        0.0, ge=0, description="of a high-impedance input behind a feed-through termination"
    )
    maximum: Volts | None = Field(None, gt=0, description="largest DC + peak AC voltage at its input")
    maximum_rms: VoltsRms | None = Field(
        None, gt=0, description="largest rms voltage at its input; required below 1 kohm"
    )
    setup: _Setup = ()
    settling: tuple[ScreenSettling, ...] = Field(
        (), description="other waits than 'settle', one [[reference.settling]] table a range"
    )
    settled_within: SettledWithin = None
    settled_by: SettledBy = 30.0

    @property
    def step_div(self) -> float:
        """The finest step of a reading."""
        return self.resolution if self.resolution is not None else 0.1 if self.read == "eye" else 0.0

    @property
    def scatter_div(self) -> float:
        """The standard deviation of one reading."""
        return self.scatter if self.scatter is not None else 0.03 if self.read == "eye" else 0.01

    @property
    def rise_db(self) -> float:
        """How far its response may rise above flat: as stated, or what is assumed."""
        return ASSUMED_PEAKING_DB if self.peaking is None else self.peaking

    @property
    def input_ohm(self) -> float:
        """The resistance of its input: as stated, or what is usual for its kind."""
        return self.input_resistance or (50.0 if self.kind == "level_meter" else 1e6)


class UnitLink(Instrument):
    """How the unit under test is reached from this bench."""

    setup: _Setup = ()
    settling: tuple[ScreenSettling, ...] = Field(
        (), description="other waits than 'settle', one [[unit.settling]] table a range"
    )


class Switch(Instrument):
    """Moves signals between paths, so that no hand is needed."""

    hot: Flag = Field(
        False, description="it may be worked with a level on it: where runs go together, one that is no hazard stays on"
    )


class Meter(Instrument):
    """Tells the temperature and the humidity of the room."""


class SignalPath(Model):
    """What lies between a source and an input."""

    label: str = Field("", description="what it is called in prompts and reports")
    divides_by: Factor = Field(1.0, gt=0, le=1e4, description="10 for a ×10 divider probe")
    tolerance: Ratio = Field(0.0, ge=0, description="limits of the division ratio")
    maximum: Volts | None = Field(None, gt=0, description="largest peak voltage at its input")
    termination: Ohms | None = Field(
        None, gt=0, description="feed-through termination at the unit's input; not before a 50 ohm input"
    )
    termination_tolerance: Ratio = Field(0.0, ge=0, description="limits of the termination's resistance")
    termination_power: Watts | None = Field(
        None, gt=0, description="largest power that the termination bears; required with 'termination'"
    )
    vswr: Factor | None = Field(
        None,
        ge=1,
        le=10,
        description="of the load that the source sees, without the input's capacitance; "
        f"left out: {ASSUMED_LOAD_VSWR:g} is assumed",
    )
    series_resistance: Ohms | None = Field(
        None, gt=0, description="a known resistor in its line, at the unit's input: from it that input's own is found"
    )
    series_tolerance: Ratio = Field(0.0, ge=0, description="limits of that resistor")
    series_capacitance: Farads = Field(0.0, ge=0, description="what its holder adds to the capacitance of the input")
    series_capacitance_within: Farads = Field(1e-12, ge=0, description="limits of that capacitance")
    tee_delay: Seconds = Field(
        1e-10, ge=0, description="two leads of it from one tee differ in delay by no more than this; 5 ns a metre"
    )
    rise_time: Seconds = Field(0.0, ge=0, description="rise time of the path itself")
    rise_time_u: Seconds | None = Field(None, ge=0, description="standard uncertainty of the path's rise time")
    routes: Mapping[str, str] = Field(
        default_factory=dict,
        description="channel lists for the switch, by input: {reference = '(@101)', unit-1 = '(@102)'}; "
        "at a position NAME-1",
    )

    @property
    def load_vswr(self) -> float:
        """The standing-wave ratio of the load, as stated or assumed."""
        return self.vswr or ASSUMED_LOAD_VSWR


def _scheme(value: object) -> object:
    return numbering.checked(value) if isinstance(value, str) else value


class ScopeLine(Model):
    """One line of a scope of accreditation: the smallest uncertainty of a quantity over a range."""

    quantity: str = Field(min_length=1, description="what is stated, as the report calls it: 'deflection'")
    volts_per_div_from: Volts | None = Field(None, description="lowest deflection factor the line holds for")
    volts_per_div_to: Volts | None = Field(None, description="highest deflection factor the line holds for")
    s_per_div_from: Seconds | None = Field(None, description="fastest time factor the line holds for")
    s_per_div_to: Seconds | None = Field(None, description="slowest time factor the line holds for")
    frequency_from: Hertz | None = Field(None, description="lowest frequency the line holds for")
    frequency_to: Hertz | None = Field(None, description="highest frequency the line holds for")
    smallest: Ratio | None = Field(
        None, gt=0, description="smallest U, k = 2: of an error in percent, else as a part of the value"
    )
    smallest_db: Decibels | None = Field(None, gt=0, description="smallest U of a result in dB, k = 2")

    def covers(self, *, volts_per_div: float | None, s_per_div: float | None, frequency_hz: float | None) -> bool:
        """Whether the line holds at a setting and a frequency; a result without one of them is in every range of it."""
        return (
            _within(volts_per_div, self.volts_per_div_from, self.volts_per_div_to)
            and _within(s_per_div, self.s_per_div_from, self.s_per_div_to)
            and _within(frequency_hz, self.frequency_from, self.frequency_to)
        )


class Bench(Model):
    """The instruments of a bench by role, and the paths between them."""

    name: str = Field(description="name of the bench")
    location: str = Field("", description="where it stands")
    report_number: Annotated[str, BeforeValidator(_scheme)] | None = Field(
        None, description="scheme of the numbers of its reports, such as 'BW-{year}-{count:04}'"
    )
    approval: Literal["required"] | None = Field(
        None, description="'required': a report is a draft until somebody other than its operator approves it"
    )
    simulation: str | None = Field(None, description="a simulated bench's file: no real instrument is opened")
    standards: str | None = Field(
        None, description="the laboratory's register of standards: what it has of a 'serial' is taken from there"
    )
    scope: tuple[ScopeLine, ...] = Field(
        (), description="the scope of accreditation, one [[scope]] table a line; it may stand in the register instead"
    )
    calibrator: Calibrator | None = Field(None, description="source of known voltages, time marks and fast edges")
    generator: Generator | None = Field(None, description="source of the levelled sine")
    counter: Counter | None = Field(None, description="frequency counter")
    reference: Reference | None = Field(
        None, description="the faster scope, or level meter, on which the sine is levelled"
    )
    unit: UnitLink | None = Field(None, description="how a unit that is read 'remote' is reached")
    positions: Mapping[str, UnitLink] = Field(
        default_factory=dict,
        description="places of several units behind one switch, each like [unit]: [positions.NAME]",
    )
    switch: Switch | None = Field(None, description="moves signals between paths, so that no hand is needed")
    meter: Meter | None = Field(
        None, description="thermometer and hygrometer of the room, which is asked at the moments of the readings"
    )
    paths: Mapping[str, SignalPath] = Field(default_factory=dict, description="signal paths by name: [paths.NAME]")

    def instruments(self) -> Iterator[tuple[Role, Instrument]]:
        """The roles that are filled, in order."""
        for role in ROLES:
            instrument = getattr(self, role)
            if instrument is not None:
                yield role, instrument

    def path(self, name: str) -> SignalPath:
        """The path of that name; one that the file does not describe divides by nothing."""
        return self.paths.get(name) or SignalPath()

    def at(self, position: str | None) -> Bench:
        """This bench as a job at one of its positions sees it: `unit` is what stands there."""
        return self if position is None else self.model_copy(update={"unit": self.positions[position]})


class Document(Model):
    """Where the maker's ratings are written."""

    title: str = Field(min_length=1, description="title of the document that the ratings come from")
    edition: str = Field("", description="its edition or date")
    page: str = Field("", description="the page or pages on which the ratings stand")

    def __str__(self) -> str:
        edition, page = self.edition and f"edition {self.edition}", self.page and f"page {self.page}"
        return ", ".join(filter(None, (self.title, edition, page)))


class UnitInput(Model):
    """The unit's input."""

    resistance: Ohms = Field(1e6, description="input resistance")
    capacitance: Farads = Field(20e-12, description="input capacitance")
    maximum: Volts = Field(gt=0, description="largest DC + peak AC voltage")
    maximum_rms: VoltsRms | None = Field(None, gt=0, description="largest rms voltage; required below 1 kohm")
    external_maximum: Volts | None = Field(
        None, gt=0, description="largest DC + peak AC voltage of the external trigger; required where it is used"
    )


class _OfOwn(Ratings):
    """What the maker rates, by the measurements that try it; a table [tolerance.NAME] for a user's own NAME.py."""

    model_config = ConfigDict(extra="allow", frozen=True, title="Tolerances")
    __pydantic_extra__: dict[str, Mapping[str, Any]]


if TYPE_CHECKING:
    Tolerances: TypeAlias = _OfOwn
else:
    _parts = (*reversed(measurement.rated_models()), _OfOwn)  # so that the keys come in the order of the measurements
    Tolerances = create_model("Tolerances", __base__=_parts, __doc__=_OfOwn.__doc__)


class RangeBandwidth(Model):
    """Another bandwidth on some of the deflection factors."""

    volts_per_div: tuple[Volts, ...] = Field(min_length=1, description="the deflection factors on which it holds")
    bandwidth: Hertz = Field(gt=0, description="rated bandwidth there")


class Unit(Model):
    """A model of oscilloscope."""

    maker: str = Field(description="maker of the oscilloscope")
    model: str = Field(description="model of the oscilloscope")
    channels: Whole = Field(2, ge=1, le=16, description="number of channels")
    volts_per_div: tuple[Volts, ...] = Field(min_length=1, description="deflection factors, such as ['5 mV', '10 mV']")
    s_per_div: tuple[Seconds, ...] = Field((), description="time factors, such as ['1 us', '2 us']")
    magnifier: Factor = Field(1.0, ge=1, le=100, description="10 for a ×10 magnifier of the time base")
    bandwidth: Hertz = Field(gt=0, description="rated bandwidth")
    bandwidth_volts_per_div: Volts | None = Field(None, description="range on which the bandwidth is tried")
    bandwidth_by_range: tuple[RangeBandwidth, ...] = Field(
        (), description="where some ranges have another: [{volts_per_div = ['2 mV'], bandwidth = '20 MHz'}]"
    )
    bandwidth_plane: Literal["input", "source"] = Field(
        "input",
        description="where the level of the rated bandwidth is meant: at the 'input', or of a terminated 'source' of "
        "25 ohm, whose loading by the input's capacitance is then the unit's own",
    )
    rise_time: Seconds | None = Field(None, gt=0, description="rated rise time, if the maker gives one")
    sample_rate: Hertz | None = Field(
        None, gt=0, description="fastest real sample rate; faster records are of several sweeps, or interpolated"
    )
    tolerance: Tolerances = Field(Tolerances(), description="the maker's tolerances: the table [tolerance]")
    rated_from: Celsius | None = Field(None, description="coolest room in which the tolerances hold as they stand")
    rated_to: Celsius | None = Field(None, description="warmest room in which the tolerances hold as they stand")
    document: Document | None = Field(None, description="the document that the ratings come from: the table [document]")
    input: UnitInput = Field(description="the table [input]")
    vertical_div: Divisions = Field(8.0, description="height of the graticule")
    horizontal_div: Divisions = Field(10.0, description="width of the graticule")
    read: Literal["remote", "eye"] = Field("eye", description="over its interface, or by a person's eyes")
    linearity: Ratio | None = Field(
        None,
        ge=0,
        le=0.1,
        description="largest change of the gain from a deflection to half power of it; left out: 0.5 %, by eye 1 %",
    )
    subdivisions: Whole = Field(5, ge=1, le=20, description="small divisions in one, as its graticule has them")
    resolution: Divisions = Field(0.1, ge=0, description="finest step of a reading")
    scatter: Divisions = Field(0.03, ge=0, description="standard deviation of one reading")
    time_resolution: Divisions = Field(0.1, ge=0, description="finest step of a reading along the time axis")
    self_calibration: Flag = Field(
        False, description="a remote unit calibrates itself first, with every output off; what fails ends the run"
    )
    self_calibration_by: Seconds = Field(600.0, gt=0, le=7200, description="longest wait for that")
    settled_within: SettledWithin = None
    settled_by: SettledBy = 30.0

    @property
    def gain_change(self) -> float:
        """How far the gain may change from a deflection to half power of it: as stated, or what is assumed."""
        return ASSUMED_GAIN_CHANGE[self.read] if self.linearity is None else self.linearity

    @property
    def own_rise_time(self) -> float:
        """As rated, or what goes with its bandwidth: 0.35 over it, common practice."""
        return self.rise_time or 0.35 / self.bandwidth

    @property
    def usable_div(self) -> float:
        """The height of the screen but a division at each end, where a tube is least linear and a trace is lost."""
        return max(self.vertical_div - 2.0, 1.0)

    def on_range(self, volts_per_div: float) -> Unit:
        """The unit with the bandwidth that is rated on this range."""
        for line in self.bandwidth_by_range:
            if any(math.isclose(volts_per_div, at, rel_tol=1e-9) for at in line.volts_per_div):
                return self.model_copy(update=line.model_dump(exclude={"volts_per_div"}))
        return self

    def kelvin_outside(self, temperature: float | None) -> float:
        """How far a room lies outside the maker's temperatures; 0 where one of them is not stated."""
        if temperature is None:
            return 0.0
        below = 0.0 if self.rated_from is None else self.rated_from - temperature
        above = 0.0 if self.rated_to is None else temperature - self.rated_to
        return max(0.0, below, above)


R = TypeVar("R", bound=BaseModel)


def rated(unit: Unit, keys: type[R]) -> R:
    """What a unit file rates for a measurement, by its `Rated`; for a user's own, its table [tolerance.NAME]."""
    if isinstance(unit.tolerance, keys):
        return unit.tolerance
    return keys.model_validate((unit.tolerance.model_extra or {}).get(table_of(keys), {}), context={"si": True})


def table_of(keys: type[BaseModel]) -> str:
    """What a user's own measurement is called in the unit file: as its file, or its folder."""
    path = Path(inspect.getfile(keys))
    return path.parent.name if path.stem == "__init__" else path.stem


class Environment(Model):
    """The room."""

    temperature: Celsius | None = Field(None, description="air temperature")
    temperature_within: Celsius | None = Field(None, ge=0, description="it stayed within ± this during the work")
    humidity: Ratio | None = Field(None, description="relative humidity, such as '45 %'")
    humidity_within: Ratio | None = Field(None, ge=0, description="it stayed within ± this during the work")
    note: str = Field("", description="anything else about the room")


class SequenceUse(Model):
    """One sequence of a job; keys other than `use` are its options."""

    model_config = ConfigDict(extra="allow", frozen=True)
    use: str = Field(description="'vertical', 'bandwidth', 'time_base', 'pulse', or 'FILE.py' of your own")

    @property
    def options(self) -> dict[str, Any]:
        """The options as the file wrote them."""
        return dict(self.model_extra or {})


def _a_language(code: str) -> str:
    if code not in languages():
        raise ValueError(f"{code!r} is no language of this program; it has {', '.join(languages())}")
    return code


Language: TypeAlias = Annotated[str, AfterValidator(_a_language)]
Rule: TypeAlias = Literal["simple", "guarded", "binary", "non-binary", "managed"]
ErrorDefinition: TypeAlias = Literal["indication", "deflection factor"]


def an_interval(value: object) -> object:
    """Refuse what is no interval; it stays as it is written."""
    if isinstance(value, str) and value:
        moments.interval(value)
    return value


class Job(Model):
    """One unit on one bench: what to do, and by which rule to decide."""

    title: str = Field("", description="heading of the report")
    language: Language = Field("en", description="of the questions and of the report as page and paper: en, de or fr")
    unit: str = Field(description="the unit file")
    bench: str = Field(description="the bench file")
    position: str | None = Field(None, description="where on the bench the unit stands: a [positions.NAME] of it")
    serial: str = Field(min_length=1, description="serial number of the unit under test")
    answers_as: str | None = Field(
        None, min_length=1, description="the serial number as the unit itself gives it, where its label has another"
    )
    condition: Literal["as found", "as left"] = Field(
        "as found", description="'as found' before any adjustment, 'as left' after it"
    )
    item_condition: str = Field("", description="what the unit looked like: 'clean, no damage seen'")
    received: Day | None = Field(None, description="day on which the unit came in, where that matters")
    method: str = Field("", description="the laboratory's procedure and its issue")
    rule: Rule = Field("guarded", description="decision rule of the verdicts")
    coverage: Ratio = Field(
        0.9545, ge=0.9, le=0.9975, description="coverage probability of U: 95.45 % has k = 2.00 where nothing widens it"
    )
    rule_agreed: str = Field("", description="where the customer agreed to the rule: 'order SAN-118'")
    error: ErrorDefinition = Field("indication", description="what the error is of: what is shown, or the V/div itself")
    operator: str = Field("", description="who does the work")
    operator_function: str = Field("", description="their function")
    authorised_by: str = Field("", description="who authorises the report")
    authorised_function: str = Field("", description="their function")
    laboratory: str = Field("", description="name of the laboratory")
    laboratory_address: str = Field("", description="its address")
    customers: str | None = Field(
        None, description="the laboratory's file of customers: 'customer' is then one of them, and its contact is there"
    )
    customer: str = Field("", description="whose unit it is")
    customer_contact: str = Field("", description="the customer's address or contact")
    customer_reference: str = Field("", description="the customer's order or inventory number")
    next_due: Day | None = Field(None, description="next verification, only where the customer asked for a date")
    interval: Annotated[str, BeforeValidator(an_interval)] = Field(
        "", description="time until the unit is due again, such as '12 months'; for the history, never in a report"
    )
    environment: Environment = Field(Environment(), description="the room: the table [environment]")
    allow_overdue: Flag = Field(False, description="run with a standard past its due date, and mark every page")
    allow_hazardous_voltage: Flag = Field(
        False, description="no question before hazardous voltages: unattended benches only; `adjust` asks all the same"
    )
    sequence: tuple[SequenceUse, ...] = Field(
        min_length=1, description="what is done, in order: one [[sequence]] table each"
    )


def _moment(value: object) -> object:
    """TOML has times and dates of its own; they are taken as well as text."""
    text = value.isoformat() if isinstance(value, dt.datetime) else value
    text = f"{value:%H:%M}" if isinstance(value, dt.time) else text
    if isinstance(text, str) and text:
        moments.parse(text)
    return text


class Queue(Model):
    """Jobs to run one after another, with nobody there."""

    title: str = Field("", description="heading of the page about the night")
    jobs: tuple[str, ...] = Field(min_length=1, description="the job files, in order")
    at: Annotated[str, BeforeValidator(_moment)] = Field(
        "", description="when to start, local time, such as '18:00'; at once where it is left out"
    )
    again: Whole = Field(
        1, ge=0, le=9, description="how often a job that lost its instrument is tried again, after all others"
    )
    leave_out: Flag = Field(False, description="leave refused jobs out and run the others")
    awake: Flag = Field(True, description="keep the machine from going to sleep")
    together: Flag = Field(False, description="run jobs at positions of one bench at the same time, behind its switch")
    notify: tuple[SecretStr, ...] = Field(
        (), description="addresses of the channels that are told, which hold secrets: keep the file to yourself"
    )


def _asked_of_commands(view: View) -> Iterator[tuple[str, str, str]]:
    """What a view asks for beyond the usual: the command that sets it, the field of its template, and in words."""
    trigger = view.trigger or Trigger()
    if view.limited:
        yield "limiter", "limited", "the bandwidth limiter on"
    if view.input_ohm is not None:
        yield "input", "input_ohm", f"an input of {view.input_ohm:g} ohm"
    if trigger.source != "channel":
        yield "trigger_source", "trigger_source", f"the {trigger.source} trigger"
    if trigger.slope != "rising":
        yield "trigger_slope", "trigger_slope", f"a trigger on the {trigger.slope} edge"
    if trigger.coupling != "dc":
        yield "trigger_coupling", "trigger_coupling", f"{trigger.coupling.replace('_', ' ')} of the trigger"
    if trigger.level_v is not None:
        yield "trigger_level", "trigger_level_v", "a trigger level"
    if trigger.normal:
        yield "trigger_mode", "free_runs", "no sweep without a trigger"


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What a sequence plans from, and what a journal's header holds; `bench.unit` is what stands at the position."""

    bench: Bench
    unit: Unit
    job: Job

    def divides_by(self, path: str) -> float:
        """What a path divides by in all: its ratio, and a resistor in its line with the input as it is rated."""
        lies = self.bench.path(path)
        return lies.divides_by * (1.0 + (lies.series_resistance or 0.0) / self.unit.input.resistance)

    def leads(self, to: Connect) -> str | None:
        """The switch's channel list for a connection, or None where a hand is needed: also for tees, and for the unit's
        own output, which is at its front panel."""
        return None if to.source == "unit" or to.also else self.route(to.path, to.display, to.channel)

    def route(self, path: str, display: Display, channel: int) -> str | None:
        """The switch's channel list for an input behind a path, or None where a hand is needed."""
        if self.bench.switch is None:
            return None
        at = "external" if channel == EXTERNAL else channel
        place = f"{self.job.position or 'unit'}-{at}" if display == "unit" else "reference"
        return self.bench.path(path).routes.get(place)

    def by_hand(self, role: Role) -> bool:
        """Whether a person works an instrument: sets it, or reads its screen."""
        if role == "unit" and self.unit.read == "eye":
            return True
        instrument = getattr(self.bench, role)
        return instrument is not None and (instrument.driver == "manual" or getattr(instrument, "read", "") == "eye")

    def lacks(self, display: Display, view: View) -> str:
        """What a display is asked for that its commands have no word for, and which one; empty where nothing is."""
        link = self.bench.unit if display == "unit" else self.bench.reference
        if link is None or link.driver != "scpi" or self.by_hand(display):
            return ""  # a person finds the knob, and a driver of the user's own says what it cannot
        for command, field, asked in _asked_of_commands(view):
            own = link.commands.get(command)
            if own is not None and f"{{{field}}}" not in own:
                return f"{asked}, for which '{display}.commands.{command}' of the bench file has no {{{field}}}"
        return ""

    def to_header(self) -> dict[str, Any]:
        """JSON-ready, SI."""
        return {
            name: getattr(self, name).model_dump(mode="json", exclude_none=True) for name in ("bench", "unit", "job")
        }

    @classmethod
    def from_header(cls, header: Mapping[str, Any]) -> Setup:
        """The inverse of `to_header`."""
        si = {"si": True}
        return cls(
            bench=Bench.model_validate(header["bench"], context=si),
            unit=Unit.model_validate(header["unit"], context=si),
            job=Job.model_validate(header["job"], context=si),
        )
