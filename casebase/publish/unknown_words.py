"""What is not known to be harmless in a text: words that no list knows, that may be names, figures of no reading.

A list of patterns finds what somebody thought of; here all is shown that nobody is known to have found harmless.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from casebase.publish.harmless_words import (
    TRADE_FORMS,
    capital_forms,
    is_plain,
    trade_words,
    words_that_are_names,
)
from casebase.publish.private_kinds import LEFT_OUT, Found, as_read

UNKNOWN: Final = "a word that no list knows"
MAYBE_A_NAME: Final = "a word that may be a name"
FIGURES: Final = "figures that may be somebody's"
ADDRESS: Final = "words that may be an address"

E_MAIL: Final = "words that may be an e-mail address"

_TOKEN: Final = re.compile(r"[^\W_]+(?:['\u2019][^\W_]+)*")
_SENTENCE_BEGINS: Final = re.compile(r"(?:^|[.!?:;]['\"”)\]]*\s|\n|[\n/\[(\"“] *)[\s\"'“([*-]*$")
_SINGLE: Final = re.compile(
    r"(?<![^\W_])[^\W_]([\s.,*-])[^\W_](?:\1[^\W_](?![^\W_])){3,}|(?<![^\W_])[^\W\d_](?:[ .-][^\W\d_](?![^\W_])){2,}"
)
"""Five letters or digits that stand alone, three letters: a word spelled out."""

_DIGIT_WORDS: Final = r"(?:zero|nought|oh|one|two|three|four|five|six|seven|eight|nine|double|triple|hundred)"
_SPELLED: Final = re.compile(rf"(?<!\w){_DIGIT_WORDS}(?:[\s,.-]+{_DIGIT_WORDS}){{3,}}(?!\w)", re.IGNORECASE)
_GROUPS: Final = re.compile(r"(?<![\w.,])\+?\(?[0-9]{1,4}\)?(?:[ /.-]+\(?[0-9]{1,4}\)?){2,}(?![\w.,]*[0-9])")
"""Three groups of digits or more: fewer than seven digits among them are a reading's (`found`)."""
_FEWEST_OF_GROUPS: Final = 6

_TITLES: Final = re.compile(
    r"(?<!\w)(?:mrs?|ms|miss|dr|herrn?|frau|fru|mme|madame|monsieur|se[ñn]ora?|signora?|sir)\.?(?=\s+\w)",
    re.IGNORECASE,
)
_DOTTED: Final = re.compile(
    r"(?<!\w)\w{1,64}\s{0,2}(?:\(at\)|\[at\]|@)\s{0,2}\w+|(?<!\w)\w{1,64} at \w{1,64} dot \w+"
    r"|(?<!\w)[^\W\d]\w{0,63} dot [^\W\d]\w*|(?<!\w)www\.\S+",
    re.IGNORECASE,
)
_POSITION: Final = re.compile(r"[0-9]{1,3}\s?°\s?[0-9]{1,2}\s?['\u2032.][^\s]*(?:\s?[NSEWO]\b)?")
_DAY: Final = re.compile(
    r"(?:19|20)[0-9]{2}[-./][01]?[0-9][-./][0-3]?[0-9]|[0-3]?[0-9][-./][01]?[0-9][-./](?:19|20)[0-9]{2}"
)
_OWN_THINGS: Final = (
    r"(?:customer|client|invoice|account|claim|policy|order|ticket|extension|ext|mobile|telephone|phone|tel|tlf|fax"
    r"|call|born|postcode|zip|p\.?o\.? box|card(?: ending in)?|password|pin of|frame no|chassis no|serial|number plate"
    r"|(?:last|first) (?:three|four|five|six|seven|eight)|three numbers|plates?|registered as)"
)
_OF_SOMEBODY: Final = re.compile(
    rf"(?<!\w){_OWN_THINGS}(?:\s*(?:no|nr|number|code|id|is|was|of (?:it|the \w+)|in|under))*[\s.:#]*"
    r"(?:[A-Z]{0,3}[- ]?[0-9][0-9./ -]{1,16}|[A-Z]{2,4} ?[0-9])(?![0-9])",
    re.IGNORECASE,
)
"""A word after which figures are somebody's own, however few there are."""

_STREETS: Final = (
    r"(?:streets?|lanes?|roads?|avenues?|crescent|terraces?|squares?|gardens?|cottages?|courts?|drives?|close|mill|green"
    r"|hill|farm|quay)"
)
_NO_NAME_OF_A_STREET: Final = r"(?:the|a|in|on|of|this|that|every|each|main|city|wet|same|across|our|his|her)"
_ADDRESS: Final = re.compile(
    rf"(?<![\w.])(?:no\. ?)?[0-9]{{1,4}}[a-z]?,? (?:the )?(?:[^\W\d]+ ){{1,2}}{_STREETS}(?!\w)"
    rf"|(?<!\w)(?!{_NO_NAME_OF_A_STREET} )[^\W\d]+ (?:street|avenue|crescent|lane)(?!\w)"
    r"|(?<!\w)[^\W\d]+ (?:street|road|lane),(?= )|(?<!\w)flat [0-9]{1,3},"
    r"|(?<!\w)no\. [0-9]{1,4}, (?:the )?\w+ \w+",
    re.IGNORECASE,
)
_CUES: Final = (
    (_TITLES, MAYBE_A_NAME),
    (_SINGLE, FIGURES),
    (_SPELLED, FIGURES),
    (_DOTTED, E_MAIL),
    (_OF_SOMEBODY, FIGURES),
    (_ADDRESS, ADDRESS),
    (_POSITION, FIGURES),
)


@dataclass(frozen=True)
class _Place:
    """A stretch of a text that is not known to be harmless, and why."""

    begin: int
    end: int
    kind: str


def unknown_in(text: str, accepted: Collection[str]) -> list[Found]:
    """Return what is not known to be harmless in a text, from left to right; neighbours together.

    `accepted` are the words that somebody took as harmless, as they were written.
    """
    plain, places = as_read(text)
    found = sorted([*_cued(plain), *_tokens(plain, accepted)], key=lambda one: (one.begin, -one.end))
    return [
        Found(one.kind, places[one.begin], places[one.end - 1] + 1, LEFT_OUT)
        for one in _joined(plain, found)
        if plain[one.begin : one.end] not in accepted
        and not all(word in accepted for word in words_of(plain[one.begin : one.end]))
    ]


def words_of(text: str) -> list[str]:
    """Return the words by which a stretch of text is accepted: each by itself, without what says whose it is."""
    return [
        match[0].removesuffix("'s").removesuffix("\u2019s") for match in _TOKEN.finditer(as_read(text)[0])
    ]


def _cued(text: str) -> Iterator[_Place]:
    for pattern, kind in _CUES:
        for match in pattern.finditer(text):
            yield _Place(match.start(), match.start() + len(match[0].rstrip()), kind)
    for match in _GROUPS.finditer(text):
        if sum(map(str.isdigit, match[0])) >= _FEWEST_OF_GROUPS and not _DAY.fullmatch(match[0]):
            yield _Place(match.start(), match.end(), FIGURES)


def _tokens(text: str, accepted: Collection[str]) -> Iterator[_Place]:
    """Yield every word and number outside the trade's forms that is not known."""
    harmless = bytearray(len(text))
    for match in TRADE_FORMS.finditer(text) if _DIGIT.search(text) else ():
        harmless[match.start() : match.end()] = b"\1" * (match.end() - match.start())
    for match in _TOKEN.finditer(text):
        word = match[0].removesuffix("'s").removesuffix("\u2019s")
        if (
            not harmless[match.start()]
            and word not in accepted
            and (kind := _what_is(word, text, match.start()))
        ):
            yield _Place(match.start(), match.end(), kind)


def _what_is(word: str, text: str, begin: int) -> str | None:
    """Return what is not known of a word, None where it is harmless."""
    if any(map(str.isdigit, word)):
        return FIGURES
    if len(word) == 1 or word in capital_forms():
        return None if word.isascii() or word in "µμΩ" else UNKNOWN
    small = _CONTRACTED.sub("", word.casefold())
    if not is_plain(small):
        return UNKNOWN
    if word == word.casefold():
        return None
    begins = _SENTENCE_BEGINS.search(text, max(0, begin - 6), begin) is not None or begin == 0
    if small in words_that_are_names():
        return None if begins and small in _COLOURS else MAYBE_A_NAME
    return None if begins or word.isupper() or small in trade_words() else MAYBE_A_NAME


_DIGIT: Final = re.compile(r"[0-9]")
_CONTRACTED: Final = re.compile(r"(?:n)?['\u2019](?:t|re|ve|ll|d|m)$")
_COLOURS: Final = frozenset(("black", "brown", "green", "grey", "gray", "white", "amber"))
"""Wires are called by them: at the beginning of a sentence they are colours."""


def _joined(text: str, found: Sequence[_Place]) -> list[_Place]:
    """Return the stretches with those together that touch, or that only a sign or a number parts."""
    joined: list[_Place] = []
    for one in found:
        if joined and _belong_together(text[joined[-1].end : one.begin]):
            last = joined.pop()
            joined.append(_Place(last.begin, max(last.end, one.end), last.kind))
        else:
            joined.append(one)
    return joined


_BETWEEN: Final = re.compile(r"[\s.,/_*…&:-]{0,3}(?:[0-9A-Z]{1,4}[\s.,/-]{0,2})?")


def _belong_together(between: str) -> bool:
    return not between or _BETWEEN.fullmatch(between) is not None
