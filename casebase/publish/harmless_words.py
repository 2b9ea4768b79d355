"""What is known to be harmless in a text: words of the language and of the trade, and the trade's forms of numbers.

The words stand in `data/words.txt`: those of this project's own records and pages, and common ones (from memory). A
word of them that is also a name (`data/words_that_are_names.txt`, from memory) is harmless in small letters alone.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Final

from casebase.match.text.shorthand import short_forms
from casebase.places import read_table
from casebase.record import vocabulary
from casebase.record.word_list import Word

_DATA: Final = Path(__file__).parent / "data"
_LETTERS: Final = re.compile(r"[^\W\d_]+")

_ENDINGS: Final = (
    *(
        ("'s", ""),
        ("ies", "y"),
        ("ied", "y"),
        ("es", ""),
        ("s", ""),
        ("ed", ""),
        ("d", ""),
        ("ing", ""),
        ("ing", "e"),
    ),
    *(("er", ""), ("er", "e"), ("ier", "y"), ("est", ""), ("iest", "y"), ("y", ""), ("ish", ""), ("ly", "")),
    *(("ily", "y"), ("ness", ""), ("less", ""), ("able", ""), ("able", "e")),
)
_ENDINGS_BY_LETTER: Final = {
    letter: [(ending, instead) for ending, instead in _ENDINGS if ending[-1] == letter]
    for letter in {ending[-1] for ending, _ in _ENDINGS}
}
_LAST_LETTERS: Final = ("s", "d", "y", "er", "ing", "est", "ish", "able")
"""One of them ends each ending."""
_BEGINNINGS: Final = ("un", "re", "non", "mis", "over", "under", "pre", "dis")
_BEGUN: Final = re.compile(rf"^(?:{'|'.join(_BEGINNINGS)})", re.MULTILINE)
_SHORTEST_STEM: Final = 3

_UNITS: Final = (
    r"[munpkMµμ]?(?:V|A|W|F|Hz|ohms?|Ohms?|Ω|s|m|g|b|bar|Pa|bit/s|bits?|B|bytes?|Nm|bps|baud)|[kKM]ilo?ohms?|[kKMR]"
    r"|V(?:DC|AC|pp|rms)|Vdc|Vac|volts?|millivolts?|amps?|milliamps?|amperes?|watts?|hertz|kilometres?|kilometers?|miles?|mi"
    r"|metres?|meters?|[cdm]m|inch(?:es)?|in|feet|ft|lit(?:re|er)s?|l|kg|Ah|grams?|tons?|tonnes?|t|mph|kmh?|km/h|kph|rpm|psi|dB"
    r"|seconds?|secs?|sec|minutes?|mins?|min|hours?|hrs?|hr|h|days?|weeks?|months?|years?|yrs?|times?|percent|%|°\s?[CF]?"
    r"|degrees?|deg|x|kbps|Mbps|kbaud|kbit|Mbit|frames?|bits?|modules?|codes?|nodes?|faults?|wires?|pins?|ways?|cores?"
    r"|EUR|USD|GBP|€|£|st|nd|rd|th|am|pm|o'clock"
)
_NUMBER: Final = (
    r"[-+±~<>≈]?[0-9]{1,3}(?:[ ',\u202f\u00a0][0-9]{3}){0,2}(?:[.,][0-9]{1,3})?"
    r"|[-+±~<>]?(?:[0-9]{1,4}(?:[.,][0-9]{1,3})?|[.,][0-9]{1,3})"
)
_WHOLE: Final = rf"(?:{_NUMBER})(?![0-9])"
_RANGE: Final = rf"{_WHOLE}(?:\s?(?:-|\u2013|to|/|\.\.\.?|and|or|±|x)\s?{_WHOLE}){{0,3}}"
_DIGITS_IN_GROUPS: Final = (
    r"[-+±~<>≈]?+[0-9]{0,4}+(?:[',.][0-9]{1,3}+|[ \u202f\u00a0][0-9]{3}(?![0-9])){0,3}+"
)
_FIGURES_AND_A_LETTER: Final = (
    rf"{_DIGITS_IN_GROUPS}(?:\s?(?:[-/\u2013±]|\.\.\.?)\s?{_DIGITS_IN_GROUPS}){{0,3}}+[\s-]?[A-Za-zµμΩ°%€£]"
)
"""What each range with a unit begins with, and more: told quickly, where figures alone follow."""
_BYTES: Final = r"(?=[0-9A-F]{2} )(?=[0-9 ]{0,23}+[A-F])[0-9A-F]{2}(?: [0-9A-F]{2}){3,7}(?!\w)"
"""Of a frame, letters among them."""

_IN_HEXADECIMAL: Final = r"0x[0-9A-Fa-f]{1,3}(?!\w)"
_SO_MANY_WAYS: Final = (
    r"(?:2|4|6|8|10|12|14|16|20|24|26|32|48|50|64)"
    r"-(?:pin|way|wire|core|bit|speed|door|wheel|cylinder|volt)s?(?!\w)"
)
_BEHIND_A_POINT: Final = (_BYTES, _IN_HEXADECIMAL, _SO_MANY_WAYS)
"""What may stand behind a point as well; the others would be the rest of a number."""

_BEGIN_WITH_A_FIGURE: Final = (
    rf"(?={_FIGURES_AND_A_LETTER}){_RANGE}[\s-]?(?=[A-Za-zµμΩ°%€£])(?:{_UNITS})(?![\w'\u2019])",
    r"[0-9]{1,7}+ ?(?=[kmhoHbrfuµ])(?:km|miles|mi|h|hours|ohms?|Hz|bit/s|bps|rpm|mV|frames|ms|us|µs)(?!\w)",
    _BYTES,
    _IN_HEXADECIMAL,
    r"(?<!-)(?:19|20)[0-9]{2}-[01][0-9]-[0-3][0-9](?:[T ][0-2][0-9]:[0-5][0-9](?::[0-5][0-9])?Z?)?(?![\w-])",
    r"(?<!:)[0-2]?[0-9]:[0-5][0-9](?![\w:])",  # times of day
    r"(?<![,/-])(?:19[5-9]|20[0-4])[0-9](?![\w./-])",  # years
    r"(?>(?:[0-9]{1,3}(?:\.[0-9]{1,3})?|\.[0-9]{1,3})(?:/[0-9]{1,3}(?:\.[0-9]{1,2})?)?)(?![\w]|[.,:/-][0-9])",
    _SO_MANY_WAYS,
)
_BEGIN_WITH_A_LETTER: Final = (
    _BYTES,
    r"(?<!\.)[PCBU][0-3][0-9A-F]{3}(?:[-:/ ]?[0-9A-F]{2})?(?!\w)",  # codes (SAE J2012)
    r"(?:SPN|FMI|SA|PGN|OC)[ :]?[0-9]{1,6}(?!\w)",  # SAE J1939-73
    r"(?:ISO|SAE|EN|DIN|CiA|IEC|FMVSS)[ -]?[JR]?[0-9]{2,5}(?:[-/][0-9A-Z]{1,3})?(?!\w)",
    r"J[0-9]{4}(?:[-/][0-9]{1,2})?(?!\w)",
    r"(?<!-)[A-Z][0-9]{1,3}(?:[./:-][0-9]{1,2})?(?![\w-])",  # connectors, fuses, splices, earth points
    r"(?:pins?|cavit(?:y|ies)|terminals?|fuses?|relays?|cylinders?|banks?|slots?|ways?|positions?|channels?|tests?|steps?"
    r"|runs?|readings?|jobs?|version|revision|term(?:inal)?|wheels?|class|level|stage|phase)\s?[0-9]{1,3}"
    r"(?:(?:,?\s(?:and|or|to)\s|[,/ -]\s?)[0-9]{1,2}(?![.,]?[0-9])){0,4}(?!\w)",
)
TRADE_FORMS: Final = re.compile(
    rf"(?<!\w)(?:(?=[-+±~<>≈.,0-9])(?:(?<!\.)(?:{'|'.join(_BEGIN_WITH_A_FIGURE)})"
    rf"|(?<=\.)(?:{'|'.join(_BEHIND_A_POINT)}))"
    rf"|(?=[A-Za-z])(?:{'|'.join(_BEGIN_WITH_A_LETTER)}))"
)
"""Readings with a unit, codes, connectors, pins, days, small numbers: what every record is full of."""


@cache
def plain_words() -> frozenset[str]:
    """Return the words of the language and of the trade, in small letters."""
    shorts = (word.casefold() for word in capital_forms() if len(word) >= _SHORTEST_STEM)
    return _listed("words") | trade_words() | frozenset(shorts)


@cache
def words_that_are_names() -> frozenset[str]:
    """Return the plain words that people and places are also called by."""
    return _listed("words_that_are_names")


@cache
def trade_words() -> frozenset[str]:
    """Return the words of the trade that are written with a capital too, in small letters."""
    return frozenset(word.casefold() for text in _trade_texts() for word in _LETTERS.findall(text))


@cache
def capital_forms() -> frozenset[str]:
    """Return short forms of the trade as they are written: `DLC`, `FlexRay`, `kbit`."""
    told = frozenset(word for text in short_forms() for word in _LETTERS.findall(text) if len(word) > 1)
    return told | {"EUR", "USD", "GBP", "OL", "OK", "VIN", "ID"}


def is_plain(word: str) -> bool:
    """Return whether a word in small letters is of the language or the trade, as it stands or inflected.

    >>> is_plain("chafed"), is_plain("terminators"), is_plain("brandvoll")
    (True, True, False)
    """
    return _has_stem(word) or (
        word.startswith(_BEGINNINGS)
        and any(_has_stem(word[len(begin) :]) for begin in _BEGINNINGS if word.startswith(begin))
    )


def not_plain(words: Sequence[str]) -> set[str]:
    """Return of many words of letters, small or not, those that `is_plain` certainly does not know.

    All are made small at once and then lose their beginning at once; what ends as no other form of a word does, or has
    no stem before an ending, is unknown. Where most are of no language, that is ten times quicker than asking for each.
    """
    plain, stems = plain_words(), _stems()
    small = "\n".join(words).casefold()
    bare = _BEGUN.sub("", small)

    def may_be_inflected(word: str) -> bool:
        return word[:-1] in stems or word[:-2] in stems or word[:-3] in stems or word[:-4] in stems

    return {
        word
        for word, whole, rest in zip(words, small.split("\n"), bare.split("\n"), strict=False)
        if len(whole) > 1
        and whole not in plain
        and not (whole.endswith(_LAST_LETTERS) and may_be_inflected(whole))
        and (len(rest) == len(whole) or not (rest in plain or may_be_inflected(rest)))
        and not whole.startswith("under")  # two beginnings
    }


@cache
def _stems() -> frozenset[str]:
    """Return the plain words and all that may stand before an ending of one, of four letters at most."""
    words = plain_words()
    bare = words | {word[:-1] for word in words if word[-1] in "ey"}
    return bare | {stem + stem[-1] for stem in bare if stem}


def _has_stem(word: str) -> bool:
    words = plain_words()
    if word in words:
        return True
    for ending, instead in _ENDINGS_BY_LETTER.get(word[-1:], ()):
        if (
            word.endswith(ending)
            and len(word) - len(ending) >= _SHORTEST_STEM
            and _without(word, ending) + instead in words
        ):
            return True
    return False


def _without(word: str, ending: str) -> str:
    """Return the word without an ending, and without the letter that was doubled before it."""
    stem = word.removesuffix(ending)
    doubled = ending in ("ed", "ing") and stem[-1] == stem[-2] and stem not in plain_words()
    return stem[:-1] if doubled else stem


@cache
def _listed(name: str) -> frozenset[str]:
    return frozenset((_DATA / f"{name}.txt").read_text(encoding="utf-8").split())


def _trade_texts() -> list[str]:
    """Return the words of a record's vocabularies, of modules, and of what a code's type of failure says."""
    lists = [found for _, found in inspect.getmembers(vocabulary, inspect.isclass) if issubclass(found, Word)]
    tables = [read_table(name) for name in ("modules", "failure_types", "network_codes")]
    return [
        *(str(word) for found in lists for word in found),
        *(word.name for found in lists for word in found),
        *(value for table in tables for row in table for value in row.values() if value),
    ]
