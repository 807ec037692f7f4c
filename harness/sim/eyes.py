"""Simulated hands and eyes: a person who does what is asked and reads a screen to a resolution, with scatter."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, assert_never

from pydantic import Field

from harness.measurement import quantity_of, seen
from harness.person.operator import Prompt
from harness.quantities import show
from harness.steps import Connect, Look, Measure, to_plain
from harness.values import Divisions, Model, Ratio

if TYPE_CHECKING:
    import numpy as np

    from harness.sim.bench import SimulatedBench


class Eyes(Model):
    """How finely and how steadily a person reads."""

    resolution: Divisions = Field(0.1, gt=0)
    scatter: Divisions = Field(0.03, ge=0, description="standard deviation of a reading before it is rounded")
    time_resolution: Divisions = Field(0.1, gt=0)
    offset: Divisions = Field(0.0, description="how far above its middle a trace is read that counts from the ground")
    sees: Mapping[str, str] = Field(default_factory=dict, description="what is said of a check by looking; else yes")
    slip: Ratio = Field(0.0, ge=0, le=1, description="probability that a number is said or typed wrong")


class Person:
    """The `harness.person.operator.Operator` of a simulated bench."""

    def __init__(self, bench: SimulatedBench, eyes: Eyes) -> None:
        self._bench, self._eyes = bench, eyes
        self._asked: dict[str, int] = {}
        self.told: list[str] = []
        self.slips = 0

    def ask(self, prompt: Prompt) -> str:
        """Do, read, or choose."""
        self.prepare(prompt)
        match prompt.kind:
            case "do":
                return ""
            case "read" if isinstance(prompt.step, Look):
                return self._eyes.sees.get(prompt.step.what, "yes")
            case "choose":
                return prompt.choices[0] if prompt.choices else ""
            case "read":
                return self._read(prompt)
            case _:
                assert_never(prompt.kind)

    def tell(self, text: str) -> None:
        """Listen."""
        self.told.append(text)

    def prepare(self, prompt: Prompt) -> None:
        """Only the hands' part: cables, front panels and knobs, so that somebody else can read the screen."""
        for errand in prompt.first:
            self.prepare(errand)
        bench, step = self._bench, prompt.step
        if prompt.kind == "do" and prompt.role is not None and prompt.stimulus is not None:
            bench.apply_by_hand(prompt.role, prompt.stimulus)
        if prompt.view is not None and prompt.role is not None:
            bench.set_by_hand(prompt.role, prompt.view)
        match step:
            case Connect():
                bench.plug(step)
            case Measure() if bench.is_manual(step.display) and prompt.kind != "choose":
                bench.set_by_hand(step.display, step.view)
            case _:
                pass

    def _read(self, prompt: Prompt) -> str:
        step = prompt.step
        if not isinstance(step, Measure):  # the one other thing that is read is a counter
            return f"{self._bench.count_hz():.10g} Hz"
        key = json.dumps(to_plain(step), sort_keys=True)
        again = self._asked[key] = self._asked.get(key, -1) + 1
        rng = self._bench.world.rng_of(f"eyes/{key}/{again}")
        if step.tune_to_div is not None:
            # Each of the two edges is somewhere within the scatter of its line.
            off_div = float(rng.uniform(-self._eyes.scatter, self._eyes.scatter, 2).sum())
            says = self._bench.tune(step, abs(step.tune_to_div) + off_div)
            return "=" if step.said_when_tuned is None else self._slip(_said(says, step.said_when_tuned[1]), rng, again)
        value = look(self._bench, step)
        return "off" if value is None else self._say(value, step, rng, again)

    def _say(self, value: float, step: Measure, rng: np.random.Generator, again: int) -> str:
        """A number as a person types it: divisions, percent for a ratio."""
        unit = quantity_of(step).unit
        if quantity_of(step).sweeps:
            return "yes" if value >= 1 else "no"
        if quantity_of(step).read_out:
            return self._slip(show(self._by_cursors(value, step, rng), unit, 4), rng, again)
        if unit == "ratio":
            amplitude_div = max(step.expected or 0.0, _AMPLITUDE_DIV)
            return self._slip(_rounded(100 * self._noisy(value, rng, amplitude_div), 1.0), rng, again)
        fine = self._eyes.time_resolution if quantity_of(step).axis == "time" else self._eyes.resolution
        div = value / (step.view.s_per_div / step.view.magnifier) if unit == "s" else value
        div += self._eyes.offset if quantity_of(step).from_ground else 0.0
        return self._slip(_rounded(self._noisy(div, rng, 1.0), fine), rng, again)

    def _by_cursors(self, value: float, step: Measure, rng: np.random.Generator) -> float:
        """What a read-out says with each of two cursors within the scatter of its edge."""
        off_div = float(rng.uniform(-self._eyes.scatter, self._eyes.scatter, 2).sum())
        match quantity_of(step).unit:
            case "Hz":
                return 1 / (1 / value + off_div * step.view.s_per_div)
            case "s":
                return value + off_div * step.view.s_per_div
            case _:
                return value + off_div * step.view.volts_per_div

    def _noisy(self, value: float, rng: np.random.Generator, over_div: float) -> float:
        return value + float(rng.normal(0, self._eyes.scatter)) / over_div

    def _slip(self, number: str, rng: np.random.Generator, again: int) -> str:
        """Now and then two digits change places or the point is forgotten; not when asked once more."""
        if again or rng.random() >= self._eyes.slip or "." not in number:
            return number
        self.slips += 1
        head, tail = number.split(".")
        if rng.random() < 0.5 or head[-1] == tail[0]:
            return head + tail
        return f"{head[:-1]}{tail[0]}.{head[-1]}{tail[1:]}"


_AMPLITUDE_DIV = 5.0  # pulse aberrations are read at about this height


def _said(value: float, unit: str) -> str:
    """What stands on a source's dials."""
    return show(value, unit, 5)


def _rounded(value: float, resolution: float) -> str:
    """To the nearest multiple of the resolution, with as many decimals as it has."""
    decimals = max(0, -math.floor(math.log10(resolution) + 1e-9))
    if abs(resolution * 10**decimals - round(resolution * 10**decimals)) > 1e-9:
        decimals += 1
    return f"{round(value / resolution) * resolution + 0.0:.{decimals}f}"


def look(bench: SimulatedBench, step: Measure) -> float | None:
    """What the screen shows of the step's quantity, unrounded, in its own unit; None where it cannot be seen."""
    trace = bench.world.look(step.display, step.view.channel)
    if trace.leaves_screen():
        return None
    return seen(step.quantity)(bench, step, trace)
