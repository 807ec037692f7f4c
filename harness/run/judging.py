"""What a user's own measurement makes of its readings: worked out when its part ends, and kept as plain values.

A report never loads a file of the user's, so that it must find the results where it finds the readings: in the journal.
"""

from __future__ import annotations

import reprlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import partial
from typing import Any, TypeAlias

from harness.errors import HalfpowerError, OwnCodeError
from harness.files.own_values import Unfit, fitted
from harness.journal.journal import Contents, Journal, read
from harness.measurement import rating_names
from harness.models import Setup
from harness.report.model import Evaluated
from harness.report.points import evaluate_points
from harness.report.readings import Taken, taken_of
from harness.report.summary import part_result
from harness.run.jobs import LoadedJob
from harness.run.own_code import Blaming
from harness.run.own_measurement import OwnMeasurement
from harness.steps import to_plain

Judge: TypeAlias = Callable[[str], None]


@contextmanager
def judging(loaded: LoadedJob, journal: Journal, make_safe: Callable[[], None]) -> Iterator[Judge]:
    """Hand over what judges a part that has ended; whatever stops the run, what was read until then is judged too.

    Nobody knows how long that takes: it is not begun with an output on. It ends before the bench is let go of, as who
    takes it next may go on with the journal.
    """
    judge = partial(_judge, loaded, journal, make_safe)
    try:
        yield judge
    except BaseException:  # the run says why it stops, and not what fails here besides
        for use in loaded.uses:
            with suppress(HalfpowerError):
                judge(use.name)
        raise


def _judge(loaded: LoadedJob, journal: Journal, make_safe: Callable[[], None], part: str) -> None:
    """Keep the results of a part, where its measurement is the user's own and nothing is kept yet."""
    own = next(use.definition for use in loaded.uses if use.name == part)
    if not isinstance(own, OwnMeasurement) or not own.judges:
        return
    contents = read(journal.path)
    taken = taken_of(contents, part)
    if taken and part not in contents.results:
        make_safe()
        journal.results(part, to_plain(_judged(own, loaded.setup, contents, part, taken)))


def _judged(own: OwnMeasurement, setup: Setup, contents: Contents, part: str, taken: Sequence[Taken]) -> Evaluated:
    entry = next(each for each in contents.header["parts"] if each["name"] == part)
    if own.evaluate is None:
        results = _by_ratings(own, setup, entry, taken)
    else:
        with _said_of(own, "evaluate"):
            results = _checked(own, own.evaluate(setup, entry, taken), taken)
    if own.headings is not None:
        made = part_result(entry, results, finished=contents.parts.get(part) == "finished")
        with _said_of(own, "headings"):
            results = fitted(replace(results, headings=own.headings(setup, (made,))))
    return results


@contextmanager
def _said_of(own: OwnMeasurement, name: str) -> Iterator[None]:
    try:
        yield
    except Unfit as wrong:
        raise OwnCodeError(f"{own.place(f'def {name}')}: your {name}() is wrong: {wrong}") from None


def _by_ratings(own: OwnMeasurement, setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken]) -> Evaluated:
    """Point by point, as their ratings say; what has none is read for another's sake."""
    with Blaming(own.file):
        results = evaluate_points(setup, entry, taken)
    return replace(results, results=tuple(result for result in results.results if result.quantity))


def _checked(own: OwnMeasurement, answer: Any, taken: Sequence[Taken]) -> Evaluated:
    """What an evaluation of the user's own says is of what its file rates, and of all of it that was read."""
    if not isinstance(answer, Evaluated):
        raise Unfit(f"it is {reprlib.repr(answer)}; expected a harness.report.model.Evaluated")
    results: Evaluated = fitted(answer)
    stated = {result.quantity for result in results.results}
    rated = {one.name: one.rating.name for one in own.QUANTITIES if one.rating is not None}
    if unknown := stated - {*rating_names(), *rated.values()}:
        raise Unfit(f"it states {min(unknown)!r}, which no Rating of QUANTITIES is called")
    if missing := {rated[step.quantity] for step, _ in taken if step.quantity in rated} - stated:
        raise Unfit(f"it says nothing of {min(missing)!r}, which QUANTITIES rates and which was read")
    return results
