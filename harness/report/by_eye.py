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
from harness.quantities import counted
from harness.report.model import Agreement, PartResult, Result, Word

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
    limits = " or ".join(dict.fromkeys(each for row in rows for each in row.limits))
    within = max((row.within_div for row in rows if row.within_div is not None), default=None)
    near = "as far as an eye can read" if within is None else f"within ±{within:.3g} div"
    said = [f"{proved} of {counted(total, 'point')} proved"]
    if agree:
        said.append(f"{agree} agree{'s' * (agree == 1)} {near}, which is too coarse to prove {limits}")
    if disagree:
        said.append(f"{disagree} lie{'s' * (disagree == 1)} outside by less than can be proved")
    if failed:
        said.append(f"{failed} fail{'s' * (failed == 1)}")
    if rest := total - proved - agree - disagree - failed:
        said.append(f"{rest} not judged")
    seen = total == proved + agree
    return f"{'no error can be seen' if seen else 'read by eye'}: {', '.join(said)}"


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
