"""The bandwidth as a person takes it, before simulated units: a reference that rolls off itself, a dial, eyes.

`python -m tests.benchmarks.hand_runs [runs]`: seeded. Nothing of the analysis is used to make a reading.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from harness.models import Setup
from harness.report.model import Evaluated
from harness.steps import Connect, Done, Measure, Reading, Sine
from sequences.bandwidth import evaluation
from sequences.bandwidth import steps as bandwidth
from tests.helpers.setups import a_setup

Gain = Callable[[float], float]
RATED_HZ = 20e6


def single_pole(r: float) -> float:
    """In dB."""
    return -10.0 * math.log10(1.0 + r**2)


def gaussian(r: float) -> float:
    """In dB."""
    return -10.0 * math.log10(2.0) * r**2


def butterworth(r: float) -> float:
    """In dB, second order."""
    return -10.0 * math.log10(1.0 + r**4)


FALLS: Sequence[Gain] = (single_pole, gaussian, butterworth)


def hand_setup(
    *,
    top: str = "50 MHz",
    reference_bandwidth: str = "80 MHz",
    reference_accuracy: Sequence[object] = (),
    known: bool = False,
    **unit: Any,
) -> Setup:
    """A two-channel unit of 20 MHz, a dial generator, a hand counter, a reference of 80 MHz: all by hand and eye."""
    reference: dict[str, Any] = {"read": "eye", "driver": "manual", "bandwidth": reference_bandwidth, "peaking": "0 dB"}
    reference["accuracy"] = list(reference_accuracy)
    if known:
        points = [("50 kHz", 0.0), ("20 MHz", -0.2), ("50 MHz", -1.4)]
        reference["flatness"] = [{"frequency": f, "db": f"{db} dB", "u": "0.05 dB"} for f, db in points]
    eye: dict[str, Any] = {"resolution": "0.1 div", "scatter": "0.03 div", "linearity": "0 %"}
    setup = a_setup(reference=reference, **{"bandwidth": "20 MHz", "volts_per_div": ("50 mV",), **eye, **unit})
    described = setup.bench.model_dump(exclude_none=True)
    top_hz = float(top.split(maxsplit=1)[0]) * 1e6
    described["generator"] |= {"driver": "manual", "frequency_high": top_hz, "level_high": 10.0}
    counter = {"driver": "manual", "accuracy": [{"function": "frequency", "of_value": 1e-4}]}
    bench = type(setup.bench).model_validate({**described, "counter": counter}, context={"si": True})
    return Setup(bench=bench, unit=setup.unit, job=setup.job)


@dataclass(slots=True, kw_only=True)
class HandWorld:
    """A unit, a reference and a generator as they are, and the person between them."""

    setup: Setup
    rng: np.random.Generator
    f3_hz: Sequence[float]
    fall: Gain = gaussian
    reference_db: Callable[[float], float] = lambda _hz: 0.0
    gain: Sequence[float] = (1.0, 1.0)
    dial: float = 1.0
    level_v: float = 0.0  # true, at the inputs, as the person has turned it
    questions: int = 0
    taken: list[tuple[Measure, Reading]] = field(default_factory=list)

    def run(self, **options: object) -> Evaluated:
        """Drive the sequence to its end, and evaluate it as a report does."""
        chosen = bandwidth.Options.model_validate({"levelling": "by hand", "path": "lead", **options})
        script = bandwidth.script(self.setup, chosen)
        step = next(script)
        try:
            while True:
                if isinstance(step, Connect):
                    step = script.send(Done())
                    continue
                assert isinstance(step, Measure)
                reading = self.answer(step)
                self.taken.append((step, reading))
                step = script.send(reading)
        except StopIteration:
            pass
        entry = {"options": chosen.model_dump(mode="json", exclude_none=True)}
        return evaluation.evaluate(self.setup, entry, self.taken)

    def answer(self, step: Measure) -> Reading:
        """What the person answers."""
        assert isinstance(step.stimulus, Sine)
        hz = step.stimulus.frequency_hz * self.dial
        self.questions += 1
        if step.display == "reference":
            assert step.tune_to_div is not None
            shown_div = step.tune_to_div + self.rng.uniform(-0.03, 0.03, 2).sum()
            self.level_v = shown_div * step.view.volts_per_div / 10.0 ** (self.reference_db(hz) / 20.0)
            return Reading(value=step.tune_to_div)
        channel = step.view.channel - 1
        gain = self.gain[channel] * 10.0 ** (self.fall(hz / self.f3_hz[channel]) / 20.0)
        high = self.level_v * gain / step.view.volts_per_div + self.rng.normal(0.0, self.setup.unit.scatter)
        bottom = self.rng.uniform(-0.03, 0.03)  # beside the line that it was brought onto
        value = round((bottom + high) / 0.1) * 0.1
        self.questions += step.with_counter
        return Reading(value=round(value, 6), frequency_hz=hz if step.with_counter else None)


def a_world(seed: int, *, setup: Setup, known: bool = False, best: float = 1.6) -> HandWorld:
    """A unit that is mostly better than its rating, before a reference that is as fast as it says, or faster."""
    rng = np.random.default_rng([11, seed])
    f3_hz = RATED_HZ * rng.uniform(0.9, best) * rng.uniform(0.95, 1.05, 2)
    fall, own = FALLS[seed % 3], (single_pole, gaussian)[seed % 2]
    truly_hz = 80e6 / math.sqrt(max(rng.uniform(0.0, 1.0), 1e-3))  # its droop is anything from none to that of a pole
    fixed_db = rng.normal(0.0, 0.025)
    held: Callable[[float], float] = lambda hz: own(hz / truly_hz)  # noqa: E731 - one of two
    if known:
        points = np.log([50e3, 20e6, 50e6])
        held = lambda hz: float(np.interp(np.log(hz), points, [0.0, -0.2, -1.4])) + fixed_db  # noqa: E731
    return HandWorld(
        setup=setup, rng=rng, f3_hz=tuple(f3_hz), fall=fall, reference_db=held,
        gain=tuple(1.0 + rng.uniform(-0.03, 0.03, 2)), dial=1.0 + rng.uniform(-0.03, 0.03),
    )  # fmt: skip


def main(runs: int = 300, best: float = 1.6) -> None:
    for name, known in (("at least four times", False), ("known", True)):
        setup = hand_setup(known=known)
        questions, held, expanded, errors, none, words = [], [], [], [], 0, []
        for seed in range(runs):
            world = a_world(seed, setup=setup, known=known, best=best)
            found = world.run()
            questions.append(world.questions)
            for result in found.results:
                true_hz = world.f3_hz[result.channel - 1]
                words.append((result.quantity, result.word))
                if result.statement is None:
                    none += 1
                    continue
                held.append(result.statement.low <= true_hz <= result.statement.high)
                errors.append(math.log(result.statement.estimate / true_hz))
                expanded.append(2 * result.statement.u / result.statement.estimate)
        sys.stdout.write(
            f"{name}: questions {np.mean(questions):.1f} (most {max(questions)}, above 12: "
            f"{np.mean(np.array(questions) > 12):.3f}), U median {100 * np.median(expanded):.1f} % "
            f"(90 %: {100 * np.quantile(expanded, 0.9):.1f} %), rms error {100 * np.std(errors):.2f} %, "
            f"coverage {100 * np.mean(held):.1f} %, without a value {none} of {2 * runs}\n"
        )


if __name__ == "__main__":
    main(*(float(a) if "." in a else int(a) for a in sys.argv[1:]))
