"""The text of a record while somebody edits it: what stands above it, and problems as comments where they belong."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from casebase.errors import CasebaseError, RecordError
from casebase.record.case import Case
from casebase.record.setting import without_review
from casebase.record.yaml_form import record_yaml

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
