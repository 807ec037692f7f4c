"""The isolation of every pair of channels against the maker's, from what both showed.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from harness.models import Setup, Unit, rated
from harness.quantities import db, show
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Heading, PartResult, Result
from harness.report.readings import Taken
from harness.words.language import tr
from sequences.isolation import Rated
from sequences.isolation.crosstalk import (
    AT_MOST,
    CROSSTALK,
    ISOLATION,
    SEEN,
    highest_hz,
    isolation,
    limits_of,
    u_crosstalk_div,
)
from sequences.isolation.steps import DRIVEN
from sequences.levelling.evaluation import Level, not_read, result
from sequences.levelling.width import trace_width, without_width


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """The least isolation of every channel from every other that was driven."""
    pairs = dict.fromkeys((step.driven, step.view.channel) for step, _ in taken if step.quantity == CROSSTALK.name)
    found = [one for driven, channel in pairs if (one := _result(setup, taken, driven or 0, channel)) is not None]
    planned = {(point["driven"], point["view"]["channel"]) for point in entry.get("points", ()) if point.get("driven")}
    lacking = sorted(planned - set(pairs))
    return Evaluated(
        results=tuple(found),
        missing=tuple(
            tr("channel {channel}: isolation from channel {driven}", channel=channel, driven=driven)
            for driven, channel in lacking
        ),
    )


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    if (least := rated(unit, Rated).isolation) is not None:
        yield tr(
            "isolation of a channel from the others at least {least:g} dB up to {unit}",
            least=least,
            unit=shown.hertz(highest_hz(unit)),
        )


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """Asked by makers' manuals; no heading of the calibration guide's by name."""
    read = count(parts, ISOLATION.name)
    yield heading(
        tr("Channel isolation"), read > 0, tr("{read} pairs of channels", read=read), tr("sequence isolation")
    )


def _result(setup: Setup, taken: Sequence[Taken], driven: int, channel: int) -> Result | None:
    """One pair of channels; None where no frequency is rated."""
    pair = [(step, r) for step, r in taken if step.quantity == CROSSTALK.name]
    pair = [(step, r) for step, r in pair if (step.driven, step.view.channel) == (driven, channel)]
    width = [(step, r) for step, r in taken if step.view.channel == channel and step.driven == driven]
    frequencies = sorted({step.stimulus.rate_hz or 0.0 for step, _ in pair})
    levels = [
        _level(setup, taken, [(step, r) for step, r in pair if step.stimulus.rate_hz == hz], width)
        for hz in frequencies
    ]
    levels = [level for level in levels if limits_of(setup.unit, level.step) is not None]
    if not levels:
        return None
    limits = limits_of(setup.unit, levels[0].step)
    assert limits is not None
    setting = tr(
        "{volts_per_div}/div, channel {driven} driven",
        volts_per_div=show(levels[0].step.view.volts_per_div, "V"),
        driven=driven,
    )
    return result(
        setup, levels, limits, quantity=ISOLATION.name, setting=setting, says=tr("the isolation is least,"), sign=-1.0
    )


def _level(setup: Setup, taken: Sequence[Taken], at: Sequence[Taken], beside: Sequence[Taken]) -> Level:
    """The isolation at one frequency; of what may be noise alone, no more than a bound."""
    read = [(step, r) for step, r in at if r.status == "read" and r.value is not None]
    step, hz = (read or at)[-1][0], at[0][0].stimulus.rate_hz or 0.0
    own = [
        (other, r.value)
        for other, r in taken
        if other.purpose == DRIVEN and other.view.channel == step.driven and other.stimulus == step.stimulus and r.value
    ]
    if not read or not own:
        why = (
            not_read([r.status for _, r in at])
            if not read
            else tr("channel {driven} itself was not read", driven=step.driven)
        )
        return Level(step=step, frequency_hz=hz, remark=why)
    values, width = [r.value or 0.0 for _, r in read], trace_width(setup, beside)
    shown_div, u_div = without_width(values, width), u_crosstalk_div(setup, values, [r for _, r in read], width)
    driven, driven_div = own[-1]
    driven_v = driven_div * driven.view.volts_per_div
    if shown_div < SEEN * u_div:
        most_v = (shown_div + AT_MOST * u_div) * step.view.volts_per_div
        return Level(step=step, frequency_hz=hz, at_least=db(driven_v / most_v), readings=tuple(values))
    budget = isolation(setup, driven, driven_div, step, shown_div, u_div=u_div)
    return Level(step=step, frequency_hz=hz, budget=budget, readings=tuple(values))
