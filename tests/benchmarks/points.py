"""What a point costs: `python -m tests.benchmarks.points`.

One point is set, wait, read a record, fit, SYST:ERR? on every instrument, and a synced journal line, with the signs of
life that a guardian hears. Beside it, in the same run, the same SCPI messages sent bare through pyvisa, the journal
line alone, and the signs of one point alone. Ratios count; the machine's speed does not. Then what a guardian costs.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from harness import runs as opening
from harness.bench.guarding import Guardian
from harness.bench.perform import LiveBench
from harness.journal.journal import Journal
from harness.link.visa import VisaPort, open_link, resource_manager
from harness.models import Bench
from harness.run.jobs import LoadedJob
from harness.sim.bench import SimulatedBench
from harness.steps import Connect, Dc, Measure, Reading, Sine, View
from harness.words.clock import OnLife

DEMO = Path(__file__).resolve().parents[2] / "demo" / "brackwater"
POINTS = 400


def main() -> None:
    """Print the table."""
    loaded = opening.load(DEMO / "digital.toml")
    guardian = Guardian((), ())
    columns = f"{'point':>9}{'bare SCPI':>11}{'journal':>9}{'over bare':>11}{'signs':>8}{'a point':>9}"
    print(f"{'':<38}{columns}   (medians, µs, {POINTS} points)")
    for kind, step in (("DC deflection", dc_step), ("sine, fitted, counted", sine_step)):
        for way in ("in process", "loopback TCP"):
            point, bare, journal, (count, signs) = measured(loaded, step, way, guardian)
            print(f"{kind}, {way}".ljust(38), end="")
            print(f"{point:>9.0f}{bare:>11.0f}{journal:>9.0f}{point / bare:>10.2f}×{signs:>8.1f}{count:>9}")
    guardian.dismiss(())
    starting, ready, leaving = guardian_ms()
    print(
        f"A guardian: started in {starting:.1f} ms, ready {ready:.0f} ms later, gone {leaving:.1f} ms after farewell."
    )


def dc_step(n: int) -> Measure:
    """A DC point whose level changes every time, so that nothing is left out as unchanged."""
    return Measure(
        purpose="deflection",
        path="lead",
        source="calibrator",
        stimulus=Dc(level_v=round(0.5 + 1e-4 * n, 6)),
        display="unit",
        view=View(channel=1, volts_per_div=0.1, s_per_div=1e-3, ground_line_div=-3.0),
        quantity="deflection",
    )


def sine_step(n: int) -> Measure:
    """A sine point at a new frequency every time."""
    return Measure(
        purpose="search",
        path="terminated",
        source="generator",
        stimulus=Sine(level_vpp=0.6, frequency_hz=50e6 + 1e5 * n),
        display="unit",
        view=View(channel=1, volts_per_div=0.1, s_per_div=2e-8),
        quantity="peak_to_peak",
        with_counter=True,
    )


def guardian_ms(times: int = 15) -> tuple[float, float, float]:
    """Median ms to start a guardian, until it could act, and to send it away; nothing else is done meanwhile."""
    spent: list[tuple[float, float, float]] = []
    for _ in range(times):
        began = time.perf_counter()
        guardian = Guardian((), ())
        started = time.perf_counter()
        guardian.prepare(lambda: "@py")
        guardian.ready()
        ready = time.perf_counter()
        guardian.dismiss(())
        spent.append((started - began, ready - started, time.perf_counter() - ready))
    starting, until_ready, leaving = (statistics.median(each) * 1e3 for each in zip(*spent, strict=True))
    return starting, until_ready, leaving


def measured(
    loaded: LoadedJob, step: Callable[[int], Measure], way: str, guardian: Guardian
) -> tuple[float, float, float, tuple[int, float]]:
    """Median µs of a point, of its bare SCPI messages, of its journal line; its signs of life and their µs."""
    simulated = opening.simulated_bench(loaded)
    assert simulated is not None
    servers = simulated.serve() if way == "loopback TCP" else None
    setup = loaded.setup
    if servers is not None:
        setup = replace(setup, bench=readdressed(setup.bench, servers.addresses))
    factory = resource_manager("@py") if servers is not None else simulated.resource_manager
    leases: list[float] = []

    def on_life(within_s: float) -> None:
        leases.append(within_s)
        guardian.alive(within_s)

    bench = opened(loaded, setup, simulated, factory, on_life)
    connection = Connect(path=step(0).path, source=step(0).source, display="unit", channel=1)
    bench.perform(connection)
    with tempfile.TemporaryDirectory() as folder:
        journal = Journal.create(Path(folder) / "run", {"program": "benchmark"}, lambda: "t")
        reading = bench.perform(step(0))
        assert isinstance(reading, Reading)

        def point(n: int) -> None:
            taken = step(n)
            journal.reply("benchmark", n, taken, bench.perform(taken))

        whole = median_us(point)
        alone = median_us(lambda n: journal.reply("benchmark", n, step(n), reading))
        journal.close()
    bare = bare_us(bench, step)
    leases.clear()
    bench.perform(step(POINTS + 2))
    of_a_point = tuple(leases)

    def signs(_n: int) -> None:
        for within_s in of_a_point:
            guardian.alive(within_s)

    said = len(of_a_point), median_us(signs)
    bench.close()
    if servers is not None:
        servers.close()
    return whole, bare, alone, said


def bare_us(bench: LiveBench, step: Callable[[int], Measure]) -> float:
    """The same messages, written and read through the same pyvisa resources with nothing around them."""
    calls: list[tuple[VisaPort, str, Any]] = []
    kept = {name: getattr(VisaPort, name) for name in ("write", "read_line", "read_bytes", "read_rest")}

    def noting(name: str) -> Callable[..., Any]:
        def noted(port: VisaPort, first: Any, *rest: Any) -> Any:
            calls.append((port, name, first))
            return kept[name](port, first, *rest)

        return noted

    for name in kept:
        setattr(VisaPort, name, noting(name))
    try:
        bench.perform(step(POINTS + 1))
    finally:
        for name, method in kept.items():
            setattr(VisaPort, name, method)

    def exchange(_n: int) -> None:
        for port, name, first in calls:
            resource: Any = port._resource
            if name == "write":
                resource.write_raw(first + b"\n")
            elif name == "read_bytes":
                resource.read_bytes(first)
            else:
                resource.read_raw()

    return median_us(exchange)


def opened(loaded: LoadedJob, setup: object, simulated: SimulatedBench, factory: object, on_life: OnLife) -> LiveBench:
    """A live bench on the simulated instruments."""
    from drivers.loading import make_driver

    drivers = {
        role: make_driver(
            role,
            setup,  # type: ignore[arg-type]
            folder=loaded.bench_path.parent,
            open_link=lambda instrument, role: open_link(instrument, role, factory, simulated.clock, on_life=on_life),  # type: ignore[arg-type]
            operator=simulated.operator,
        )
        for role in loaded.roles
    }
    return LiveBench(setup, drivers, operator=simulated.operator, clock=simulated.clock, on_life=on_life)  # type: ignore[arg-type]


def readdressed(bench: Bench, addresses: dict[str, str]) -> Bench:
    """The bench with its instruments where they are served."""
    found = {
        role: instrument.model_copy(update={"address": addresses[instrument.address]})
        for role, instrument in bench.instruments()
        if instrument.address in addresses
    }
    return bench.model_copy(update=found)


def median_us(action: Callable[[int], None]) -> float:
    """Median time of an action, µs."""
    times = []
    for n in range(1, POINTS + 1):
        began = time.perf_counter()
        action(n)
        times.append(time.perf_counter() - began)
    return statistics.median(times) * 1e6


if __name__ == "__main__":
    main()
