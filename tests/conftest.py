"""Settings of every test."""

from __future__ import annotations

from hypothesis import settings

# The same examples on every run, and no verdict on a busy machine's speed.
settings.register_profile("halfpower", derandomize=True, deadline=None)
settings.load_profile("halfpower")
