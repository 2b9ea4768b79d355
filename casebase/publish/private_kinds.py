"""The kinds of private text: VINs, telephone numbers, e-mail addresses, licence plates, names of people.

Telephone numbers are the work of `phonenumbers`. Plates have as many forms as countries; those that nothing else looks
like are found by themselves, the others only behind a word such as "plate".
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from typing import Final, NamedTuple

from casebase.library.privacy import SHORTEST_NAME
from casebase.record.vehicle import CHARACTER_VALUES, VIN_LENGTH, check_digit

LEFT_OUT: Final = "[left out]"
"""Stands where something was masked that is of no known kind."""

SERIAL_FROM: Final = 11
"""Positions 12 to 17 of a VIN are the sequential number (49 CFR 565.15(d)(3)); 1 to 11 tell type, year and plant."""


class Found(NamedTuple):
    """Something private in a text: its kind, where, and what may stand there instead."""

    kind: str
    begin: int
    end: int
    instead: str


def found_in(text: str, private_names: Sequence[str], regions: Sequence[str]) -> list[Found]:
    """Return everything private in a text, from left to right; where two overlap, the one that begins first."""
    if len(text) < SHORTEST_NAME:
        return []
    if not text.isascii():
        plain, places = as_read(text)
        if plain != text:
            return [
                one._replace(begin=places[one.begin], end=places[one.end - 1] + 1)
                for one in found_in(plain, private_names, regions)
            ]
    found = _names(text, tuple(private_names))
    if len(text) >= _SHORTEST_SHAPE:  # nothing else is as short as the shortest plate
        found = [*_vins(text), *_emails(text), *_plates(text), *found, *_phones(text, regions)]
    if not found:
        return []
    kept, end = list[Found](), 0
    for one in sorted(found, key=lambda one: (one.begin, -one.end)):
        if one.begin >= end:
            kept.append(one)
            end = one.end
    return kept


def as_read(text: str) -> tuple[str, Sequence[int]]:
    """Return the text as it is read, and for each letter its place in the text.

    Wide and raised letters and digits become plain ones (NFKC, Unicode Standard Annex 15), what has no width goes
    (general category Cf).
    """
    return (text, range(len(text))) if text.isascii() else _letter_by_letter(text, _as_read)


def _letter_by_letter(text: str, form: Callable[[str], str]) -> tuple[str, Sequence[int]]:
    """Return the text with each letter in another form, and for each letter of that its place in the text."""
    forms = {letter: form(letter) for letter in set(text)}
    plain = text.translate({ord(letter): instead for letter, instead in forms.items() if instead != letter})
    if all(len(instead) == 1 for instead in forms.values()):
        return plain, range(len(text))
    return plain, [place for place, letter in enumerate(text) for _ in forms[letter]]


@lru_cache(maxsize=4096)
def _as_read(letter: str) -> str:
    return "" if unicodedata.category(letter) == "Cf" else unicodedata.normalize("NFKC", letter)


# --- VINs ---------------------------------------------------------------------------------------------------------

_VIN: Final = re.compile(
    r"(?<![A-Z0-9])(?:[A-HJ-NPR-Z0-9][ -]?){16}[A-HJ-NPR-Z0-9](?![A-Z0-9])", re.IGNORECASE
)


_DIGIT_OR_X: Final = re.compile(r"[0-9xX]")
"""A check digit is one of them (49 CFR 565.15(c)), and a serial number ends in digits."""


def _vins(text: str) -> Iterator[Found]:
    for match in _VIN.finditer(text) if len(text) >= VIN_LENGTH and _DIGIT_OR_X.search(text) else ():
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
    if not CHARACTER_VALUES.keys() >= set(plain):
        return False
    if _DIGIT_OR_X.match(plain, 8) and check_digit(plain) == plain[8]:
        return True
    in_one_piece = len(written) == len(plain)
    return (
        in_one_piece
        and plain[-4:].isdigit()
        and sum(map(str.isalpha, plain)) >= 3
        and plain[:3] != plain[3:6]
    )


# --- e-mail addresses ---------------------------------------------------------------------------------------------

_ATEXT: Final = r"A-Za-z0-9!#$%&'*+/=?^_`{|}~\-"
_EMAIL: Final = re.compile(
    rf"(?<![{_ATEXT}.])\.*+([{_ATEXT}]++(?:\.++[{_ATEXT}]++)*+\s?@\s?(?:[A-Za-z0-9][A-Za-z0-9-]{{0,62}}\.)+[A-Za-z]{{2,}})"
)
"""addr-spec of RFC 5322 in its plain form: dot-atom, @, a name of hosts (RFC 1123, labels of 63 octets).

It begins where a word does, and gives nothing back: the time grows with the text, not with its square.
"""

_QUOTED_EMAIL: Final = re.compile(r'("[^"\n]{1,64}"@(?:[A-Za-z0-9-]{1,63}\.)+[A-Za-z]{2,})')


def _emails(text: str) -> Iterator[Found]:
    for pattern in (_EMAIL, _QUOTED_EMAIL) if "@" in text else ():
        for match in pattern.finditer(text):
            yield Found("an e-mail address", match.start(1), match.end(1), "[e-mail address]")


# --- telephone numbers --------------------------------------------------------------------------------------------

FEWEST_DIGITS: Final = 8
"""Of a number without country code; shorter ones look like mileage and part numbers (judged)."""

FEWEST_DIGITS_OF_ALL: Final = 7

_UNIT: Final = re.compile(r"\s*(?:km|miles?|mi|ohms?|kohm|mV|V|A|mA|min|rpm|Hz|kbit|kB)\b", re.IGNORECASE)


_DAY: Final = re.compile(r"\d{4}-\d\d-\d\d(?:[ T].*)?|\d\d?[./]\d\d?[./]\d{4}")
"""Days (ISO 8601, and as people write them)."""


_BETWEEN_DIGITS: Final = (
    "\\-x\u2010-\u2015\u2212\u30fc\uff0d-\uff0f \u00a0\u00ad\u200b\u2060\u3000"
    "()\uff08\uff09\uff3b\uff3d.\\[\\]/~\u2053\u223c\uff5e"
)
"""What may stand between the digits of a number (`_VALID_PUNCTUATION` of phonenumbers)."""

_RUN: Final = re.compile(rf"[+\uff0b\d{_BETWEEN_DIGITS}]{{7,}}")
_FIGURES: Final = re.compile(
    r"(?<![\d.])\d{4}-\d\d-\d\d(?![\d-])|(?<![\d.])[-+]?(?:0|[1-9]\d*)\.\d+(?![\d.])|(?<!\d)(?:\d\d ){7,}\d\d(?!\d)"
)
"""Days, numbers with a decimal point, the bytes of a frame: more than the 15 digits of E.164 or none of its forms."""

_DIGITS_ENOUGH: Final = re.compile(rf"(?:\d\D*+){{{FEWEST_DIGITS_OF_ALL}}}")

MOST_CHARACTERS_OF_RUNS: Final = 15_000
"""Of one text; about half a second. More of them is a table of figures, not the text of a record."""


def _phones(text: str, regions: Sequence[str]) -> Iterator[Found]:
    seen, left = set[tuple[int, int]](), MOST_CHARACTERS_OF_RUNS
    for run in _RUN.finditer(text) if len(text) >= FEWEST_DIGITS_OF_ALL else ():
        if not _DIGITS_ENOUGH.search(_FIGURES.sub(" ", run[0])):
            continue
        left -= len(run[0])
        if left < 0:
            yield Found("figures too many to be looked through", run.start(), len(text), "[figures]")
            return
        begin = max(0, run.start() - 1)  # a letter before it makes it another thing
        for first, end in _numbers_in(text[begin : run.end() + 1], tuple(regions)):
            place = (begin + first, begin + end)
            if place not in seen and _is_phone(text, text[place[0] : place[1]], place[1]):
                seen.add(place)
                yield Found("a telephone number", *place, "[telephone number]")


@lru_cache(maxsize=1024)
def _numbers_in(text: str, regions: tuple[str, ...]) -> tuple[tuple[int, int], ...]:
    """Return where telephone numbers of these regions stand in a short text."""
    import phonenumbers  # noqa: PLC0415  half a second, only where something is published

    return tuple(
        (match.start, match.end)
        for region in regions
        for match in phonenumbers.PhoneNumberMatcher(text, region, phonenumbers.Leniency.VALID)
    )


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

_SHORTEST_SHAPE: Final = len("A-B 1")

FEWEST_OF_A_PLATE: Final = 7
"""Characters of a word such as "tag", a space and the plate."""

_PLATE_WORD: Final = re.compile(
    r"\b(?:licen[cs]e plates?|number plates?|plates?|registration(?: (?:no|number|mark))?|reg(?:\.| no\.?)?"
    r"|tags?|kennzeichen|kenteken|immatriculation|targa|matr[ií]cula|nummerplate|regnr|reg\.?nr)(?!\w)\s*(?:is|was|:|=|no\.?|nr\.?|#)?\s*['\"(]?"
    r"((?-i:(?=[0-9 -]{0,9}[A-ZÄÖÜ])(?=[A-ZÄÖÜ -]{0,9}[0-9])[A-ZÄÖÜ0-9](?:[ -]?[A-ZÄÖÜ0-9]){3,9}))\b",
    re.IGNORECASE,
)

_OF_PLATE_WORDS: Final = ("plate", "reg", "tag", "kennz", "kente", "matr", "targa")
"""One of them stands in each of these words, in letters that have no other form."""

_DIGIT: Final = re.compile(r"[0-9]")
_CAPITAL: Final = re.compile(r"[A-ZÄÖÜ]")
_PARTS_OF_A_SHAPE: Final = re.compile(r"[0-9] [A-Z]|[A-ZÄÖÜ0-9]-[A-Z0-9]")


def _plates(text: str) -> Iterator[Found]:
    if not (_DIGIT.search(text) and _CAPITAL.search(text)):
        return
    for pattern in _PLATES_BY_SHAPE if _PARTS_OF_A_SHAPE.search(text) else ():
        for match in pattern.finditer(text):
            yield Found("a licence plate", match.start(), match.end(), "[plate]")
    small = text.lower() if len(text) >= FEWEST_OF_A_PLATE else ""
    for match in _PLATE_WORD.finditer(text) if any(word in small for word in _OF_PLATE_WORDS) else ():
        yield Found("a licence plate", match.start(1), match.end(1), "[plate]")


# --- names of people ----------------------------------------------------------------------------------------------


def _names(text: str, private_names: tuple[str, ...]) -> list[Found]:
    folded, places = _folded(text)
    told = [name for name, last in _told_names(private_names) if last in folded]
    if not told:
        return []
    spans = [match.span() for match in _pattern_of(tuple(told)).finditer(folded)]
    return [Found("a name", places[begin], places[end - 1] + 1, "[name]") for begin, end in spans]


@lru_cache(maxsize=4)
def _told_names(private_names: tuple[str, ...]) -> list[tuple[str, str]]:
    """Return the names without capitals and accents, the longest first, each with its last word: every form has it."""
    told = sorted({_folded(name)[0] for name in private_names}, key=len, reverse=True)
    return [(name, name.split()[-1]) for name in told if name.split()]


@lru_cache(maxsize=256)
def _pattern_of(told: tuple[str, ...]) -> re.Pattern[str]:
    words = [form for name in told for form in _forms_of(name.split())]
    return re.compile(rf"(?<!\w)(?:{'|'.join(words)})(?=s?(?!\w))")


_TITLES: Final = (
    r"(?:mrs?|miss|ms|mx|dr|sir|herrn?|frau|fru|hr|mme|mlle|monsieur|madame|sig(?:ra|nora)?|sra?|dhr|mevr)"
)
"""Before the name of a person (common practice, no source)."""


def _forms_of(words: list[str]) -> Iterator[str]:
    """Yield patterns of a name: as given, the last name first, with initials, and the last name behind a title."""
    first, last = map(re.escape, (words[0], words[-1]))
    yield r"[\s.-]+".join(map(re.escape, words))
    if len(words) > 1:
        yield rf"{last}\s*,\s*{first}"
        yield rf"{re.escape(words[0][0])}\.\s*{last}"
        yield rf"{last}\s*,\s*{re.escape(words[0][0])}\."
    yield rf"{_TITLES}\.?\s+{last}"


_WITHOUT_ACCENT: Final = {"ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "đ": "d", "ð": "d"}
"""Letters with a stroke, or two in one, which Unicode does not take apart."""


def _folded(text: str) -> tuple[str, Sequence[int]]:
    """Return the text without capitals and accents, and for each letter its place in the text."""
    if text.isascii():
        return text.casefold(), range(len(text))
    return _letter_by_letter(text, _without_capitals_and_accents)


@lru_cache(maxsize=4096)
def _without_capitals_and_accents(letter: str) -> str:
    plain = unicodedata.normalize("NFKD", _WITHOUT_ACCENT.get(letter.casefold(), letter)).casefold()
    return "".join(part for part in plain if not unicodedata.combining(part))
