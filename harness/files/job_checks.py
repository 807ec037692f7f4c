"""What a job needs of its sequences, its bench and its unit taken together.

The sequences are told by the caller, a record each by name: this module knows none of them.
Options are understood by their names: `path`, `paths` and `..._path` name paths of the bench, `level_path` the one to
the reference where it is another than `path`, `channel` and
`channels` channels of the unit, `volts_per_div`, `s_per_div` and `..._ranges` its deflection and time factors.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

from pydantic import BaseModel, ValidationError

from harness import quantities
from harness.files.checks import Findings, among, own_file
from harness.files.path_checks import ended_twice
from harness.files.toml_lines import KeyPath
from harness.files.toml_text import Text, printable
from harness.files.words import hint, one_of, shown, units_of, validation_problems
from harness.models import LOW_OHM, Bench, Function, Job, SequenceUse, Setup
from harness.steps import Role


def nothing(_options: Any) -> tuple[()]:
    """What a sequence asks that does not say."""
    return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the caller knows of a sequence: the model of its options, and what follows from them."""

    options: type[BaseModel]
    needs: Callable[[Any], Iterable[Role]] = nothing
    accuracies: Callable[[Any], Iterable[tuple[Role, Function]]] = nothing  # lines that its verdicts rest on
    gives: Callable[[Any], Iterable[str]] = nothing  # what the calibrator must be able to give
    rated: type[BaseModel] | None = None  # of a user's own: its table in the unit file


Sequences: TypeAlias = Mapping[str, Known]
"""All that are known, by name, in order; empty where none is to be checked."""


def read_options(text: Text, sequences: Sequences) -> tuple[list[BaseModel | None], Findings]:
    """Validate the options of every [[sequence]] as the file wrote them, whatever else is wrong in the file."""
    notes = Findings(text)
    tables = text.data.get("sequence")
    options: list[BaseModel | None] = []
    for place, table in enumerate(tables if isinstance(tables, list) else []):
        name = table.get("use") if isinstance(table, dict) else None
        options.append(_options(notes, place, name, table, sequences) if isinstance(name, str) else None)
    return options, notes


def _options(
    notes: Findings, place: int, name: str, table: Mapping[str, Any], sequences: Sequences
) -> BaseModel | None:
    if name not in sequences:
        if ".py" in name:
            problem = own_file(name, notes.text.path.parent)
        elif sequences:
            expected = f"{one_of([*sequences, 'FILE.py'])}{hint(name, sequences)}"
            problem = f"there is no sequence {shown(name)}; expected {expected}"
        else:
            problem = None
        if problem:
            notes.error(("sequence", place, "use"), problem)
        return None
    model = sequences[name].options
    try:
        return model.model_validate({key: value for key, value in table.items() if key != "use"})
    except ValidationError as error:
        notes.errors += validation_problems(notes.text, model, error, base=("sequence", place))
        return None


def check_job(text: Text, job: Job) -> Findings:
    """Check a job file by itself."""
    notes = Findings(text)
    if not job.serial.strip():
        notes.error(("serial",), "is empty; expected the serial number that stands on the unit")
    if job.answers_as is not None and not job.answers_as.strip():
        notes.error(("answers_as",), "is empty; expected the serial number that the unit itself gives, or no such key")
    humidity, temperature = job.environment.humidity, job.environment.temperature
    if humidity is not None and not 0 <= humidity <= 1:
        notes.error(("environment", "humidity"), f"{humidity * 100:g} % cannot be; expected such as '45 %'")
    if temperature is not None and not 5 <= temperature <= 45:
        notes.warn(("environment", "temperature"), f"{temperature:g} °C is no temperature of a laboratory")
    return notes


def known_position(notes: Findings, job: Job, bench: Bench) -> bool:
    """Say so where the job's position is none of the bench's."""
    name = job.position
    if name is None or name in bench.positions:
        return True
    if not bench.positions:
        notes.error(("position",), f"the bench has none; expected [positions.{printable(name, 60)}] in its file")
        return False
    expected = f"{one_of(bench.positions)}{hint(name, bench.positions)}"
    notes.error(("position",), f"the bench has no position {shown(name)}; expected {expected}")
    return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """The three files of a job, read without error."""

    job: Findings
    bench: Findings
    unit: Findings
    setup: Setup


def check_together(files: Together, options: list[BaseModel | None], sequences: Sequences) -> None:
    """Check what the sequences of a job ask of bench and unit; adds to the findings of the file to change."""
    setup = files.setup
    for place, (use, chosen) in enumerate(zip(setup.job.sequence, options, strict=True)):
        if chosen is not None:
            known = sequences[use.use]
            roles = set(known.needs(chosen))
            _roles(files, use.use, roles)
            _gives(files, use.use, known.gives(chosen))
            _functions(files, use.use, set(known.accuracies(chosen)), roles)
            if "generator" in roles:
                _generator(files)
        elif use.use in sequences:
            continue  # its options are wrong and have been said to be
        if chosen is not None and not use.use.endswith(".py"):  # where a user's own paths lead, its steps say
            ended_twice(files.job, ("sequence", place), _chosen(use, chosen), setup)
        for key, value in _chosen(use, chosen).items():
            fields = type(chosen).model_fields if chosen else {}
            _named(files.job, ("sequence", place, key), value, units_of(fields.get(key)), setup)
    unit = setup.unit
    if setup.job.environment.temperature is None and (unit.rated_from is not None or unit.rated_to is not None):
        sentence = "has no temperature, though the unit's tolerances hold between certain ones only"
        files.job.warn(("environment",), sentence)
    if setup.bench.approval == "required" and not setup.job.operator.strip():
        sentence = "is not given, though the bench asks for approval by another: operators could approve their own work"
        files.job.warn(("operator",), sentence)
    _remote(files)
    _routes(files)


def _roles(files: Together, name: str, roles: Iterable[Role]) -> None:
    for role in sorted(roles):
        if role != "unit" and getattr(files.setup.bench, role) is None:
            sentence = f"missing; the sequence '{printable(name)}' needs a {role}, if only with driver = 'manual'"
            if not any(str(problem).endswith(sentence) for problem in files.bench.errors):
                files.bench.error((role,), sentence)


def _gives(files: Together, name: str, asked: Iterable[str]) -> None:
    calibrator = files.setup.bench.calibrator
    for function in asked:
        if calibrator is not None and function not in calibrator.functions:
            sentence = f"has no '{function}', which the sequence '{printable(name)}' uses; expected it among them"
            files.bench.error(("calibrator", "functions"), f"{sentence}, or another source or signal in the job file")


def _functions(files: Together, name: str, asked: set[tuple[Role, Function]], roles: set[Role]) -> None:
    """A verdict needs the uncertainty of the source, and that comes from its accuracy lines."""
    for role, function in sorted(asked):
        instrument = getattr(files.setup.bench, role)
        if instrument is not None and not any(line.function == function for line in instrument.accuracy):
            files.bench.error(
                (role, "accuracy"),
                f"no line for '{function}'; expected one, as the verdict of '{printable(name)}' needs it",
            )
    calibrator = files.setup.bench.calibrator
    if not asked and "calibrator" in roles and calibrator is not None and not calibrator.accuracy:
        sentence = "missing; expected a line for each function that is used, because a verdict needs it"
        files.bench.error(("calibrator", "accuracy"), sentence)


def _generator(files: Together) -> None:
    """What its frequencies do not reach, and what is assumed of it."""
    bench, rated_hz = files.setup.bench, files.setup.unit.bandwidth
    rated = quantities.show(rated_hz, "Hz")
    if bench.generator is not None and bench.generator.frequency_high < rated_hz:
        files.bench.warn(("generator", "frequency_high"), f"is below the unit's rated bandwidth of {rated}")
    if bench.generator is not None and bench.generator.vswr is None:
        sentence = (
            f"is not stated: {bench.generator.source_vswr:g} is assumed, which widens the level; see its data sheet"
        )
        files.bench.warn(("generator", "vswr"), sentence)
    reference = bench.reference
    by_peaks = files.setup.unit.read == "eye" or (
        reference is not None and (reference.read == "eye" or reference.kind == "level_meter")
    )
    if bench.generator is not None and bench.generator.harmonics is None and by_peaks:
        sentence = "are not stated: nothing is allowed for them, though what is read has them; see its data sheet"
        files.bench.warn(("generator", "harmonics"), sentence)
    loads = reference is not None and reference.input_ohm >= LOW_OHM
    if reference is not None and loads and "input_capacitance" not in reference.model_fields_set:
        sentence = (
            "is not stated: none is assumed, though what it takes of the level at high frequency then is an error"
        )
        files.bench.warn(("reference", "input_capacitance"), f"{sentence}; see its data sheet")
    reference_hz = bench.reference.bandwidth if bench.reference else None
    if reference_hz is not None and reference_hz < rated_hz:
        files.bench.warn(("reference", "bandwidth"), f"is below the unit's rated bandwidth of {rated}")


def _chosen(use: SequenceUse, chosen: BaseModel | None) -> dict[str, Any]:
    """The options with their defaults, for a default path may be missing too."""
    return {key: getattr(chosen, key) for key in type(chosen).model_fields} if chosen else use.options


def _named(notes: Findings, at: KeyPath, value: object, units: tuple[str, ...], setup: Setup) -> None:
    """What an option names must exist."""
    key = str(at[-1])
    for place, item in _items(at, value):
        if key in ("path", "paths") or key.endswith("_path"):
            if item is not None:
                _path(notes, place, item, setup.bench)
        elif key in ("channel", "channels"):
            if isinstance(item, int) and not 1 <= item <= setup.unit.channels:
                notes.error(place, f"the unit has no channel {item}; expected 1 to {setup.unit.channels}")
        elif key == "volts_per_div" or (key.endswith("ranges") and units == ("V",)):
            _range(notes, place, item, "V", setup.unit.volts_per_div)
        elif key == "s_per_div" or (key.endswith("ranges") and units == ("s",)):
            _range(notes, place, item, "s", setup.unit.s_per_div)


def _items(at: KeyPath, value: object) -> Iterator[tuple[KeyPath, object]]:
    if isinstance(value, list | tuple):
        for place, item in enumerate(value):
            yield (*at, place), item
    else:
        yield at, value


def _path(notes: Findings, place: KeyPath, name: object, bench: Bench) -> None:
    if not isinstance(name, str) or name in bench.paths:
        return
    expected = f"{one_of(bench.paths)}{hint(name, bench.paths)}"
    notes.error(place, f"the bench has no path {shown(name)}; expected {expected}")


def _range(notes: Findings, place: KeyPath, value: object, sign: str, ranges: tuple[float, ...]) -> None:
    if isinstance(value, str):  # an option that no model has read
        try:
            value = quantities.parse(value, sign)
        except ValueError as error:
            notes.error(place, str(error))
            return
    if isinstance(value, float | int) and not among(value, ranges):
        known = ", ".join(quantities.show(factor, sign) for factor in ranges) or "none at all"
        notes.error(place, f"the unit has no range of {quantities.show(float(value), sign)}/div; it has {known}")


def _remote(files: Together) -> None:
    bench, unit, position = files.setup.bench, files.setup.unit, files.setup.job.position
    if unit.read != "remote":
        return
    if bench.unit is None and bench.positions:
        files.job.error(("position",), f"missing; the bench has its units at {one_of(bench.positions)}")
    elif bench.unit is None:
        files.bench.error(
            ("unit",), "missing; the unit is read 'remote' and needs its address here, or 'eye' in its file"
        )
    elif bench.unit.driver == "manual":
        files.bench.error(
            (*(("positions", position) if position else ("unit",)), "driver"),
            "is 'manual', but the unit is read 'remote'; expected 'scpi', or 'eye' there",
        )


def _routes(files: Together) -> None:
    """A position that the switch does not reach is one where hands are needed; at night nobody has any."""
    bench, position = files.setup.bench, files.setup.job.position
    if position is None or bench.switch is None:
        return
    if not any(key.startswith(f"{position}-") for path in bench.paths.values() for key in path.routes):
        files.job.warn(
            ("position",), f"no path has a route such as '{printable(position, 60)}-1'; its cables are moved by hand"
        )
