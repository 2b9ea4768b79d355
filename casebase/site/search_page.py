"""Full text over the cases, narrowed where asked: the best first, with the words found marked in an excerpt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from casebase.library.search import match_query, words_in
from casebase.publish.edition import Edition
from casebase.record.vocabulary import Kind, Medium, Status
from casebase.record.word import Word
from casebase.site.asked_text import LONGEST_TEXT, Asked, shown
from casebase.site.case_rows import CaseRow, rows_of_ids
from casebase.site.counted import Counted, address
from casebase.site.listed import USEFUL_FIRST, listed, part_of, so_many
from casebase.site.marked_hits import Hit, hits_in
from casebase.site.search_leads import leads_of

NARROWING: Final = ("medium", "make", "model", "platform", "status")

_MOST_WORDS: Final = 8
_MOST_CHOICES: Final = 200
_CONDITIONS: Final = {
    "medium": "id IN (SELECT case_id FROM networks WHERE medium = ?)",
    "make": "make = ? COLLATE NOCASE",
    "model": "model = ? COLLATE NOCASE",
    "platform": "platform = ? COLLATE NOCASE",
    "status": "coalesce(status, kind) = ?",
}


@dataclass(frozen=True)
class Found:
    """A case that was found, and where in it the words stand."""

    row: CaseRow
    hit: Hit | None


@dataclass
class Narrowing:
    """What narrows a search, words made whole; and what could not be used, said in sentences."""

    used: dict[str, str] = field(default_factory=dict)
    not_used: list[str] = field(default_factory=list)


def search_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return what holds every telling word of the question, within what was narrowed to."""
    text, narrowing = asked.text("q") or "", _narrowing(asked)
    is_asked = bool(text or narrowing.used)
    ids = _found_ids(edition, text, narrowing.used) if is_asked else []
    part = part_of(ids, asked)
    hits = hits_in(edition, part.rows, text)
    found = [Found(row, hits.get(row.case_id)) for row in rows_of_ids(edition, part.rows)]
    wide = len(_found_ids(edition, text, {})) if text and narrowing.used and not ids else 0
    return {
        "title": _title(len(ids), text, narrowing.used),
        "crumbs": [("/search", "Search")],
        "q": text,
        "narrowed": narrowing.used,
        "not_used": [*narrowing.not_used, *_cut_words(asked)],
        "is_asked": is_asked,
        "found": listed(part.total, part.before, found, asked),
        "leads": leads_of(edition, text) if text else [],
        "without_narrowing": Counted(f"{so_many(wide, 'record')} in all", wide, address("/search", q=text))
        if wide
        else None,
        "single_words": _single_words(edition, text) if is_asked and not ids else [],
        "job": address("/job", wrong=text or None),
        "choices": _choices(edition),
    }


def _found_ids(edition: Edition, text: str, narrowed: dict[str, str]) -> list[str]:
    within = _ids_within(edition, narrowed) if narrowed or not text else None
    if not text:
        return within or []
    found = edition.found(text)
    if within is None:
        return found
    wanted = set(within)
    return [case_id for case_id in found if case_id in wanted]


def _ids_within(edition: Edition, narrowed: dict[str, str]) -> list[str]:
    where = " AND ".join(_CONDITIONS[name] for name in narrowed) or "1"
    rows = edition.connection.execute(
        f"SELECT id FROM cases WHERE {where} ORDER BY {USEFUL_FIRST}", tuple(narrowed.values())
    )
    return [case_id for (case_id,) in rows]


def _narrowing(asked: Asked) -> Narrowing:
    narrowing = Narrowing()
    words: dict[str, tuple[Sequence[type[Word]], str]] = {
        "medium": ((Medium,), "a kind of network"),
        "status": ((Status, Kind), "how far a case came"),
    }
    for name, text in asked.only(*NARROWING).items():
        if name not in words:
            narrowing.used[name] = text
            continue
        lists, what = words[name]
        word = next((str(found) for found in (_word(one, text) for one in lists) if found), None)
        if word is None:
            narrowing.not_used.append(f"'{shown(text)}' is not {what}: choose one from the list.")
        else:
            narrowing.used[name] = word
    return narrowing


def _word(words: type[Word], text: str) -> Word | None:
    try:
        return words(text)
    except ValueError:
        return None


def _cut_words(asked: Asked) -> list[str]:
    return [f"Only the first {LONGEST_TEXT} characters were looked for."] if asked.was_cut else []


def _title(count: int, text: str, narrowed: dict[str, str]) -> str:
    within = ", ".join(shown(word) for word in narrowed.values())
    if not text and not within:
        return "Search all cases"
    told = f" for {shown(text)}" if text else ""
    told += f" ({within})" if text and within else f": {within}" if within else ""
    return f"{so_many(count, 'record') if count else 'No record'}{told}"


def _single_words(edition: Edition, text: str) -> list[Counted]:
    """Return how many records hold each word alone, where not all of them stand in any one."""
    words = list(dict.fromkeys(words_in(text)))[:_MOST_WORDS]
    if len(words) < 2:
        return []
    counted = [Counted(word, _holding(edition, word), address("/search", q=word)) for word in words]
    return [one for one in counted if one.count]


def _holding(edition: Edition, word: str) -> int:
    found = edition.connection.execute(
        "SELECT count(*) FROM cases_fts WHERE cases_fts MATCH ?", (match_query([word]),)
    )
    return int(found.fetchone()[0])


def _choices(edition: Edition) -> list[tuple[str, str, list[str]]]:
    """Return (field, label, what occurs in the collection) of what a search can be narrowed by."""
    asked = {
        "medium": ("Kind of network", "SELECT DISTINCT medium FROM networks WHERE medium IS NOT NULL"),
        "make": ("Make", "SELECT make FROM cases GROUP BY make COLLATE NOCASE"),
        "status": ("How far it came", "SELECT DISTINCT coalesce(status, kind) FROM cases"),
    }
    return [
        (
            name,
            label,
            sorted(value for (value,) in edition.connection.execute(f"{sql} LIMIT {_MOST_CHOICES}")),
        )
        for name, (label, sql) in asked.items()
    ]
