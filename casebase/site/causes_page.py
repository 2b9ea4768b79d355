"""The lists by cause: what was at fault, where and by what; and the codes and lamps that went with one cause."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from casebase.publish.edition import Edition
from casebase.record.vocabulary import Fault, Lamp, Mechanism, Place
from casebase.record.word_list import Word
from casebase.site.catalogue import (
    FAULT_CASES,
    Counted,
    address,
    by_fault,
    codes_among,
    fault_words,
    faults_among,
    lamps_among,
    statuses_among,
    without_cause,
)
from casebase.site.lists import Asked, count_of, listed_cases, shown, so_many
from casebase.site.respond import NotHereError

_CAUSES: Final = ("/causes", "Causes")

_WORDS: Final[dict[str, type[Word]]] = {
    "fault": Fault,
    "place": Place,
    "mechanism": Mechanism,
    "lamp": Lamp,
}
CAUSE_FIELDS: Final = tuple(_WORDS)

_PLACE_WORDS: Final = {
    "harness": "in the harness",
    "connector": "at a connector",
    "splice": "at a splice",
    "module": "in a module",
    "fuse": "at a fuse",
}

_OF_RECORD: Final = "(SELECT json_extract(json, '{path}') FROM records WHERE case_id = cases.id)"
_COLUMNS: Final = {
    "place": _OF_RECORD.format(path="$.cause.where.place"),
    "mechanism": _OF_RECORD.format(path="$.cause.mechanism"),
}
_CONDITIONS: Final = {
    "fault": "fault = ?",
    **{name: f"{column} = ?" for name, column in _COLUMNS.items()},
    "lamp": "EXISTS (SELECT 1 FROM records, json_each(records.json, '$.lamps') AS lit"
    " WHERE case_id = cases.id AND lit.value = ?)",
}


def causes_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return what was at fault in all cases, by cause, place and what brought it about."""
    found = count_of(edition, f"{FAULT_CASES} AND fault IS NOT NULL")
    return {
        "title": f"What was at fault in {so_many(found, 'case')}",
        "crumbs": [_CAUSES],
        "without_cause": without_cause(edition, "1"),
        "faults": by_fault(edition),
        "places": _by_word(edition, "place", {}),
        "mechanisms": _by_word(edition, "mechanism", {}),
        "lamps": lamps_among(edition, FAULT_CASES),
    }


def cause_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return the cases of one cause, place, mechanism or lamp; raise `NotHereError` for a word that no list has."""
    given = {name: _word(name, text) for name, text in asked.only(*CAUSE_FIELDS).items()}
    where, values = _condition(given)
    count = count_of(edition, where, values)
    name = _name(given)
    return {
        "title": f"{name}: {so_many(count, 'case') if count else 'no case yet'}",
        "name": name,
        "crumbs": [_CAUSES, *_fault_crumb(given)],
        "count": count,
        "statuses": statuses_among(edition, where, values),
        "without_cause": without_cause(edition, where, values),
        "faults": [] if "fault" in given else faults_among(edition, where, values, **given),
        "places": _by_word(edition, "place", given),
        "mechanisms": _by_word(edition, "mechanism", given),
        "codes": codes_among(edition, where, values),
        "lamps": [] if "lamp" in given else lamps_among(edition, where, values, **given),
        "cases": listed_cases(edition, asked, where, values),
    }


def _condition(given: dict[str, str]) -> tuple[str, tuple[str, ...]]:
    return " AND ".join([FAULT_CASES, *(_CONDITIONS[name] for name in given)]), tuple(given.values())


def _by_word(edition: Edition, name: str, given: dict[str, str]) -> list[Counted]:
    """Return how many of the cases have each word of a field of the cause; none where that word was asked for."""
    if name in given:
        return []
    where, values = _condition(given)
    rows = edition.connection.execute(
        f"SELECT word, count(*) FROM (SELECT {_COLUMNS[name]} AS word FROM cases WHERE {where} AND fault IS NOT NULL)"
        " WHERE word IS NOT NULL GROUP BY word ORDER BY count(*) DESC, word",
        values,
    )
    return [Counted(word, count, address("/causes", **{**given, name: word})) for word, count in rows]


def _word(name: str, text: str) -> str:
    try:
        return str(_WORDS[name](text))
    except ValueError:
        what = {"fault": "cause", "mechanism": "way in which a cause came about"}.get(name, name)
        raise NotHereError(
            f"No {what} is called '{shown(text)}' here. Choose one from the list under Causes, or search for the words"
            " that you would use."
        ) from None


def _name(given: dict[str, str]) -> str:
    words: dict[str, Callable[[str], str]] = {
        "fault": fault_words,
        "place": _PLACE_WORDS.__getitem__,
        "mechanism": "by {}".format,
        "lamp": "{} lamp lit".format,
    }
    told = ", ".join(words[name](text) for name, text in given.items())
    return told[:1].upper() + told[1:]


def _fault_crumb(given: dict[str, str]) -> list[tuple[str, str]]:
    fault = given.get("fault")
    return [(address("/causes", fault=fault), fault_words(fault))] if fault and len(given) > 1 else []
