"""What every list shares: what its address asks for, a hundred rows at a time, the row of a case; counts in words.

Any text can stand in an address, so it is made plain here, once, for all lists. Each count has the address of the list
behind it.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Final, Generic, TypeVar
from urllib.parse import parse_qsl, urlencode

from markupsafe import Markup

from casebase.publish.edition import Edition
from casebase.record.codes import parse_code
from casebase.record.vocabulary import Fault
from casebase.record.words import FAULT_WORDS, capital, proved
from casebase.site import catalogue, code_catalogue
from casebase.site.catalogue import (
    ALL,
    FAULT_CASES,
    KNOWN_GOOD,
    WITHOUT_CAUSE,
    Selection,
    count_of,
    newest_first,
    of_ids,
    useful_first,
)
from casebase.site.respond import NotUsableError

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


LONGEST_TEXT: Final = 300
"""Longer than any name in a record, and than any question somebody types on a phone."""

LONGEST_QUERY: Final = 8000
"""Bytes; room for the longest text, percent-encoded, and every field beside it."""

_HIGHEST_START: Final = 10_000_000
_SHOWN: Final = 60
_BLANKED: Final = frozenset({"Cc", "Cs"})
_TURNING: Final = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Marks that turn the direction of what follows; in a question they could only mislead."""

MOST_ROWS: Final = 100
"""Rows of one page: about 60 kB, and more than anybody reads beside a vehicle."""

_ONLY_FOR_THE_PAGE: Final = frozenset({"crumbs", "choices"})

Row = TypeVar("Row")


@dataclass(frozen=True)
class Asked:
    """The address of a list: its path, and the first text of each field that holds one."""

    path: str
    texts: Mapping[str, str]
    was_cut: bool = False

    def text(self, name: str) -> str | None:
        """Return the text of a field, None where there is none."""
        return self.texts.get(name)

    def only(self, *names: str) -> dict[str, str]:
        """Return the fields of these names that hold a text."""
        return {name: self.texts[name] for name in names if name in self.texts}

    def start(self) -> int:
        """Return how many rows of a list to leave out; 0 where that is no number."""
        told = self.texts.get("from", "")
        if not (told.isascii() and told.isdigit() and len(told) < len(str(_HIGHEST_START))):
            return 0
        return int(told)

    def address_from(self, start: int) -> str:
        """Return the address of the same list from another row on."""
        others = {name: text for name, text in self.texts.items() if name != "from"}
        return address(self.path, **others, **({"from": str(start)} if start else {}))


def asked_of(path: str, query: str) -> Asked:
    """Return what an address asks for; `query` as it came, its bytes taken for Latin-1.

    Raises `NotUsableError` where it is longer than any list can use.
    """
    if len(query) > LONGEST_QUERY:
        raise NotUsableError(
            "That address is longer than a list can use. Type the few words, the code or the name that matter most."
        )
    told = query.encode("latin-1", "replace").decode("utf-8", "replace")
    texts: dict[str, str] = {}
    was_cut = False
    for name, text in parse_qsl(told):
        plain = plain_text(text)
        was_cut = was_cut or len(plain) > LONGEST_TEXT
        if plain and name.isidentifier():
            texts.setdefault(name, plain[:LONGEST_TEXT].strip())
    return Asked(path, texts, was_cut)


def plain_text(text: str) -> str:
    r"""Return text as one line in one Unicode form, without what cannot be stored or seen.

    >>> plain_text(" a\x00b\ud800  c ")
    'a b c'
    """
    kept = (
        " " if letter in _TURNING or unicodedata.category(letter) in _BLANKED else letter for letter in text
    )
    return " ".join(unicodedata.normalize("NFC", "".join(kept)).split())


def shown(text: str) -> str:
    """Return a text that was asked for, short enough to be repeated in a sentence."""
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


@dataclass(frozen=True)
class Listed(Generic[Row]):
    """Some rows of a list: how many there are in all, how many stand before, and where the others are."""

    total: int
    before: int
    rows: Sequence[Row]
    earlier: str | None
    later: str | None

    @property
    def last(self) -> int:
        """The number of the last row here, counted from 1."""
        return self.before + len(self.rows)


def part_of(rows: Sequence[Row], asked: Asked) -> Listed[Row]:
    """Return the rows that an address asks for, out of all."""
    before = start_within(len(rows), asked)
    return listed(len(rows), before, rows[before : before + MOST_ROWS], asked)


def listed(total: int, before: int, rows: Sequence[Row], asked: Asked) -> Listed[Row]:
    """Return the rows given with the addresses of those before and after them."""
    after = before + len(rows)
    earlier = asked.address_from(max(0, before - MOST_ROWS)) if before else None
    return Listed(total, before, rows, earlier, asked.address_from(after) if after < total else None)


def listed_cases(edition: Edition, asked: Asked, these: Selection) -> Listed[CaseRow]:
    """Return the cases selected, the most useful first."""
    total = count_of(edition, these)
    before = start_within(total, asked)
    ids = useful_first(edition, these, MOST_ROWS, before)
    return listed(total, before, cases_of_ids(edition, ids), asked)


def start_within(total: int, asked: Asked) -> int:
    """Return the row to start from: one past the end shows the last rows instead of none."""
    return min(asked.start(), max(0, (total - 1) // MOST_ROWS * MOST_ROWS))


def record_counts(edition: Edition, these: Selection) -> str:
    """Return how many records of each kind are selected, in words: `7 cases and 1 known good record`."""
    faults = count_of(edition, these & FAULT_CASES)
    good = count_of(edition, these & KNOWN_GOOD)
    told = [so_many(faults, "case")] if faults or not good else []
    return " and ".join([*told, *([so_many(good, "known good record")] if good else [])])


def so_many(count: int, thing: str, things: str | None = None) -> str:
    """Return a count with its noun.

    >>> so_many(1, "case"), so_many(0, "case"), so_many(2, "body", "bodies")
    ('1 case', '0 cases', '2 bodies')
    """
    return f"{count} {thing if count == 1 else things or f'{thing}s'}"


def plain(value: Any) -> Any:
    """Return what a list page shows as plain data for JSON: addresses included, what only a page needs left out."""
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items() if key not in _ONLY_FOR_THE_PAGE}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if is_dataclass(value):
        told = {field.name: plain(getattr(value, field.name)) for field in fields(value)}
        return {**told, "address": value.address} if hasattr(value, "address") else told
    return value


@dataclass(frozen=True)
class CaseRow:
    """A case as a list shows it."""

    case_id: str
    title: str
    vehicle: str
    status: str
    proved: str
    ended: str
    cause: str | None
    leftover: str | None

    @property
    def address(self) -> str:
        """Where the whole case is."""
        return f"/case/{self.case_id}"


def newest_cases(edition: Edition, these: Selection, most: int) -> list[CaseRow]:
    """Return the cases selected, the newest first."""
    return [_row(*row) for row in newest_first(edition, these, most)]


def cases_of_ids(edition: Edition, ids: Sequence[str]) -> list[CaseRow]:
    """Return the cases with these IDs, in this order."""
    found = {row.case_id: row for row in newest_cases(edition, of_ids(ids), len(ids))}
    return [found[case_id] for case_id in ids if case_id in found]


def linked_id(case_id: str) -> Markup:
    """Return the ID of a case as a link to its page."""
    return Markup('<a href="/case/{0}">{0}</a>').format(case_id)


def _row(*row: Any) -> CaseRow:
    case_id, kind, status, title, make, model, year, platform, cause, leftover, ended, proof = row
    named = " ".join(str(part) for part in (make, model, year) if part)
    vehicle = f"{named}, platform {platform}" if platform else named
    return CaseRow(
        case_id, title, vehicle, status or kind, capital(proved(status, proof)), ended or "", cause, leftover
    )
