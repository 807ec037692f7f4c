"""The command that says what a job would do."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import rich_click as click

from harness.commands.helping import PlainHelpCommand, once_told, say, warn
from harness.commands.run import PATH

if TYPE_CHECKING:
    from harness.run.jobs import LoadedJob
    from harness.run.rehearsal import Rehearsal, RehearsedPart, Undecidable


@click.command(cls=PlainHelpCommand)
@click.argument("job", type=PATH)
@click.option("--commands", is_flag=True, help="Print what each step would send to each instrument, and send nothing.")
def rehearse(job: Path, *, commands: bool) -> None:
    """Say what a job would do, with nothing opened and nothing switched on.

    Steps, estimated time, hands needed, hazards, and the points that this equipment cannot decide at the unit's
    tolerance, with what would help.

    \b
    Examples:
      halfpower rehearse job.toml
      halfpower rehearse job.toml --commands
    """
    from harness.run import beforehand
    from harness.run.jobs import load

    loaded = load(job, before=once_told())
    warn(beforehand.warnings(loaded))
    if commands:
        say(*_commands(loaded))
        return
    say(*rehearsed_lines(beforehand.rehearse(loaded), proving=loaded.setup.job.rule == "non-binary"))


def _commands(loaded: LoadedJob) -> Iterator[str]:
    """Every step, and what it would send."""
    from harness.run.dry import dry_run
    from harness.run.stepping import in_words

    count = 0
    for part, step, sent in dry_run(loaded):
        count += step is not None
        yield "Before the first step" if step is None else f"{part}, step {count}: {in_words(step)}"
        yield from (f"    {said}" for said in sent)
    yield f"{count} steps. Nothing was sent; readings are ideal, so a search may take other steps in a run."


def rehearsed_lines(rehearsal: Rehearsal, *, proving: bool = False) -> Iterator[str]:
    """A rehearsal in words; `proving`, by a rule that has a word for what only agrees."""
    from harness.quantities import duration
    from harness.steps import Connect, Measure

    yield f"{'part':<20}{'readings':>10}{'connections':>13}{'points':>8}{'decidable':>11}"
    for part in rehearsal.parts:
        readings = sum(isinstance(step, Measure) for step in part.steps)
        connections = sum(isinstance(step, Connect) for step in part.steps)
        points, decidable = (part.points, part.decidable) if part.points else ("-", "-")
        yield f"{part.name:<20}{readings:>10}{connections:>13}{points:>8}{decidable:>11}"
    yield f"Estimated time: {duration(rehearsal.estimated_s)}."
    if rehearsal.questions:
        yield f"Questions to a person: about {rehearsal.questions}."
    if rehearsal.warm_up_s:
        yield f"Before the first reading up to {duration(rehearsal.warm_up_s)} more, until everything has warmed up."
    for title, sentences in (
        ("A person is needed", rehearsal.hands),
        ("Hazards", rehearsal.hazards),
        ("Above a rating, so that the run would not begin", rehearsal.refused),
        ("Cannot be done with this equipment", rehearsal.left_out),
    ):
        if sentences:
            yield f"{title}:"
            yield from (f"  {sentence}" for sentence in sentences)
    if searched := [part.title for part in rehearsal.parts if not part.points and _reads(part)]:
        yield f"Not judged beforehand, because its points are found on the way: {', '.join(searched)}."
    if rehearsal.undecided:
        yield "Can agree and not be proved at the tolerance:" if proving else "Cannot be decided at the tolerance:"
    elif any(part.points for part in rehearsal.parts):
        yield "Every planned point can be decided."
    for remedy, open_points in _by_remedy(rehearsal.undecided).items():
        yield from (f"  {place}, {', '.join(settings)}: {why}" for (place, why), settings in open_points.items())
        yield f"    what would help: {remedy}"


def _reads(part: RehearsedPart) -> bool:
    from harness.steps import Measure

    return any(isinstance(step, Measure) for step in part.steps)


def _by_remedy(undecided: tuple[Undecidable, ...]) -> dict[str, dict[tuple[str, str], list[str]]]:
    """What would help, with the places that it helps and why; below each of them the settings."""
    by_remedy: dict[str, dict[tuple[str, str], list[str]]] = {}
    for open_point in undecided:
        name, _, rest = open_point.sentence.partition(": ")
        why = rest if open_point.place.split(",")[0] in name else open_point.sentence  # which may repeat the place
        places = by_remedy.setdefault(open_point.remedy, {})
        places.setdefault((open_point.place, why), []).append(open_point.setting)
    return by_remedy
