"""A run that stops before every step, and shows what the step is and what it would send."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from harness.errors import HalfpowerError, OperatorStop
from harness.person.operator import STOPPED_OFF, Operator, Prompt, answers, describe_connection
from harness.quantities import show
from harness.run.dry import DryBench
from harness.steps import Connect, Dc, Look, NoSignal, Reply, Step

if TYPE_CHECKING:
    from harness.bench.perform import LiveBench
    from harness.run.jobs import LoadedJob

_HOW: Final = "Enter does it; 'run' does it and all that follow; 'stop' ends with outputs off"
_NONE: Final = "Nothing is sent for it, or its driver cannot be asked without its instrument."


class Stepping:
    """`perform` of a bench, with a question before each step until somebody says that it may run."""

    def __init__(self, bench: LiveBench, loaded: LoadedJob, person: Operator) -> None:
        self._bench, self._person = bench, person
        self._dry: DryBench | None = _dry(loaded)
        self._asks, self._count = True, 0

    def perform(self, step: Step) -> Reply:
        """Ask, and do it."""
        self._count += 1
        if self._asks:
            self._ask(step)
        return self._bench.perform(step)

    def _ask(self, step: Step) -> None:
        if self._bench.outputs.hazardous:  # nobody reads a screen beside a hazardous voltage that stands for it
            self._bench.make_safe()
        lines = [str(said).replace(";", "; ") for said in self._dry.sent(step)] if self._dry is not None else []
        title = f"Step {self._count}: {in_words(step)}"
        prompt = Prompt(kind="do", title=title, lines=(*(lines or [_NONE]), _HOW))
        for typed in answers(self._person, prompt):
            match typed.lower():
                case "" | "go on" | "done" | "ok":
                    return
                case "run":
                    self._asks = False
                    return
                case "stop":
                    raise OperatorStop(STOPPED_OFF)
                case "?":
                    self._person.tell(f"{_HOW}.")
                case _:
                    self._person.tell(f"{typed!r} is no answer here. {_HOW}.")


def _dry(loaded: LoadedJob) -> DryBench | None:
    """A driver of the user's own that finds its own way would do so here too: then steps alone are shown."""
    try:
        return DryBench(loaded=loaded)
    except HalfpowerError:
        return None


def in_words(step: Step) -> str:
    """A step in a line."""
    if isinstance(step, Connect):
        return f"connect {describe_connection(step)}"
    if isinstance(step, Look):
        return f"look at the {step.display}"
    view, stimulus = step.view, step.stimulus
    if isinstance(stimulus, NoSignal):
        given = "no signal"
    else:
        rate = f" at {show(stimulus.rate_hz, 'Hz')}" if stimulus.rate_hz else ""
        unit = "V" if isinstance(stimulus, Dc) else "Vpp"
        given = f"{stimulus.command.replace('_', ' ')} {show(stimulus.level, unit)}{rate} from the {step.source}"
    where = f"channel {view.channel}, {show(view.volts_per_div, 'V')}/div, {show(view.s_per_div, 's')}/div"
    return f"read the {step.quantity.replace('_', ' ')} of the {step.display}, {where}; {given}"


def performing(bench: LiveBench, loaded: LoadedJob, person: Operator | None) -> Callable[[Step], Reply]:
    """How steps are performed: one by one where there is somebody to be asked."""
    return bench.perform if person is None else Stepping(bench, loaded, person).perform
