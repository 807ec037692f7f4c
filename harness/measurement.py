"""What a measurement reads and what it states, as records found by their names.   [pure]

The records stand in `sequences/`, with the measurements that use them; whoever holds a name looks it up here. They are
loaded at the first look, so that nobody pays for them who reads nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from collections.abc import Sequence as Several
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, fields
from functools import cache
from importlib import import_module
from types import MappingProxyType, ModuleType
from typing import TYPE_CHECKING, Any, Final, Literal, NoReturn, TypeAlias, get_args

from harness.errors import AnalysisError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from harness.analysis.estimate import Budget
    from harness.analysis.verdict import Limits
    from harness.models import Setup, Unit
    from harness.steps import Measure, Reading
    from harness.values import Ratings

    Samples: TypeAlias = NDArray[np.float64]

Axis: TypeAlias = Literal["level", "time", "none"]
"""Set by V/div, by s/div, or by neither."""
InUnit: TypeAlias = Literal["div", "s", "ratio", "share", "V", "Hz", "dB", "ohm", "F", "deg"]
_SHOWN: Final[Mapping[str, tuple[float, str]]] = {
    "s": (1e9, "ns"), "ratio": (100.0, "%"), "ohm": (1.0, "Ω"), "F": (1e12, "pF"), "deg": (1.0, "°"),
}  # fmt: skip


POINTS: Final = 1000
"""The samples that a record is asked to have."""


class Aliased(AnalysisError):  # noqa: N818 - says what the record is
    """The sweep is too slow for the frequency."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Screenful:
    """How a record lies on the screen."""

    interval_s: float  # from sample to sample
    low_v: float  # bottom of the screen
    high_v: float
    volts_per_div: float
    s_per_div: float  # magnifier included
    ground_v: float = 0.0  # the voltage of the ground line as it was set


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """Another way in which a bench can take a point: what is done, the step that it would be, how often it is read."""

    sentence: str
    step: Measure
    readings: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Rating:
    """What is stated against the maker's figure."""

    name: str  # in a report, CSV, JSON, the store and the history
    is_error: bool  # the error of what was applied, in percent; else the value itself, which has an upper limit
    axis: Axis  # whose setting is tried
    tolerance: Callable[[Unit, Measure], float | None] | None = None
    """The maker's: a ratio, or of a value or an absolute error in the quantity's unit; None where none is stated."""
    per_kelvin: Callable[[Unit], float] | None = None
    """What the tolerance grows by for each kelvin outside the maker's temperatures."""
    limits: Callable[[Unit, Measure], Limits | None] | None = None
    """The maker's where they are neither ± an error nor a largest value: in the unit of the budget."""
    budget: Callable[[Setup, Measure, Several[Reading], Several[Reading], int], Budget] | None = None
    """Of a step, its readings, those of its ground line, and the repeats planned where there are no readings yet.

    Both are None where no single step is judged: the evaluation of the measurement then states the result.
    """
    ways: Callable[[Setup, Measure], Iterable[Way]] | None = (
        None  # others that the bench has, for what it cannot decide
    )
    absolute: bool = False  # an error in the unit of the quantity, not in percent
    remedy: str = "a better source, or a finer reading"  # where nothing cheaper lets it be decided
    error_in: Literal["%", "ppm"] = "%"  # the unit of the budget of an error


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """What a display is read for."""

    name: str  # in a step, and so in the journal
    unit: InUnit  # of a reading
    axis: Axis  # along which it is read
    question: str  # to a person
    from_record: Callable[[Measure, Samples, Screenful, float | None], Reading]
    """Of the samples in V, how they lie on the screen, and the converter's step where the record shows it."""
    from_two: Callable[[Measure, Samples, Samples, Screenful, float | None], Reading] | None = None
    """Of the records of the channel and of the step's second one, taken together."""
    own: Callable[[Measure], tuple[str, float]] | None = None
    """The instrument's own measurement: its key in the command table, and what the answer is divided by."""
    from_ground: bool = False  # counted from the ground line
    amplitude: bool = False  # from top to bottom of the signal
    signed: bool = False  # may be negative
    read_out: bool = False  # what the instrument says in figures: its own measurement, whatever its record shows
    sweeps: int = 0
    """So many sweeps are waited for; the reading is the share that a trigger started, and a person says yes or no."""
    rating: Rating | None = None  # None: it is read for another's sake, and not judged
    seen: Callable[..., float | None] | None = None
    """How a simulated person sees one of a user's own; a folder of `sequences/` has its `simulated.py` for that."""

    @property
    def shown_in(self) -> tuple[float, str]:
        """The unit in which a report shows a reading, and what a reading is multiplied by."""
        return _SHOWN.get(self.unit, (1.0, self.unit))


_OWN: Final[ContextVar[Mapping[str, Quantity]]] = ContextVar("own quantities", default=MappingProxyType({}))


@contextmanager
def knowing(quantities: Iterable[Quantity]) -> Iterator[None]:
    """Within, these are found by name as well: a user's own, of one job or of one journal and of no other."""
    before = _OWN.set({**_OWN.get(), **{one.name: one for one in quantities}})
    try:
        yield
    finally:
        _OWN.reset(before)


def facts_of(quantity: Quantity) -> dict[str, Any]:
    """What a journal keeps of a user's own quantity, so that nothing but a run needs the user's file."""
    rating = quantity.rating
    return _plain(quantity) | ({} if rating is None else {"rating": _plain(rating)})


def from_facts(facts: Mapping[str, Any]) -> Quantity:
    """The quantity as a journal keeps it, which can be shown and not be read; raises ValueError for what is none."""
    rating = facts.get("rating")
    try:
        made = Quantity(
            **{**facts, "rating": None if rating is None else Rating(**rating, tolerance=_absent, budget=_absent)},
            from_record=_absent,
        )
    except TypeError as error:
        raise ValueError(f"a quantity of the user's own: {error}") from None
    if made.unit not in get_args(InUnit) or made.axis not in get_args(Axis):
        raise ValueError(f"the quantity {made.name!r} is in {made.unit!r}, along {made.axis!r}")
    return made


def _plain(record: Quantity | Rating) -> dict[str, Any]:
    values = {each.name: getattr(record, each.name) for each in fields(record)}
    return {name: value for name, value in values.items() if isinstance(value, str | bool)}


def _absent(*_: object) -> NoReturn:
    raise AnalysisError("this stands in a file of the user's own, which a run alone loads.")


def quantity(name: str) -> Quantity:
    """The quantity of that name; AnalysisError, listing the known ones, for any other."""
    found = _OWN.get().get(name) or _quantities().get(name)
    if found is None:
        raise AnalysisError(f"there is no quantity {name!r}; known are {', '.join(quantity_names())}.")
    return found


def quantity_of(step: Measure) -> Quantity:
    """What the display is read for in a step."""
    return quantity(step.quantity)


def quantity_names() -> tuple[str, ...]:
    """The names that a step may have."""
    return (*_quantities(), *_OWN.get())


def rating_names() -> tuple[str, ...]:
    """What the measurements of this program state of a reading, as a report calls it."""
    return tuple(_ratings())


def is_error(rating: str) -> bool:
    """Whether what is called so in a report is an error; else the value itself stands against its limit."""
    found = _rating(rating)
    return found is not None and found.is_error


def axis_of(rating: str) -> Axis:
    """Whose setting is tried by what is called so in a report."""
    found = _rating(rating)
    return "none" if found is None else found.axis


def seen(name: str) -> Callable[..., float | None]:
    """How a simulated person sees a quantity, of the bench, the step and the trace; None where it is not to be seen."""
    if (own := _OWN.get().get(name)) is not None:
        if own.seen is None:
            raise AnalysisError(f"a simulated person does not know how {name!r} is seen; state `seen` of it.")
        return own.seen
    found: Callable[..., float | None] = _seen()[name]
    return found


def true_value(rating: str) -> Callable[..., float] | None:
    """What is true of a result, by the true values of a simulated bench, setup and result; None where untold."""
    found: Callable[..., float] | None = _true_values().get(rating)
    return found


def evaluation(name: str) -> ModuleType | None:
    """The module that evaluates a measurement of this program; None for any other, whose readings are listed."""
    return _evaluations().get(name)


def evaluations() -> Iterable[ModuleType]:
    """Those of every measurement, in the order of the calibration guide."""
    return _evaluations().values()


def definitions() -> Mapping[str, ModuleType]:
    """The measurements of this program by name: their options, plans and steps."""
    return {module.__name__.split(".")[1]: module for module in _modules(".steps")}


def rated_models() -> tuple[type[Ratings], ...]:
    """What each measurement has under [tolerance] in the unit file; quickly loaded, as the rest of it is not."""
    return tuple(module.Rated for module in _modules())


def _modules(inside: str = "") -> Iterable[ModuleType]:
    return (import_module(f"sequences.{name}{inside}") for name in import_module("sequences").BUILT_IN)


@cache
def _quantities() -> Mapping[str, Quantity]:
    return {one.name: one for module in definitions().values() for one in module.QUANTITIES}


@cache
def _ratings() -> Mapping[str, Rating]:
    of_steps = {one.rating.name: one.rating for one in _quantities().values() if one.rating is not None}
    stated = (rating for module in definitions().values() for rating in getattr(module, "RATINGS", ()))
    return of_steps | {rating.name: rating for rating in stated}


def _rating(name: str) -> Rating | None:
    own = (one.rating for one in _OWN.get().values() if one.rating is not None and one.rating.name == name)
    return next(own, None) or _ratings().get(name)


@cache
def _evaluations() -> Mapping[str, ModuleType]:
    return {module.__name__.split(".")[1]: module for module in _modules(".evaluation")}


@cache
def _true_values() -> Mapping[str, Any]:
    return {name: true for module in _modules(".simulated") for name, true in getattr(module, "TRUE", {}).items()}


@cache
def _seen() -> Mapping[str, Any]:
    return {name: look for module in _modules(".simulated") for name, look in module.SEEN.items()}
