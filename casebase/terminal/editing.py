"""Editing a record in the person's own editor: the text lies in a file until the library has confirmed what it says."""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import click

from casebase.errors import CasebaseError, InputError, RecordError
from casebase.files import release_lock, take_lock, text_of, write_at_once
from casebase.library.authorship import Authorship, Made
from casebase.library.derived import StoredRecord
from casebase.library.history import history
from casebase.library.library_file import RevisedMeanwhileError
from casebase.library.store import Library, Logged
from casebase.record.case import Case
from casebase.record.edits import differences, without_review
from casebase.record.loading import load_text
from casebase.record.yaml_form import record_yaml
from casebase.terminal.page import Page

_MARK: Final = "#! "
"""How a line begins that casebase put there, and takes out again."""

_HEAD: Final = (
    "Change what is wrong, save, and leave the editor. Nothing is kept while anything does not fit.",
    "Emptied, the file changes nothing. Lines like this one are taken out again.",
)
_REVISION: Final = re.compile(r"^revision: *([0-9]{1,9}) *$", re.MULTILINE)


def text_to_edit(case: Case, case_id: str, revision: int) -> str:
    """Return a record as text to edit; what the shop lead said of it is left out."""
    return _lines(_HEAD) + record_yaml(without_review(case), case_id, revision)


def with_problems(text: str, error: CasebaseError) -> str:
    """Return a text with what is wrong with it as comments: above the line where that is known, else at the top."""
    lines = without_marks(text).split("\n")
    problems = error.problems if isinstance(error, RecordError) else []
    placed = [problem for problem in problems if problem.line and problem.line <= len(lines)]
    told = [problem.sentence() for problem in problems if problem not in placed]
    if not problems:
        told = str(error).splitlines()
    for problem in sorted(placed, key=lambda one: -(one.line or 0)):
        place = (problem.line or 1) - 1
        indent = lines[place][: len(lines[place]) - len(lines[place].lstrip(" "))]
        lines.insert(place, f"{indent}{_MARK}{problem.sentence().partition(', ')[2]}")
    head = _lines(["Nothing was kept yet. What is wrong stands here, or above its line:", *told])
    return head + "\n".join(lines)


def with_remarks(text: str, remarks: Iterable[str], revision: int) -> str:
    """Return a text with remarks above it, based on a later revision than it was."""
    based = _REVISION.sub(f"revision: {revision}", without_marks(text), count=1)
    return _lines(remarks) + based


def without_marks(text: str) -> str:
    """Return a text without the lines that casebase put there."""
    return "\n".join(line for line in text.split("\n") if not line.lstrip(" ").startswith(_MARK))


def based_on(text: str) -> int | None:
    """Return the revision that a text was made from; None where it does not say."""
    found = _REVISION.search(text)
    return int(found[1]) if found else None


def _lines(told: Iterable[str]) -> str:
    return "".join(f"{_MARK}{line}\n" for line in told)


SUFFIX: Final = ".edit.yaml"
_EASY_EDITORS: Final = ("sensible-editor", "nano")
"""Taken where no VISUAL or EDITOR names another: the choice of the system, then one that tells its keys."""


def edit_in_editor(library: Library, kept: StoredRecord, folder: Path, by: str, page: Page) -> Logged | None:
    """Let somebody edit a record, and keep what comes of it; None where nothing changed.

    The text lies in `folder`. It stays there, its problems as comments, where it does not fit or the editor cannot be
    started (`InputError`), or where somebody else revised the record meanwhile (`LibraryError`); edited again, one goes
    on with it.
    """
    path = folder / f"{kept.case_id}{SUFFIX}"
    with _held_alone(path):
        if path.exists():
            page.line(f"Going on with the text left in {path}")
        else:
            _write(path, text_to_edit(kept.case, kept.case_id, kept.revision))
        while True:
            _open_editor(path)
            try:
                logged = _kept(library, kept, _text_of(path), path, by, page)
            except RevisedMeanwhileError:
                raise InputError(_told_of_others(library, kept, path)) from None
            except CasebaseError as error:
                _write(path, with_problems(_text_of(path), error))
                if not _is_mended_now(error):
                    raise InputError(
                        f"{error}\nnothing was kept; the text stays in {path}: casebase edit {kept.case_id} goes on"
                    ) from None
                continue
            path.unlink(missing_ok=True)
            return logged


def keep_edited(
    library: Library, kept: StoredRecord, case: Case, by: str, made: Made = Made.EDITED
) -> Logged:
    """Keep a record that was edited as the next revision, unread by the shop lead.

    Raises `InputError` where it names bytes of an attached file that the library does not hold.
    """
    files = library.files
    for place, attachment in enumerate(case.attachments):
        if attachment.sha256 is not None and files.bytes_of(attachment.sha256) is None:
            raise InputError(
                f"attachments[{place}].sha256: no such file is kept: leave it out, then casebase attach {kept.case_id}"
            )
    named = without_review(case).model_copy(update={"id": kept.case_id, "revision": kept.revision})
    return library.log([named], Authorship(made, by))[0]


def _kept(  # noqa: PLR0913, PLR0917  what is kept where, and who is told
    library: Library, kept: StoredRecord, text: str, path: Path, by: str, page: Page
) -> Logged | None:
    plain = without_marks(text)
    if not plain.strip():
        page.line("The file was emptied: nothing changed.")
        return None
    cases = load_text(plain, path.name)
    if len(cases) != 1:
        raise InputError(f"{len(cases)} records: expected the one that is edited")
    if without_review(cases[0]) != cases[0]:
        raise InputError("review: said with casebase review, not here: leave it out")
    base = library.get_there(kept.case_id) if based_on(text) is None else kept
    if not differences(base.case, cases[0]):
        page.line("Nothing changed.")
        return None
    made_from = based_on(text) or base.revision
    return keep_edited(library, StoredRecord(kept.case_id, made_from, "", kept.case), cases[0], by)


def _told_of_others(library: Library, kept: StoredRecord, path: Path) -> str:
    """Note in the text what others changed meanwhile, base it on the current revision, and return the sentence."""
    text = _text_of(path)
    base = based_on(text) or kept.revision
    others = [event for event in history(library, kept.case_id) if event.revision > base]
    lines = [
        line
        for event in others
        for line in (event.words(), *(f"  {one.words()}" for one in event.differences))
    ]
    remarks = [
        "Changed by somebody else meanwhile; put in what of it is right, for this text takes its place:",
        *lines,
    ]
    _write(path, with_remarks(text, remarks, max(event.revision for event in others)))
    told = "\n".join(lines)
    return (
        f"case {kept.case_id}: somebody else changed it meanwhile:\n{told}\nnothing was kept; your text stays in"
        f" {path}: casebase edit {kept.case_id} goes on with it, with this above it"
    )


@contextmanager
def _held_alone(path: Path) -> Iterator[None]:
    """Hold the text, so that no other window of the same person writes into it."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = take_lock(path.with_name(f"{path.name}.lock"))
    except OSError as error:
        raise InputError(f"the folder of {path} cannot be written to ({error.strerror})") from None
    if lock is None:
        raise InputError(f"{path}: this record is being edited in another window: go on there")
    try:
        yield
    finally:
        release_lock(lock)


def _open_editor(path: Path) -> None:
    named = os.environ.get("VISUAL") or os.environ.get("EDITOR")
    easy = next((editor for editor in _EASY_EDITORS if shutil.which(editor)), None)
    try:
        click.edit(filename=str(path), editor=None if named or sys.platform == "win32" else easy)
    except click.ClickException as error:
        raise InputError(
            f"{error.format_message()}: name an editor in the variable EDITOR; the text stays in {path}"
        ) from None


def _is_mended_now(error: CasebaseError) -> bool:
    """Ask whether to go back to the editor; nobody can answer where nobody types."""
    if not sys.stdin.isatty():
        return False
    click.echo(f"Error: {error}", err=True)
    return click.confirm("Back to the editor? What is wrong stands there as comments", default=True)


def _text_of(path: Path) -> str:
    try:
        return text_of(path.read_bytes())
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: not UTF-8 or UTF-16 text (byte {error.start}): save it as UTF-8") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}): edit the record again") from None


def _write(path: Path, text: str) -> None:
    try:
        write_at_once(path, text.encode())
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror}): make room on the disk") from None
