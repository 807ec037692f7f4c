"""What was seen is told as it was said, and judges nothing.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from harness.models import Setup, Unit
from harness.report.model import Evaluated, Heading, PartResult
from harness.report.readings import Taken


def evaluate(
    _setup: Setup, _entry: Mapping[str, Any], _taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """No results: the report lists what was seen of every part."""
    return Evaluated()


def specification(_unit: Unit) -> Iterator[str]:
    """Nothing is rated."""
    return iter(())


def headings(_setup: Setup, _parts: Sequence[PartResult]) -> Iterator[Heading]:
    """The calibration guide asks for measurements."""
    return iter(())
