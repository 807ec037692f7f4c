"""A channel's half-power frequency against its rating, from the readings of one part.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np

from harness.analysis.verdict import Limits, Verdict, decide
from harness.errors import AnalysisError
from harness.models import Setup, Unit
from harness.quantities import HALF_POWER_DB, is_half_power, show
from harness.report import shown
from harness.report.checklist import heading, outside
from harness.report.model import Band, Evaluated, Heading, LevelPoint, PartResult, Response, Word
from harness.report.readings import Taken
from harness.report.words import NO_SIGNAL
from harness.steps import NOT_SETTLED, Measure
from sequences.bandwidth.levelled import Levelled, levelled, result
from sequences.bandwidth.response import response_band
from sequences.bandwidth.response_model import HalfPower
from sequences.bandwidth.sine import Wanted

_BAND_POINTS: Final = 121
_FIFTY_OHM: Final = (45.0, 55.0)
_BEYOND_LEVEL: Final = 1.01  # of the highest frequency of the level table


def evaluate(setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken]) -> Evaluated:
    """The half-power frequency of every channel."""
    options = entry.get("options", {})
    found = tuple(_responses(setup, options, taken))
    there = {response.channel for response in found}
    wanted = options.get("channels") or range(1, setup.unit.channels + 1)
    missing = tuple(f"channel {channel}: half-power frequency" for channel in wanted if channel not in there)
    return Evaluated(responses=found, missing=missing)


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    yield f"half-power frequency at least {shown.hertz(unit.bandwidth)}"


def headings(setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the frequency response."""
    low, high = _FIFTY_OHM
    fifty = low <= setup.unit.input.resistance <= high
    found = [response for part in parts for response in part.responses if response.result.points]
    by = f"{len(found)} half-power frequencies"
    yield heading(
        "Bandwidth, high-impedance input", bool(found) and not fifty, by,
        "sequence bandwidth, with a feed-through termination",
    )  # fmt: skip
    yield heading(
        "Bandwidth, 50 Ω input", bool(found) and fifty, by,
        "sequence bandwidth, in a job whose unit file states an input resistance of 50 ohm",
    )  # fmt: skip
    yield outside("Harmonic distortion of the source", "a property of the generator: its certificate's")
    yield heading(
        "Flatness below the bandwidth", bool(found), "the response as read and fitted; reported, not judged",
        "sequence bandwidth",
    )  # fmt: skip


def _responses(setup: Setup, options: Mapping[str, Any], taken: Sequence[Taken]) -> Iterator[Response]:
    """Every channel that was tried against the rated bandwidth."""
    wanted = Wanted.from_options(options, setup)
    level = [(step, reading) for step, reading in taken if step.display == "reference" and reading.status == "read"]
    channels = dict.fromkeys(step.view.channel for step, _ in taken if step.display == "unit")
    for channel in channels:
        shown = [(step, r) for step, r in taken if step.display == "unit" and step.view.channel == channel]
        try:
            found = levelled(setup, wanted, level, shown)
        except AnalysisError as error:
            response = _response(setup, wanted, shown[0][0], None, reason=str(error))
        else:
            response = _response(setup, wanted, shown[0][0], found)
        seen = [(step, reading) for step, reading in taken if step.display == "reference" or (step, reading) in shown]
        yield replace(response, remarks=(*response.remarks, *_moving([*level, *shown]), *_without_signal(seen)))


def _without_signal(taken: Sequence[Taken]) -> Iterator[str]:
    count = sum(reading.status == "no_signal" for _, reading in taken)
    if count:
        yield f"{NO_SIGNAL}, at {count} of its readings, the level's among them."


def _moving(taken: Sequence[Taken]) -> Iterator[str]:
    count = sum(NOT_SETTLED in reading.flags for _, reading in taken)
    if count:
        yield f"{count} of its readings, the level's among them, never stood still as asked."


def _response(setup: Setup, wanted: Wanted, first: Measure, found: Levelled | None, *, reason: str = "") -> Response:
    """A channel against its rating; one that cannot be reckoned stays in the report, with the reason."""
    rated_hz, channel = setup.unit.bandwidth, first.view.channel
    half = HalfPower(status="failed", reference_hz=wanted.reference_hz, drop_db=wanted.drop_db)
    if found is not None:
        half = result(found)
        reason = _not_judged(setup, wanted, found, half)
    word: Word = "undecided"
    verdict = None
    if not reason:
        word, verdict = _judge(setup, half, rated_hz)
    level = found.level if found else ()
    return Response(
        channel=channel,
        path=first.path,
        setting=f"{show(first.view.volts_per_div, 'V')}/div",
        rated_hz=rated_hz,
        result=half,
        band=_band(found) if found else Band(frequency_hz=(), response_db=(), low_db=(), high_db=()),
        level=tuple(LevelPoint(frequency_hz=p.frequency_hz, level_db=p.level_db, u_db=p.u_db) for p in level),
        verdict=verdict,
        word=word,
        sentence=f"Channel {channel}: {_half_power_words(half)} Rated {shown.hertz(rated_hz)}: {word}.",
        level_method=found.method if found else "",
        remarks=(reason,) if reason else (),
    )


def _judge(setup: Setup, half: HalfPower, rated_hz: float) -> tuple[Word, Verdict | None]:
    """At least the rated bandwidth: one-sided, in Hz."""
    limits = Limits(low=rated_hz)
    if half.status == "found" and half.frequency_hz is not None and half.u_rel is not None:
        u_hz = half.u_rel * half.frequency_hz
        verdict = decide(half.frequency_hz, u_hz, half.k * u_hz, limits, setup.job.rule, unit="Hz")
        return verdict.word, verdict
    if half.frequency_hz is None and half.bound_hz is not None and half.bound_hz >= rated_hz * (1 - 1e-9):
        return "pass", None
    return "undecided", None


def _not_judged(setup: Setup, wanted: Wanted, found: Levelled, half: HalfPower) -> str:
    """Why a frequency is stated but not held against the rating, if it is not."""
    if not is_half_power(wanted.drop_db):
        return f"The rating is of half power; a drop of {wanted.drop_db:.4g} dB is reported, not judged."
    if setup.bench.reference is None:
        return ""
    if not found.level:
        return "The level was not read on the reference, so the sine is not known well enough to judge by."
    known_to_hz = found.level[-1].frequency_hz
    if half.frequency_hz is not None and half.frequency_hz > _BEYOND_LEVEL * known_to_hz:
        return f"The level was read on the reference up to {show(known_to_hz, 'Hz')} only."
    return ""


def _half_power_words(half: HalfPower) -> str:
    """The frequency as the tables round it, or what is known instead."""
    drop = "half power" if abs(half.drop_db - HALF_POWER_DB) < 1e-3 else f"−{half.drop_db:.4g} dB"
    stated = shown.half_power_with_u(half)
    match half.status:
        case "found" if half.frequency_hz is not None and half.u_rel is not None:
            return f"{drop} at {stated}, k = {half.k:.2f}."
        case "above_generator" if half.bound_hz is not None:
            return f"{drop} lies {stated} (95 %), the highest frequency that could be used."
        case "not_bracketed" if half.bound_hz is not None:
            return f"{drop} was not found; it lies {stated} (95 %)."
        case "several_crossings" if half.frequency_hz is not None:
            first = shown.hertz(half.frequency_hz) if half.u_rel is None else stated
            return f"falls to {drop} more than once, first at {first}."
        case _:
            return f"{drop} was not found."


def _band(found: Levelled) -> Band:
    frequencies = [reading.frequency_hz for reading in found.readings if reading.purpose != "reference"]
    if len(set(frequencies)) < 2:
        return Band(frequency_hz=(), response_db=(), low_db=(), high_db=())
    grid = np.geomspace(min(frequencies), max(frequencies), _BAND_POINTS)
    value, u_db = response_band(found.readings, found.plan, grid)

    def plain(values: Any) -> tuple[float | None, ...]:
        return tuple(float(v) if np.isfinite(v) else None for v in values)

    return Band(
        frequency_hz=tuple(float(f) for f in grid),
        response_db=plain(value),
        low_db=plain(value - 2 * u_db),
        high_db=plain(value + 2 * u_db),
    )
