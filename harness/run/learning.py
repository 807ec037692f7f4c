"""A unit file from a scope that answers."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from harness.errors import ConfigError, InstrumentError
from harness.files.files import load_bench, starter
from harness.journal.lock import hold
from harness.link.link import LinkDown
from harness.models import UnitLink
from harness.quantities import counted
from harness.run.days import simulated_bench_of
from harness.words.clock import RealClock

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.words.clock import Clock


def unit_file(source: str, clock: Clock | None = None) -> tuple[str, tuple[str, ...]]:
    """Ask the scope at a VISA address, or the [unit] of a bench file; its unit file, and sentences of what was done.

    Raises InstrumentError where nothing answers, or what answers is no oscilloscope.
    """
    from drivers.learning import learn
    from harness.link.visa import open_link, resource_manager
    from harness.start.from_scope import unit_from

    told: list[str] = []
    instrument, simulated = _instrument(source)
    factory, clock = (
        (resource_manager(), clock or RealClock())
        if simulated is None
        else (simulated.resource_manager, simulated.clock)
    )
    with hold((instrument.address or "",)):
        try:
            link = open_link(
                instrument,
                "unit",
                factory,
                clock,
                lambda kind, text: told.append(text) if kind == "old_errors" else None,
            )
        except LinkDown as error:
            why = error.__cause__ or error
            raise InstrumentError(
                instrument.address or source,
                f"nothing answers there ({why}): look whether it is switched on, at its cable and at the address",
            ) from error
        try:
            learned = learn(link, instrument.commands)
        finally:
            link.close()
    ranges, sweeps = counted(len(learned.volts_per_div), "range"), counted(len(learned.s_per_div), "sweep")
    found = (
        f"{instrument.address} answers as {learned.identity}: {counted(learned.channels, 'channel')}, {ranges}, "
        f"{sweeps}. It was switched through them and stands as it stood before."
    )
    return unit_from(starter("unit", "digital"), **asdict(learned)), (*told, found)


def _instrument(source: str) -> tuple[UnitLink, SimulatedBench | None]:
    """What is asked, and the simulated bench that it stands on, if any."""
    if not source.endswith(".toml"):
        return UnitLink(address=source), None
    bench = load_bench(source)
    if bench.unit is None or bench.unit.address is None:
        raise ConfigError(f"{source}: unit.address: missing; expected the VISA address of the scope that is asked")
    return bench.unit, simulated_bench_of(bench, Path(source))
