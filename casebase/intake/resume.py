"""Taking up an interview that was left: which drafts there are, and the interview that one of them holds."""

from __future__ import annotations

import json
from datetime import date, datetime
from pathlib import Path

from casebase.errors import InputError
from casebase.intake.draft import Draft
from casebase.intake.interview import STATE_FORMAT, Interview, state_line


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
