"""Counts over the records in words, each with the address of the list behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from urllib.parse import urlencode

from casebase.publish.edition import Edition
from casebase.record.codes import parse_code
from casebase.record.vocabulary import Fault
from casebase.record.words import FAULT_WORDS
from casebase.site import catalogue, code_catalogue
from casebase.site.catalogue import ALL, FAULT_CASES, WITHOUT_CAUSE, Selection

MOST_TOLD: Final = 10
"""Lines of a count: what is rarer stands in the cases themselves."""


@dataclass(frozen=True)
class Counted:
    """How many cases share something, what it is in words, and where the list of them is."""

    words: str
    count: int
    address: str


def address(path: str, **query: str | None) -> str:
    """Return an address of this site, its query encoded.

    >>> address("/codes", code="U0121", make=None)
    '/codes?code=U0121'
    """
    given = {key: value for key, value in query.items() if value is not None}
    return f"{path}?{urlencode(given)}" if given else path


def fault_words(fault: str) -> str:
    """Return a cause in plain words, its first letter a capital."""
    words = (FAULT_WORDS.get(Fault(fault)) if fault in set(Fault) else None) or fault
    return words[:1].upper() + words[1:]


def counted_faults(edition: Edition, these: Selection, **query: str | None) -> list[Counted]:
    """Return what was at fault, the most frequent first; `query` narrows the list that each leads to."""
    return [
        Counted(fault_words(fault), count, address("/causes", fault=fault, **query))
        for fault, count in catalogue.faults(edition, these)
    ]


def without_cause(edition: Edition, these: Selection) -> int:
    """Return in how many of the cases no cause was found, or none yet."""
    return catalogue.count_of(edition, these & FAULT_CASES & WITHOUT_CAUSE)


def counted_lamps(edition: Edition, these: Selection, **query: str | None) -> list[Counted]:
    """Return the lamps lit most often; `query` narrows the list that each leads to."""
    return [
        Counted(lamp, count, address("/causes", **{**query, "lamp": lamp}))
        for lamp, count in catalogue.lamps(edition, these, MOST_TOLD)
    ]


def counted_makes(edition: Edition, these: Selection, most: int = ALL) -> list[Counted]:
    """Return how many records each make has, the most frequent first."""
    return [
        Counted(make, count, address("/vehicles", make=make))
        for make, count in catalogue.makes(edition, these, most)
    ]


def counted_media(edition: Edition) -> list[Counted]:
    """Return how many records are of each medium; one of two media counts for both."""
    return [
        Counted(medium, count, address("/search", medium=medium))
        for medium, count in catalogue.media(edition)
    ]


def counted_codes(edition: Edition, these: Selection) -> list[Counted]:
    """Return the codes stored most often."""
    return [counted_code(*row) for row in code_catalogue.codes(edition, these, MOST_TOLD)]


def counted_code(base: str, one_code: str, count: int) -> Counted:
    """Return a code with what it says, how many records hold it, and where they are listed."""
    return Counted(f"{base}: {base_meaning(base, one_code)}", count, address("/codes", code=base))


def base_meaning(base: str, one_code: str) -> str:
    """Return what a code says without its failure type or failure mode; `one_code` is any code on that base.

    >>> base_meaning("SPN 639", "SPN 639 FMI 9")
    'J1939 network 1'
    """
    code = parse_code(one_code)
    if code.spn is not None:
        return code.bus or ("the maker's own parameter" if code.maker_defined else "parameter not named here")
    return parse_code(base).meaning if code.base == base else code.meaning
