"""The three files as frozen models: bench, unit and job. Pure: reading files is `harness.files`' work.

Every value is SI in memory; in a file it is text with its unit ("20 MHz"). A journal's header holds the
SI numbers themselves and is read back with `from_header`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler, GetJsonSchemaHandler, ValidationInfo
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import core_schema

from harness import quantities
from harness.steps import ROLES, Role


@dataclass(frozen=True)
class Unit_:  # noqa: N801 - `Unit` is the unit under test
    """Marks a float that a file writes with this unit; any of several, where a level may be V or Vpp."""

    units: tuple[str, ...]

    def read(self, value: object, info: ValidationInfo) -> float:
        """Take text with its unit from a file, or a bare SI number from a journal's header."""
        if (info.context or {}).get("si") and isinstance(value, int | float) and not isinstance(value, bool):
            return float(value)
        problem: ValueError | None = None
        for unit in self.units:
            try:
                return quantities.parse(value, unit)  # type: ignore[arg-type]  # it refuses other types itself
            except ValueError as error:
                problem = problem or error
        raise problem or ValueError("no unit")

    def __get_pydantic_core_schema__(self, _source: object, _handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        """Validate by `read`; dump as the float that it is."""
        return core_schema.with_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, _schema: object, _handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        """Show editors a string and an example."""
        kinds: list[str] = ["string", "number"] if self.units[0] in ("ratio", "div") else ["string"]
        return {"type": kinds, "description": quantities.example(self.units[0])}


Hertz: TypeAlias = Annotated[float, Unit_(("Hz",))]
Volts: TypeAlias = Annotated[float, Unit_(("V",))]
VoltsPp: TypeAlias = Annotated[float, Unit_(("Vpp",))]
Level: TypeAlias = Annotated[float, Unit_(("V", "Vpp"))]
Seconds: TypeAlias = Annotated[float, Unit_(("s",))]
Ohms: TypeAlias = Annotated[float, Unit_(("Ω",))]
Farads: TypeAlias = Annotated[float, Unit_(("F",))]
Watts: TypeAlias = Annotated[float, Unit_(("W",))]
Decibels: TypeAlias = Annotated[float, Unit_(("dB",))]
Divisions: TypeAlias = Annotated[float, Unit_(("div",))]
Celsius: TypeAlias = Annotated[float, Unit_(("°C",))]
Ratio: TypeAlias = Annotated[float, Unit_(("ratio",))]


class Model(BaseModel):
    """Frozen, and strict about unknown keys: a misspelt key must not be a silent default."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, str_max_length=2000)


Function: TypeAlias = Literal["dc", "square", "sine", "frequency", "period"]


class Accuracy(Model):
    """One line of a specification: ±(of_value · value + floor), for a function over a range."""

    function: Function = Field(description="what is specified: dc, square or sine level, frequency, or period")
    level_from: Level | None = Field(None, description="lowest level the line holds for")
    level_to: Level | None = Field(None, description="highest level the line holds for")
    frequency_from: Hertz | None = None
    frequency_to: Hertz | None = None
    of_value: Ratio = Field(0.0, ge=0, description="part proportional to the value, such as '0.05 %'")
    floor: Level | None = Field(None, ge=0, description="fixed part of a level, such as '10 uV'")
    db: Decibels | None = Field(
        None, ge=0, description="for a levelled sine: flatness relative to the reference frequency"
    )
    stated_as: Literal["limits", "expanded"] = Field(
        "limits",
        description="'limits': a maker's ± limits, taken as rectangular; 'expanded': a certificate's U with k = 2",
    )

    def covers(self, *, level: float | None = None, frequency_hz: float | None = None) -> bool:
        """Whether this line holds at a level and a frequency."""
        return _within(level, self.level_from, self.level_to) and _within(
            frequency_hz, self.frequency_from, self.frequency_to
        )


def _within(value: float | None, low: float | None, high: float | None) -> bool:
    return value is None or (
        (low is None or value >= low * (1 - 1e-9)) and (high is None or value <= high * (1 + 1e-9))
    )


class Instrument(Model):
    """What every instrument of a bench has."""

    driver: str = Field(
        "scpi", description="'scpi', 'manual' (a person sets and reads), or 'FILE.py:Class' of your own"
    )
    address: str | None = Field(None, description="a VISA address, such as 'TCPIP0::192.0.2.11::5025::SOCKET'")
    identity: str | None = Field(None, description="what *IDN? must answer; compared at every start")
    maker: str = ""
    model: str = ""
    serial: str = ""
    certificate: str | None = None
    certified: dt.date | None = None
    due: dt.date | None = Field(None, description="date on which the certificate runs out")
    settle: Seconds = Field(0.0, ge=0, le=600, description="wait after a new setting")
    warm_up: Seconds = Field(0.0, ge=0, le=86400)
    timeout: Seconds = Field(2.0, gt=0, le=120, description="longest wait for one answer")
    tag_queries: bool = Field(False, description="send a counted echo with every query: slower, safest on a poor line")
    commands: Mapping[str, str] = Field(
        default_factory=dict, description="commands that differ from the driver's table"
    )
    accuracy: tuple[Accuracy, ...] = ()

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

    functions: tuple[Literal["dc", "square", "time_marks", "edge"], ...] = ("dc", "square", "time_marks")
    levels: Levels = Field("continuous", description="'continuous', 'decade', '1-2-5', or a list of levels")
    level_low: Level = 1e-3
    level_high: Level = 200.0
    level_digits: int = Field(5, ge=1, le=9, description="significant digits that a continuous level can be set to")
    square_frequency: Hertz = 1e3
    periods: Literal["continuous", "decade", "1-2-5"] | tuple[Seconds, ...] = "1-2-5"
    period_low: Seconds = 2e-9
    period_high: Seconds = 5.0
    mark_level: Level = 1.0
    edge_rise_time: Seconds | None = Field(None, gt=0)
    edge_rise_time_u: Seconds | None = Field(None, ge=0, description="standard uncertainty of the edge's rise time")
    edge_frequency: Hertz = 1e5


class Generator(Instrument):
    """The source of the levelled sine."""

    frequency_low: Hertz = 1.0
    frequency_high: Hertz = 1e9
    level_low: VoltsPp = 1e-2
    level_high: VoltsPp = 5.0
    vswr: float = Field(1.0, ge=1, le=10)
    edge_rise_time: Seconds | None = Field(None, gt=0)
    edge_rise_time_u: Seconds | None = Field(None, ge=0)


class Counter(Instrument):
    """Reads the frequency of the sine."""

    gate: Seconds = Field(0.1, gt=0, le=100)


class FlatnessPoint(Model):
    """One point of a measured flatness: indicated over true level, relative to the reference frequency."""

    frequency: Hertz
    db: Decibels
    u: Decibels = Field(ge=0, description="expanded uncertainty, k = 2")


class Reference(Instrument):
    """The faster scope, or level meter, on which the sine is levelled."""

    kind: Literal["scope", "level_meter"] = "scope"
    read: Literal["remote", "eye"] = "remote"
    channel: int = Field(1, ge=1, le=16)
    volts_per_div: tuple[Volts, ...] = (5e-3, 1e-2, 2e-2, 5e-2, 0.1, 0.2, 0.5, 1.0)
    s_per_div: tuple[Seconds, ...] = ()
    vertical_div: Divisions = 8.0
    bandwidth: Hertz | None = Field(None, gt=0)
    bandwidth_is: Literal["stated", "at_least"] = "at_least"
    shape: Literal["unknown", "single_pole", "gaussian"] = "unknown"
    flatness: tuple[FlatnessPoint, ...] = ()
    resolution: Divisions = Field(0.0, ge=0)
    scatter: Divisions = Field(0.01, ge=0, description="standard deviation of one reading")
    vswr: float = Field(1.0, ge=1, le=10)


class UnitLink(Instrument):
    """How the unit under test is reached from this bench."""


class Switch(Instrument):
    """Moves signals between paths, so that no hand is needed."""


class SignalPath(Model):
    """What lies between a source and an input."""

    label: str = ""
    divides_by: float = Field(1.0, gt=0, le=1e4, description="10 for a ×10 divider probe")
    tolerance: Ratio = Field(0.0, ge=0, description="limits of the division ratio")
    maximum: Volts | None = Field(None, gt=0, description="largest peak voltage at its input")
    termination: Ohms | None = Field(None, gt=0, description="feed-through termination at the unit's input")
    termination_tolerance: Ratio = Field(0.0, ge=0)
    termination_power: Watts | None = Field(None, gt=0)
    vswr: float = Field(1.0, ge=1, le=10, description="of the load that the source sees")
    rise_time: Seconds = Field(0.0, ge=0)
    routes: Mapping[str, str] = Field(
        default_factory=dict,
        description="channel lists for the switch, by input: {reference = '(@101)', unit-1 = '(@102)'}",
    )


class Bench(Model):
    """The instruments of a bench by role, and the paths between them."""

    name: str
    location: str = ""
    simulation: str | None = Field(None, description="a simulated bench's file: no real instrument is opened")
    calibrator: Calibrator | None = None
    generator: Generator | None = None
    counter: Counter | None = None
    reference: Reference | None = None
    unit: UnitLink | None = None
    switch: Switch | None = None
    paths: Mapping[str, SignalPath] = Field(default_factory=dict)

    def instruments(self) -> Iterator[tuple[Role, Instrument]]:
        """The roles that are filled, in order."""
        for role in ROLES:
            instrument = getattr(self, role)
            if instrument is not None:
                yield role, instrument


class UnitInput(Model):
    """The unit's input."""

    resistance: Ohms = 1e6
    capacitance: Farads = 20e-12
    maximum: Volts = Field(gt=0, description="largest DC + peak AC voltage")


class Tolerances(Model):
    """What the maker rates."""

    deflection: Ratio = Field(0.03, gt=0)
    time: Ratio = Field(0.03, gt=0)
    time_magnified: Ratio | None = Field(None, gt=0)
    overshoot: Ratio | None = Field(None, gt=0)
    top_aberration: Ratio | None = Field(None, gt=0)


class Unit(Model):
    """A model of oscilloscope."""

    maker: str
    model: str
    channels: int = Field(2, ge=1, le=16)
    volts_per_div: tuple[Volts, ...] = Field(min_length=1)
    s_per_div: tuple[Seconds, ...] = ()
    magnifier: float = Field(1.0, ge=1, le=100)
    bandwidth: Hertz = Field(gt=0, description="rated bandwidth")
    bandwidth_volts_per_div: Volts | None = Field(None, description="range on which the bandwidth is tried")
    rise_time: Seconds | None = Field(None, gt=0, description="rated rise time, if the maker gives one")
    tolerance: Tolerances = Tolerances()
    input: UnitInput
    vertical_div: Divisions = 8.0
    horizontal_div: Divisions = 10.0
    read: Literal["remote", "eye"] = "eye"
    resolution: Divisions = Field(0.1, ge=0, description="finest step of a reading")
    scatter: Divisions = Field(0.03, ge=0, description="standard deviation of one reading")
    time_resolution: Divisions = Field(0.1, ge=0)


class Environment(Model):
    """The room."""

    temperature: Celsius | None = None
    humidity: Ratio | None = None
    note: str = ""


class SequenceUse(Model):
    """One sequence of a job; keys other than `use` are its options."""

    model_config = ConfigDict(extra="allow", frozen=True)
    use: str = Field(description="'vertical', 'bandwidth', 'time_base', 'pulse', or 'FILE.py' of your own")

    @property
    def options(self) -> dict[str, Any]:
        """The options as the file wrote them."""
        return dict(self.model_extra or {})


Rule: TypeAlias = Literal["simple", "guarded", "non-binary", "managed"]
ErrorDefinition: TypeAlias = Literal["indication", "deflection factor"]


class Job(Model):
    """One unit on one bench: what to do, and by which rule to decide."""

    title: str = ""
    unit: str = Field(description="the unit file")
    bench: str = Field(description="the bench file")
    serial: str = Field(min_length=1, description="serial number of the unit under test")
    condition: Literal["as found", "as left"] = "as found"
    rule: Rule = "guarded"
    error: ErrorDefinition = "indication"
    operator: str = ""
    laboratory: str = ""
    customer: str = ""
    customer_reference: str = ""
    environment: Environment = Environment()
    allow_overdue: bool = Field(False, description="run with a standard past its due date, and mark every page")
    allow_hazardous_voltage: bool = Field(
        False, description="no question before hazardous voltages: unattended benches only"
    )
    sequence: tuple[SequenceUse, ...] = Field(min_length=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What a sequence plans from, and what a journal's header holds."""

    bench: Bench
    unit: Unit
    job: Job

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
