"""What of public text nobody is known to have judged, and the lead's word on it.

A word that no list knows is accepted for the whole library, a handle or a name of a shop for its field alone. What may
be somebody's name, address or number is accepted where it stands, and nowhere else.
"""

from __future__ import annotations

import hashlib
import re
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from casebase.library.derived import StoredRecord
from casebase.library.layouts import StoredLayout
from casebase.library.privacy import EVERYWHERE, accept_words, accepted_words, cleared, mark_of, names
from casebase.library.store import Library
from casebase.publish.harmless_words import words_that_are_names
from casebase.publish.private_kinds import Found, found_in
from casebase.publish.private_text import (
    REGIONS,
    WHERE_UNKNOWN,
    Hit,
    texts_of,
    texts_of_attachments,
)
from casebase.publish.public_fields import Contents, public_case
from casebase.publish.public_layouts import public_layout
from casebase.publish.unknown_words import ADDRESS, E_MAIL, FIGURES, UNKNOWN, unknown_in, words_of
from casebase.record.json_form import plain_data

MOST_TOLD: Final = 20

_HELD_BY_THE_FORMAT: Final = re.compile(
    r"codes\[\d+\]\.code|provenance\.(?:opened|ended)|modules\[\d+\]\.identifiers.*"
)
"""Fields that the format reads by a grammar of their own."""
_NAME_FIELDS: Final = re.compile(
    r"vehicle\.\w+|provenance\.\w+|networks\.(?:name|gateway)|modules\.(?:name|network)"
)
_FIELD_ALONE: Final = re.compile(r"provenance\.\w+")
_LINE: Final = re.compile(r"(attachments\[\d+\] .+) line \d+")
_ROW: Final = re.compile(r"(?=.*[0-9])[\s0-9.,;:|+\-eE\"'xXA-Fa-f()#/]+")
MOST_OF_A_FILE: Final = 200
"""Different marks in one attached file; more are told together (judged)."""


@dataclass(frozen=True)
class Judged:
    """What was judged in a library: words by their scope, and texts that were cleared whole."""

    words: Mapping[str, frozenset[str]]
    cleared: Collection[str] = frozenset()

    def of(self, case_id: str, field: str, text: str) -> frozenset[str] | None:
        """Return the words accepted in a text; None where all of it was cleared."""
        mark = mark_of(case_id, field, text)
        if mark in self.cleared:
            return None
        none = frozenset[str]()
        return self.words.get(EVERYWHERE, none).union(
            self.words.get(_family(field), none), self.words.get(mark, none)
        )


def judged(library: Library) -> Judged:
    """Return what was judged in a library."""
    return Judged(accepted_words(library), cleared(library))


def unjudged_of(
    library: Library, records: Iterable[StoredRecord], layouts: Iterable[StoredLayout] = ()
) -> list[Hit]:
    """Return what nobody judged yet in the public text of records of a library, their files, and layouts."""
    told, private_names = judged(library), names(library)
    found = unjudged_in(records, told, private_names, library.files.read)
    for one in layouts:
        look = _Look(one.layout_id, told, private_names, WHERE_UNKNOWN)
        for field, text in texts_of(plain_data(public_layout(one.layout))):
            found += look.at(field, text)
    return found


def unjudged_in(
    records: Iterable[StoredRecord],
    told: Judged,
    private_names: Sequence[str] = (),
    contents: Contents | None = None,
) -> list[Hit]:
    """Return what nobody judged yet in the public text of records; what looks private by its pattern is left out."""
    found = list[Hit]()
    for kept in records:
        regions = REGIONS.get(kept.case.vehicle.market, WHERE_UNKNOWN)
        look = _Look(kept.case_id, told, private_names, regions)
        data = plain_data(public_case(kept.case))
        data.pop("attachments", None)
        for field, text in texts_of(data):
            if not _HELD_BY_THE_FORMAT.fullmatch(field):
                found += look.at(field, text)
        found += _in_files(texts_of_attachments(kept.case, contents), look)
    return found


@dataclass(frozen=True)
class _Look:
    """Looks at the texts of one case."""

    case_id: str
    told: Judged
    names: Sequence[str]
    regions: Sequence[str]

    def at(self, field: str, text: str) -> list[Hit]:
        """Return what nobody judged yet in a text."""
        accepted = self.told.of(self.case_id, field, text)
        new = [] if accepted is None else unknown_in(text, accepted)
        private = found_in(text, self.names, self.regions) if new else []
        return [
            Hit(self.case_id, field, one.kind, text, one.begin, one.end, (one,))
            for one in _apart_from(private, new)
        ]

    def whole(self, field: str, kind: str, text: str) -> list[Hit]:
        """Return a text as one mark, nothing where it was accepted."""
        accepted = self.told.of(self.case_id, field, text)
        return (
            []
            if accepted is None or text in accepted
            else [Hit(self.case_id, field, kind, text, 0, len(text), (Found(kind, 0, len(text), ""),))]
        )


def _apart_from(private: Sequence[Found], new: Iterable[Found]) -> Iterator[Found]:
    """Yield the stretches that touch nothing private; both go from left to right, and nothing private overlaps."""
    ends = [one.end for one in private]
    for one in new:
        place = bisect_right(ends, one.begin)
        if place == len(ends) or private[place].begin >= one.end:
            yield one


def _in_files(texts: Iterable[tuple[str, str]], look: _Look) -> Iterator[Hit]:
    """Yield what nobody judged in attachments; rows of figures are told together, and so are very many marks."""
    rows, marks = defaultdict[str, list[str]](list), defaultdict[str, dict[str, Hit]](dict)
    for field, text in texts:
        line = _LINE.fullmatch(field)
        if line and _ROW.fullmatch(text):
            rows[line[1]].append(text)
        elif line and len(marks[line[1]]) > MOST_OF_A_FILE:
            marks[line[1]][text] = Hit(look.case_id, field, UNKNOWN, text, 0, 0, ())
        else:
            found = look.at(field, text)
            marks[line[1] if line else field].update({hit.text[hit.begin : hit.end]: hit for hit in found})
    for file, lines in rows.items():
        told = f"{len(lines)} rows of figures ({_digest(lines)}), the first: {lines[0][:60]}"
        yield from look.whole(file, FIGURES, told)
    for file, of_file in marks.items():
        if len(of_file) > MOST_OF_A_FILE:
            told = f"more than {MOST_OF_A_FILE} words that no list knows ({_digest(of_file)}): read the whole file"
            yield from look.whole(file, UNKNOWN, told)
        else:
            yield from of_file.values()


def _digest(lines: Iterable[str]) -> str:
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:12]


def _family(field: str) -> str:
    return re.sub(r"\[\d+\]", "", field)


def accept(library: Library, hits: Iterable[Hit], by: str) -> None:
    """Take what was shown as harmless, and keep who did."""
    accept_words(library, {form for hit in hits for form in _forms(hit)}, by)


def _forms(hit: Hit) -> list[tuple[str, str]]:
    """Return what is accepted by accepting a mark, each with its scope."""
    written = hit.text[hit.begin : hit.end]
    words, family = words_of(written), _family(hit.field)
    if _FIELD_ALONE.fullmatch(family):
        return [(word, family) for word in [*words, written]]
    lasting = hit.kind not in (ADDRESS, E_MAIL) and not any(
        map(str.isspace, written) if _has_digit(written) else ()
    )
    if lasting and not any(word.casefold() in words_that_are_names() for word in words):
        return [(word, EVERYWHERE) for word in words]
    if _NAME_FIELDS.fullmatch(family):
        return [(word, family) for word in [*words, written]]
    return [(written, mark_of(hit.case_id, hit.field, hit.text))]


def _has_digit(text: str) -> bool:
    return any(map(str.isdigit, text))


def once_each(hits: Iterable[Hit]) -> list[Hit]:
    """Return the first of all marks that one word of the lead accepts together."""
    return list({tuple(_forms(hit)): hit for hit in reversed(list(hits))}.values())[::-1]


def digest_of(hits: Sequence[Hit]) -> str:
    """Return eight digits that stand for a list of marks: whoever gives them has been shown the list."""
    told = "\n".join(f"{hit.case_id} {hit.field} {hit.begin} {hit.text}" for hit in hits)
    return hashlib.sha256(told.encode()).hexdigest()[:8]


def in_its_sentence(hit: Hit, around: int = 40) -> str:
    """Return a mark within the words around it, between brackets of its own."""
    before = hit.text[max(0, hit.begin - around) : hit.begin]
    after = hit.text[hit.end : hit.end + around]
    return f"{before}>{hit.text[hit.begin : hit.end]}<{after}"


def what_is_unjudged(found: Sequence[Hit], so: str) -> str:
    """Return the sentences about marks that stop something; `so` says what was not done."""
    found = once_each(found)
    lines = [
        f"case {hit.case_id}, {hit.field}: {hit.kind}: {in_its_sentence(hit)!r}" for hit in found[:MOST_TOLD]
    ]
    more = [f"and {len(found) - MOST_TOLD} more"] if len(found) > MOST_TOLD else []
    return "\n".join(
        [
            *lines,
            *more,
            f"{so}: nobody said yet that these words may leave the shop: casebase words goes through them, one key"
            " for each",
        ]
    )
