"""Mends the cases of a library without a pause, and prints what was done once the library has confirmed it.

`python mend_one_by_one.py LIBRARY DOING SEED`, DOING one of edit, undo, remove, review. A line for each thing done: the
case, its revision, in which way that was made or what was said of it.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Callable
from itertools import count
from pathlib import Path
from typing import Final

from casebase.library.authorship import Made
from casebase.library.mending import bring_back, remove, take_back
from casebase.library.reviews import Said, say
from casebase.library.store import Library
from casebase.publish.masking import mask
from casebase.publish.private_kinds import Found
from casebase.publish.private_text import Hit
from casebase.terminal.editing import keep_edited

BY: Final = "tova"


def edit(library: Library, case_id: str, number: int) -> tuple[int, str]:
    """Edit a case."""
    kept = library.get(case_id)
    case = kept.case.model_copy(update={"note": f"note {number} of {random.random()}"})
    return keep_edited(library, kept, case, BY).revision, str(Made.EDITED)


def undo(library: Library, case_id: str, number: int) -> tuple[int, str]:
    """Edit a case, and take that back."""
    edit(library, case_id, number)
    return take_back(library, case_id, BY).revision, str(Made.TAKEN_BACK)


def put_away(library: Library, case_id: str, number: int) -> tuple[int, str]:
    """Remove a case, or bring it back."""
    if case_id in {row["id"] for row in library.summaries()}:
        return remove(library, case_id, BY, f"number {number}").revision, str(Made.REMOVED)
    return bring_back(library, case_id, BY).revision, str(Made.BROUGHT_BACK)


def review(library: Library, case_id: str, number: int) -> tuple[int, str]:
    """Say a word on a case, or mask a text of it."""
    if number % 3 == 0:
        kept, text = library.get(case_id), f"[name] {random.random()}"
        hit = Hit(case_id, "leftover", "a name", "x", 0, 1, (Found("a name", 0, 1, text),))
        return mask(library, kept, [hit], BY).revision, str(Made.MASKED)
    said = Said.INSIDE if number % 3 == 1 else Said.RETURNED
    say(library, case_id, said, BY, f"number {number}")
    return library.get(case_id).revision, str(said)


DOINGS: Final[dict[str, Callable[[Library, str, int], tuple[int, str]]]] = {
    "edit": edit,
    "undo": undo,
    "remove": put_away,
    "review": review,
}


def main(path: Path, doing: str, seed: int) -> None:
    """Mend until somebody stops this."""
    chance = random.Random(seed)
    with Library.open(path) as library:
        with library.reading() as db:
            ids = [row[0] for row in db.execute("SELECT DISTINCT case_id FROM records ORDER BY case_id")]
        print("ready", flush=True)
        for number in count():
            case_id = chance.choice(ids)
            revision, what = DOINGS[doing](library, case_id, number)
            print(case_id, revision, what, sep="\t", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
