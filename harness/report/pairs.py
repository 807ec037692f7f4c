"""How a unit as found stands beside the unit as left: the pairs in groups, and what changed, as text.   [pure]"""

from __future__ import annotations

from dataclasses import dataclass

from harness.report import shown
from harness.report.model import Adjustment, Pair


@dataclass(frozen=True, slots=True, kw_only=True)
class PairGroup:
    """The pairs of one quantity, channel and path; of every channel (None) where a channel has one result."""

    quantity: str
    channel: int | None
    path: str
    pairs: tuple[Pair, ...]


def pair_groups(adjustment: Adjustment) -> tuple[PairGroup, ...]:
    """Sort the pairs as the results are sorted."""
    groups: dict[tuple[str, int | None, str], list[Pair]] = {}
    for pair in adjustment.pairs:
        groups.setdefault(shown.group_of(pair.either), []).append(pair)
    return tuple(
        PairGroup(quantity=quantity, channel=channel, path=path, pairs=tuple(pairs))
        for (quantity, channel, path), pairs in groups.items()
    )


def pair_name(group: PairGroup, pair: Pair) -> str:
    """What a pair is of, in its group; with what was applied where a range was tried by several levels or signals."""
    result = pair.either
    if group.channel is None:
        return f"channel {result.channel}"
    several = sum(other.either.setting == result.setting for other in group.pairs) > 1
    return f"{result.setting}, {result.applied}" if several else result.setting


def change_text(pair: Pair) -> str:
    """How much a result changed, with the uncertainty of the change; a dash where only one state is known."""
    statement = pair.either.statement
    return "–" if pair.change is None or statement is None else shown.with_u(pair.change, size=statement.estimate)
