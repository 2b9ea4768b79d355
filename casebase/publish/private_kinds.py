"""The kinds of private text: VINs, telephone numbers, e-mail addresses, licence plates, names of people.

Telephone numbers are the work of `phonenumbers`. Plates have as many forms as countries; those that nothing else looks
like are found by themselves, the others only behind a word such as "plate".
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from casebase.errors import InputError
from casebase.record.vehicle import parse_vin

SERIAL_FROM: Final = 11
"""Positions 12 to 17 of a VIN are the sequential number (49 CFR 565.15(d)(3)); 1 to 11 tell type, year and plant."""


@dataclass(frozen=True)
class Found:
    """Something private in a text: its kind, where, and what may stand there instead."""

    kind: str
    begin: int
    end: int
    instead: str


def found_in(text: str, private_names: Sequence[str], regions: Sequence[str]) -> list[Found]:
    """Return everything private in a text, from left to right; where two overlap, the one that begins first."""
    found = [
        *_vins(text),
        *_emails(text),
        *_plates(text),
        *_names(text, tuple(private_names)),
        *_phones(text, regions),
    ]
    kept: list[Found] = []
    for one in sorted(found, key=lambda one: (one.begin, -one.end)):
        if not kept or one.begin >= kept[-1].end:
            kept.append(one)
    return kept


# --- VINs ---------------------------------------------------------------------------------------------------------

_VIN: Final = re.compile(
    r"(?<![A-Z0-9])(?:[A-HJ-NPR-Z0-9][ -]?){16}[A-HJ-NPR-Z0-9](?![A-Z0-9])", re.IGNORECASE
)


def _vins(text: str) -> Iterator[Found]:
    for match in _VIN.finditer(text):
        plain = re.sub(r"[ -]", "", match[0]).upper()
        if _is_vin(plain, match[0]):
            yield Found(
                "a VIN",
                match.start(),
                match.end(),
                f"{plain[:SERIAL_FROM]}{'*' * (len(plain) - SERIAL_FROM)}",
            )


def _is_vin(plain: str, written: str) -> bool:
    """A right check digit, or in one piece with digits at the end (ISO 3779: the last four are digits) and letters."""
    try:
        if parse_vin(plain).check_digit_matches:
            return True
    except InputError:
        return False
    in_one_piece = len(written) == len(plain)
    return (
        in_one_piece
        and plain[-4:].isdigit()
        and sum(map(str.isalpha, plain)) >= 3
        and plain[:3] != plain[3:6]
    )


# --- e-mail addresses ---------------------------------------------------------------------------------------------

_EMAIL: Final = re.compile(
    r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(?:\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*"
    r"\s?@\s?(?:[A-Za-z0-9](?:[A-Za-z0-9-]*[A-Za-z0-9])?\.)+[A-Za-z]{2,}"
)
"""addr-spec of RFC 5322 in its plain form: dot-atom, @, a name of hosts (RFC 1123)."""

_QUOTED_EMAIL: Final = re.compile(r'"[^"\n]{1,64}"@(?:[A-Za-z0-9-]+\.)+[A-Za-z]{2,}')


def _emails(text: str) -> Iterator[Found]:
    for pattern in (_EMAIL, _QUOTED_EMAIL):
        for match in pattern.finditer(text):
            yield Found("an e-mail address", match.start(), match.end(), "[e-mail address]")


# --- telephone numbers --------------------------------------------------------------------------------------------

FEWEST_DIGITS: Final = 8
"""Of a number without country code; shorter ones look like mileage and part numbers (judged)."""

_UNIT: Final = re.compile(r"\s*(?:km|miles?|mi|ohms?|kohm|mV|V|A|mA|min|rpm|Hz|kbit|kB)\b", re.IGNORECASE)


_DAY: Final = re.compile(r"\d{4}-\d\d-\d\d(?:[ T].*)?|\d\d?[./]\d\d?[./]\d{4}")
"""Days (ISO 8601, and as people write them)."""


def _phones(text: str, regions: Sequence[str]) -> Iterator[Found]:
    if sum(map(str.isdigit, text)) < 7:
        return
    import phonenumbers  # noqa: PLC0415  half a second, only where something is published

    seen = set()
    for region in regions:
        for match in phonenumbers.PhoneNumberMatcher(text, region, phonenumbers.Leniency.VALID):
            raw = match.raw_string
            if (match.start, match.end) not in seen and _is_phone(text, raw, match.end):
                seen.add((match.start, match.end))
                yield Found("a telephone number", match.start, match.end, "[telephone number]")


def _is_phone(text: str, raw: str, end: int) -> bool:
    if _UNIT.match(text, end) or _DAY.fullmatch(raw):
        return False
    digits = sum(map(str.isdigit, raw))
    # A country code says what it is; a national number is written with a leading zero or in groups.
    in_groups = raw.startswith(("0", "(")) or " " in raw or "-" in raw
    return raw.startswith(("+", "00")) or (digits >= FEWEST_DIGITS and in_groups)


# --- licence plates -----------------------------------------------------------------------------------------------

_PLATES_BY_SHAPE: Final = (
    re.compile(
        r"\b[A-HJ-PR-Y][A-HJ-PR-Y](?:0[2-9]|[1-7][0-9]) [A-HJ-PR-Z]{3}\b"
    ),  # United Kingdom since 2001
    re.compile(r"\b[A-ZÄÖÜ]{1,3}-[A-Z]{1,2} [1-9][0-9]{0,3}[EH]?\b"),  # Germany
    re.compile(r"\b[A-HJ-NP-TV-Z]{2}-[0-9]{3}-[A-HJ-NP-TV-Z]{2}\b"),  # France since 2009, Italy with hyphens
    re.compile(
        r"\b(?:[0-9]{2}-[A-Z]{2,3}-[0-9]{1,2}|[A-Z]{1,2}-[0-9]{2,3}-[A-Z]{1,2}|[0-9]-[A-Z]{3}-[0-9]{2})\b"
    ),  # Netherlands
)
"""Forms as the registration authorities publish them (from memory); shapes that no part or code number here has."""

_PLATE_WORD: Final = re.compile(
    r"\b(?:licen[cs]e plates?|number plates?|plates?|registration(?: (?:no|number|mark))?|reg(?:\.| no\.?)?"
    r"|tags?|kennzeichen|kenteken|immatriculation|targa|matr[ií]cula|nummerplate|regnr|reg\.?nr)(?!\w)\s*(?:is|was|:|=|no\.?|nr\.?|#)?\s*['\"(]?"
    r"((?-i:(?=[0-9 -]{0,9}[A-ZÄÖÜ])(?=[A-ZÄÖÜ -]{0,9}[0-9])[A-ZÄÖÜ0-9](?:[ -]?[A-ZÄÖÜ0-9]){3,9}))\b",
    re.IGNORECASE,
)


def _plates(text: str) -> Iterator[Found]:
    for pattern in _PLATES_BY_SHAPE:
        for match in pattern.finditer(text):
            yield Found("a licence plate", match.start(), match.end(), "[plate]")
    for match in _PLATE_WORD.finditer(text):
        yield Found("a licence plate", match.start(1), match.end(1), "[plate]")


# --- names of people ----------------------------------------------------------------------------------------------


def _names(text: str, private_names: tuple[str, ...]) -> Iterator[Found]:
    pattern = _pattern_of(private_names)
    if pattern is None:
        return
    folded, places = _folded(text)
    for match in pattern.finditer(folded):
        yield Found("a name", places[match.start()], places[match.end() - 1] + 1, "[name]")


@lru_cache(maxsize=4)
def _pattern_of(private_names: tuple[str, ...]) -> re.Pattern[str] | None:
    told = sorted({_folded(name)[0] for name in private_names}, key=len, reverse=True)
    words = [r"[\s.-]+".join(map(re.escape, name.split())) for name in told if name]
    return re.compile(rf"(?<!\w)(?:{'|'.join(words)})(?!\w)") if words else None


_WITHOUT_ACCENT: Final = {"ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "đ": "d", "ð": "d"}
"""Letters with a stroke, or two in one, which Unicode does not take apart."""


def _folded(text: str) -> tuple[str, list[int]]:
    """Return the text without capitals and accents, and for each letter its place in the text."""
    letters, places = [], []
    for place, letter in enumerate(text):
        plain = _WITHOUT_ACCENT.get(letter.casefold(), letter)
        for part in unicodedata.normalize("NFKD", plain).casefold():
            if not unicodedata.combining(part):
                letters.append(part)
                places.append(place)
    return "".join(letters), places
