"""The draft of one interview: a small file that is on the disk after every answer, and how to go on with one.

Each interview has a draft of its own, held by a lock while it is written to. A draft that cannot be read is set
aside, never deleted.
"""

from __future__ import annotations

import json
import secrets
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from casebase.errors import InputError
from casebase.files import release_lock, replace, take_lock, write_at_once
from casebase.intake.interview import STATE_FORMAT, Interview, state_line
from casebase.intake.question import Known

if TYPE_CHECKING:
    from filelock import BaseFileLock

SUFFIX: Final = ".draft.json"
_LOCK_SUFFIX: Final = ".lock"


class Draft:
    """The draft at `path`. The first `load` or `save` takes hold of it, until `release` or `remove`.

    All methods raise `InputError`: another window holds the draft, or the disk refuses.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock: BaseFileLock | None = None

    def save(self, state: dict[str, Any]) -> None:
        """Write `state` so that either the old or the new draft is there after a loss of power, never half of one."""
        self._hold()
        try:
            write_at_once(self.path, json.dumps(state, indent=1).encode())
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
            replace(self.path, target)
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
            release_lock(self._lock)
            self._lock = None

    def _hold(self) -> None:
        if self._lock is None:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                self._lock = take_lock(_lock_path(self.path))
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
    if not _lock_path(path).exists():
        return False
    with suppress(OSError):
        lock = take_lock(_lock_path(path))
        if lock is not None:
            release_lock(lock)
            return False
    return True


def _lock_path(path: Path) -> Path:
    return path.with_name(path.name + _LOCK_SUFFIX)


def resume(path: Path, today: date, known: Known | None = None) -> tuple[Interview, Draft]:
    """Return the interview whose draft is at `path`, and the draft, held.

    Raises `InputError`: the draft is open elsewhere, gone, of another format, or damaged (then it is set aside).
    """
    draft = Draft(path)
    state = draft.load()
    try:
        return Interview.from_state(state, today, known), draft
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
