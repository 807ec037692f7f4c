"""Signatures by Ed25519 (RFC 8032): a key in the user's folder signs, and its public half, given away, verifies."""

from __future__ import annotations

import base64
import hashlib
import os
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Final

import platformdirs

from harness.errors import HalfpowerError
from harness.journal.atomic import OWNERS, make_folder, write_bytes

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

NAME: Final = "approval.pem"
PUBLIC: Final = ".pub"
_LONGEST: Final = 10_000  # bytes of a key's file


def own_key() -> Path:
    """Where this user's key is, if there is one."""
    return Path(platformdirs.user_config_dir("halfpower")) / NAME


def make(path: Path) -> Path:
    """Make a key that its owner alone reads, and its public half beside it, which is returned."""
    _check_library()
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    public = path.with_name(path.name + PUBLIC)
    key = Ed25519PrivateKey.generate()
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    make_folder(path.parent)
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNERS), "wb") as file:
            file.write(private)
    except FileExistsError:
        raise HalfpowerError(
            f"{path}: there is a key already, and what it has signed needs it. Name another."
        ) from None
    except OSError as error:
        raise HalfpowerError(f"{path}: cannot be written: {error.strerror}. Name another file.") from None
    write_bytes(
        public,
        key.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo),
    )
    return public


def sign(path: Path, data: bytes) -> str:
    """Sign with the key of a file; gives the signature in base64."""
    return base64.b64encode(_private(path).sign(data)).decode()


def holder(path: Path) -> str:
    """By what a report names the key of a file, a private or a public one: the SHA-256 of its public half."""
    key = public(path) if b"PUBLIC KEY" in _read(path) else _private(path).public_key()
    return hashlib.sha256(key.public_bytes_raw()).hexdigest()


def public(path: Path) -> Ed25519PublicKey:
    """Read a public key."""
    _check_library()
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    data = _read(path)
    try:
        key = load_pem_public_key(data)
    except Exception as error:
        raise _no_key(path, "public") from error
    if not isinstance(key, Ed25519PublicKey):
        raise _no_key(path, "public")
    return key


def is_signed(key: Ed25519PublicKey, data: bytes, signature: str) -> bool:
    """Whether a signature, in base64, is that of a key."""
    from cryptography.exceptions import InvalidSignature

    try:
        key.verify(base64.b64decode(signature, validate=True), data)
    except (InvalidSignature, ValueError):
        return False
    return True


def _private(path: Path) -> Ed25519PrivateKey:
    _check_library()
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    data = _read(path)
    try:
        key = load_pem_private_key(data, password=None)
    except Exception as error:  # the library has many, and each means the same here
        raise _no_key(path, "private") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise _no_key(path, "private")
    return key


def _no_key(path: Path, which: str) -> HalfpowerError:
    return HalfpowerError(
        f"{path}: is no {which} key for Ed25519 in PEM form without a passphrase, or is damaged. Name another file; "
        "'halfpower key' makes one. Nothing was signed or changed."
    )


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_LONGEST)
    except OSError as error:
        raise HalfpowerError(f"{path}: the key cannot be read: {error.strerror}. Name another file.") from None


def _check_library() -> None:
    if find_spec("cryptography") is None:
        raise HalfpowerError(
            "Signing needs the package 'cryptography', which is not installed: pip install \"halfpower[sign]\"; or "
            "approve without a signature (--unsigned)."
        )
