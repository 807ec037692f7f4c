"""Benches, units and jobs for tests, as values."""

from __future__ import annotations

from typing import Any

from harness.models import Bench, Job, Reference, Setup, Unit


def a_setup(
    *,
    read: str = "eye",
    rule: str = "guarded",
    levels: Any = "continuous",
    termination_power: str = "1 W",
    generator_level_high: str = "5.5 Vpp",
    input_maximum: str = "400 V",
    probe_maximum: str = "500 V",
    reference: dict[str, Any] | None = None,
    volts_per_div: tuple[str, ...] = ("100 mV", "200 mV", "500 mV", "1 V"),
    **unit: Any,
) -> Setup:
    """A two-channel scope, a calibrator, a generator with counter, and three paths."""
    accuracy = [{"function": "dc", "of_value": "0.05 %"}, {"function": "square", "of_value": "0.1 %"}]
    accuracy.append({"function": "period", "of_value": "10 ppm"})
    bench = Bench.model_validate(
        {
            "name": "test bench",
            "calibrator": {"levels": levels, "accuracy": accuracy, "address": "GPIB0::9::INSTR"},
            "generator": {
                "level_high": generator_level_high,
                "frequency_high": "550 MHz",
                "vswr": 1.0,
                "accuracy": [{"function": "sine", "db": "0.1 dB"}, {"function": "frequency", "of_value": "2 ppm"}],
                "address": "GPIB0::10::INSTR",
            },
            **({"reference": {"address": "GPIB0::11::INSTR", **reference}} if reference is not None else {}),
            "paths": {
                "lead": {},
                "probe": {"divides_by": 10, "tolerance": "1 %", "maximum": probe_maximum},
                "terminated": {"termination": "50 ohm", "termination_power": termination_power},
            },
        }
    )
    described = {
        "maker": "Aldermoor",
        "model": "T1",
        "volts_per_div": list(volts_per_div),
        "s_per_div": ["1 us", "10 us", "1 ms"],
        "bandwidth": "40 MHz",
        "input": {"maximum": input_maximum},
        "read": read,
        **unit,
    }
    job = {"unit": "u.toml", "bench": "b.toml", "serial": "7", "rule": rule, "sequence": [{"use": "vertical"}]}
    return Setup(bench=bench, unit=Unit.model_validate(described), job=Job.model_validate(job))


def a_reference(**said: Any) -> Reference:
    """The instrument that levels, of SI numbers."""
    return Reference.model_validate(said, context={"si": True})
