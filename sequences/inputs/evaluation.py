"""What the heights and edges behind a known resistor say of an input, or what a meter showed.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, Final

from harness.analysis import estimate
from harness.analysis.estimate import Budget, state
from harness.analysis.rounding import format_value_u
from harness.analysis.verdict import Limits
from harness.models import Setup, Unit, rated
from harness.quantities import show
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Heading, PartResult, Result
from harness.report.points import result_of
from harness.report.readings import Group, Taken, grouped, missing
from harness.words.language import tr, tr_count
from sequences import channels_of, signal_range
from sequences.comparing import Known
from sequences.inputs import Rated
from sequences.inputs.behind import (
    CAPACITANCE,
    HEIGHT,
    RESISTANCE,
    RISE,
    capacitance_budget,
    capacitance_within,
    resistance_budget,
    resistance_within,
)
from sequences.inputs.steps import Options

_MEGA: Final = 1e6


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """The resistance and the capacitance of every channel."""
    options = Options.model_validate(entry.get("options", {}), context={"si": True})
    results = tuple(_said(setup, result) for result in (*_measured(setup, options, taken), *_entered(setup, options)))
    there = ((r.channel, r.path, r.quantity, r.setting) for r in results)
    return Evaluated(results=results, missing=tuple(missing(entry, there)))


def _measured(setup: Setup, options: Options, taken: Sequence[Taken]) -> Iterator[Result]:
    groups, _ = grouped(taken)
    stated = rated(setup.unit, Rated)

    def heights(channel: int, *, behind: bool) -> Known | None:
        found = (g for g in groups if (g.step.quantity, g.step.view.channel) == (HEIGHT.name, channel) and g.read)
        return next((_known(g) for g in found if (g.step.path == options.series) == behind), None)

    for group in groups:
        step, channel = group.step, group.step.view.channel
        straight, behind = heights(channel, behind=False), heights(channel, behind=True)
        if step.quantity == RISE.name:
            pair = None if straight is None or behind is None else (behind, straight)
            budget = partial(capacitance_budget, setup, step, group.readings, heights=pair)
            yield result_of(setup, group, budget)
        elif step.path == options.series and stated.input_resistance is not None and not options.entered_resistance:
            budget = partial(resistance_budget, setup, step, group.readings, straight=straight)
            yield result_of(setup, group, budget)


def _known(group: Group) -> Known:
    return Known(step=group.step, readings=group.readings)


def _entered(setup: Setup, options: Options) -> Iterator[Result]:
    """What a meter showed, channel by channel."""
    name, nominal, volts_per_div = options.meter or tr("the meter"), setup.unit.input, signal_range(setup.unit, None)
    within_f = options.entered_capacitance_within
    for rating, values, unit, of, half_width, tolerance in (
        (
            RESISTANCE, options.entered_resistance, "Ω", nominal.resistance, options.entered_resistance_within,
            resistance_within(setup.unit),
        ),
        (
            CAPACITANCE, options.entered_capacitance, "F", nominal.capacitance, within_f / nominal.capacitance,
            capacitance_within(setup.unit),
        ),
    ):  # fmt: skip
        line = estimate.rectangular(tr("limits of {name}", name=name), half_width=half_width, sensitivity=100.0)
        limits = None if tolerance is None else Limits.symmetric(100.0 * tolerance)
        for channel, value in zip(channels_of(setup, options.channels), values, strict=False):
            budget = Budget(
                quantity=tr("{quantity} of channel {channel}", quantity=tr(rating.name), channel=channel),
                unit="%", estimate=100.0 * (value / of - 1.0), contributions=(line,),
            )  # fmt: skip
            made = Result(
                quantity=rating.name, is_error=True, channel=channel, path="",
                setting=f"{show(volts_per_div, 'V')}/div", setting_value=volts_per_div, setting_unit="V/div",
                readings=(value,), reading=value, unit=unit, budget=budget, limits=limits, verdict=None,
                statement=state(budget, setup.job.coverage), word="undecided",
                remarks=(tr("entered, as {name} showed it", name=name),),
            )  # fmt: skip
            yield made.decided(setup.job.rule)


def _said(setup: Setup, result: Result) -> Result:
    """The value itself, as it is rated."""
    if result.statement is None:
        return result
    nominal, scale, unit = (
        (setup.unit.input.resistance, 1.0, "Ω") if result.quantity == RESISTANCE.name
        else (setup.unit.input.capacitance, 1e12, "pF")
    )  # fmt: skip
    scale, unit = (1e-6, "MΩ") if unit == "Ω" and nominal >= _MEGA else (scale, unit)
    value, u = nominal * (1 + result.statement.estimate / 100), nominal * result.statement.expanded / 100
    sentence = tr(
        "Channel {channel}: {quantity} {scale}, nominally {nominal:g} {unit}: {word}.",
        channel=result.channel,
        quantity=result.quantity,
        scale=format_value_u(value * scale, u * scale, unit),
        nominal=nominal * scale,
        unit=unit,
        word=result.word,
    )
    return replace(result, sentence=sentence)


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    if stated.input_resistance is not None:
        yield tr(
            "input {resistance} ±{input_resistance}",
            resistance=shown.quantity(unit.input.resistance, "Ω"),
            input_resistance=shown.percent(stated.input_resistance),
        )
    if stated.input_capacitance is not None:
        nominal, within = (shown.quantity(each, "F") for each in (unit.input.capacitance, stated.input_capacitance))
        yield tr("input {nominal} ±{within}", nominal=nominal, within=within)


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the inputs."""
    read = count(parts, RESISTANCE.name, CAPACITANCE.name)
    yield heading(
        tr("Input resistance and capacitance"), read > 0, tr_count(read, "result"),
        tr("sequence inputs, where the unit file rates input_resistance or input_capacitance"),
    )  # fmt: skip
