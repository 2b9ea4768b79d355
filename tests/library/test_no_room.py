"""No room for what is to be written: one clear sentence, exit code 2, everything as it was.

The operating system is told that no file may grow beyond some bytes (setrlimit, RLIMIT_FSIZE: POSIX), so that writing
fails at another place for each limit. A disk that is full answers in the same places.
"""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import pytest

from casebase.match.index.files import writing_alone

resource = pytest.importorskip("resource", reason="limits of a process are a thing of POSIX")

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

from shop_in_use import DOINGS, copied_shop, do, faults_after, make_shop, state_of  # noqa: E402

LIMITS = (0, 100_000, 650_000, 900_000, 1_500_000)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small shop's folder."""
    folder = tmp_path_factory.mktemp("shop")
    make_shop(folder)
    return folder


@pytest.mark.slow
@pytest.mark.parametrize("doing", DOINGS)
def test_where_there_is_no_room_nothing_changes_and_the_command_says_so(
    shop: Path, tmp_path: Path, doing: str
) -> None:
    """Refused at the smaller limits, done at the larger ones, and nothing between."""
    outcomes = []
    do_once_with_room(shop, tmp_path, doing)
    for limit in LIMITS:
        copied_shop(shop, tmp_path)
        before = state_of(tmp_path)
        done = do(
            tmp_path, doing, lambda limit=limit: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        )
        assert faults_after(tmp_path, before, done) == [], f"at most {limit} bytes"
        outcomes.append(done.returncode)
    assert outcomes[0] == 2
    assert sorted(outcomes, reverse=True) == outcomes


def do_once_with_room(shop: Path, folder: Path, doing: str) -> None:
    """Do it without a limit first: buses are simulated once on a machine, and it must be possible at all."""
    copied_shop(shop, folder)
    before = state_of(folder)
    done = do(folder, doing)
    assert (done.returncode, faults_after(folder, before, done)) == (0, []), done.stderr


def test_a_lock_that_finds_no_room_is_not_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The index is not kept then, the answer comes all the same, and the next one may write."""
    opened = os.open

    def full(path: str, flags: int, *rest: object, **named: object) -> int:
        if flags & os.O_CREAT:
            raise OSError(errno.ENOSPC, "No space left on device")
        return opened(path, flags, *rest, **named)

    with monkeypatch.context() as patched:
        patched.setattr(os, "open", full)
        with writing_alone(tmp_path) as alone:
            assert not alone
    assert list(tmp_path.iterdir()) == []
    with writing_alone(tmp_path) as alone:
        assert alone


def test_the_lock_of_a_machine_that_stopped_is_free(tmp_path: Path) -> None:
    """Its file is still there, whatever stands in it, and no process holds it."""
    for content in ("", "4711"):
        (tmp_path / "being-written").write_text(content)
        with writing_alone(tmp_path) as alone:
            assert alone
        assert list(tmp_path.iterdir()) == []
