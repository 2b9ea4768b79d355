"""The search: full text over the cases, narrowed where asked, with the words found marked in excerpts.

What was typed may name something of its own: then the page of that code, case, module, vehicle or cause is offered.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from casebase.errors import CodeError
from casebase.library.connection import match_query
from casebase.library.records import words_in
from casebase.publish.edition import Edition
from casebase.record.codes import Grammar, ReadAs, parse_code
from casebase.record.modules import module_key, module_label, modules_named_in
from casebase.record.vocabulary import Fault, Kind, Mechanism, Medium, Status
from casebase.record.word_list import Word
from casebase.site import catalogue, code_catalogue
from casebase.site.catalogue import count_of, selected, useful_first
from casebase.site.lists import (
    LONGEST_TEXT,
    Asked,
    CaseRow,
    Counted,
    address,
    cases_of_ids,
    fault_words,
    listed,
    part_of,
    shown,
    so_many,
)

MOST_LEADS: Final = 6
_BETWEEN: Final = re.compile(r"[\s,;]+")
_ENDING: Final = re.compile(r"(?<=[a-z]{3})(?:ing|ed|es|s|e)$")
_CASE_ID: Final = re.compile(r"[0-9a-z]{4,26}")

NARROWING: Final = ("medium", "make", "model", "platform", "status")

_MOST_WORDS: Final = 8
_MOST_VEHICLES: Final = 50
_MOST_CHOICES: Final = 200
_CHOICE_LABELS: Final = {"medium": "Kind of network", "make": "Make", "status": "Outcome"}

Parts = list[tuple[str, bool]]
"""Pieces of text in order, each with whether it is a word that was asked for."""

EXCERPT_WORDS: Final = 28
_BEGIN, _END = "\x02", "\x03"
"""No record holds control characters, so these stand for nothing else."""

_HIT: Final = re.compile(f"{_BEGIN}([^{_BEGIN}{_END}]*){_END}")
_STRAY: Final = re.compile(f"[{_BEGIN}{_END}]")
_LINE_END: Final = re.compile(r"(?:(?P<stop>[.!?:;,])|(?<![\s.!?:;,]))\s*\n\s*")


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
    found = [Found(row, hits.get(row.case_id)) for row in cases_of_ids(edition, part.rows)]
    wide = len(_found_ids(edition, text, {})) if text and narrowing.used and not ids else 0
    return {
        "title": _title(len(ids), text, narrowing.used),
        "crumbs": [("/search", "Search")],
        "q": text,
        "narrowed": narrowing.used,
        "not_used": [
            *narrowing.not_used,
            *([f"Only the first {LONGEST_TEXT} characters were looked for."] if asked.was_cut else []),
        ],
        "is_asked": is_asked,
        "found": listed(part.total, part.before, found, asked),
        "leads": leads_of(edition, text) if text else [],
        "without_narrowing": Counted(f"{so_many(wide, 'record')} in all", wide, address("/search", q=text))
        if wide
        else None,
        "single_words": _single_words(edition, text) if is_asked and not ids else [],
        "job": address("/job", wrong=text or None),
        "choices": [
            (name, _CHOICE_LABELS[name], words)
            for name, words in catalogue.search_choices(edition, _MOST_CHOICES).items()
        ],
    }


def _found_ids(edition: Edition, text: str, narrowed: dict[str, str]) -> list[str]:
    within = useful_first(edition, selected(**narrowed)) if narrowed or not text else None
    if not text:
        return within or []
    found = edition.found(text)
    if within is None:
        return found
    wanted = set(within)
    return [case_id for case_id in found if case_id in wanted]


def _narrowing(asked: Asked) -> Narrowing:
    narrowing = Narrowing()
    words: dict[str, tuple[Sequence[type[Word]], str]] = {
        "medium": ((Medium,), "a kind of network"),
        "status": ((Status, Kind), "outcome of a case"),
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
    holding = {word: catalogue.count_holding(edition, match_query([word])) for word in words}
    return [Counted(word, count, address("/search", q=word)) for word, count in holding.items() if count]


# --- where the words stand ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Hit:
    """What stands in a case of the words asked for: its title, and the excerpts that hold any."""

    title: Parts
    excerpts: list[Parts]


def hits_in(edition: Edition, ids: Sequence[str], text: str) -> dict[str, Hit]:
    """Return, for each case that holds any word of `text`, where."""
    queries = (typed_query(text), word_query(text))
    found = ((case_id, _first_hit(edition, case_id, queries)) for case_id in ids)
    return {case_id: hit for case_id, hit in found if hit}


def typed_query(text: str) -> str:
    """Return an FTS5 query for anything typed, where what is typed in one piece must stand in one piece.

    >>> typed_query("U0100-87 (ABS)")
    '"U0100 87" OR "ABS"'
    """
    return _any_of(" ".join(words_in(piece)) for piece in text.split())


def word_query(text: str) -> str:
    """Return an FTS5 query for any word of `text`.

    >>> word_query("U0100-87 (")
    '"U0100" OR "87"'
    """
    return _any_of(words_in(text))


def _any_of(phrases: Iterable[str]) -> str:
    """Return what finds any of some phrases; small words count only where nothing else was asked for."""
    asked = [phrase for phrase in dict.fromkeys(phrases) if phrase]
    telling = [phrase for phrase in asked if phrase.casefold() not in _SMALL_WORDS]
    return " OR ".join(match_query([phrase]) for phrase in telling or asked)


_SMALL_WORDS: Final = frozenset(
    [
        "a",
        "an",
        "and",
        "at",
        "by",
        "for",
        "from",
        "in",
        "is",
        "it",
        "no",
        "not",
        "of",
        "on",
        "or",
        "the",
        "to",
        "with",
    ]
)


def _first_hit(edition: Edition, case_id: str, queries: Iterable[str]) -> Hit | None:
    for query in queries:
        row = catalogue.excerpts(edition, case_id, query, (_BEGIN, _END), EXCERPT_WORDS) if query else None
        if row is not None:
            excerpts = [parts_of(column) for column in row[1:] if column]
            return Hit(parts_of(row[0]), [parts for parts in excerpts if any(is_hit for _, is_hit in parts)])
    return None


def parts_of(marked: str) -> Parts:
    r"""Return marked text in parts, as one line.

    >>> parts_of("pin \x0214\x03 bent")
    [('pin ', False), ('14', True), (' bent', False)]
    """
    line = _LINE_END.sub(lambda end: f"{end['stop'] or ';'} ", marked)
    pieces = _HIT.split(line)
    return [(_STRAY.sub("", piece), place % 2 == 1) for place, piece in enumerate(pieces) if piece]


# --- pages of what was named --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Lead:
    """A page that answers more than a search would."""

    words: str
    address: str


def leads_of(edition: Edition, text: str) -> list[Lead]:
    """Return the pages of what a text names, each once."""
    found = dict.fromkeys(
        lead
        for way in (_cases, _codes, _modules, _vehicles, _causes, _mechanisms)
        for lead in way(edition, text)
    )
    return list(found)[:MOST_LEADS]


def _cases(edition: Edition, text: str) -> Iterator[Lead]:
    prefix = text.casefold()
    if _CASE_ID.fullmatch(prefix):
        for case_id, title in catalogue.titles_beginning_with(edition, prefix):
            yield Lead(f"Case {case_id}: {title}", f"/case/{case_id}")


def _codes(edition: Edition, text: str) -> Iterator[Lead]:
    for typed in dict.fromkeys((text, *_BETWEEN.split(text)[:8])):
        try:
            code = parse_code(typed)
        except CodeError:
            continue
        is_plainly_one = code.grammar is not Grammar.MAKER and code.read_as is ReadAs.TEXT
        if is_plainly_one or count_of(edition, selected(base=code.base)):
            yield Lead(f"{code.text}: what this code says and came from", address("/codes", code=code.text))


def _modules(edition: Edition, text: str) -> Iterator[Lead]:
    keys = (module_key(text), *(named.key for named in modules_named_in(text)))
    for key in dict.fromkeys(key for key in keys if key):
        if code_catalogue.names_module(edition, key):
            yield Lead(
                f"{module_label(key)}: how often silent, blamed, at fault", address("/modules", module=key)
            )


def _vehicles(edition: Edition, text: str) -> Iterator[Lead]:
    typed = text.casefold()
    for make, model, platform in catalogue.vehicles_named(edition, text, _MOST_VEHICLES):
        if typed == make.casefold():
            yield Lead(f"{make}: all its models", address("/vehicles", make=make))
        elif platform and typed == platform.casefold():
            yield Lead(f"Platform {platform}: what it had", address("/vehicles", platform=platform))
        else:
            yield Lead(f"{make} {model}: what it had", address("/vehicles", make=make, model=model))


def _causes(edition: Edition, text: str) -> Iterator[Lead]:
    for fault in Fault:
        words = fault_words(str(fault))
        if text.casefold() in (str(fault), words.casefold()):
            yield Lead(f"{words}: the cases of this cause", address("/causes", fault=str(fault)))


def _mechanisms(edition: Edition, text: str) -> Iterator[Lead]:
    typed = {_without_ending(word) for word in (text.casefold(), *_BETWEEN.split(text.casefold())[:8])}
    for mechanism in Mechanism:
        if _without_ending(str(mechanism)) in typed:
            yield Lead(
                f"Brought about by {mechanism}: the cases", address("/causes", mechanism=str(mechanism))
            )


def _without_ending(word: str) -> str:
    """Return a word without its ending, so that `chafed` names what is recorded as `chafing`."""
    return _ENDING.sub("", word)
