"""What was typed into the search may name something: the page of that code, case, module, vehicle or cause."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from casebase.errors import CodeError
from casebase.publish.edition import Edition
from casebase.record.codes import Grammar, ReadAs, parse_code
from casebase.record.modules import module_key, module_label, modules_named_in
from casebase.record.vocabulary import Fault, Mechanism
from casebase.site.counted import address, fault_words

MOST_LEADS: Final = 6
_BETWEEN: Final = re.compile(r"[\s,;]+")
_ENDING: Final = re.compile(r"(?<=[a-z]{3})(?:ing|ed|es|s|e)$")
_CASE_ID: Final = re.compile(r"[0-9a-z]{4,26}")


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
        rows = edition.connection.execute(
            "SELECT id, title FROM cases WHERE id >= ? AND id < ? ORDER BY id LIMIT 3", (prefix, f"{prefix}~")
        )
        for case_id, title in rows:
            yield Lead(f"Case {case_id}: {title}", f"/case/{case_id}")


def _codes(edition: Edition, text: str) -> Iterator[Lead]:
    for typed in dict.fromkeys((text, *_BETWEEN.split(text)[:8])):
        try:
            code = parse_code(typed)
        except CodeError:
            continue
        is_plainly_one = code.grammar is not Grammar.MAKER and code.read_as is ReadAs.TEXT
        if is_plainly_one or _holds(edition, "codes", "base", code.base):
            yield Lead(f"{code.text}: what this code says and came from", address("/codes", code=code.text))


def _modules(edition: Edition, text: str) -> Iterator[Lead]:
    keys = (module_key(text), *(named.key for named in modules_named_in(text)))
    for key in dict.fromkeys(key for key in keys if key):
        if _holds(edition, "modules", "module_key", key) or _holds(edition, "codes", "about", key):
            yield Lead(
                f"{module_label(key)}: how often silent, blamed, at fault", address("/modules", module=key)
            )


def _vehicles(edition: Edition, text: str) -> Iterator[Lead]:
    named = (
        "coalesce(make, '') = ?1 COLLATE NOCASE OR model = ?1 COLLATE NOCASE OR platform = ?1 COLLATE NOCASE"
    )
    rows = edition.connection.execute(
        "SELECT make, model, platform FROM cases"
        f" WHERE {named} OR make || ' ' || model = ?1 COLLATE NOCASE GROUP BY make, model, platform LIMIT 50",
        (text,),
    )
    typed = text.casefold()
    for make, model, platform in rows:
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


def _holds(edition: Edition, table: str, column: str, value: Any) -> bool:
    found = edition.connection.execute(f"SELECT 1 FROM {table} WHERE {column} = ? LIMIT 1", (value,))
    return found.fetchone() is not None
