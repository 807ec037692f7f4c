"""A user's own Python beside a job or bench file: read once, checked and told before it is imported.

What was read is what is digested, told and run: neither a second reading nor what lies in `__pycache__` comes between.
"""

from __future__ import annotations

import hashlib
import linecache
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Final, Literal, TypeAlias

from harness.errors import ConfigError
from harness.files.checks import own_file

OWN_CODE: Final = "own code"
"""Kind of the event that tells of a user's own Python."""
Beside: TypeAlias = Literal["job", "bench"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnFile:
    """One file as it was read, and which file it stands beside."""

    path: Path
    beside: Beside
    source: bytes

    @property
    def digest(self) -> str:
        """SHA-256 of the file."""
        return hashlib.sha256(self.source).hexdigest()

    def __str__(self) -> str:
        return f"Runs your own Python: {self.path}"


BeforeImport: TypeAlias = Callable[[OwnFile], None]
"""Told of a file before it is imported; whatever it raises keeps the file from being run."""


class OwnCode:
    """The user's own Python of one job or bench, each file read once."""

    def __init__(self, before: BeforeImport = lambda _own: None) -> None:
        self._before = before
        self._files: dict[tuple[Beside, Path], OwnFile] = {}

    @property
    def digests(self) -> dict[Beside, dict[str, str]]:
        """The digest of every file that was read, by the file it stands beside and its name."""
        digests: dict[Beside, dict[str, str]] = {"job": {}, "bench": {}}
        for (beside, path), own in self._files.items():
            digests[beside][path.name] = own.digest
        return digests

    def module(self, name: str, folder: Path, beside: Beside) -> ModuleType:
        """Import a file that stands in `folder`; raises ConfigError for one that does not, or that fails."""
        if problem := own_file(name, folder):
            raise ConfigError(problem)
        path = folder / name
        own = self._files.get((beside, path))
        if own is None:
            try:
                own = OwnFile(path=path, beside=beside, source=path.read_bytes())
            except OSError as error:
                raise ConfigError(f"{path}: cannot be read: {error.strerror or error}") from None
            if not any(told == path for _, told in self._files):
                self._before(own)
            self._files[beside, path] = own
        return _imported(own)


def place_in(file: Path, error: BaseException) -> tuple[int, str]:
    """The last line of a file that an error came by, and what stands there; 0 where it came by none."""
    lines = [frame.lineno or 0 for frame in traceback.extract_tb(error.__traceback__) if Path(frame.filename) == file]
    return (lines[-1], linecache.getline(str(file), lines[-1]).strip()) if lines else (0, "")


def _imported(own: OwnFile) -> ModuleType:
    name = f"halfpower_own_{hashlib.sha256(bytes(own.path) + own.source).hexdigest()[:16]}"
    if name in sys.modules:
        return sys.modules[name]
    module = ModuleType(name)
    module.__file__ = str(own.path)
    sys.modules[name] = module  # dataclasses and models look their module up
    try:
        exec(compile(own.source, str(own.path), "exec"), vars(module))
    except (Exception, SystemExit) as error:
        del sys.modules[name]
        line = getattr(error, "lineno", None) or place_in(own.path, error)[0] or 1
        raise ConfigError(f"{own.path}:{line}: fails on import: {type(error).__name__}: {error}") from error
    return module
