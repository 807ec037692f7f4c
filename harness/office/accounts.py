"""The accounts of those who may look at the office page from another computer: names and hashed passwords, in a file.

A password is kept as scrypt (RFC 7914) makes it, with a salt of its own; nobody can read it back.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import secrets
import threading
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Final

from pydantic import ConfigDict, TypeAdapter

from harness.errors import ConfigError, shell_word
from harness.journal.atomic import make_file, write_text

FORMAT: Final = 1
SHORTEST: Final = 12  # characters of a password
LONGEST: Final = 200
MOST_NAME: Final = 60
_N, _R, _P, _SIZE = 1 << 15, 8, 3, 32  # 32 MiB; a common recommendation (OWASP), from memory
_MEMORY: Final = 1 << 26
_HASHING: Final = threading.Lock()  # one at a time: whoever tries passwords takes no more memory than that


@dataclass(frozen=True, slots=True, kw_only=True)
class Hashed:
    """A password as it is kept."""

    __pydantic_config__ = ConfigDict(extra="forbid")

    n: int
    r: int
    p: int
    salt: str
    hash: str = field(repr=False)

    def is_of(self, password: str) -> bool:
        """Whether it is this password's."""
        made = _scrypt(password, base64.b64decode(self.salt), self.n, self.r, self.p)
        return secrets.compare_digest(made, base64.b64decode(self.hash))


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    __pydantic_config__ = ConfigDict(extra="forbid")

    format: int
    accounts: dict[str, Hashed]


_FILE: Final = TypeAdapter(_File)


def hashed(password: str) -> Hashed:
    """A password with a new salt; raises ConfigError for one that is too short."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise ConfigError(f"A password has {SHORTEST} to {LONGEST} characters; several words make a good one.")
    salt = os.urandom(16)
    made = _scrypt(password, salt, _N, _R, _P)
    return Hashed(n=_N, r=_R, p=_P, salt=base64.b64encode(salt).decode(), hash=base64.b64encode(made).decode())


NOBODYS: Final = Hashed(n=_N, r=_R, p=_P, salt=base64.b64encode(bytes(16)).decode(), hash="")
"""What a password is held against where there is no such account, so that the answer takes as long."""


def read(path: Path) -> Mapping[str, Hashed]:
    """The accounts of a file; raises ConfigError where it is none."""
    try:
        made = _FILE.validate_json(path.read_bytes(), strict=True)
        if made.format != FORMAT or not all(_sound(each) for each in made.accounts.values()):
            raise ValueError
    except OSError as error:
        raise ConfigError(
            f"{path}: cannot be read: {error.strerror}. This makes it: halfpower board --accounts {shell_word(path)} "
            "--add NAME"
        ) from None
    except (ValueError, RecursionError):
        raise ConfigError(
            f"{path}: is no file of accounts, or a damaged one. Restore it, or move it away and add the accounts anew."
        ) from None
    return made.accounts


def add(path: Path, name: str, password: str) -> bool:
    """Add an account, or give it a new password; says whether it is new. The file is its owner's alone."""
    if not 0 < len(name.strip()) <= MOST_NAME or not name.isprintable():
        raise ConfigError(f"A name has 1 to {MOST_NAME} characters, such as 'Orme'.")
    known = dict(read(path)) if path.exists() else {}
    made = hashed(password)
    is_new = name not in known
    _write(path, {**known, name: made})
    return is_new


def remove(path: Path, name: str) -> None:
    """Take an account away; whoever is signed in with it is let in no more."""
    known = dict(read(path))
    if name not in known:
        raise ConfigError(f"{path}: has no account {name!r}; it has {', '.join(map(repr, known)) or 'none'}.")
    del known[name]
    _write(path, known)


def _write(path: Path, accounts: Mapping[str, Hashed]) -> None:
    text = json.dumps(asdict(_File(format=FORMAT, accounts=dict(accounts))), ensure_ascii=False, indent=1) + "\n"
    beside = path.with_name(f"{path.name}.part")  # as `write_text` has it: made first, so that it is never others'
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        make_file(beside)
    except OSError as error:
        raise ConfigError(f"{path}: cannot be written: {error.strerror}. Name another file.") from None
    write_text(path, text)


def _sound(kept: Hashed) -> bool:
    """Whether it is one that can be worked out with the memory that there is; ValueError where it is no text of one."""
    base64.b64decode(kept.salt, validate=True)
    return len(base64.b64decode(kept.hash, validate=True)) == _SIZE and 128 * kept.n * kept.r <= _MEMORY // 2


def _scrypt(password: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    with _HASHING:
        return hashlib.scrypt(password.encode(), salt=salt, n=n, r=r, p=p, maxmem=_MEMORY, dklen=_SIZE)
