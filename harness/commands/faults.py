"""The options for faults on purpose, which several commands share."""

from __future__ import annotations

from functools import wraps
from typing import TYPE_CHECKING, Any

import rich_click as click

if TYPE_CHECKING:
    from harness.run.faulted import Faults


def fault_options(command: Any) -> Any:
    """Add --faults, --seed and --fault-kinds; the command is called with `faults`."""

    @wraps(command)
    def called(*arguments: Any, rate: str | None, seed: int | None, kinds: str | None, **options: Any) -> Any:
        return command(*arguments, faults=_wanted(rate, seed, kinds), **options)

    options = (
        click.option("--fault-kinds", "kinds", metavar="LIST", help="Only these kinds, such as 'late,cut' or 'line'."),
        click.option("--seed", type=click.IntRange(min=0), help="Which faults: the same seed gives the same."),
        click.option(
            "--faults", "rate", metavar="SHARE", help="Simulated benches: a fault at this share of the queries, '5 %'."
        ),
    )
    added: Any = called
    for option in options:
        added = option(added)
    return added


def _wanted(rate: str | None, seed: int | None, kinds: str | None) -> Faults | None:
    """The faults that the options ask for."""
    if rate is None:
        if seed is not None or kinds is not None:
            raise click.UsageError("--seed and --fault-kinds need --faults, such as --faults '5 %'.")
        return None
    from harness.run.faulted import Faults

    return Faults.of_words(rate, seed=1 if seed is None else seed, kinds=kinds or "")
