"""The state directory: one writer at a time, for the owner alone, with the site's secret key."""

from __future__ import annotations

import fcntl
import os
import secrets
import stat
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Final

LOCK_NAME: Final = "lock"
KEY_NAME: Final = "site.key"
KEY_BYTES: Final = 32  # as long as the hash of the HMAC it is for (RFC 2104 §3)


class StateError(Exception):
    """The state directory cannot be used; the text is one line and names the file."""


class StateInUse(StateError):
    """Another process writes there; `pid` is 0 if it has not said yet which."""

    def __init__(self, path: Path, pid: int) -> None:
        who = f"process {pid}" if pid else "another process"
        super().__init__(f"{path.parent}: in use by {who}; only one monitor can write there")
        self.pid = pid


class KeyExposed(StateError):
    """Others than the owner may read a key."""


class KeyDamaged(StateError):
    """A key is not one."""


class Lock:
    """Holds a state directory until closed, or until the process ends in whatever way."""

    def __init__(self, folder: Path) -> None:
        """Make `folder` (mode 0700) and take it; StateInUse if another process has it."""
        self.path = folder / LOCK_NAME
        try:
            folder.mkdir(parents=True, exist_ok=True)
            folder.chmod(0o700)
            flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
            self._file = os.open(self.path, flags, 0o600)
        except OSError as error:
            raise StateError(f"{self.path}: {error.strerror}") from error
        try:
            # The kernel lets go of it with the last descriptor, even of a killed process. The file stays:
            # removing it would let two processes lock two files of one name.
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(self._file, 20, 0).strip()
            os.close(self._file)
            raise StateInUse(self.path, int(holder) if holder.isdigit() else 0) from None
        with suppress(OSError):  # on a full disk it is held all the same, and only does not say by whom
            os.ftruncate(self._file, 0)
            os.pwrite(self._file, b"%d\n" % os.getpid(), 0)

    def close(self) -> None:
        """Let the next one in; closing twice is nothing."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def __enter__(self) -> Lock:
        """The lock itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let the next one in."""
        self.close()


def site_key(folder: Path) -> bytes:
    """The 32 secret bytes of this site, made at the first call; KeyExposed or KeyDamaged if no good."""
    path = folder / KEY_NAME
    try:
        if not path.exists():
            _make_key(path)
    except OSError as error:
        raise StateError(f"{path}: {error.strerror}") from error
    key = read_secret_file(path, KEY_BYTES + 1)
    if len(key) != KEY_BYTES:
        raise KeyDamaged(f"{path}: it should hold {KEY_BYTES} bytes")
    return key


def read_secret_file(path: Path, most: int) -> bytes:
    """The first `most` bytes of a file that its owner alone may read; StateError, KeyExposed if others may."""
    try:
        file = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        try:
            mode = os.fstat(file).st_mode
            text = os.read(file, most)
        finally:
            os.close(file)
    except OSError as error:
        raise StateError(f"{path}: {error.strerror}") from error
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise KeyExposed(f"{path}: others may read it (mode {stat.S_IMODE(mode):04o}); chmod 0600 it")
    return text


def sync_folder(folder: Path) -> None:
    """Let the names of its files outlive a power cut; OSError."""
    file = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(file)
    finally:
        os.close(file)


def _make_key(path: Path) -> None:
    """Write the key beside its place and link it there: it appears once, whole, whoever else tries."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    draft = path.with_name(f"{path.name}.{secrets.token_hex(8)}")
    file = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        with open(file, "wb") as out:
            out.write(secrets.token_bytes(KEY_BYTES))
            out.flush()
            os.fsync(out.fileno())
        try:
            os.link(draft, path)
        except FileExistsError:
            return  # somebody was faster, and theirs is as good
    finally:
        draft.unlink()
    sync_folder(path.parent)
