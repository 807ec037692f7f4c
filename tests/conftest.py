"""Settings of every test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import settings

# The same examples on every run, and no verdict on a busy machine's speed.
settings.register_profile("halfpower", derandomize=True, deadline=None)
settings.load_profile("halfpower")


@pytest.fixture(scope="session", autouse=True)
def own_folders(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Locks and records of the tests are their own: the user's on the same machine are not in the way, nor touched."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("locks")))
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        patch.delenv("HALFPOWER_STORE", raising=False)
        yield
