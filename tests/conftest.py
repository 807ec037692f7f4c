"""Settings of every test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import settings

# The same examples on every run, and no verdict on a busy machine's speed.
settings.register_profile("halfpower", derandomize=True, deadline=None)
settings.load_profile("halfpower")


@pytest.fixture(scope="session", autouse=True)
def own_locks(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Locks of the tests are their own: a run of the user's on the same machine is not in the way."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("locks")))
        yield
