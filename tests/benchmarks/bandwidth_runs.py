"""Runs of the bandwidth sequence itself before a simulated unit: counted hertz, corrected levels, a slip a run.

`python -m tests.benchmarks.bandwidth_runs [runs]`: seeded. Nothing of the analysis is used to make a reading.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from harness.models import Setup
from harness.steps import Connect, Done, Measure, Reading, Sine
from sequences.bandwidth import steps as bandwidth
from sequences.bandwidth.levelled import levelled
from sequences.bandwidth.response import half_power
from sequences.bandwidth.response_model import HalfPower
from sequences.levelling.sine import Taken
from tests.benchmarks.response_units import mistype
from tests.helpers.setups import a_setup

F3_HZ, CAPACITANCE_F, TRACE_DIV = 118e6, 20e-12, 0.1
COUNTER_REL = 1e-5


def setup_of(**unit: object) -> Setup:
    """A unit of 100 MHz and 20 pF read by eye, behind a feed-through termination."""
    return a_setup(
        **{
            "bandwidth": "100 MHz",
            "input": {"maximum": "400 V", "capacitance": "20 pF"},
            "resolution": "0.1 div",
            "scatter": "0.04 div",
            "volts_per_div": ("100 mV",),
            **unit,
        }  # type: ignore[arg-type]
    )


@dataclass(slots=True, kw_only=True)
class Responder:
    """The world behind the sequence: a single pole pair, its input's capacitance, a counter, and who reads."""

    setup: Setup
    rng: np.random.Generator
    gain_db: Callable[[float], float] = lambda r: -10.0 * math.log10(1.0 + r**4)  # Butterworth, second order
    f3_hz: float = F3_HZ
    slip_at: int = -1
    drift_per_reading: float = 0.0
    slip: Callable[[float, np.random.Generator], float] = mistype
    says_width: bool = True  # how thick the trace is
    taken: list[Taken] = field(default_factory=list)

    def run(self, **options: object) -> HalfPower:
        """Drive the sequence to its end; the result is reckoned from what was taken, as a report does it."""
        chosen = bandwidth.Options.model_validate({"channels": [1], **options})
        self.drive(chosen)
        known = levelled(self.setup, bandwidth.wanted_of(self.setup, chosen), [], self.taken)
        return half_power(known.readings, known.plan)

    def drive(self, chosen: bandwidth.Options) -> None:
        """Answer every step of the sequence."""
        script = bandwidth.script(self.setup, chosen)
        step = next(script)
        try:
            while True:
                if isinstance(step, Connect):
                    step = script.send(Done())
                    continue
                reading = self.answer(step)
                self.taken.append((step, reading))
                step = script.send(reading)
        except StopIteration:
            pass

    def answer(self, step: Measure) -> Reading:
        """What is read at one step."""
        if not isinstance(step.stimulus, Sine):
            return Reading(value=TRACE_DIV) if self.says_width else Reading(status="skipped")
        hz, vpp = step.stimulus.frequency_hz, step.stimulus.level_vpp
        # 50 Ω of the source beside 50 Ω of the termination, loaded by the input's capacitance.
        loaded = 1.0 / math.hypot(1.0, 2.0 * math.pi * hz * CAPACITANCE_F * 25.0)
        moved = (1.0 - self.drift_per_reading) ** len(self.taken)
        shown = vpp / step.view.volts_per_div * loaded * moved * 10.0 ** (self.gain_db(hz / self.f3_hz) / 20.0)
        unit = self.setup.unit
        value = round((shown + TRACE_DIV + self.rng.normal(0.0, unit.scatter)) / unit.resolution) * unit.resolution
        value = round(max(value, 0.0), 6)
        if 0 <= self.slip_at == len(self.taken) - 1:
            value = self.slip(value, self.rng)
        status = "off_screen" if value > unit.vertical_div else "read"
        return Reading(
            status=status,  # type: ignore[arg-type]
            value=value if status == "read" else None,
            frequency_hz=hz * (1.0 + self.rng.normal(0.0, COUNTER_REL)),
        )

    @property
    def sines(self) -> list[Measure]:
        """The steps of the search itself."""
        return [step for step, _ in self.taken if isinstance(step.stimulus, Sine)]

    @property
    def asked_again(self) -> int:
        """How many readings were asked again."""
        return sum(step.purpose == "re-ask" for step in self.sines)


def main(runs: int = 36) -> None:
    for name, slips, options in (
        ("clean", False, {}),
        ("one slip a run", True, {}),
        ("one slip a run, equal deflection", True, {"equal_deflection": True}),
    ):
        limit, again, readings, errors, held = 0, [], [], [], []
        for seed in range(runs):
            rng = np.random.default_rng([2026, seed])
            f3_hz = 100e6 * rng.uniform(0.8, 1.8)
            unit = Responder(setup=setup_of(), rng=rng, f3_hz=f3_hz, slip_at=int(rng.integers(0, 7)) if slips else -1)
            found = unit.run(**options)
            limit += len(unit.sines) >= 80
            again.append(unit.asked_again)
            readings.append(len(unit.sines))
            if found.frequency_hz is not None and found.u_rel is not None:
                errors.append(math.log(found.frequency_hz / f3_hz))
                held.append(abs(errors[-1]) <= 2.0 * found.u_rel)
        sys.stdout.write(
            f"{name}: {limit} of {runs} at the limit of 80, {np.mean(again):.2f} asked again (most {max(again)}), "
            f"readings {np.mean(readings):.1f}, {len(held)} values, coverage {100 * np.mean(held):.1f} %, "
            f"worst error {100 * max(errors, key=abs):+.1f} %\n"
        )


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
