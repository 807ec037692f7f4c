"""What a sequence asks for, and what it is told: `Connect`, `Measure`, `Look` → `Done`, `Reading`, `Seen`.

A step is absolute: it carries the whole setpoint, so any step can be the first one after a crash.
Values here are plain and SI; they go through the journal and come back equal.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterable, Mapping
from dataclasses import dataclass, field, fields, is_dataclass, replace
from functools import cache
from typing import Annotated, Any, ClassVar, Final, Literal, TypeAlias, TypeVar, get_args

from harness.errors import AnalysisError
from harness.measurement import quantity_names, quantity_of

Role: TypeAlias = Literal["calibrator", "generator", "counter", "reference", "unit", "switch", "meter"]
ROLES: Final[tuple[Role, ...]] = get_args(Role)
SOURCES: Final[tuple[Role, ...]] = ("calibrator", "generator")  # what has an output to be switched off
Display: TypeAlias = Literal["unit", "reference"]
EXTERNAL: Final = 0
"""The external trigger's input, where a channel's number stands."""
GROUND: Final = "ground"
"""Purpose of a reading of the ground line: it belongs to the readings of its range that follow."""
NOT_SETTLED: Final = "not settled"
"""Flag of a reading that never stood still as it was asked to."""
AMPLITUDE: Final = "amplitude_div"
"""Among a reading's further numbers: how high the pulse stands in whose record a time or a ratio was read."""
ROOM_C: Final = "room_c"
"""Among a reading's further numbers: the temperature of the room then, as its meter says, in °C."""
ROOM_HUMIDITY: Final = "room_percent"
"""The same of the relative humidity, in percent."""
CONTROLS: Final = "controls"
"""What is looked at first where eyes read: what falsifies readings, such as a variable control that is not in CAL."""
CONTROLS_STAND: Final = (
    "variable controls of V/div and s/div in CAL",
    "magnifier, invert, add and bandwidth limiter off, but where a question asks for one",
    "probes compensated, and a probe factor that the screen reckons with at ×1",
)
"""How they stand where nothing is falsified."""
RETURN: Final = "return to the first"
"""Purpose of a pass's first point taken once more at its end: what has moved meanwhile."""
Coupling: TypeAlias = Literal["dc", "ac", "ground"]
Tune: TypeAlias = Literal["frequency", "level", "period"]
SAID_WHEN_TUNED: Final[Mapping[str, tuple[str, str]]] = {"level": ("level_v", "V"), "period": ("period_s", "s")}
"""Where a person turns it until the trace spans what it should: what the source then says among a reading's further
numbers, and its unit. Of a frequency the counter has the answer."""


class _Signal:
    """What all stimuli have; each says what it is called, to a person and to an instrument."""

    __slots__ = ()
    words: ClassVar[str]
    command: ClassVar[str]  # that sets it, in a source's command table
    accuracies: ClassVar[tuple[str, ...]]  # functions of the lines of a specification that hold for it, best first

    @property
    def level(self) -> float:
        """What the source puts out: V for a direct voltage, peak to peak for the rest; 0 for no signal."""
        return float(getattr(self, "level_v", getattr(self, "level_vpp", 0.0)))

    @property
    def rate_hz(self) -> float | None:
        """How often it comes again; None for what is steady."""
        period_s = getattr(self, "period_s", None)
        return 1 / period_s if period_s else getattr(self, "frequency_hz", None)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoSignal(_Signal):
    """Every source of the path is off; a ground line is read with the input grounded."""

    words: ClassVar = "no signal"
    command: ClassVar = ""
    accuracies: ClassVar = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Dc(_Signal):
    """A direct voltage."""

    words: ClassVar = "DC"
    command: ClassVar = "dc"
    accuracies: ClassVar = ("dc",)
    level_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Square(_Signal):
    """A square wave between 0 V and `level_vpp`, as amplitude calibrators give it."""

    words: ClassVar = "square wave"
    command: ClassVar = "square"
    accuracies: ClassVar = ("square",)
    level_vpp: float
    frequency_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sine(_Signal):
    """A sine wave of `level_vpp` at the plane of the path's input."""

    words: ClassVar = "sine"
    command: ClassVar = "sine"
    accuracies: ClassVar = ("sine",)
    level_vpp: float
    frequency_hz: float
    turned: bool = False  # `level_vpp` is about what it takes: a person has turned it, or does, until the trace fits


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeMarks(_Signal):
    """Time marks, or any wave with one clear edge a period."""

    words: ClassVar = "time marks"
    command: ClassVar = "time_marks"
    accuracies: ClassVar = ("period", "frequency")
    period_s: float
    level_vpp: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FastEdge(_Signal):
    """A square wave with a fast edge, for the pulse response."""

    words: ClassVar = "fast edge"
    command: ClassVar = "edge"
    accuracies: ClassVar = ("square",)
    level_vpp: float
    frequency_hz: float


Stimulus: TypeAlias = NoSignal | Dc | Square | Sine | TimeMarks | FastEdge


@dataclass(frozen=True, slots=True, kw_only=True)
class Trigger:
    """What starts the sweep, where it is more than any edge of the channel that is shown."""

    source: Literal["channel", "external"] = "channel"
    slope: Literal["rising", "falling"] = "rising"
    coupling: Literal["dc", "ac", "low_reject", "high_reject"] = "dc"
    level_v: float | None = None  # at the input; None: the middle of the signal
    normal: bool = False  # no sweep without a trigger


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """How the display that is read is set."""

    channel: int
    volts_per_div: float
    s_per_div: float
    coupling: Coupling = "dc"
    ground_line_div: float = 0.0  # from the centre of the graticule, up is positive
    magnifier: float = 1.0
    limited: bool = False  # the bandwidth limiter is on
    input_ohm: float | None = None  # where another than the unit's usual input resistance is chosen
    delay_s: float = 0.0  # from the trigger to what is shown: delayed sweep, or delay
    trigger: Trigger | None = None
    together: Literal["", "x-y", "sum", "difference"] = ""  # of the channel and the step's second one


QuantityName: TypeAlias = Annotated[str, quantity_names]
"""The name of a `harness.measurement.Quantity`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Connect:
    """Ask for a path between a source and an input; outputs are off while hands are on cables."""

    path: str
    source: Role
    display: Display
    channel: int
    watched: bool = False  # a tee keeps the reference on the same signal, and either may be read
    also: tuple[int, ...] = ()  # further channels of the display on the same signal, by tees
    counted: bool = False  # a tee brings the frequency counter to it
    replugged: bool = False  # by hand, even where a switch leads there: another lead was at the input before


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """Apply a stimulus, set the display, wait, and read one quantity."""

    purpose: str  # what the reading is for, in the sequence's own words: "deflection", "reference", "search", …
    path: str
    source: Role
    stimulus: Stimulus
    display: Display
    view: View
    quantity: QuantityName
    with_counter: bool = False  # the frequency counter reads the stimulus too
    expected: float | None = None  # what an ideal unit would show
    expected_low: float | None = None  # a reading outside low … high is asked again once before it is believed
    expected_high: float | None = None
    tune_to_div: float | None = None  # a person turns the source until the trace spans this
    tune: Tune = "frequency"  # what of the source is turned
    repeat: int = 0  # tells repeats of one setpoint apart
    replaces: int | None = None  # the `repeat` of the one earlier reading that this one stands for
    because: str = ""  # why it is asked again, for the person
    driven: int | None = None  # the channel that has the signal, where another one is read; `EXTERNAL` is one
    second: int | None = None  # a channel that is read at the same moment, for what two say together
    wait_s: float = 0.0  # before it is read: what moves with time

    @property
    def views(self) -> tuple[View, ...]:
        """How each channel that takes part is set, the one that is read last."""
        return (*(() if self.second is None else (replace(self.view, channel=self.second),)), self.view)

    @property
    def roles(self) -> frozenset[Role]:
        """The instruments that take part."""
        return frozenset((self.source, self.display, *(("counter",) if self.with_counter else ())))

    @property
    def said_when_tuned(self) -> tuple[str, str] | None:
        """What a person types of the source when the trace is on its lines: the name among further numbers, the unit.

        On the reference it is the display that says what the level is.
        """
        return SAID_WHEN_TUNED.get(self.tune) if self.tune_to_div is not None and self.display == "unit" else None

    @property
    def said_nominally(self) -> float:
        """What the source says before it is turned: its level, or its period."""
        return self.stimulus.level if self.tune == "level" else float(getattr(self.stimulus, "period_s", 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Have a person look at something and say yes, no, or what they see; with a signal, it is applied first."""

    what: str  # "trace rotation"
    question: str  # yes is as it should be
    lines: tuple[str, ...] = ()
    path: str
    source: Role
    stimulus: Stimulus = NoSignal()
    display: Display = "unit"
    view: View

    @property
    def roles(self) -> frozenset[Role]:
        """The instruments that take part."""
        return frozenset((self.display,) if isinstance(self.stimulus, NoSignal) else (self.source, self.display))


Step: TypeAlias = Connect | Measure | Look


def roles_of(steps: Iterable[Step]) -> frozenset[Role]:
    """The instruments that take part in any of the readings."""
    return frozenset(role for step in steps if not isinstance(step, Connect) for role in step.roles)


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A connection was made."""


Status: TypeAlias = Literal[
    "read",
    "skipped",  # a person chose to leave it out
    "off_screen",  # the trace left the screen, or the record was clipped
    "no_signal",  # read twice far from what was applied: the connection is in question, and nothing is judged
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What was read, in the unit of the quantity: div, s or a ratio."""

    status: Status = "read"
    value: float | None = None
    scatter: float | None = None  # standard uncertainty of the value as its own record shows it
    frequency_hz: float | None = None  # of the counter
    said: str = ""  # what a person typed
    flags: tuple[str, ...] = ()
    more: Mapping[str, float] = field(default_factory=dict)  # further numbers, the unit in each name


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What a person said who looked."""

    answer: Literal["yes", "no", "remark", "skipped"]
    remark: str = ""


Reply: TypeAlias = Done | Reading | Seen

T = TypeVar("T")
Sequence: TypeAlias = Generator[Step, Reply, T]
"""A measuring sequence: yields steps, is sent replies, returns its own result."""

KINDS: Final[dict[str, type]] = {
    cls.__name__: cls
    for cls in (
        Connect,
        Measure,
        Look,
        Done,
        Reading,
        Seen,
        View,
        Trigger,
        NoSignal,
        Dc,
        Square,
        Sine,
        TimeMarks,
        FastEdge,
    )
}


def connect(*, path: str, source: Role, display: Display, channel: int, watched: bool = False) -> Sequence[None]:
    """Ask for a connection, in a sequence: `yield from connect(...)`."""
    yield Connect(path=path, source=source, display=display, channel=channel, watched=watched)


def measure(step: Measure) -> Sequence[Reading]:
    """Ask for a reading, in a sequence: `reading = yield from measure(...)`."""
    reply = yield step
    if not isinstance(reply, Reading):
        raise TypeError(f"a Measure is answered by a Reading, not by {type(reply).__name__}")
    return reply


def look(step: Look) -> Sequence[Seen]:
    """Ask somebody to look, in a sequence: `seen = yield from look(...)`."""
    reply = yield step
    if not isinstance(reply, Seen):
        raise TypeError(f"a Look is answered by a Seen, not by {type(reply).__name__}")
    return reply


@cache
def _defaults(kind: type) -> tuple[tuple[str, Any], ...]:
    """The fields of a kind of values, each with what need not be said of it."""
    return tuple((f.name, {} if f.default_factory is dict else f.default) for f in fields(kind))


@cache
def field_names(kind: type) -> tuple[str, ...]:
    """The fields of a kind of values."""
    return tuple(name for name, _ in _defaults(kind))


def to_plain(value: Any) -> Any:
    """Turn a step or reply into JSON-ready dicts; the class name goes under "is", defaults are left out."""
    if is_dataclass(value) and not isinstance(value, type):
        kind: type = type(value)
        plain: dict[str, Any] = {"is": kind.__name__}
        for name, default in _defaults(kind):
            item = getattr(value, name)
            if item is not default and (item != default or type(item) is not type(default)):
                plain[name] = to_plain(item)
        return plain
    if isinstance(value, Mapping):
        return {key: to_plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [to_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return {"is": "float", "of": str(value)}  # JSON has no infinity
    return value


def from_plain(plain: Any, kinds: Mapping[str, type] = KINDS) -> Any:
    """The inverse of `to_plain`; raises ValueError for what is none of the kinds, by default a step or reply."""
    if isinstance(plain, dict):
        if "is" not in plain:
            return {key: from_plain(item, kinds) for key, item in plain.items()}
        if plain["is"] == "float":
            return float(plain["of"])
        cls = kinds.get(str(plain["is"]))
        if cls is None:
            raise ValueError(f"unknown kind {plain['is']!r}")
        try:
            made = cls(**{key: from_plain(item, kinds) for key, item in plain.items() if key != "is"})
            if isinstance(made, Measure):
                quantity_of(made)  # one that nobody knows is refused here, and never shown under a default
        except (TypeError, AnalysisError) as error:
            raise ValueError(f"{plain['is']}: {str(error).rstrip('.')}") from None
        return made
    if isinstance(plain, list):
        return tuple(from_plain(item, kinds) for item in plain)
    return plain
