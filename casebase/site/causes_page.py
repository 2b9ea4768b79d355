"""The lists by cause: what was at fault, where and by what; and the codes and lamps that went with one cause."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from casebase.publish.edition import Edition
from casebase.record.vocabulary import Fault, Lamp, Mechanism, Place
from casebase.record.word_list import Word
from casebase.record.words import proved
from casebase.site import catalogue
from casebase.site.catalogue import EVERY_RECORD, FAULT_CASES, WITH_CAUSE, count_of, selected, statuses
from casebase.site.lists import (
    Asked,
    Counted,
    address,
    counted_codes,
    counted_faults,
    counted_lamps,
    fault_words,
    listed_cases,
    shown,
    so_many,
    without_cause,
)
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
    "battery": "at the battery",
    "ground point": "at a ground point",
    "pillar": "in a pillar",
    "other": "elsewhere",
}
_NAMED: Final[dict[str, Callable[[str], str]]] = {
    "fault": fault_words,
    "place": _PLACE_WORDS.__getitem__,
    "mechanism": "by {}".format,
    "lamp": "{} lamp lit".format,
}


def causes_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return what was at fault in all cases, by cause, place and what brought it about."""
    found = count_of(edition, FAULT_CASES & WITH_CAUSE)
    return {
        "title": f"What was at fault in {so_many(found, 'case')}",
        "crumbs": [_CAUSES],
        "without_cause": without_cause(edition, EVERY_RECORD),
        "faults": counted_faults(edition, EVERY_RECORD),
        "places": _by_word(edition, "place", {}),
        "mechanisms": _by_word(edition, "mechanism", {}),
        "lamps": counted_lamps(edition, FAULT_CASES),
    }


def cause_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return the cases of one cause, place, mechanism or lamp; raise `NotHereError` for a word that no list has."""
    given = {name: _word(name, text) for name, text in asked.only(*CAUSE_FIELDS).items()}
    these = FAULT_CASES & selected(**given)
    count = count_of(edition, these)
    name = ", ".join(_NAMED[field](text) for field, text in given.items())
    name = name[:1].upper() + name[1:]
    fault = given.get("fault")
    wider = [(address("/causes", fault=fault), fault_words(fault))] if fault and len(given) > 1 else []
    return {
        "title": f"{name}: {so_many(count, 'case') if count else 'no case yet'}",
        "name": name,
        "crumbs": [_CAUSES, *wider],
        "count": count,
        "statuses": [(proved(status, None), count) for status, count in statuses(edition, these)],
        "without_cause": without_cause(edition, these),
        "faults": [] if fault else counted_faults(edition, these, **given),
        "places": _by_word(edition, "place", given),
        "mechanisms": _by_word(edition, "mechanism", given),
        "codes": counted_codes(edition, these),
        "lamps": [] if "lamp" in given else counted_lamps(edition, these, **given),
        "cases": listed_cases(edition, asked, these),
    }


def _by_word(edition: Edition, field: str, given: dict[str, str]) -> list[Counted]:
    """Return how many of the cases have each word of a field of the cause; none where that word was asked for."""
    if field in given:
        return []
    return [
        Counted(word, count, address("/causes", **{**given, field: word}))
        for word, count in catalogue.words_of_cause(edition, FAULT_CASES & selected(**given), field)
    ]


def _word(name: str, text: str) -> str:
    try:
        return str(_WORDS[name](text))
    except ValueError:
        what = {"fault": "cause", "mechanism": "way in which a cause came about"}.get(name, name)
        raise NotHereError(
            f"No {what} is called '{shown(text)}' here. Choose one from the list under Causes, or search for the words"
            " that you would use."
        ) from None
