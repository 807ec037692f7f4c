"""What an eye has proved, and what only agrees as far as it can read.   [pure]

By the words of the non-binary statement, whatever the rule of the job.

References
----------
ILAC-G8:09/2019, clause 4.2.3.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from harness.analysis.verdict import decide_statement
from harness.models import Unit
from harness.report.model import Agreement, PartResult, Result, Word
from harness.words.language import tr, tr_count

_SLACK: Final = 1e-9  # of a step: 0.1 div less 0.2 div is not quite −0.1 div


def agreements(unit: Unit, parts: Sequence[PartResult]) -> Iterator[Agreement]:
    """Each part of a unit that is read by eye; none where every point is proved or failed."""
    if unit.read != "eye":
        return
    said = [(part, [(result, _non_binary(result)) for result in part.results]) for part in parts]
    if not any(word.startswith("conditional") for _, results in said for _, word in results):
        return
    for part, results in said:
        if not results:
            continue
        counts = Counter(word for _, word in results)
        agreeing = [result for result, word in results if word == "conditional pass"]
        yield Agreement(
            part=part.title, points=len(results), proved=counts["pass"], agree=counts["conditional pass"],
            disagree=counts["conditional fail"], failed=counts["fail"],
            within_div=max((away for each in agreeing if (away := _away_div(unit, each)) is not None), default=None),
            limits=tuple(dict.fromkeys(each.limits.text(each.result_unit) for each in agreeing if each.limits)),
        )  # fmt: skip


def sentence(rows: Sequence[Agreement]) -> str:
    """What was proved and what agrees, in one piece: "no error can be seen: 12 of 40 points proved, …"."""
    total, proved, agree, disagree, failed = (
        sum(getattr(row, name) for row in rows) for name in ("points", "proved", "agree", "disagree", "failed")
    )
    limits = tr(" or ").join(dict.fromkeys(each for row in rows for each in row.limits))
    within = max((row.within_div for row in rows if row.within_div is not None), default=None)
    near = tr("as far as an eye can read") if within is None else tr("within ±{within:.3g} div", within=within)
    said = [tr("{proved} of {points} proved", proved=proved, points=tr_count(total, "point"))]
    if agree:
        said.append(
            tr(
                "{agree} agree{value} {near}, which is too coarse to prove {limits}",
                agree=agree,
                value="s" * (agree == 1),
                near=near,
                limits=limits,
            )
        )
    if disagree:
        said.append(
            tr(
                "{disagree} lie{value} outside by less than can be proved",
                disagree=disagree,
                value="s" * (disagree == 1),
            )
        )
    if failed:
        said.append(tr("{failed} fail{value}", failed=failed, value="s" * (failed == 1)))
    if rest := total - proved - agree - disagree - failed:
        said.append(tr("{rest} not judged", rest=rest))
    seen = total == proved + agree
    return f"{tr('no error can be seen') if seen else tr('read by eye')}: {', '.join(said)}"


def _non_binary(result: Result) -> Word:
    if result.statement is None or result.limits is None or result.verdict is None:
        return result.word
    return decide_statement(result.statement, result.limits, "non-binary", budget=result.budget).word


def _away_div(unit: Unit, result: Result) -> float | None:
    """How far from its nominal it was read, to the next step that an eye reads; None where it was not in divisions."""
    if result.unit != "div" or result.reading is None or result.expected is None:
        return None
    step = unit.resolution
    away = abs(result.reading - result.expected)
    return away if step == 0 else max(math.ceil(away / step - _SLACK), 1) * step
