"""The source of known voltages, time marks and fast edges, by SCPI."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.source import ScpiSource
from harness.link.link import Link

if TYPE_CHECKING:
    from harness.models import Calibrator


class ScpiCalibrator(ScpiSource):
    """A calibrator."""

    def __init__(self, link: Link, model: Calibrator) -> None:
        super().__init__(link, "calibrator", model.commands)
