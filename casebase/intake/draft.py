"""The draft of one interview: a small file that is on the disk after every answer, whatever happens next.

Each interview has a draft of its own, held by a lock while it is written to. A draft that cannot be read is set
aside, never deleted.

Taking up an interview that was left: which drafts there are, and the interview that one of them holds.
"""

from __future__ import annotations

import json
import os
import secrets
import tempfile
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path
from typing import IO, Any, Final

from casebase.errors import InputError
from casebase.intake.interview import STATE_FORMAT, Interview, state_line

SUFFIX: Final = ".draft.json"
_LOCK_SUFFIX: Final = ".lock"


class Draft:
    """The draft at `path`. The first `load` or `save` takes hold of it, until `release` or `remove`.

    All methods raise `InputError`: another window holds the draft, or the disk refuses.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock: IO[bytes] | None = None

    def save(self, state: dict[str, Any]) -> None:
        """Write `state` so that either the old or the new draft is there after a loss of power, never half of one."""
        self._hold()
        text = json.dumps(state, indent=1)
        try:
            _replace_durably(self.path, text.encode())
        except OSError as error:
            raise InputError(
                f"the draft {self.path} cannot be saved ({error.strerror}): make room on the disk"
            ) from None

    def load(self) -> dict[str, Any]:
        """Return the state saved last. A damaged draft is renamed to end in `.damaged` and reported."""
        self._hold()
        try:
            state = json.loads(self.path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            raise InputError(f"the draft {self.path} is not there any more: begin anew") from None
        except OSError as error:
            raise InputError(
                f"the draft {self.path} cannot be read ({error.strerror}): check its rights"
            ) from None
        except (ValueError, RecursionError):
            raise InputError(self.set_aside()) from None
        if not isinstance(state, dict):
            raise InputError(self.set_aside())
        return state

    def set_aside(self) -> str:
        """Rename the draft so that it is kept but not offered again; return the sentence that says so."""
        target = self.path.with_name(f"{self.path.name}.damaged")
        number = 1
        while target.exists():
            number += 1
            target = self.path.with_name(f"{self.path.name}.{number}.damaged")
        try:
            os.replace(self.path, target)
        except OSError as error:
            return f"the draft {self.path} is damaged and cannot be renamed ({error.strerror}): look at it by hand"
        self.release()
        return f"the draft {self.path} is damaged: it was set aside as {target.name}; begin anew"

    def remove(self) -> None:
        """Remove the draft; to be called once the record is stored."""
        self._hold()
        self.path.unlink(missing_ok=True)
        self.release()

    def release(self) -> None:
        """Let go of the draft, which stays where it is."""
        if self._lock is not None:
            with suppress(OSError):
                _lock_path(self.path).unlink(missing_ok=True)
            self._lock.close()
            self._lock = None

    def _hold(self) -> None:
        if self._lock is None:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                self._lock = _locked(_lock_path(self.path))
            except OSError as error:
                raise InputError(
                    f"the folder of {self.path} cannot be written to ({error.strerror})"
                ) from None
        if self._lock is None:
            raise InputError(
                f"the draft {self.path} is open in another window: go on there, or begin a new record"
            )


def new_draft(folder: Path) -> Draft:
    """Return a draft in `folder` with a name that no other interview has."""
    return Draft(folder / f"{datetime.now():%Y-%m-%d-%H%M%S}-{secrets.token_hex(3)}{SUFFIX}")


def draft_files(folder: Path) -> list[Path]:
    """Return the drafts in `folder` that nobody is working on, the oldest first."""
    return [path for path in sorted(folder.glob(f"*{SUFFIX}")) if not _is_held(path)]


def _is_held(path: Path) -> bool:
    lock_path = _lock_path(path)
    if not lock_path.exists():
        return False
    try:
        lock = _locked(lock_path)
    except OSError:
        return True
    if lock is not None:
        lock.close()
    return lock is None


def _lock_path(path: Path) -> Path:
    return path.with_name(path.name + _LOCK_SUFFIX)


def _locked(path: Path) -> IO[bytes] | None:
    """Return `path` opened and locked; None where another process has it. The system frees it if we are killed."""
    lock = path.open("ab")
    if _try_lock(lock.fileno()) and _is_still_at(path, lock):
        return lock
    lock.close()
    return None


def _is_still_at(path: Path, lock: IO[bytes]) -> bool:
    """Return whether nobody removed the lock file between our opening and locking it."""
    return path.exists() and path.stat().st_ino == os.fstat(lock.fileno()).st_ino


def _try_lock(descriptor: int) -> bool:
    try:
        import fcntl  # noqa: PLC0415  not on every system
    except ImportError:
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _replace_durably(path: Path, content: bytes) -> None:
    descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
    except BaseException:
        with suppress(OSError):
            os.unlink(name)
        raise
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Make the renaming itself durable, where the system lets a folder be opened."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def resume(path: Path, today: date) -> tuple[Interview, Draft]:
    """Return the interview whose draft is at `path`, and the draft, held.

    Raises `InputError`: the draft is open elsewhere, gone, of another format, or damaged (then it is set aside).
    """
    draft = Draft(path)
    state = draft.load()
    try:
        return Interview.from_state(state, today), draft
    except InputError as error:
        if state.get("format") == STATE_FORMAT:
            raise InputError(draft.set_aside()) from None
        draft.release()
        raise InputError(f"{path}: {error}") from None


def draft_line(path: Path) -> str:
    """Return a draft in one line to choose it by: the vehicle, how far it has come, when it was last saved."""
    try:
        saved = datetime.fromtimestamp(path.stat().st_mtime)
        state = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return f"{path.name}: cannot be read"
    told = state_line(state) if isinstance(state, dict) else "cannot be read"
    return f"{told}, saved {saved:%Y-%m-%d %H:%M}"
