"""Checks by looking, which no number answers. A maker rates none of them."""

from __future__ import annotations

from harness.values import Ratings


class Rated(Ratings):
    """Nothing of this is rated."""
