"""How a unit as found stands beside the unit as left: the pairs in groups, and what changed, as text.   [pure]"""

from __future__ import annotations

from dataclasses import dataclass

from harness.analysis.rounding import format_pair
from harness.report import shown
from harness.report.model import Adjustment, PointPair, Response, ResponsePair


@dataclass(frozen=True, slots=True, kw_only=True)
class PairGroup:
    """The points of one quantity, channel and path, as found and as left."""

    quantity: str
    channel: int
    path: str
    pairs: tuple[PointPair, ...]


def pair_groups(adjustment: Adjustment) -> tuple[PairGroup, ...]:
    """Sort the pairs as the points are sorted."""
    found: dict[tuple[str, int, str], list[PointPair]] = {}
    for pair in adjustment.points:
        point = pair.either
        found.setdefault((point.quantity, point.channel, point.path), []).append(pair)
    return tuple(
        PairGroup(quantity=quantity, channel=channel, path=path, pairs=tuple(pairs))
        for (quantity, channel, path), pairs in found.items()
    )


def pair_name(group: PairGroup, pair: PointPair) -> str:
    """The setting of a pair; with what was applied where a range was tried by several levels or signals."""
    point = pair.either
    several = sum(other.either.setting == point.setting for other in group.pairs) > 1
    return f"{point.setting}, {point.applied}" if several else point.setting


def half_power_stated(response: Response | None) -> str:
    """A half-power frequency with its expanded uncertainty; a dash where one state has none."""
    return "–" if response is None else shown.half_power_with_u(response.result)


def change_text(pair: PointPair | ResponsePair) -> str:
    """How much a result changed, with the uncertainty of the change; a dash where only one state is known."""
    if isinstance(pair, PointPair):
        return "–" if pair.change is None else shown.with_u(pair.change)
    if pair.change_hz is None or pair.expanded_hz is None:
        return "–"
    scale, unit = shown.frequency_scale(pair.either.result.frequency_hz or 0.0)
    value, u = format_pair(pair.change_hz / scale, pair.expanded_hz / scale, signed=True)
    return f"({shown.signed(value)} ± {u}) {unit}"
