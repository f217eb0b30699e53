"""The file of results: it grows, goes on, is never counted twice, and belongs to one study."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from monitor.core.problems import ProblemsFound
from monitor.study.results import NAME, Header, InUse, Results, program
from tests.study.made_up import night

HEADER = Header(
    version="1.0", program="p", worlds={"ward": "w"}, strategies={"nobody told": "n", "Second Bell as shipped": "s"},
    settings={},
)  # fmt: skip


def filled(folder: Path, *seeds: int) -> bytes:
    """A study of these nights; the file's bytes."""
    with Results(folder, HEADER) as results:
        for seed in seeds:
            assert results.add(night(seed))
    return (folder / NAME).read_bytes()


def seeds_in(folder: Path) -> list[int]:
    """The nights that are there."""
    with Results(folder, HEADER) as results:
        return [seed for _, _, seed in results.nights]


def test_what_was_written_is_there_again(tmp_path: Path) -> None:
    """Each record as it was; the header first."""
    text = filled(tmp_path / "deep" / "study", 1, 2, 3)
    assert Header.model_validate_json(text.split(b"\n")[0]) == HEADER
    with Results(tmp_path / "deep" / "study", HEADER) as results:
        assert list(results.nights.values()) == [night(1), night(2), night(3)]
        assert results.said == []


@pytest.mark.parametrize("cut", range(1, 60, 7))
def test_a_torn_last_line_is_cut_off_and_said(tmp_path: Path, cut: int) -> None:
    """Wherever it was torn; what comes next stands on a line of its own."""
    whole = filled(tmp_path, 1, 2)
    (tmp_path / NAME).write_bytes(whole[:-cut])
    with Results(tmp_path, HEADER) as results:
        assert [seed for _, _, seed in results.nights] == [1]
        [said] = results.said
        assert "its last line was torn" in said
        results.add(night(2))
    assert (tmp_path / NAME).read_bytes() == whole


@pytest.mark.parametrize("left", [0, 1, 40])
def test_a_torn_header_is_a_study_that_has_not_begun(tmp_path: Path, left: int) -> None:
    """Killed before its first line was whole."""
    whole = filled(tmp_path)
    (tmp_path / NAME).write_bytes(whole[:left])
    assert seeds_in(tmp_path) == []
    assert (tmp_path / NAME).read_bytes() == whole


def test_a_last_line_of_nothing_is_cut_off_too(tmp_path: Path) -> None:
    """As a power cut may leave it: the length is there, the text is not."""
    whole = filled(tmp_path, 1)
    (tmp_path / NAME).write_bytes(whole + b"\0" * 80 + b"\n")
    with Results(tmp_path, HEADER) as results:
        assert "could not be read" in results.said[0]
    assert (tmp_path / NAME).read_bytes() == whole


def test_a_damaged_line_in_the_middle_is_not_passed_over(tmp_path: Path) -> None:
    """File, line, and how to begin anew; nothing is changed."""
    lines = filled(tmp_path, 1, 2, 3).split(b"\n")
    lines[2] = lines[2][:50]
    (tmp_path / NAME).write_bytes(b"\n".join(lines))
    with pytest.raises(ProblemsFound) as caught:
        Results(tmp_path, HEADER)
    assert str(caught.value) == (
        f"{tmp_path / NAME}: line 3: a night; the file is damaged. To begin anew name another folder with --out, or "
        "remove this file"
    )
    assert (tmp_path / NAME).read_bytes() == b"\n".join(lines)


def test_no_night_is_counted_twice(tmp_path: Path) -> None:
    """Neither added again, nor if two lines of it are in the file: the first stands."""
    whole = filled(tmp_path, 1, 2)
    with Results(tmp_path, HEADER) as results:
        assert not results.add(night(2, calls=99))
        assert results.nights["ward", "Second Bell as shipped", 2].calls == 6
    assert (tmp_path / NAME).read_bytes() == whole
    (tmp_path / NAME).write_bytes(whole + night(1, calls=99).line().encode() + b"\n")
    with Results(tmp_path, HEADER) as results:
        assert len(results.nights) == 2
        assert results.nights["ward", "Second Bell as shipped", 1].calls == 6


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"version": "2.0"}, "version = 2.0: begun with Second Bell 1.0"),
        ({"program": "q"}, "program = q: begun with other source files (p)"),
        ({"worlds": {"ward": "x"}}, "worlds.ward = x: begun with another (w)"),
        ({"worlds": {"ward": "w", "homes": "h"}}, "worlds.homes = h: begun without it"),
        (
            {"strategies": {"nobody told": "n"}},
            "strategies.Second Bell as shipped = not there: begun with it (s)",
        ),
        ({"settings": {"set 1": "people.never=0.5"}}, "settings.set 1 = people.never=0.5: begun without it"),
    ],
)
def test_another_study_is_refused_by_what_differs(
    tmp_path: Path, change: dict[str, object], said: str
) -> None:
    """Named, with what to do; the file is left as it is."""
    whole = filled(tmp_path, 1)
    with pytest.raises(ProblemsFound) as caught:
        Results(tmp_path, HEADER.model_copy(update=change))
    assert f"{tmp_path / NAME}: {said}. To begin anew name another folder with --out" in str(caught.value)
    assert (tmp_path / NAME).read_bytes() == whole


@pytest.mark.parametrize(("line", "said"), [(b'{"study": 2}', "format 2"), (b"a,b,c", "line 1")])
def test_what_is_no_study_is_refused(tmp_path: Path, line: bytes, said: str) -> None:
    """A later format, or a file of something else."""
    (tmp_path / NAME).write_bytes(line + b"\n")
    with pytest.raises(ProblemsFound, match=said):
        Results(tmp_path, HEADER)


def test_one_study_at_a_time(tmp_path: Path) -> None:
    """Another process that has the file keeps us out, until it ends in whatever way."""
    filled(tmp_path, 1)
    holds = (
        "import fcntl, sys; f = open(sys.argv[1], 'rb'); fcntl.flock(f, fcntl.LOCK_EX); print('held', flush=True); "
        "sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", holds, str(tmp_path / NAME)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        with pytest.raises(InUse, match="another study is writing it"):
            Results(tmp_path, HEADER)
        other.kill()
    assert seeds_in(tmp_path) == [1]


def test_the_program_is_known_by_its_source() -> None:
    """The same twice; what only shows is no part of it, the engine and the simulator are."""
    assert program() == program()
    assert len(program()) == 16
