"""Before anything is switched on: the steps, the hazards, the hands, the time, and what cannot be decided.

A rehearsal runs the sequences against ideal replies; nothing is opened. An ideal unit has no error and is a single
pole a tenth above its rating, which is what the adaptive search is rehearsed on.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Final

from harness.analysis.estimate import Budget
from harness.analysis.planning import Candidate, Reach, cheapest_remedy, reach
from harness.assess import budget_for, limits_for
from harness.bench import limits
from harness.bench.settling import planned_s
from harness.errors import AnalysisError, HalfpowerError, OwnCodeError
from harness.measurement import knowing, quantity_of
from harness.models import Setup
from harness.person.operator import describe_connection
from harness.quantities import duration, round_to, show
from harness.run.jobs import Use, roles_used
from harness.run.own_code import Blaming, a_step, refused
from harness.steps import (
    SOURCES,
    Connect,
    Dc,
    Display,
    Done,
    Look,
    Measure,
    NoSignal,
    Reading,
    Reply,
    Seen,
    Sine,
    Step,
    View,
    roles_of,
)

if TYPE_CHECKING:
    from sequences import Planned

CONNECT_S: Final = 60.0  # a person moves a cable
READ_S: Final = 15.0  # a person reads a screen
SET_S: Final = 20.0  # a person sets a source
REMOTE_S: Final = 0.05
MOST_STEPS: Final = 200_000  # of a part, before it is taken for one without end
_FETCH_S: Final = 3600.0  # an instrument that this bench has not
_ABOVE_RATING: Final = 1.1
_USEFUL: Final = 1 / 3  # of the tolerance: a zone smaller than this decides on paper only


@dataclass(frozen=True, slots=True, kw_only=True)
class Undecidable:
    """A point that cannot pass whatever is read, and the cheapest change that would decide it."""

    point: str
    place: str  # the point without its setting
    setting: str
    sentence: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedPart:
    """One sequence, as its steps would come."""

    name: str
    title: str
    steps: tuple[Step, ...]
    points: int
    decidable: int


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Rehearsal:
    """What a job will ask of the bench and of people."""

    parts: tuple[RehearsedPart, ...]
    estimated_s: float
    hands: tuple[str, ...]
    hazards: tuple[str, ...]
    refused: tuple[str, ...]  # above a rating: the run would not apply them, so it does not begin
    undecided: tuple[Undecidable, ...]
    left_out: tuple[str, ...]
    questions: int = 0  # to a person who never slips
    warm_up_s: float = 0.0  # of the slowest instrument; how much of it is over nobody knows before it is asked

    def __repr__(self) -> str:
        decidable, points = (sum(getattr(part, name) for part in self.parts) for name in ("decidable", "points"))
        return (
            f"<Rehearsal: {self.steps} steps in about {duration(self.estimated_s)}, {self.questions} questions; "
            f"{decidable} of {points} points can be decided>"
        )

    @property
    def steps(self) -> int:
        """All steps."""
        return sum(len(part.steps) for part in self.parts)

    @property
    def views(self) -> tuple[tuple[Display, View], ...]:
        """Every setting that a display will have, once."""
        steps = (step for part in self.parts for step in part.steps)
        return tuple(
            dict.fromkeys((step.display, view) for step in steps if isinstance(step, Measure) for view in step.views)
        )


def rehearse(setup: Setup, uses: tuple[Use, ...]) -> Rehearsal:
    """Rehearse a loaded job: `rehearse(loaded.setup, loaded.uses)`."""
    with knowing(quantity for use in uses for quantity in use.quantities):
        return _rehearsed(setup, uses)


def _rehearsed(setup: Setup, uses: tuple[Use, ...]) -> Rehearsal:
    parts, undecided, left_out = [], [], []
    for use in uses:
        taken = _run_ideally(setup, use)
        if use.own is not None and (unnamed := roles_of(taken) - {*roles_used(setup, uses)}):
            where = use.definition.place("def needs")
            raise OwnCodeError(f"{where}: your needs() does not name the {min(unnamed)}, which your steps use")
        plan = use.plan(setup)
        for planned in plan.points:
            if why := limits.refusal(planned.step, limits.connection_of(planned.step), setup):
                raise refused(use.own, why)
        judged = [(p, _judge(setup, p)) for p in plan.points if "unit" in p.step.roles]
        open_points = [_undecidable(setup, planned, reached) for planned, reached in judged if not _decides(reached)]
        undecided += open_points
        left_out += plan.left_out
        parts.append(
            RehearsedPart(
                name=use.name,
                title=use.title,
                steps=tuple(taken),
                points=len(judged),
                decidable=len(judged) - len(open_points),
            )
        )
    steps = [step for part in parts for step in part.steps]
    return Rehearsal(
        parts=tuple(parts),
        estimated_s=sum(_duration_s(setup, step) for step in steps),
        hands=tuple(_hands(setup, steps)),
        hazards=tuple(dict.fromkeys(text for step in steps for text in _hazards(setup, step, "voltage"))),
        refused=tuple(dict.fromkeys(text for step in steps for text in _hazards(setup, step, "rating"))),
        undecided=tuple(undecided),
        left_out=tuple(left_out),
        questions=_questions(setup, steps) if any(needs_hand(setup, step) for step in steps) else 0,
        warm_up_s=_warm_up_s(setup, steps),
    )


def _questions(setup: Setup, steps: list[Step]) -> int:
    from harness.run.questions import questions  # what drives a bench: not for one that asks nobody

    return questions(setup, steps, ideal)


def _warm_up_s(setup: Setup, steps: list[Step]) -> float:
    used = roles_of(steps)
    return max((instrument.warm_up for role, instrument in setup.bench.instruments() if role in used), default=0.0)


# --- ideal replies -----------------------------------------------------------------------------------------------


def _run_ideally(setup: Setup, use: Use) -> list[Step]:
    taken: list[Step] = []
    connected: Connect | None = None
    try:
        with Blaming(use.own):
            script = use.script(setup)
            step = a_step(use.own, next(script), script, use.judged)
            while True:
                if why := limits.refusal(step, connected, setup):
                    raise refused(use.own, why, script)
                connected = step if isinstance(step, Connect) else connected
                taken.append(step)
                if use.own is not None and len(taken) > MOST_STEPS:
                    raise refused(use.own, f"yields more than {MOST_STEPS:,} steps; let it come to an end", script)
                step = a_step(use.own, script.send(ideal(setup, step)), script, use.judged)
    except StopIteration:
        return taken
    except OwnCodeError as error:
        error.add_note("This was the rehearsal: every reading was answered with what its step expects, or with 0.")
        raise


def ideal(setup: Setup, step: Step) -> Reply:
    """What a unit without error would answer."""
    if isinstance(step, Connect):
        return Done()
    if isinstance(step, Look):
        return Seen(answer="yes")
    if quantity_of(step).sweeps:
        return Reading(value=1.0 if step.expected is None else step.expected)
    if step.tune_to_div is not None and step.tune != "frequency":
        says = step.said_when_tuned
        return Reading(value=step.tune_to_div, more={} if says is None else {says[0]: step.said_nominally})
    if isinstance(step.stimulus, Sine) and step.display == "unit" and step.driven is None:
        frequency_hz = step.stimulus.frequency_hz
        full = step.stimulus.level_vpp / step.view.volts_per_div / setup.bench.path(step.path).divides_by
        shown = full / math.hypot(1, frequency_hz / (_ABOVE_RATING * setup.unit.bandwidth))
        resolution = setup.unit.resolution
        value = round(shown / resolution) * resolution if resolution else shown
        return Reading(value=value, frequency_hz=frequency_hz)
    return Reading(value=step.expected if step.expected is not None else 0.0)


# --- what can be decided -----------------------------------------------------------------------------------------


def _judge(setup: Setup, planned: Planned) -> Reach | str:
    step = planned.step
    try:
        budget = budget_for(setup, step, ground=planned.ground, repeats=planned.repeats)
        return reach(budget, limits_for(setup, step), setup.job.rule, setup.job.coverage)
    except AnalysisError as error:
        return str(error)


def _decides(reached: Reach | str) -> bool:
    return not isinstance(reached, str) and reached.largest_passing is not None and reached.largest_passing > 0


def _undecidable(setup: Setup, planned: Planned, reached: Reach | str) -> Undecidable:
    step, quantity = planned.step, quantity_of(planned.step)
    vertical = quantity.axis == "level"
    per_div = show(step.view.volts_per_div, "V") if vertical else show(step.view.s_per_div, "s")
    of = "" if quantity.rating is None or quantity.rating.is_error else f"{quantity.rating.name}, "
    return Undecidable(
        point=f"channel {step.view.channel}, {of}{per_div}/div, {step.path}",
        place=f"channel {step.view.channel}, {of}{step.path}",
        setting=f"{per_div}/div",
        sentence=reached if isinstance(reached, str) else reached.sentence,
        remedy=_remedy(setup, planned),
    )


def _remedy(setup: Setup, planned: Planned) -> str:
    step, budget_of = planned.step, partial(budget_for, ground=planned.ground)
    try:
        rated = limits_for(setup, step)
    except AnalysisError:
        return "state the rating in the unit file"
    candidates = []
    tries: list[tuple[str, float, Callable[[], Budget]]] = [
        (f"read it {n} times", n * READ_S, partial(budget_of, setup, step, repeats=n)) for n in (3, 5, 10)
    ]
    unit = setup.unit
    halved = {"resolution": unit.resolution / 2, "time_resolution": unit.time_resolution / 2}
    finer = replace(setup, unit=unit.model_copy(update=halved))
    tries.append(("read to half the step", 2 * READ_S, partial(budget_of, finer, step)))
    rating = quantity_of(step).rating
    for way in rating.ways(setup, step) if rating is not None and rating.ways is not None else ():
        if _is_rated(setup, way.step):
            cost = SET_S + way.readings * READ_S
            tries.append((way.sentence, cost, partial(budget_of, setup, way.step, repeats=way.readings)))
    more = _at_most_deflection(setup, step)
    if more is not None:
        sentence = f"apply {show(more.stimulus.level, 'V')}, from a source that gives it: {more.expected:g} div"
        tries.append((sentence, _FETCH_S, partial(budget_of, setup, more)))
    for sentence, cost, budget in tries:
        try:
            candidates.append(Candidate(sentence=sentence, cost=cost, budget=budget()))
        except HalfpowerError:
            continue
    least = _USEFUL * (rated.half_width or 0.0)
    cheapest = cheapest_remedy(candidates, rated, setup.job.rule, least_passing=least, probability=setup.job.coverage)
    if cheapest:
        return cheapest.sentence
    return rating.remedy if rating is not None else ""


def _at_most_deflection(setup: Setup, step: Measure) -> Measure | None:
    """The step at the largest deflection that stays inside the screen, where the ratings allow it and it is more."""
    most = setup.unit.vertical_div / 2 - 1 - step.view.ground_line_div
    if not quantity_of(step).from_ground or not step.expected or step.expected >= most:
        return None
    level_v = round_to(most * step.view.volts_per_div * setup.bench.path(step.path).divides_by, 6)
    more = replace(step, stimulus=Dc(level_v=level_v), expected=most)
    return more if _is_rated(setup, more) else None


def _is_rated(setup: Setup, step: Measure) -> bool:
    """Whether what would be applied is within the ratings of everything but the source."""
    return not any(hazard.kind == "rating" and not hazard.of_the_source for hazard in limits.hazards(step, setup))


# --- people, time, hazards ---------------------------------------------------------------------------------------


def needs_hand(setup: Setup, step: Step) -> bool:
    """Whether a person must do something for this step."""
    return bool(_asked(setup, step))


def _asked(setup: Setup, step: Step) -> list[str]:
    """What a person must do for this step, in words."""
    if isinstance(step, Connect):
        by_hand = step.replugged or setup.leads(step) is None
        return [f"connect {describe_connection(step)}"] if by_hand else []
    asked = []
    if _set_by_hand(setup, step) and step.source in step.roles:
        asked.append(f"set the {step.source} by hand")
    if isinstance(step, Look):
        return [*asked, f"look at the {step.display}"]
    if setup.unit.read == "eye" if step.display == "unit" else _reference_by_eye(setup):
        asked.append(f"read the {step.display} by eye")
    counter = setup.bench.counter
    if step.with_counter and counter is not None and counter.driver == "manual":
        asked.append("read the counter by eye")
    return asked


def _set_by_hand(setup: Setup, step: Measure | Look) -> bool:
    source = getattr(setup.bench, step.source) if step.source in SOURCES else None
    return source is not None and source.driver == "manual"


def _reference_by_eye(setup: Setup) -> bool:
    reference = setup.bench.reference
    return reference is not None and (reference.read == "eye" or reference.driver == "manual")


def _duration_s(setup: Setup, step: Step) -> float:
    hand = needs_hand(setup, step)
    if isinstance(step, Connect):
        return CONNECT_S if hand else 1.0
    set_s = SET_S if _set_by_hand(setup, step) else REMOTE_S
    if isinstance(step, Look):
        return READ_S
    read_s = READ_S if hand else REMOTE_S * max(1, quantity_of(step).sweeps)
    return step.wait_s + planned_s(setup, step) + set_s + read_s


def _hands(setup: Setup, steps: list[Step]) -> list[str]:
    asked = [text for step in steps for text in _asked(setup, step)]
    cables_first = sorted(dict.fromkeys(asked), key=lambda text: not text.startswith("connect "))
    return [f"{asked.count(text)} × {text}" for text in cables_first]


def _hazards(setup: Setup, step: Step, kind: str) -> list[str]:
    if isinstance(step, Connect) or NoSignal() == step.stimulus:
        return []
    where = f"channel {step.view.channel}, {show(step.view.volts_per_div, 'V')}/div, {step.path}"
    return [f"{where}: {hazard.sentence}" for hazard in limits.hazards(step, setup) if hazard.kind == kind]
