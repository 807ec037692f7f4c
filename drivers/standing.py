"""An output that nobody switches: the unit's own, which gives its one signal whenever the unit is on."""

from __future__ import annotations

from typing import Final

from harness.steps import Stimulus


class Standing:
    """A source to which nothing can be said."""

    def identify(self) -> str:
        """What it is called."""
        return "the unit's own output"

    def apply(self, stimulus: Stimulus) -> None:
        """It stands there already."""

    def off(self) -> None:
        """It stays as it is."""

    def check(self) -> None:
        """Nothing was set."""

    def close(self) -> None:
        """Nothing was opened."""


STANDING: Final = Standing()
