"""The command about a bench: who answers, and how quickly; or serve a simulated one to any client."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import rich_click as click

from harness.commands.faults import fault_options
from harness.commands.helping import PlainHelpCommand, once_told, say
from harness.errors import ConfigError, InstrumentError

if TYPE_CHECKING:
    from harness.run.faulted import Faults
    from harness.run.talk import InstrumentState
    from harness.sim.bench import SimulatedBench


@click.command(cls=PlainHelpCommand)
@click.argument("bench_file", type=click.Path(path_type=Path))
@click.option("--serve", is_flag=True, help="Serve a simulated bench on loopback TCP until Ctrl-C.")
@fault_options
def bench(bench_file: Path, serve: bool, faults: Faults | None) -> None:
    """Talk to every instrument of a bench: identity, error queue, certificate, a round trip.

    Outputs are not touched. With --serve, the instruments of a simulated bench answer any SCPI client.

    \b
    Examples:
      halfpower bench bench.toml
      halfpower bench bench.toml --serve
      halfpower bench bench.toml --serve --faults "5 %" --seed 7
    """
    if serve:
        _serve(bench_file, faults)
        return
    if faults is not None:
        raise click.UsageError("--faults goes with --serve here, or with 'halfpower run'.")
    from harness.run.talk import talk

    states = talk(bench_file, before=once_told())
    for state in states:
        say(*_lines(state))
    wrong = [_name(state) for state in states if state.problem and state.address]
    if wrong:
        raise InstrumentError(", ".join(wrong), "not ready; see the lines above")
    late = [f"the certificate of the {_name(state)} ran out on {state.due}" for state in states if state.overdue]
    if late:
        raise ConfigError(f"{bench_file}: {'; '.join(late)}. Renew it in the bench file, or have the job allow it.")


def _name(state: InstrumentState) -> str:
    return f"{state.role} at {state.place}" if state.place else str(state.role)


def _lines(state: InstrumentState) -> list[str]:
    """One instrument in words."""
    label = "" if state.label in (state.address, "?") else state.label
    words = [label, f"at {state.address}"] if state.address else [f"{label},", state.problem]
    lines = [f"{_name(state)}: {' '.join(words if label else words[1:])}"]
    if state.identity:
        lines.append(f"  answers as {state.identity}")
        if state.expected_identity and state.expected_identity != state.identity:
            lines.append(f"  expected    {state.expected_identity}")
    if state.round_trip_s is not None:
        lines.append(f"  round trip  {state.round_trip_s * 1e3:.2f} ms")
    lines += [f"  error queue {error}" for error in state.errors]
    if state.due:
        lines.append(f"  certificate {'RAN OUT ON' if state.overdue else 'good until'} {state.due}")
    if state.problem and state.address:
        lines.append(f"  PROBLEM     {state.problem}")
    return lines


def _serve(bench_file: Path, faults: Faults | None) -> None:
    import threading

    from harness.files.files import load_bench
    from harness.run.days import day_on

    loaded = load_bench(bench_file, day_of=day_on)
    if loaded.simulation is None:
        raise ConfigError(f"{bench_file}: is no simulated bench: it has no key 'simulation'")
    from harness.sim.bench import SimulatedBench

    simulated = SimulatedBench.load(bench_file.parent / loaded.simulation)
    with _counted(simulated, faults), simulated.serve() as server:
        for role, address in simulated.addresses.items():
            click.echo(f"{role}: {server.addresses[address]}  (in the bench file: {address})")
        click.echo("Served until Ctrl-C.")
        threading.Event().wait()


@contextmanager
def _counted(simulated: SimulatedBench, faults: Faults | None) -> Iterator[None]:
    """Faults on purpose, said at the start and counted at the end."""
    if faults is None:
        yield
        return
    from harness.run.faulted import injected

    faults.put_on(simulated)
    click.echo(faults.sentence)
    try:
        yield
    finally:
        click.echo(injected(simulated))
