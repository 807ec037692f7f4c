"""What each layer adds to a point, plain and tagged: `python -m tests.benchmarks.layers`.

Every layer's own time is taken while the points of `points.py` run, the layers below it taken off; beside it the same
SCPI messages sent bare through pyvisa (their median). The layers' figures are those of the quickest tenth, since a busy
machine only ever adds. Ratios and shares count; the machine's speed does not.
"""

from __future__ import annotations

import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from drivers import counter, generator, scope, source, switch
from harness import runs as opening
from harness.bench.perform import LiveBench
from harness.journal.journal import Journal
from harness.link.link import Link
from harness.link.visa import VisaPort, resource_manager
from harness.run.jobs import LoadedJob
from harness.steps import Connect, Measure, Reading
from harness.words.clock import no_sign
from tests.benchmarks.points import DEMO, POINTS, bare_us, dc_step, opened, readdressed, sine_step

PORT_CALLS: Final = ("write", "read_line", "read_bytes", "read_rest")
# Layer → what its time is spent in; a layer's own time is what the layers under it leave.
LAYERS: Final[dict[str, tuple[tuple[Any, tuple[str, ...]], ...]]] = {
    "adapter": ((VisaPort, PORT_CALLS),),
    "protocol": ((Link, ("query", "query_float", "query_block", "set", "check", "drain_errors")),),
    "fit": ((scope, ("read_record",)),),
    "drivers": (
        (scope.ScpiScope, ("show", "read")), (source.ScpiSource, ("apply", "off")),
        (generator.ScpiGenerator, ("apply",)), (counter.ScpiCounter, ("read_frequency_hz",)),
        (switch.ScpiSwitch, ("route",)),
    ),
    "bench": ((LiveBench, ("perform",)),),
    "journal": ((Journal, ("reply",)),),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """Of one point, µs: its SCPI messages bare, and each layer's own time."""

    bare: float
    layers: dict[str, float]


def main() -> None:
    """Print the table."""
    loaded = opening.load(DEMO / "digital.toml")
    names = ["bare SCPI", "adapter", "protocol", "drivers", "fit", "bench", "journal"]
    print(f"µs of a point ({POINTS} points, the quickest tenth); adapter: what pyvisa's adapter adds to the bare SCPI")
    print(f"{'':<42}{'point':>7}" + "".join(f"{name:>10}" for name in names) + f"{'over bare':>11}")
    for kind, step in (("DC deflection", dc_step), ("sine, fitted, counted", sine_step)):
        for way in ("in process", "loopback TCP"):
            for tag in (False, True):
                cost = measured(loaded, step, way, tag=tag)
                own = {**cost.layers, "bare SCPI": cost.bare, "adapter": max(0.0, cost.layers["adapter"] - cost.bare)}
                whole = sum(own.values())
                print(f"{kind}, {way}{', tagged' if tag else ''}".ljust(42) + f"{whole:>7.0f}", end="")
                print("".join(f"{own[name]:>10.0f}" for name in names) + f"{whole / cost.bare:>10.2f}×")
                print(" " * 49 + "".join(f"{own[name] / whole:>10.0%}" for name in names))


class Clocks:
    """Own time by layer: a stack of what is under way, each charged only while nothing below it runs."""

    def __init__(self) -> None:
        self.own: defaultdict[str, float] = defaultdict(float)
        self._stack: list[str] = []
        self._since = 0.0

    def enter(self, layer: str) -> None:
        """A layer begins; the one above it waits."""
        now = time.perf_counter()
        if self._stack:
            self.own[self._stack[-1]] += now - self._since
        self._stack.append(layer)
        self._since = now

    def leave(self) -> None:
        """The layer ends; the one above it goes on."""
        now = time.perf_counter()
        self.own[self._stack.pop()] += now - self._since
        self._since = now

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Time the calls of every layer."""
        kept = []
        for layer, calls in LAYERS.items():
            for owner, names in calls:
                for name in names:
                    if name in vars(owner):
                        kept.append((owner, name, vars(owner)[name]))
                        setattr(owner, name, self._timed(layer, vars(owner)[name]))
        try:
            yield
        finally:
            for owner, name, call in kept:
                setattr(owner, name, call)

    def _timed(self, layer: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def timed(*arguments: Any, **options: Any) -> Any:
            self.enter(layer)
            try:
                return call(*arguments, **options)
            finally:
                self.leave()

        return timed


def measured(loaded: LoadedJob, step: Callable[[int], Measure], way: str, *, tag: bool) -> Cost:
    """The cost of a point, of its layers, and of its bare SCPI messages."""
    simulated = opening.simulated_bench(loaded)
    assert simulated is not None
    servers = simulated.serve() if way == "loopback TCP" else None
    setup = (
        loaded.setup
        if servers is None
        else replace(loaded.setup, bench=readdressed(loaded.setup.bench, servers.addresses))
    )
    tagged = {role: each.model_copy(update={"tag_queries": tag}) for role, each in setup.bench.instruments()}
    setup = replace(setup, bench=setup.bench.model_copy(update=tagged))
    factory = resource_manager("@py") if servers is not None else simulated.resource_manager
    bench = opened(loaded, setup, simulated, factory, no_sign)
    bench.perform(Connect(path=step(0).path, source=step(0).source, display="unit", channel=1))
    clocks, points = Clocks(), []
    with tempfile.TemporaryDirectory() as folder:
        journal = Journal.create(Path(folder) / "run", {"program": "benchmark"}, lambda: "t")
        assert isinstance(bench.perform(step(0)), Reading)

        def point(n: int) -> None:
            taken = step(n)
            journal.reply("benchmark", n, taken, bench.perform(taken))

        with clocks.watching():
            for n in range(1, POINTS + 1):
                clocks.own.clear()
                point(n)
                points.append(dict(clocks.own))
        journal.close()
    bare = bare_us(bench, step)
    bench.close()
    if servers is not None:
        servers.close()
    layers = {layer: quickest([each.get(layer, 0.0) for each in points]) for layer in LAYERS}
    return Cost(bare=bare, layers=layers)


def quickest(times_s: list[float]) -> float:
    """The tenth of the times from the quickest on, µs."""
    return sorted(times_s)[len(times_s) // 10] * 1e6


if __name__ == "__main__":
    main()
