"""The state directory: one writer, closed to others, one site key."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from monitor.adapters.lockfile import KEY_NAME, KeyDamaged, KeyExposed, Lock, StateError, StateInUse, site_key

HOLD = """
import sys
from pathlib import Path
from monitor.adapters.lockfile import Lock

lock = Lock(Path(sys.argv[1]))
print("held", flush=True)
sys.stdin.read()
"""


def test_only_one_holds_a_folder(tmp_path: Path) -> None:
    """A second one is refused with the holder's process id, and let in after the first has closed."""
    with Lock(tmp_path):
        with pytest.raises(StateInUse, match=f"in use by process {os.getpid()};") as refused:
            Lock(tmp_path)
        assert refused.value.pid == os.getpid()
    again = Lock(tmp_path)
    again.close()
    again.close()
    with Lock(tmp_path):
        pass


def test_a_killed_holder_lets_go(tmp_path: Path) -> None:
    """A process that was killed never blocks the next one, and while it lives its id is told."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(StateInUse) as refused:
            Lock(tmp_path)
        assert refused.value.pid == holder.pid
        holder.send_signal(signal.SIGKILL)
    with Lock(tmp_path) as lock:
        assert lock.path.read_text() == f"{os.getpid()}\n"  # nothing is left of the longer or shorter old one


def test_the_folder_is_for_the_owner_alone(tmp_path: Path) -> None:
    """A new folder and one that stood open before are both closed to others."""
    loose = tmp_path / "loose"
    loose.mkdir(mode=0o755)
    for folder in (loose, tmp_path / "new" / "state"):
        with Lock(folder) as lock:
            assert folder.stat().st_mode & 0o777 == 0o700
            assert lock.path.stat().st_mode & 0o777 == 0o600


def test_what_cannot_be_a_folder_is_named(tmp_path: Path) -> None:
    """A file where the folder should be, or a link where the lock should be, is refused in one line."""
    (tmp_path / "file").touch()
    with pytest.raises(StateError, match=r"file/lock: "):
        Lock(tmp_path / "file")
    (tmp_path / "lock").symlink_to(tmp_path / "file")
    with pytest.raises(StateError, match=r"lock: "):
        Lock(tmp_path)
    with pytest.raises(StateError, match=r"file/site.key: "):
        site_key(tmp_path / "file")


def test_the_site_key_is_made_once(tmp_path: Path) -> None:
    """32 bytes for the owner alone, the same at every call, another in another folder, nothing beside."""
    key = site_key(tmp_path / "a")
    assert len(key) == 32
    assert site_key(tmp_path / "a") == key
    assert site_key(tmp_path / "b") != key
    assert (tmp_path / "a" / KEY_NAME).stat().st_mode & 0o777 == 0o600
    assert [path.name for path in (tmp_path / "a").iterdir()] == [KEY_NAME]


def test_many_at_once_make_one_key(tmp_path: Path) -> None:
    """Whoever comes first, all get the same key."""
    for round_ in range(10):
        with ThreadPoolExecutor(8) as threads:
            keys = set(threads.map(site_key, [tmp_path / str(round_)] * 8))
        assert len(keys) == 1
        assert [path.name for path in (tmp_path / str(round_)).iterdir()] == [KEY_NAME]


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o660])
def test_an_exposed_key_is_refused(tmp_path: Path, mode: int) -> None:
    """A key that others may read or replace is refused, with what to do."""
    site_key(tmp_path)
    (tmp_path / KEY_NAME).chmod(mode)
    with pytest.raises(KeyExposed, match=rf"site\.key: .*mode {mode:04o}.*chmod 0600"):
        site_key(tmp_path)


@pytest.mark.parametrize("length", [0, 31, 33])
def test_a_damaged_key_is_refused(tmp_path: Path, length: int) -> None:
    """A key of another length is refused: every code and link made with it would change."""
    site_key(tmp_path)
    (tmp_path / KEY_NAME).write_bytes(b"k" * length)
    with pytest.raises(KeyDamaged, match=r"site\.key: it should hold 32 bytes"):
        site_key(tmp_path)
