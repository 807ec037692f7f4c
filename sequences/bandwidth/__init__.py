"""Up to the half-power frequency. Here what its maker rates; the rest is imported by whoever measures."""

from __future__ import annotations

from harness.values import Ratings


class Rated(Ratings):
    """Nothing under [tolerance]: the rated bandwidth has a key of its own, which others need too."""
