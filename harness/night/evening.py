"""In the evening, while somebody is there: who answers on every bench of the queue, and what stands in the way.

Outputs are not touched. Certificates are looked at where the jobs are (`plan`): that needs no instrument.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Final

from harness.night.log import LeftOut
from harness.night.plan import CheckedJob, NightPlan
from harness.run.jobs import LoadedJob
from harness.run.refusals import other_model, other_unit
from harness.run.talk import InstrumentState, asking
from harness.steps import Role

LOOK: Final = "Look at it now; with --unasked nothing is asked beforehand."


@dataclass(slots=True, kw_only=True)
class _Found:
    """What stands in the way of one job, and what does not but should be known."""

    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def asked(planned: NightPlan, tell: Callable[[str], None]) -> NightPlan:
    """The plan without the jobs of which an instrument does not answer, or is another; the rest is a warning."""
    checked, refused, warnings = [], list(planned.refused), list(planned.warnings)
    for job, found in _look(planned, tell):
        warnings += found.notes
        if found.problems:
            *others, last = (f"{job.job.path}: {problem}" for problem in found.problems)
            refused.append(LeftOut(path=job.job.path, file=job.job.path, problems=(*others, f"{last} {LOOK}")))
        else:
            checked.append(job)
    return replace(planned, checked=tuple(checked), refused=tuple(refused), warnings=tuple(dict.fromkeys(warnings)))


def troubles(planned: NightPlan) -> Iterator[str]:
    """What is wrong on the benches, for a queue that goes on whatever it is."""
    told: set[str] = set()
    for _, found in _look(planned, lambda _text: None):
        for text in (*found.problems, *found.notes):
            if text not in told:
                yield f"warning: {text}"
            told.add(text)


def _look(planned: NightPlan, tell: Callable[[str], None]) -> Iterator[tuple[CheckedJob, _Found]]:
    known: dict[tuple[str, Role, str], InstrumentState] = {}
    for job in planned.checked:
        yield job, _found(job.loaded, _states(job.loaded, known, tell))


def _states(
    loaded: LoadedJob, known: dict[tuple[str, Role, str], InstrumentState], tell: Callable[[str], None]
) -> list[InstrumentState]:
    """The instruments of a job's bench, each asked once for all jobs."""
    bench, place = loaded.setup.bench, str(loaded.bench_path.resolve())
    wanted = {(place, role, each.address): each for role, each in bench.instruments() if each.address}
    if any(key not in known for key in wanted):
        tell(f"Asking {loaded.bench_path.name} who answers ...")
        ask = asking(bench, loaded.bench_path, loaded.own, loaded.setup.job.position)
        new = [key for key in wanted if key not in known]
        at_once = 1 if bench.simulation else len(new)  # what is off takes ten seconds to be given up, each
        with ThreadPoolExecutor(at_once) as pool:
            known |= zip(new, pool.map(lambda key: ask(key[1], wanted[key]), new), strict=True)
    return [known[key] for key in wanted]


def _found(loaded: LoadedJob, states: list[InstrumentState]) -> _Found:
    found, bench = _Found(), loaded.setup.bench
    for state in states:
        about = f"{loaded.bench_path.name}: the {state.role} ({state.label})"
        if state.problem:
            own = getattr(bench, state.role).driver not in ("scpi", "manual")  # it may speak otherwise than it is asked
            needed = state.role in loaded.roles and not own
            said = f"{about} is not ready: {state.problem.removeprefix(f'{state.role} ({state.label}): ').rstrip('.')}."
            (found.problems if needed else found.notes).append(said)
        elif state.role == "unit":
            if wrong := other_unit(loaded.setup, state.identity):
                found.problems.append(f"{wrong}.")
            if odd := other_model(loaded.setup, state.identity):
                found.notes.append(odd)
        found.notes += [f"{loaded.bench_path.name}: {error}. They are cleared now." for error in state.errors]
    return found
