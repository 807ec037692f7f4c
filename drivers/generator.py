"""The source of the levelled sine, by SCPI."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.source import ScpiSource
from harness.link.link import Link

if TYPE_CHECKING:
    from harness.models import Generator


class ScpiGenerator(ScpiSource):
    """A generator."""

    def __init__(self, link: Link, model: Generator) -> None:
        super().__init__(link, "generator", model.commands)
