"""Cases whose story means what a text says, by the vectors of their stories alone."""

from __future__ import annotations

from typing import Final

import numpy as np

from casebase.match.facets.symptoms import STORIES_READ_AT_ONCE, story_likeness
from casebase.match.index.collection import Collection, fault_rows, known_good_rows
from casebase.match.prepared import Embeds
from casebase.match.text.shorthand import spelled_out

LIKE_IN_MEANING: Final = 0.3
"""Likeness from which a story is offered to a few words (judged: texts of other things got 0.17 at most)."""


def alike_in_meaning(
    collection: Collection, text: str, embedder: Embeds, most: int
) -> list[tuple[str, float]]:
    """Return (case ID, likeness from `LIKE_IN_MEANING` to 1) of the cases whose story means what `text` says.

    The most alike come first; open jobs are not among them.
    """
    index = collection.index
    if not index.vectors.shape[1] or not text.strip():
        return []
    own = embedder.vectors([spelled_out(text)])[0].astype(np.float32)
    cosines = np.concatenate(
        [
            np.vecdot(index.vectors[begin : begin + STORIES_READ_AT_ONCE], own)
            for begin in range(0, len(index.vectors), STORIES_READ_AT_ONCE)
        ]
    )
    likeness = story_likeness(cosines.astype(np.float64))
    likeness[~(fault_rows(index) | known_good_rows(index))] = 0.0
    rows = np.argsort(-likeness, kind="stable")[:most]
    rows = rows[likeness[rows] >= LIKE_IN_MEANING]
    profiles = collection.profiles(rows.astype(np.intp))
    return [(one.case_id, float(likeness[row])) for one, row in zip(profiles, rows, strict=True)]
