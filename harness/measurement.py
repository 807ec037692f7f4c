"""What a measurement reads and what it states, as records found by their names.   [pure]

The records stand in `sequences/`, with the measurements that use them; whoever holds a name looks it up here. They are
loaded at the first look, so that nobody pays for them who reads nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from collections.abc import Sequence as Several
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from harness.errors import AnalysisError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from harness.analysis.estimate import Budget
    from harness.models import Setup, Unit
    from harness.steps import Measure, Reading

    Samples: TypeAlias = NDArray[np.float64]

Axis: TypeAlias = Literal["level", "time", "none"]
"""Set by V/div, by s/div, or by neither."""
_SHOWN: Final[Mapping[str, tuple[float, str]]] = {"s": (1e9, "ns"), "ratio": (100.0, "%")}


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
class Rating:
    """What is stated against the maker's figure."""

    name: str  # in a report, CSV, JSON, the store and the history
    is_error: bool  # the error of what was applied, in percent; else the value itself, which has an upper limit
    axis: Axis  # whose setting is tried
    tolerance: Callable[[Unit, Measure], float | None]
    """The maker's, as a ratio or in the quantity's unit; None where the unit file states none."""
    budget: Callable[[Setup, Measure, Several[Reading], Several[Reading], int], Budget]
    """Of a step, its readings, those of its ground line, and the repeats planned where there are no readings yet."""
    remedy: str = "a better source, or a finer reading"  # where nothing cheaper lets it be decided


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """What a display is read for."""

    name: str  # in a step, and so in the journal
    unit: Literal["div", "s", "ratio"]  # of a reading
    axis: Axis  # along which it is read
    question: str  # to a person
    from_record: Callable[[Measure, Samples, Screenful, float | None], Reading]
    """Of the samples in V, how they lie on the screen, and the converter's step where the record shows it."""
    own: Callable[[Measure], tuple[str, float]] | None = None
    """The instrument's own measurement: its key in the command table, and what the answer is divided by."""
    from_ground: bool = False  # counted from the ground line
    amplitude: bool = False  # from top to bottom of the signal
    signed: bool = False  # may be negative
    rating: Rating | None = None  # None: it is read for another's sake, and not judged

    @property
    def shown_in(self) -> tuple[float, str]:
        """The unit in which a report shows a reading, and what a reading is multiplied by."""
        return _SHOWN.get(self.unit, (1.0, self.unit))


def quantity(name: str) -> Quantity:
    """The quantity of that name; AnalysisError, listing the known ones, for any other."""
    found = _quantities().get(name)
    if found is None:
        raise AnalysisError(f"there is no quantity {name!r}; known are {', '.join(quantity_names())}.")
    return found


def quantity_of(step: Measure) -> Quantity:
    """What the display is read for in a step."""
    return quantity(step.quantity)


def quantity_names() -> tuple[str, ...]:
    """The names that a step may have."""
    return tuple(_quantities())


def is_error(rating: str) -> bool:
    """Whether what is called so in a report is an error; else the value itself stands against its limit."""
    found = _ratings().get(rating)
    return found is not None and found.is_error


def axis_of(rating: str) -> Axis:
    """Whose setting is tried by what is called so in a report."""
    found = _ratings().get(rating)
    return "none" if found is None else found.axis


def seen(name: str) -> Callable[..., float | None]:
    """How a simulated person sees a quantity, of the bench, the step and the trace; None where it is not to be seen."""
    found: Callable[..., float | None] = _seen()[name]
    return found


def evaluation(name: str) -> ModuleType | None:
    """The module that evaluates a measurement of this program; None for any other, whose readings are listed."""
    return _evaluations().get(name)


def evaluations() -> Iterable[ModuleType]:
    """Those of every measurement, in the order of the calibration guide."""
    return _evaluations().values()


def _modules(inside: str = "") -> Iterable[ModuleType]:
    return (import_module(f"sequences.{name}{inside}") for name in import_module("sequences").BUILT_IN)


@cache
def _quantities() -> Mapping[str, Quantity]:
    return {one.name: one for module in _modules() for one in module.QUANTITIES}


@cache
def _ratings() -> Mapping[str, Rating]:
    return {one.rating.name: one.rating for one in _quantities().values() if one.rating is not None}


@cache
def _evaluations() -> Mapping[str, ModuleType]:
    return {module.__name__.split(".")[1]: module for module in _modules(".evaluation")}


@cache
def _seen() -> Mapping[str, Any]:
    return {name: look for module in _modules(".simulated") for name, look in module.SEEN.items()}
