"""Which results of a report are looked at closely: the worst ones, or the one that is asked for.   [pure]"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness.errors import HalfpowerError
from harness.report import shown
from harness.report.model import Result, Word
from harness.words.clean import shortened
from harness.words.language import tr

if TYPE_CHECKING:
    from harness.analysis.verdict import Limits
    from harness.report.model import Report

_WORST_FIRST: Final[tuple[Word, ...]] = (
    "fail", "conditional fail", "undecided", "conditional pass", "pass", "not measured",
)  # fmt: skip
_TYPED: Final = str.maketrans({"µ": "u", "μ": "u", "×": "x"})  # as they are typed
_NEAREST: Final = 4  # names that are offered where none fits


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A result, and the part that it belongs to."""

    part: int
    one: Result


def everything(report: Report) -> Iterator[Chosen]:
    """Every judged result of a report, in its order."""
    for n, part in enumerate(report.parts):
        yield from (Chosen(part=n, one=one) for one in part.results)


def worst(report: Report) -> Chosen | None:
    """The result that failed most clearly; else the least certain one; else the one closest to its limit."""
    return min((each for each in everything(report) if _known(each.one)), key=_badness, default=None)


def worst_of_parts(report: Report) -> tuple[Chosen, ...]:
    """The worst result of each part, as it is or as it was found, where one did not pass; else the closest of all."""

    def either(each: Chosen) -> tuple[float, ...]:
        before = as_found(report, each.one)
        return min(_badness(each), _badness(Chosen(part=each.part, one=before))) if before else _badness(each)

    found = []
    for n in range(len(report.parts)):
        some = [each for each in everything(report) if each.part == n and _known(each.one)]
        worst_one = min(some, key=either, default=None)
        if worst_one is not None and either(worst_one)[0] < _WORST_FIRST.index("pass"):
            found.append(worst_one)
    closest = worst(report)
    return tuple(found) if found or closest is None else (closest,)


def named(report: Report, words: str) -> Chosen:
    """
    The result that a person names, "ch 2, 500 mV": every word must occur in its name.

    Raises
    ------
    HalfpowerError
        None fits, or several do.
    """
    names: dict[str, Chosen] = {}
    for each in everything(report):
        name = name_of(report, each.one)
        names[name] = min(names.get(name, each), each, key=_badness)  # of several levels, the worst
    wanted = _words(words)
    fitting = [name for name in names if all(any(_begins(have, word) for have in _words(name)) for word in wanted)]
    if len(fitting) == 1:
        return names[fitting[0]]
    nearest = fitting or difflib.get_close_matches(words, names, _NEAREST, 0.0)
    offered = "; ".join(shortened(name, 80) for name in nearest[:_NEAREST])
    if not fitting:
        raise HalfpowerError(f"No result is called {words!r}. The nearest: {offered or 'there is none at all'}.")
    raise HalfpowerError(f"{len(fitting)} results fit {words!r}. Say more, to tell these apart: {offered}.")


def name_of(report: Report, one: Result) -> str:
    """What a result is called: "deflection, channel 2, 1 m lead, 500 mV/div"."""
    return tr(
        "{quantity}, channel {channel}, {path}, {setting}",
        quantity=tr(one.quantity),
        channel=one.channel,
        path=shown.path_label(report, one.path),
        setting=one.setting,
    )


def as_found(report: Report, one: Result) -> Result | None:
    """The same result as it was found before the adjustment, if the report holds it."""
    if report.adjustment is None:
        return None
    return next((pair.found for pair in report.adjustment.pairs if pair.left is one), None)


def _words(text: str) -> list[str]:
    """The words of a name; a number and its unit are one, and so are "channel" and its number."""
    plain = text.casefold().translate(_TYPED)
    found = re.findall(r"ch[a-z]* ?\d+|\d[\d.]*(?: ?[^\W\d]+)?|[^\W\d]+", plain)
    return [re.sub(r"^ch[a-z]* ?(?=\d)", "ch", word).replace(" ", "") for word in found]


def _begins(have: str, word: str) -> bool:
    """Whether a word may stand for another: "def" for "deflection", "500m" for "500mv", but not "5" for "500mv"."""
    return have.startswith(word) and not re.match(r"[\d.]", have[len(word) :])


def _known(one: Result) -> bool:
    return one.word != "not measured"


def _badness(each: Chosen) -> tuple[float, ...]:
    """By word; then by the probability of being inside the limits, where it says something; then by how far outside."""
    rank, verdict = _WORST_FIRST.index(each.one.word), each.one.verdict
    if verdict is None:
        return rank, 1.0, math.inf
    return rank, round(verdict.conformance_probability, 4), -_excess(each.one, verdict.limits)


def _excess(one: Result, limits: Limits) -> float:
    """How many expanded uncertainties a result lies beyond its nearer limit; negative inside."""
    if one.statement is None or not one.statement.expanded:
        return -math.inf
    estimate, expanded = one.statement.estimate, one.statement.expanded
    sides = [-math.inf if limits.high is None else estimate - limits.high]
    sides += [-math.inf if limits.low is None else limits.low - estimate]
    return max(sides) / expanded
