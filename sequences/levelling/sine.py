"""The level of the sine at the unit's input: as read on the reference, corrected, with every line of it.   [pure]"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from harness.analysis.curve import LevelPoint
from harness.analysis.estimate import Contribution, expanded, rectangular
from harness.errors import AnalysisError
from harness.models import LOW_OHM, Generator, Reference, Setup, SignalPath, rated
from harness.quantities import DB_PER_NEPER, db, show
from harness.steps import Measure, Reading, Sine
from harness.words.language import tr
from sequences.inputs import Rated as Inputs
from sequences.levelling import corrections
from sequences.levelling.harmonics import harmonic_lines, matter
from sequences.levelling.mismatch import end_of, mismatch, mismatch_through_one_line
from sequences.levelling.reading import THIN_DIV, ReadingModel
from sequences.levelling.table import LevelCorrection, LevelTable

LEVEL: Final = "level"
LEVEL_CHECK: Final = "level check"
_CAPACITANCE_KNOWN_TO: Final = 0.1  # of an input capacitance without a tolerance: common practice
Taken = tuple[Measure, Reading]
Known = dict[tuple[float, bool], tuple[LevelCorrection, ...]]  # by frequency, and whether the level was read


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPlan:
    """Where the sine goes, where its level is read, and what it is relative to."""

    path: str
    level_path: str
    reference_hz: float = 50e3
    watched: bool = False  # a tee keeps the reference connected
    termination_corrected: bool = True


def sine_level(step: Measure) -> tuple[float, float]:
    """Frequency and level of a step's sine."""
    if not isinstance(step.stimulus, Sine):
        raise AnalysisError(f"a response is taken with a sine, not with {type(step.stimulus).__name__}.")
    return step.stimulus.frequency_hz, step.stimulus.level_vpp


def reach_hz(setup: Setup) -> float:
    """How far up the reference's own response is known."""
    reference = setup.bench.reference
    if reference is not None and reference.flatness:
        return max(point.frequency for point in reference.flatness)
    if reference is not None and reference.bandwidth is not None:
        return 0.95 * reference.bandwidth
    return math.inf


def is_at_input(setup: Setup, termination: str | None) -> bool:
    """Whether the level is meant at the input: as the job says, else as the unit file says of its rating."""
    return setup.unit.bandwidth_plane == "input" if termination is None else termination != "included"


def level_table(setup: Setup, wanted: LevelPlan, level: Sequence[Taken]) -> LevelTable | None:
    """The level per set volt as the reference showed it, relative to the reference frequency."""
    reference = setup.bench.reference
    if reference is None or not level:
        return None
    gathered = _gathered_db(level, LEVEL)  # a check is of the table, and no part of it
    deflections = {sine_level(step)[0]: reading.value for step, reading in level if reading.value and reading.value > 0}
    if wanted.reference_hz not in gathered or len(gathered) < 2:
        return None
    base_db = math.fsum(gathered[wanted.reference_hz]) / len(gathered[wanted.reference_hz])
    reader = ReadingModel(resolution_div=reference.step_div, scatter_div=reference.scatter_div)
    thin_div = THIN_DIV / math.sqrt(3.0) if reference.read == "eye" else 0.0  # in both deflections of each ratio
    points = []
    for set_hz in sorted(gathered):
        values, deflection = gathered[set_hz], deflections[set_hz]
        u_div = reader.mean_div(deflection, len(values))
        points.append(
            LevelPoint(
                frequency_hz=set_hz,
                level_db=math.fsum(values) / len(values) - base_db,
                u_db=DB_PER_NEPER
                * math.hypot(u_div / deflection, thin_div / deflection - thin_div / deflections[wanted.reference_hz]),
            )
        )
    return LevelTable(points=tuple(points), base_hz=wanted.reference_hz)


def level_at(
    setup: Setup, wanted: LevelPlan, table: LevelTable | None, frequency_hz: float, *, known: Known | None = None
) -> LevelCorrection:
    """Level at the unit's input relative to that at the reference frequency, with every line of it.

    Before the first level has been read nothing is known yet, and only the reference frequency is asked for.
    What is the same whatever is read goes into `known`: a search asks again and again.
    """
    known = {} if known is None else known
    at = frequency_hz, table is not None
    beside = known[at] = known.get(at) or tuple(_beside_the_table(setup, wanted, *at))
    if table is None:
        return corrections.combine(*beside)
    inside_hz = min(max(frequency_hz, table.points[0].frequency_hz), table.points[-1].frequency_hz)
    return corrections.combine(table.level(inside_hz), *beside)


def _beside_the_table(setup: Setup, wanted: LevelPlan, frequency_hz: float, is_read: bool) -> Iterator[LevelCorrection]:
    if is_read:
        yield _reference_response(setup, wanted, frequency_hz)
    elif setup.bench.reference is None:
        yield _stated_flatness(setup.bench.generator, "generator", frequency_hz)
    yield from _at_the_unit(setup, wanted, frequency_hz)
    yield _harmonics(setup, wanted, frequency_hz)


def held_at(setup: Setup, wanted: LevelPlan, frequency_hz: float) -> LevelCorrection:
    """The same where the level is held on the reference at that frequency itself; on a tee the unit has it as well."""
    parts = [_reference_response(setup, wanted, frequency_hz), _harmonics(setup, wanted, frequency_hz)]
    return corrections.combine(*parts, *(() if wanted.watched else _at_the_unit(setup, wanted, frequency_hz)))


def _harmonics(setup: Setup, wanted: LevelPlan, frequency_hz: float) -> LevelCorrection:
    lines = () if frequency_hz == wanted.reference_hz else tuple(harmonic_lines(setup))
    return LevelCorrection(correction_db=0.0, contributions=lines)


def _reference_response(setup: Setup, wanted: LevelPlan, frequency_hz: float) -> LevelCorrection:
    reference = setup.bench.reference
    if reference is None:
        return LevelCorrection(correction_db=0.0, contributions=())
    if not (reference.flatness or reference.bandwidth):
        return _stated_flatness(reference, "reference", frequency_hz)
    return corrections.response_correction(reference, frequency_hz, reference_frequency_hz=wanted.reference_hz)


def _stated_flatness(instrument: Generator | Reference | None, role: str, frequency_hz: float) -> LevelCorrection:
    """The flatness that an accuracy line with `db` states."""
    for line in instrument.accuracy if instrument else ():
        if line.db is not None and line.covers(frequency_hz=frequency_hz):
            name = tr("flatness of the {role}", role=role)
            stated = rectangular(name, half_width=line.db, unit="dB")
            if line.stated_as == "expanded":
                stated = expanded(name, expanded=line.db, unit="dB")
            return LevelCorrection(correction_db=0.0, contributions=(stated,))
    raise AnalysisError(
        f"The level of the sine is not known: the bench file states no response of the {role}. Give a flatness table "
        "or a bandwidth of the reference, or an accuracy line with 'db'."
    )


def _at_the_unit(setup: Setup, wanted: LevelPlan, frequency_hz: float) -> list[LevelCorrection]:
    """From the plane where the level was read to the unit's input: termination on its capacitance, mismatch."""
    bench, read_on = setup.bench, setup.bench.reference
    path, there = bench.path(wanted.path), bench.path(wanted.level_path)
    within_f = rated(setup.unit, Inputs).input_capacitance
    unit = _end(path, setup.unit.input.resistance, setup.unit.input.capacitance, within_f)
    reference = _end(there, read_on.input_ohm, read_on.input_capacitance) if read_on is not None else None
    return [
        *_loadings(setup, wanted, frequency_hz, unit, reference),
        LevelCorrection(correction_db=0.0, contributions=_mismatches(setup, wanted, frequency_hz, unit, reference)),
    ]


def _end(
    path: SignalPath, input_ohm: float, capacitance_f: float, within_f: float | None = None
) -> corrections.Termination | None:
    """A termination with the input beside it, or an input alone; None where an input or a divider ends the line."""
    if path.termination is None and (input_ohm < LOW_OHM or path.divides_by != 1.0):
        return None
    ohm = path.termination or math.inf
    return corrections.Termination(
        termination_ohm=ohm,
        termination_tolerance_ohm=path.termination_tolerance * (path.termination or 0.0),
        input_ohm=input_ohm,
        input_capacitance_f=capacitance_f,
        capacitance_tolerance_f=_CAPACITANCE_KNOWN_TO * capacitance_f if within_f is None else within_f,
        source_ohm=path.termination or 50.0,
    )


def _on_one_line(setup: Setup, wanted: LevelPlan) -> bool:
    """Whether one line, with its termination, is moved from the reference to the unit; a switch has one for each."""
    return wanted.level_path == wanted.path and (setup.bench.switch is None or not setup.bench.path(wanted.path).routes)


def _loadings(
    setup: Setup, wanted: LevelPlan, frequency_hz: float, unit: corrections.Termination | None,
    reference: corrections.Termination | None,
) -> Iterator[LevelCorrection]:  # fmt: skip
    """The roll-off of the inputs' capacitances on their terminations, against the reference frequency.

    One termination that is moved has one resistance: what its tolerance makes at both ends is one line.
    """
    path, there = setup.bench.path(wanted.path), setup.bench.path(wanted.level_path)
    loads = []
    if unit is not None and path.termination is not None and wanted.termination_corrected:
        loads.append(_loading(unit, wanted, frequency_hz, of=tr("the unit"), sign=1))
    if reference is not None and there.termination is not None and reference.input_capacitance_f:
        loads.append(_loading(reference, wanted, frequency_hz, of=tr("the reference"), sign=-1))
    if len(loads) == 2 and _on_one_line(setup, wanted):
        (by_ohm, *rest), (other, *others) = (load.contributions for load in loads)
        both = replace(by_ohm, sensitivity=by_ohm.sensitivity + other.sensitivity)
        loads = [replace(loads[0], contributions=(both, *rest)), replace(loads[1], contributions=tuple(others))]
    yield from loads


def _loading(
    termination: corrections.Termination, wanted: LevelPlan, frequency_hz: float, *, of: str, sign: int
) -> LevelCorrection:
    here, base = (corrections.termination_correction(termination, f) for f in (frequency_hz, wanted.reference_hz))
    return LevelCorrection(
        correction_db=sign * (here.correction_db - base.correction_db),
        contributions=tuple(
            replace(
                line,
                name=tr("{line} of {of}", line=line.name, of=of),
                sensitivity=sign * (line.sensitivity - before.sensitivity),
            )
            for line, before in zip(here.contributions, base.contributions, strict=True)
        ),
    )


def _mismatches(
    setup: Setup, wanted: LevelPlan, frequency_hz: float, unit: corrections.Termination | None,
    reference: corrections.Termination | None,
) -> tuple[Contribution, ...]:  # fmt: skip
    """What the source's own reflection makes of those at the unit and where the level was read."""
    bench, read_on = setup.bench, setup.bench.reference
    source_vswr = bench.generator.source_vswr if bench.generator else 1.0
    at_unit = end_of(unit, frequency_hz, bench.path(wanted.path).load_vswr)
    if read_on is None:
        return (mismatch(source_vswr, at_unit, name="mismatch, unit"),)
    at_reference = end_of(reference, frequency_hz, read_on.vswr or bench.path(wanted.level_path).load_vswr)
    if _on_one_line(setup, wanted):
        alike = read_on.vswr is None  # what a reference states of its input is not the termination's
        name = tr("mismatch, unit less reference")
        return (mismatch_through_one_line(source_vswr, at_unit, at_reference, alike=alike, name=name),)
    return (
        mismatch(source_vswr, at_reference, name="mismatch, reference"),
        mismatch(source_vswr, at_unit, name="mismatch, unit"),
    )


def level_drift(wanted: LevelPlan, table: LevelTable | None, level: Sequence[Taken]) -> tuple[Contribution, ...]:
    """How far the level had gone at the end, where it was checked.

    A change common to all frequencies goes into the unit's reference readings too, taken before and after: half of it
    may stay. A change of one frequency against the reference frequency stays whole.
    """
    before_db, after_db = _means_db(level, LEVEL), _means_db(level, LEVEL_CHECK)
    base_db = after_db.get(wanted.reference_hz)
    if table is None or base_db is None:
        return ()
    common = corrections.drift_correction([base_db - before_db[wanted.reference_hz]]).contributions
    apart_db = [
        after_db[f] - base_db - table.level(f).correction_db
        for f in after_db
        if f != wanted.reference_hz and table.points[0].frequency_hz <= f <= table.points[-1].frequency_hz
    ]
    if not apart_db:
        return common
    half_width = max(abs(change) for change in apart_db)
    return (
        *common,
        rectangular(tr("drift of the level against the reference frequency"), half_width=half_width, unit="dB"),
    )


def _gathered_db(level: Sequence[Taken], purpose: str) -> dict[float, list[float]]:
    """Levels per set volt at each frequency that was read for a purpose."""
    gathered: dict[float, list[float]] = {}
    for step, reading in level:
        if reading.value and reading.value > 0 and step.purpose == purpose:
            set_hz, vpp = sine_level(step)
            gathered.setdefault(set_hz, []).append(db(reading.value * step.view.volts_per_div / vpp))
    return gathered


def _means_db(level: Sequence[Taken], purpose: str) -> dict[float, float]:
    return {set_hz: math.fsum(each) / len(each) for set_hz, each in _gathered_db(level, purpose).items()}


def method_of(setup: Setup, table: LevelTable | None) -> str:
    """How the level was known, for the report, and what had to be assumed of it."""
    if setup.bench.reference is None:
        known = tr("level by the generator's own stated flatness")
    elif table is None:
        known = tr("level not known: it was not read on the reference")
    else:
        known = tr("level held through {setup}", setup=known_of(setup))
    return known + assumed_of(setup)


def assumed_of(setup: Setup) -> str:
    """What had to be assumed of a generator whose file does not state it: its match, and its harmonics."""
    generator = setup.bench.generator
    if generator is None:
        return ""
    said = (
        ""
        if generator.vswr
        else tr("; a VSWR of {source_vswr:g} assumed of the generator", source_vswr=generator.source_vswr)
    )
    if generator.harmonics is None and matter(setup):
        said += tr("; its harmonics are not stated, and nothing is allowed for them")
    return said


def known_of(setup: Setup) -> str:
    """The reference, and how its own response is known."""
    reference = setup.bench.reference
    if reference is None:
        return tr("no reference")
    if reference.flatness:
        own = tr("its measured flatness corrected")
    elif reference.bandwidth is None:
        own = tr("its own response taken as flat")
    elif reference.bandwidth_is == "stated":
        own = tr(
            "its stated bandwidth of {bandwidth} corrected ({shape} shape)",
            bandwidth=show(reference.bandwidth, "Hz"),
            shape=reference.shape,
        )
    else:
        own = tr(
            "its bandwidth of at least {bandwidth} corrected by half its largest droop",
            bandwidth=show(reference.bandwidth, "Hz"),
        )
        if reference.rise_db:
            own += tr(
                ", a rise of {rise_db:g} dB {more}",
                rise_db=reference.rise_db,
                more=tr("assumed") if reference.peaking is None else tr("stated"),
            )
    return f"{reference.label}, {own}"
