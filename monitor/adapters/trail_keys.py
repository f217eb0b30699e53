"""The key that signs the trail's heads: Ed25519, made at first use in the state directory, for its owner alone.

`trail.key` is the private key (PKCS 8), `trail.pub` the public one (RFC 8410, both PEM), to be copied elsewhere. A new
key waits as `trail.key.next` until the trail says that it is the next; the old public key stays as `trail-ID.pub`.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)

from monitor.adapters.lockfile import KeyDamaged, StateError, read_secret_file, sync_folder
from monitor.core.heads import key_id

PRIVATE, PUBLIC, NEXT = "trail.key", "trail.pub", "trail.key.next"
_LONGEST: Final = 10_000  # bytes of a key file that are looked at


class TrailKey:
    """A private key; `public` are the 32 bytes of its public one."""

    def __init__(self, private: Ed25519PrivateKey) -> None:
        self._private = private
        self.public = private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
        self.id = key_id(self.public)

    def sign(self, data: bytes) -> bytes:
        """The signature, always the same for the same bytes (RFC 8032 §5.1.6)."""
        return self._private.sign(data)


def verified(public: bytes, signature: bytes, data: bytes) -> bool:
    """Whether this is the signature of that key over these bytes."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, data)
    except (InvalidSignature, ValueError):
        return False
    return True


def trail_key(folder: Path) -> TrailKey:
    """The key of this folder, made at the first call; raises a StateError by name."""
    path = folder / PRIVATE
    if not path.exists():
        _write(path, _private_pem(Ed25519PrivateKey.generate()))
    key = _read(path)
    public = folder / PUBLIC
    wanted = public_pem(key.public)
    try:
        if not public.exists() or public.read_bytes() != wanted:
            _write(public, wanted, 0o644)
    except OSError as error:
        raise StateError(f"{public}: {error.strerror}") from error
    return key


def next_key(folder: Path) -> TrailKey:
    """A new key beside the present one, which `take_next` puts in its place once the trail has said so."""
    path = folder / NEXT
    path.unlink(missing_ok=True)
    _write(path, _private_pem(Ed25519PrivateKey.generate()))
    return _read(path)


def take_next(folder: Path, last: str | None) -> None:
    """Finish a change of keys, or undo one that the trail never heard of; `last` is the key that it named last."""
    path = folder / NEXT
    if not path.exists():
        return
    if last is None or _read(path).id != last:
        path.unlink()
        return
    if (folder / PRIVATE).exists():
        old = _read(folder / PRIVATE)
        _write(folder / f"trail-{old.id}.pub", public_pem(old.public), 0o644)
    path.replace(folder / PRIVATE)
    sync_folder(folder)
    trail_key(folder)


def public_pem(public: bytes) -> bytes:
    """A public key as a file, that other programs read too."""
    return Ed25519PublicKey.from_public_bytes(public).public_bytes(
        Encoding.PEM, PublicFormat.SubjectPublicKeyInfo
    )


def read_public(path: Path) -> bytes:
    """The 32 bytes of a public key's file; OSError, or ValueError if it is not one."""
    try:
        with path.open("rb") as file:
            key = load_pem_public_key(file.read(_LONGEST))
    except (ValueError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PublicKey):
        raise ValueError(f"{path}: not a public key for heads of a trail (Ed25519, PEM), such as {PUBLIC}")
    return key.public_bytes(Encoding.Raw, PublicFormat.Raw)


def _private_pem(key: Ed25519PrivateKey) -> bytes:
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def _read(path: Path) -> TrailKey:
    text = read_secret_file(path, _LONGEST)
    try:
        key = load_pem_private_key(text, None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        raise KeyDamaged(
            f"{path}: it holds no Ed25519 key; put it back from a copy, or move it away for a new one"
        )
    return TrailKey(key)


def _write(path: Path, text: bytes, mode: int = 0o600) -> None:
    """Write a file beside its place and move it there: it appears once, whole."""
    draft = path.with_name(f"{path.name}.draft")
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        draft.unlink(missing_ok=True)
        file = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode)
        with open(file, "wb") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        draft.replace(path)
        sync_folder(path.parent)
    except OSError as error:
        raise StateError(f"{path}: {error.strerror}") from error
