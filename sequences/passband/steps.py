"""The response at listed frequencies; with the bandwidth limiter on; what AC coupling leaves at its rated corner."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Literal

from pydantic import Field

from harness import steps
from harness.models import Setup, rated
from harness.quantities import round_to, show
from harness.steps import Measure, Role, Sine, Step, View, connect, measure
from harness.values import Divisions, Hertz, Model, Ohms, Volts
from harness.words.language import tr
from sequences import Judges, Plan, Planned, channels_of, generator_of, signal_range
from sequences.bandwidth import asked
from sequences.bandwidth import steps as bandwidth
from sequences.deflection import PEAK_TO_PEAK
from sequences.levelling.sine import LEVEL, LEVEL_CHECK, Taken, reach_hz
from sequences.levelling.steps import level_step, most_vpp, raised, read_levels, rounded_down, sweep
from sequences.levelling.width import TRACE_WIDTH, reads_width, width_step
from sequences.passband import Rated
from sequences.passband.response import AC_COUPLED, LIMITER, PASSBAND, REFERENCE_HZ, RESPONSE, chosen

TITLE: Final = "Passband"
QUANTITIES: Final = (RESPONSE,)
RATINGS: Final = (PASSBAND, LIMITER, AC_COUPLED)
JUDGES: Final[Judges] = {
    "unit": (RESPONSE.name, PEAK_TO_PEAK.name, TRACE_WIDTH.name),
    "reference": (PEAK_TO_PEAK.name,),
}
AT_REFERENCE: Final = "reference"
AC: Final = "AC coupling"
WITH_LIMITER: Final = "limiter: "  # before the purposes of the bandwidth measurement that finds its half power
_LEVEL_DIGITS: Final = 4
_SI: Final = {"si": True}
_LEAST_DIV: Final = 2.0  # below it a reading decides nothing


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="channels; all if left out")
    path: str = Field("terminated", description="the path of the levelled sine")
    level_path: str | None = Field(
        None, description="the path to the reference, where it is another: one without a termination for a 50 ohm input"
    )
    ranges: tuple[Volts, ...] | Literal["all"] = Field(
        (), description="deflection factors, or 'all'; that of the bandwidth if left out"
    )
    frequencies: tuple[Hertz, ...] = Field((), description="frequencies; so many a decade if left out")
    points_per_decade: int = Field(3, ge=1, le=20, description="frequencies a decade, up to the highest rated one")
    reference_frequency: Hertz = Field(REFERENCE_HZ, gt=0, description="what the response is relative to")
    deflection: Divisions = Field(6.0, gt=0, le=20, description="reference deflection, peak to peak")
    input: Ohms | None = Field(None, gt=0, description="input resistance that is chosen, such as '50 ohm'")
    what: tuple[Literal["passband", "limiter", "AC coupling"], ...] = Field(
        ("passband", "limiter", "AC coupling"), min_length=1, description="what is tried, where the unit file rates it"
    )
    repeats: int = Field(2, ge=1, le=20)
    termination: Literal["corrected", "included"] | None = Field(
        None, description="the roll-off that input capacitance makes on the termination; as the unit file says"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Range:
    """A range with the level that it is tried at, and the deflection that an ideal unit shows."""

    volts_per_div: float
    level_vpp: float
    deflection_div: float


def needs(_options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return ("generator",)


def plan(setup: Setup, options: Options) -> Plan:
    """Every frequency of every range of every channel; limiter and coupling follow."""
    setup = chosen(setup, options.input)
    ranges, left_out = _ranges(setup, options)
    frequencies: list[float] = []
    if _tries_passband(setup, options):
        frequencies, more = _frequencies(setup, options)
        left_out += more
    points = [
        Planned(step=_step(setup, options, channel, each, hz), repeats=options.repeats)
        for channel in channels_of(setup, options.channels) for each in ranges for hz in frequencies
    ]  # fmt: skip
    return Plan(points=tuple(points), left_out=(*left_out, *_not_tried(setup, options)))


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Read the levels of all ranges, then channel by channel, then whether the levels have stayed; then the limiter."""
    setup = chosen(setup, options.input)
    (ranges, _), level = _ranges(setup, options), list[Taken]()
    frequencies = _frequencies(setup, options)[0] if _tries_passband(setup, options) else []
    levelled = setup.bench.reference is not None and bool(frequencies) and bool(ranges)
    grid = (options.reference_frequency, *frequencies)
    if levelled:
        yield from read_levels(setup, _level_steps(setup, options, ranges, grid, LEVEL), level)
    for channel in channels_of(setup, options.channels) if ranges else ():
        if frequencies or _ac_hz(setup, options) is not None:
            yield from _channel(setup, options, channel, ranges, frequencies)
    if levelled:
        yield from read_levels(setup, _level_steps(setup, options, ranges, (grid[0], grid[-1]), LEVEL_CHECK), level)
    if limiter_setup(setup, options) is not None:
        yield from _limited(setup, options)


def _channel(
    setup: Setup, options: Options, channel: int, ranges: list[_Range], frequencies: list[float]
) -> steps.Sequence[None]:
    """One channel, behind one connection."""
    yield from connect(path=options.path, source="generator", display="unit", channel=channel)
    if reads_width(setup):
        width = width_step(options.path, channel, ranges[0].volts_per_div)
        yield from measure(replace(width, view=replace(width.view, input_ohm=options.input)))
    for each in ranges if frequencies else ():
        base = _base(setup, options, channel, each)
        yield from _repeated(base, options)
        for hz in frequencies:
            yield from _repeated(_step(setup, options, channel, each, hz), options)
        yield from measure(replace(base, repeat=options.repeats))  # has it stayed?
    corner_hz = _ac_hz(setup, options)
    if corner_hz is not None:
        direct = _direct(_step(setup, options, channel, ranges[0], corner_hz))
        yield from _repeated(direct, options)
        yield from _repeated(_coupled(direct), options)


def _repeated(step: Measure, options: Options) -> steps.Sequence[None]:
    for repeat in range(options.repeats):
        reading = yield from measure(replace(step, repeat=repeat))
        if reading.status != "read":
            break


# --- what is tried ------------------------------------------------------------------------------------------------


def _tries_passband(setup: Setup, options: Options) -> bool:
    stated = rated(setup.unit, Rated)
    return "passband" in options.what and stated.passband is not None and stated.passband_to is not None


def _ac_hz(setup: Setup, options: Options) -> float | None:
    """The corner that AC coupling is tried at, if it is; a 50 ohm input has another than the one that is rated."""
    stated = rated(setup.unit, Rated).ac_corner
    if "AC coupling" not in options.what or stated is None or options.input is not None:
        return None
    return stated if stated >= generator_of(setup).frequency_low else None


def limiter_setup(setup: Setup, options: Options) -> Setup | None:
    """The setup as if the limiter's half power were the unit's bandwidth, where it is tried."""
    stated = rated(setup.unit, Rated).limiter
    if "limiter" not in options.what or stated is None or stated > generator_of(setup).frequency_high:
        return None
    said = {"bandwidth": stated, "bandwidth_by_range": ()}
    return replace(setup, unit=setup.unit.model_copy(update=said))


def _not_tried(setup: Setup, options: Options) -> Iterator[str]:
    stated, generator = rated(setup.unit, Rated), generator_of(setup)
    if "passband" in options.what and not _tries_passband(setup, options):
        yield "Passband: the unit file states no 'passband' with its 'passband_to'."
    if "limiter" in options.what and limiter_setup(setup, options) is None:
        beyond = stated.limiter is not None
        yield tr(
            "Limiter: {more}.",
            more=tr("above what the generator gives") if beyond else tr("the unit file states no rating"),
        )
    if "AC coupling" in options.what and _ac_hz(setup, options) is None:
        why = "the unit file states no 'ac_corner'"
        if options.input is not None:
            why = tr("its corner is rated for the usual input resistance")
        elif stated.ac_corner is not None:
            why = tr(
                "the generator goes down to {frequency_low} only", frequency_low=show(generator.frequency_low, "Hz")
            )
        yield tr("AC coupling: {why}.", why=why)


def _ranges(setup: Setup, options: Options) -> tuple[list[_Range], list[str]]:
    """The ranges with their levels, as high as the deflection asked for or all ratings allow."""
    factors = setup.unit.volts_per_div if options.ranges == "all" else options.ranges
    generator, found, left_out = generator_of(setup), [], []
    by = setup.bench.path(options.path).divides_by / raised(setup, options.path)
    for volts_per_div in factors or (signal_range(setup.unit, None),):
        wanted = min(options.deflection, setup.unit.vertical_div - 1) * volts_per_div * by
        vpp = rounded_down(min(wanted, most_vpp(setup, options.path)), _LEVEL_DIGITS)
        shown_div = vpp / by / volts_per_div
        if shown_div < _LEAST_DIV or vpp < generator.level_low:
            name = f"{show(volts_per_div, 'V')}/div"
            left_out.append(tr("{name}: no level of the generator fits the screen and the ratings.", name=name))
        else:
            found.append(_Range(volts_per_div=volts_per_div, level_vpp=vpp, deflection_div=shown_div))
    return found, left_out


def _frequencies(setup: Setup, options: Options) -> tuple[list[float], list[str]]:
    """The frequencies that can be tried, rising, without the reference frequency; and what cannot be."""
    generator, base = generator_of(setup), options.reference_frequency
    top = rated(setup.unit, Rated).passband_to or base
    wanted = options.frequencies
    if not wanted:
        decades = math.log10(top / base)
        count = max(1, math.ceil(abs(decades) * options.points_per_decade))
        wanted = tuple(base * (top / base) ** (i / count) for i in range(1, count + 1))
    rounded = sorted({round_to(hz, _LEVEL_DIGITS) for hz in wanted} - {base})
    left_out, found = [], []
    for hz in rounded:
        if not generator.frequency_low <= hz <= generator.frequency_high:
            left_out.append(tr("Passband at {hz}: the generator does not give it.", hz=show(hz, "Hz")))
        elif hz > reach_hz(setup) * (1 + 1e-9):
            left_out.append(
                tr("Passband at {hz}: the response of the reference is not known there.", hz=show(hz, "Hz"))
            )
        else:
            found.append(hz)
    return found, left_out


# --- steps --------------------------------------------------------------------------------------------------------


def _level_steps(
    setup: Setup, options: Options, ranges: list[_Range], grid: tuple[float, ...], purpose: str
) -> Iterator[Measure]:
    """Each level once at each frequency."""
    path = options.level_path or options.path
    for vpp in dict.fromkeys(each.level_vpp for each in ranges):
        for hz in dict.fromkeys(sorted(grid)):
            yield level_step(setup, path, level_vpp=vpp, frequency_hz=hz, purpose=purpose)


def _step(setup: Setup, options: Options, channel: int, at: _Range, frequency_hz: float) -> Measure:
    expected = round(at.deflection_div, 3)
    return Measure(
        purpose="passband",
        path=options.path,
        source="generator",
        stimulus=Sine(level_vpp=at.level_vpp, frequency_hz=frequency_hz),
        display="unit",
        view=View(
            channel=channel,
            volts_per_div=at.volts_per_div,
            s_per_div=sweep(frequency_hz, setup.unit.s_per_div, remote=setup.unit.read == "remote"),
            input_ohm=options.input,
        ),
        quantity=RESPONSE.name,
        expected=expected,
        expected_low=round(0.7 * expected, 3),
        expected_high=round(1.3 * expected, 3),
    )


def _base(setup: Setup, options: Options, channel: int, at: _Range) -> Measure:
    return replace(_step(setup, options, channel, at, options.reference_frequency), purpose=AT_REFERENCE)


def _direct(step: Measure) -> Measure:
    """The sine at the rated corner, in full."""
    return replace(step, purpose=AC, quantity=PEAK_TO_PEAK.name)


def _coupled(direct: Measure) -> Measure:
    """The same with AC coupling, which may leave anything of it."""
    return replace(direct, view=replace(direct.view, coupling="ac"), expected_low=None, expected_high=None)


def limiter_options(options: Options, channels: tuple[int, ...]) -> asked.Options:
    """The options of the bandwidth measurement that finds the limiter's half power."""
    first = options.ranges[0] if options.ranges and options.ranges != "all" else None
    shared = ("path", "level_path", "reference_frequency", "deflection", "termination")
    told = {name: getattr(options, name) for name in shared}
    return asked.Options.model_validate(told | {"channels": channels, "volts_per_div": first}, context=_SI)


def _limited(setup: Setup, options: Options) -> steps.Sequence[None]:
    """The bandwidth of a unit whose limiter is its bandwidth: every step of it, the limiter on."""
    as_rated = limiter_setup(setup, options)
    assert as_rated is not None  # else it is not tried
    search = bandwidth.script(as_rated, limiter_options(options, channels_of(setup, options.channels)))
    step = next(search)
    try:
        while True:
            step = search.send((yield _with_limiter(step, options)))
    except StopIteration:
        return


def _with_limiter(step: Step, options: Options) -> Step:
    if not isinstance(step, Measure):
        return step
    marked = replace(step, purpose=WITH_LIMITER + step.purpose)
    if step.display == "reference":
        return marked
    return replace(marked, view=replace(step.view, limited=True, input_ohm=options.input))
