"""A measurement of the user's own: a Python file beside the job file, held to what it must hand over.

What one of its functions raises, or hands over that does not fit, is a sentence with its file and line.
"""

from __future__ import annotations

import linecache
import math
import reprlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any, TypeVar, get_args

from pydantic import BaseModel

from harness.errors import ConfigError
from harness.files.own_values import Unfit, a_reading, fitted, number
from harness.files.words import hint, one_of
from harness.measurement import Axis, InUnit, Quantity, Rating, quantity_names, rating_names
from harness.models import Tolerances
from harness.run.own_code import Judged, held, sound_step
from harness.steps import ROLES, Role

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnMeasurement:
    """What a user's file offers, under the names that a module of `sequences/` has; each function held to the file."""

    file: Path
    TITLE: str
    Options: type[BaseModel]
    Rated: type[BaseModel] | None
    QUANTITIES: tuple[Quantity, ...]
    judged: Judged | None  # as those of which measurement of this program its readings are
    script: Callable[..., Any]
    plan: Callable[..., Any]
    needs: Callable[..., tuple[Role, ...]] | None
    evaluate: Callable[..., Any] | None
    headings: Callable[..., Any] | None

    @property
    def judges(self) -> bool:
        """Whether it says what its readings mean; else they are listed, or judged as another's."""
        return self.evaluate is not None or any(one.rating is not None for one in self.QUANTITIES)

    def place(self, text: str) -> str:
        """Where in the file this stands: "noise.py:12"."""
        return Path(_at(self.file, text)).name


def own_measurement(module: ModuleType, file: Path, built_in: dict[str, Any]) -> OwnMeasurement:
    """Check what a user's file offers; ConfigError for a name that is missing, wrong, or another's already."""
    what, script = ("measurement", "plan") if hasattr(module, "QUANTITIES") else ("sequence", "script")
    missing = [needed for needed in ("Options", script) if not hasattr(module, needed)]
    if missing:
        raise ConfigError(f"{file}:1: a {what} needs {' and '.join(missing)}; see docs/writing_a_{what}.md")
    for name in ("Options", "Rated"):
        model = getattr(module, name, BaseModel)
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            raise ConfigError(f"{_at(file, name)}: {name} is no model; expected class {name}(harness.models.Model)")
    if hasattr(module, "Rated") and file.stem in Tolerances.model_fields:
        raise ConfigError(f"{file}: the unit file has a key tolerance.{file.stem} already; give the file another name")
    judged = _judged(module, file, built_in)

    def offered(name: str, check: Callable[[Any], Any]) -> Callable[..., Any] | None:
        function = getattr(module, name, None)
        return None if function is None else held(file, f"your {name}()", function, check)

    plan = offered("plan", partial(_sound_plan, judged)) or _no_plan
    return OwnMeasurement(
        file=file,
        TITLE=str(getattr(module, "TITLE", "")),
        Options=module.Options,
        Rated=getattr(module, "Rated", None),
        QUANTITIES=tuple(_quantities(module, file)),
        judged=judged,
        script=getattr(module, "script", None) or _all_of(plan),
        plan=plan,
        needs=offered("needs", _roles),
        evaluate=offered("evaluate", lambda answer: answer),
        headings=offered("headings", tuple),
    )


def _at(file: Path, *words: str) -> str:
    """Where in a file the first of these stands that is there at all: "noise.py:12"."""
    linecache.checkcache(str(file))
    lines = linecache.getlines(str(file))
    found = (n for word in words for n, line in enumerate(lines, 1) if word in line)
    return f"{file}:{next(found, 1)}"


def _named(file: Path, name: object) -> str:
    """Where a record of this name is made."""
    return _at(file, f'name="{name}"', f'"{name}"', repr(name))


# --- what it reads and states ------------------------------------------------------------------------------------


def _judged(module: ModuleType, file: Path, built_in: dict[str, Any]) -> Judged | None:
    like = getattr(module, "EVALUATE", None)
    if like is None:
        return None
    if like not in built_in:
        expected = f"{one_of(built_in)}{hint(like, built_in) if isinstance(like, str) else ''}"
        raise ConfigError(f"{_at(file, 'EVALUATE')}: EVALUATE is {like!r}; expected {expected}, or no such line")
    if own := [name for name in ("QUANTITIES", "evaluate") if hasattr(module, name)]:
        raise ConfigError(f"{_at(file, 'EVALUATE')}: EVALUATE and {own[0]} are two ways to judge; keep one of them")
    return Judged(like=like, quantities=built_in[like].JUDGES)


def _quantities(module: ModuleType, file: Path) -> Iterator[Quantity]:
    """Those of the file, each function held to it; ConfigError for what is none, or has a name that is taken."""
    offered = getattr(module, "QUANTITIES", ())
    if not isinstance(offered, tuple | list) or not all(isinstance(one, Quantity) for one in offered):
        raise ConfigError(
            f"{_at(file, 'QUANTITIES')}: QUANTITIES is {reprlib.repr(offered)}; expected a tuple of "
            f"harness.measurement.Quantity; see docs/writing_a_measurement.md"
        )
    for place, one in enumerate(offered):
        before = [other.name for other in offered[:place]]
        _free(file, "quantity", one.name, (*quantity_names(), *before))
        others = {other.rating.name: other.rating for other in offered[:place] if other.rating is not None}
        if one.rating is not None and others.get(one.rating.name, one.rating) is not one.rating:
            _free(file, "rating", one.rating.name, others)
        try:
            yield _held(file, one)
        except Unfit as wrong:
            raise ConfigError(f"{_named(file, one.name)}: the quantity {one.name!r}: {wrong}") from None


def check_apart(measurements: Iterable[OwnMeasurement]) -> None:
    """Refuse two files of one job that call a quantity, or what they state, by the same name."""
    taken: dict[str, list[str]] = {"quantity": [], "rating": []}
    for own in measurements:
        names = {"quantity": [one.name for one in own.QUANTITIES], "rating": list(_ratings(own.QUANTITIES))}
        for what, offered in names.items():
            for name in offered:
                _free(own.file, what, name, taken[what])
            taken[what] += offered


def _ratings(quantities: Iterable[Quantity]) -> dict[str, Rating]:
    return {one.rating.name: one.rating for one in quantities if one.rating is not None}


def _free(file: Path, what: str, name: str, taken: Iterable[str]) -> None:
    if name in taken:
        raise ConfigError(f"{_named(file, name)}: there is a {what} {name!r} already; give yours another name")


def _held(file: Path, one: Quantity) -> Quantity:
    """A quantity of plain words whose functions are held to the file; raises Unfit for any other."""
    _words(one, {"name": (), "question": (), "unit": get_args(InUnit), "axis": get_args(Axis)})
    try:
        rating = None if one.rating is None else _held_rating(file, one.rating, *one.shown_in)
    except Unfit as wrong:
        raise Unfit(wrong.said, "rating", *wrong.path) from None
    return replace(
        one,
        from_record=_function(file, one, "from_record", a_reading),
        own=None if one.own is None else _function(file, one, "own"),
        seen=None if one.seen is None else _function(file, one, "seen", partial(_or_none, number)),
        rating=rating,
    )


def _held_rating(file: Path, rating: Rating, scale: float, unit: str) -> Rating:
    if not isinstance(rating, Rating):
        raise Unfit(f"is {reprlib.repr(rating)}; expected a harness.measurement.Rating")
    if rating.name in rating_names():
        raise Unfit(f"is {rating.name!r}, which is another's already; give yours another name", "name")
    _words(rating, {"name": (), "axis": get_args(Axis), "remedy": ()})
    return replace(
        rating,
        tolerance=_function(file, rating, "tolerance", partial(_or_none, number)),
        budget=_function(
            file, rating, "budget", partial(_budget, "%" if rating.is_error else unit),
            partial(_in_its_unit, 1.0 if rating.is_error else scale),
        ),
    )  # fmt: skip


def _words(record: object, expected: dict[str, tuple[str, ...]]) -> None:
    for name, words in expected.items():
        value = getattr(record, name)
        if not isinstance(value, str) or not value.strip() or (words and value not in words):
            wanted = one_of(words) if words else "a text"
            raise Unfit(f"is {reprlib.repr(value)}; expected {wanted}", name)


def _function(
    file: Path,
    record: object,
    name: str,
    check: Callable[[Any], Any] = lambda answer: answer,
    against: Callable[..., None] = lambda *_: None,
) -> Any:
    function = getattr(record, name)
    if not callable(function):
        raise Unfit(f"is {reprlib.repr(function)}; expected a function", name)
    return held(file, f"your {name}()", function, check, against)


# --- what its functions hand over --------------------------------------------------------------------------------


def _no_plan(_setup: object, _options: object) -> Any:
    from sequences import Plan

    return Plan()


def _all_of(plan: Callable[..., Any]) -> Callable[..., Any]:
    def script(setup: Any, options: Any) -> Any:
        from sequences import read_all

        yield from read_all(plan(setup, options))

    return script


def _sound_plan(judged: Judged | None, plan: Any) -> Any:
    """A plan whose steps have plain values, and can be judged as they are to be; raises Unfit for any other."""
    from sequences import Plan

    if not isinstance(plan, Plan):
        raise Unfit(f"it is {reprlib.repr(plan)}; expected a sequences.Plan")
    plan = fitted(plan)
    for planned in plan.points if judged else ():
        sound_step(planned.step, judged)
    return plan


def _roles(answer: Any) -> tuple[Role, ...]:
    roles: tuple[Role, ...] = tuple(answer)
    for role in roles:
        if role not in ROLES:
            raise Unfit(f"it names {role!r}; expected some of {', '.join(ROLES)}")
    return roles


def _or_none(check: Callable[[Any], T], answer: Any) -> T | None:
    return None if answer is None else check(answer)


def _budget(unit: str, answer: Any) -> Any:
    from harness.analysis.estimate import Budget

    if not isinstance(answer, Budget):
        raise Unfit(f"it is {reprlib.repr(answer)}; expected a harness.analysis.estimate.Budget")
    if answer.unit != unit:
        raise Unfit(f"it is in {answer.unit!r}; expected {unit!r}, as its limits are")
    return fitted(answer)


def _in_its_unit(scale: float, budget: Any, _setup: object, step: Any, readings: Any, *_: object) -> None:
    """Refuse an estimate that is the reading as it was read, where limits are in another unit: it would always pass."""
    from harness.assess import values_of

    values = values_of(readings) or [step.expected]
    read = sum(values) / len(values)
    if scale != 1 and read and math.isclose(budget.estimate, read, rel_tol=0.01):
        raise Unfit(f"its estimate is {read:.6g}, as it was read; expected {scale * read:.6g}, in {budget.unit!r}")
