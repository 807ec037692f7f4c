"""Sequences driven to their end, step by step, with no bench."""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import Any

from harness.steps import Connect, Done, Reading, Reply, Step


def run(script: Generator[Step, Reply], answer: Callable[[Any], Reading]) -> list[Any]:
    """Drive a sequence; `answer(step)` gives each reading."""
    taken = []
    try:
        step = next(script)
        while True:
            taken.append(step)
            step = script.send(Done() if isinstance(step, Connect) else answer(step))
    except StopIteration:
        return taken
