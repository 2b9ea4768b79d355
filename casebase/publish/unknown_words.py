"""What is not known to be harmless in a text: words that no list knows, that may be names, figures of no reading.

A list of patterns finds what somebody thought of; here all is shown that nobody is known to have found harmless.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import accumulate, compress
from operator import itemgetter
from typing import Final, NamedTuple

from casebase.publish.harmless_words import (
    TRADE_FORMS,
    capital_forms,
    is_plain,
    not_plain,
    plain_words,
    trade_words,
    words_that_are_names,
)
from casebase.publish.private_kinds import LEFT_OUT, Found, as_read

UNKNOWN: Final = "a word that no list knows"
MAYBE_A_NAME: Final = "a word that may be a name"
FIGURES: Final = "figures that may be somebody's"
ADDRESS: Final = "words that may be an address"

E_MAIL: Final = "words that may be an e-mail address"

_WORD: Final = r"[^\W_]+(?:['\u2019][^\W_]+)*"
_TOKEN: Final = re.compile(f"({_WORD})")
_RUN_OR_TOKEN: Final = re.compile(rf"([0-9]++(?:[.,/:-][0-9]++)++(?!['\u2019]?[^\W_])|{_WORD})")
"""Figures that one sign parts are read at once: each of them is told, and they are told together."""
_SENTENCE_BEGINS: Final = re.compile(r"(?:^|[.!?:;]['\"”)\]]*\s|\n|[\n/\[(\"“] *)[\s\"'“([*-]*$")
_SINGLE: Final = re.compile(
    r"(?<![^\W_])(?=[^\W_][\s.,*-])(?:[^\W_]([\s.,*-])[^\W_](?:\1[^\W_](?![^\W_])){3,}"
    r"|[^\W\d_](?:[ .-][^\W\d_](?![^\W_])){2,})"
)
"""Five letters or digits that stand alone, three letters: a word spelled out."""

_DIGITS_SPELLED: Final = "zero nought oh one two three four five six seven eight nine double triple hundred"
_DIGIT_WORDS: Final = rf"(?:{_DIGITS_SPELLED.replace(' ', '|')})"
_SPELLED: Final = re.compile(rf"(?<!\w){_DIGIT_WORDS}(?:[\s,.-]+{_DIGIT_WORDS}){{3,}}(?!\w)", re.IGNORECASE)
_GROUPS: Final = re.compile(r"(?<![\w.,])\+?\(?[0-9]{1,4}\)?(?:[ /.-]+\(?[0-9]{1,4}\)?){2,}(?![\w.,]*[0-9])")
"""Three groups of digits or more: fewer than seven digits among them are a reading's (`found`)."""
_DIGITS_ENOUGH: Final = re.compile(r"(?:[^0-9]*+[0-9]){6}")

_TITLES: Final = re.compile(
    r"(?<!\w)(?:mrs?|ms|miss|dr|herrn?|frau|fru|mme|madame|monsieur|se[ñn]ora?|signora?|sir)\.?(?=\s+\w)",
    re.IGNORECASE,
)
_DOTTED: Final = re.compile(
    r"(?<!\w)(?:\w{1,64}(?:\s{0,2}(?:@|\(at\)|\[at\])\s{0,2}| at \w{1,64} dot )\w+"
    r"|[^\W\d]\w{0,63} dot [^\W\d]\w*|www\.\S+)",
    re.IGNORECASE,
)
_DEGREES: Final = re.compile(r"[0-9]{1,3}\s?°\s?[0-9]{1,2}\s?['\u2032.][^\s]*(?:\s?[NSEWO]\b)?")
_POSITION: Final = re.compile(
    r"[NS](?<!\w[NS]) ?[0-9]{1,2} [0-9]{1,2}\.[0-9]{1,5}[,;]? [EWO] ?[0-9]{1,3} [0-9]{1,2}\.[0-9]{1,5}(?!\w)"
)
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

_OWN_WORDS: Final = (  # fmt: skip
    "customer client invoice account claim policy order ticket ext mobile phone tel tlf fax call born postcode zip box"
    " card passw pin frame chassis serial plate last first three registered"
)

_STREETS: Final = (
    r"(?:streets?|lanes?|roads?|avenues?|crescent|terraces?|squares?|gardens?|cottages?|courts?|drives?|close|mill|green"
    r"|hill|farm|quay)"
)
_NO_NAME_OF_A_STREET: Final = r"(?:the|a|in|on|of|this|that|every|each|main|city|wet|same|across|our|his|her)"
_NUMBER_AND_STREET: Final = re.compile(
    rf"(?<![\w.])(?:no\. ?)?[0-9]{{1,4}}[a-z]?,? (?:the )?(?:[^\W\d]+ ){{1,2}}{_STREETS}(?!\w)", re.IGNORECASE
)
_STREET: Final = re.compile(
    r"(?<!\w)(?=[^\W\d]++ (?:street|avenue|crescent|lane|road))"  # asked first: one look at each word
    rf"(?:(?!{_NO_NAME_OF_A_STREET} )[^\W\d]+ (?:street|avenue|crescent|lane)(?!\w)"
    r"|[^\W\d]+ (?:street|road|lane),(?= ))",
    re.IGNORECASE,
)
_HOUSE: Final = re.compile(r"(?<!\w)(?:flat [0-9]{1,3},|no\. [0-9]{1,4}, (?:the )?\w+ \w+)", re.IGNORECASE)
_THREE_WORDS: Final = re.compile(r"///\w{1,64}(?:\.\w{1,64}){2}")


class Cue(NamedTuple):
    """What shows that a stretch of a text may be somebody's; one of some words, in small letters, stands in each.

    `has_figures` where each holds a figure as well.
    """

    pattern: re.Pattern[str]
    kind: str
    one_of: Sequence[str]
    has_figures: bool = False


_TITLE_WORDS: Final = "mr ms miss dr herr frau fru mme mada monsieur señor senor signor sir"
_STREET_WORDS: Final = (  # fmt: skip
    "street lane road avenue crescent terrace square garden cottage court drive close mill green hill farm quay"
)
_BEHIND_A_NAME: Final = [f" {word}" for word in _STREET_WORDS.split()]
CUES: Final = (
    Cue(_TITLES, MAYBE_A_NAME, _TITLE_WORDS.split()),
    Cue(_SINGLE, FIGURES, [""]),
    Cue(_SPELLED, FIGURES, _DIGITS_SPELLED.split()),
    Cue(_DOTTED, E_MAIL, ["@", "(at)", "[at]", " dot ", "www."]),
    Cue(_OF_SOMEBODY, FIGURES, _OWN_WORDS.split(), has_figures=True),
    Cue(_NUMBER_AND_STREET, ADDRESS, _BEHIND_A_NAME, has_figures=True),
    Cue(_STREET, ADDRESS, [" street", " avenue", " crescent", " lane", " road,"]),
    Cue(_HOUSE, ADDRESS, ["flat ", "no. "], has_figures=True),
    Cue(_THREE_WORDS, ADDRESS, ["///"]),
    Cue(_DEGREES, FIGURES, ["°"], has_figures=True),
    Cue(_POSITION, FIGURES, ["n", "s"], has_figures=True),
)


_Place = tuple[int, int, str]
"""A stretch of a text that is not known to be harmless: where it begins and ends, and why."""

_NOWHERE: Final = (0, 0, "")

_Kind = tuple[str, str | None]
"""What is not known of a word within a sentence, and at its beginning."""


def unknown_in(text: str, accepted: Collection[str]) -> list[Found]:
    """Return what is not known to be harmless in a text, from left to right; neighbours together.

    `accepted` are the words that somebody took as harmless, as they were written.
    """
    plain, places = as_read(text)
    found: Iterable[_Place] = _tokens(plain, accepted)
    if cued := list(_cued(plain)):
        both = sorted([*cued, *found], key=itemgetter(1), reverse=True)
        found = sorted(both, key=itemgetter(0))  # the longer of two that begin together is first
    joined = list(_joined(plain, found))
    stretches = {plain[begin:end] for begin, end, _ in joined}
    harmless = {stretch for stretch in stretches if _is_accepted(stretch, accepted)}
    if harmless:
        joined = [place for place in joined if plain[place[0] : place[1]] not in harmless]
    if plain is text:
        return [Found(kind, begin, end, LEFT_OUT) for begin, end, kind in joined]
    return [Found(kind, places[begin], places[end - 1] + 1, LEFT_OUT) for begin, end, kind in joined]


def _is_accepted(stretch: str, accepted: Collection[str]) -> bool:
    """Return whether a stretch was accepted, whole or each of its words; one without words needs no word of anybody."""
    if not accepted:
        return _TOKEN.search(stretch) is None
    return stretch in accepted or all(word in accepted for word in _words_in(stretch))


def words_of(text: str) -> list[str]:
    """Return the words by which a stretch of text is accepted: each by itself, without what says whose it is."""
    return list(_words_in(as_read(text)[0]))


def _words_in(plain: str) -> Iterator[str]:
    return (_without_owner(match[0]) for match in _TOKEN.finditer(plain))


def _without_owner(word: str) -> str:
    return word.removesuffix("'s").removesuffix("\u2019s")


def _cued(text: str) -> Iterator[_Place]:
    small, has_figures = text.translate(_DOTS_OF_I).lower(), _DIGIT.search(text) is not None
    for cue in CUES:
        if cue.has_figures > has_figures or not any(word in small for word in cue.one_of):
            continue
        for match in cue.pattern.finditer(text):
            begin, end = match.span()
            yield begin, end if not text[end - 1].isspace() else begin + len(match[0].rstrip()), cue.kind
    for match in _GROUPS.finditer(text) if has_figures else ():
        if _DIGITS_ENOUGH.match(match[0]) and not _DAY.fullmatch(match[0]):
            yield *match.span(), FIGURES


_DOTS_OF_I: Final = {0x130: "i", 0x131: "i"}
"""Patterns that do not heed capitals take these letters for an i."""


def _tokens(text: str, accepted: Collection[str]) -> Iterator[_Place]:
    """Yield every word and number outside the trade's forms that is not known; figures in a run are one."""
    left = _without_forms(text) if _DIGIT.search(text) else text
    # Of a word that a form begins or ends in the whole counts: only an apostrophe can part them.
    read, pattern = (text, _TOKEN) if any(edge in left for edge in _EDGES) else (left, _RUN_OR_TOKEN)
    pieces = pattern.split(read)  # what is between two words, a word, and so on
    if accepted and any(
        word in accepted for run in set(pieces[1::2]) if not run.isalnum() for word in _TOKEN.findall(run)
    ):
        pieces = _TOKEN.split(read)
    kinds = _kinds_of(set(pieces[1::2]))
    if accepted:
        kinds = {word: told for word, told in kinds.items() if _without_owner(word) not in accepted}
    told = list(map(kinds.get, pieces))
    lengths = list(map(len, pieces))
    for end, length, what in (
        compress(zip(accumulate(lengths), lengths, told, strict=True), told) if kinds else ()
    ):
        if what is None or left[begin := end - length] == _HARMLESS:
            continue
        kind, at_a_beginning = what
        if kind is at_a_beginning or not _begins_a_sentence(text, begin):
            yield begin, end, kind
        elif at_a_beginning:
            yield begin, end, at_a_beginning


_HARMLESS: Final = "\0"
"""Stands for each letter of a form of the trade; no word begins with it."""


_EDGES: Final = [form for sign in "'\u2019" for form in (sign + _HARMLESS, _HARMLESS + sign)]


def _without_forms(text: str) -> str:
    """Return the text, as long as before, without the trade's forms of numbers."""
    return TRADE_FORMS.sub(lambda form: _HARMLESS * len(form[0]), text)


def _begins_a_sentence(text: str, begin: int) -> bool:
    return begin == 0 or _SENTENCE_BEGINS.search(text, max(0, begin - 6), begin) is not None


def _kinds_of(words: set[str]) -> dict[str, _Kind]:
    """Return what is not known of each word that is not harmless: of most at once, of the others one by one."""
    left = words - plain_words()
    kinds: dict[str, _Kind] = dict.fromkeys(filter(str.isdecimal, left), _FIGURES_ANYWHERE)
    unknown = not_plain(list(filter(str.isalpha, left))) - capital_forms()
    kinds.update(dict.fromkeys(unknown, _UNKNOWN_ANYWHERE))
    if len(kinds) < len(left):
        kinds.update({word: told for word in left if word not in kinds and (told := _what_is(word))})
    return kinds


def _what_is(written: str) -> _Kind | None:
    """Return what is not known of a word within a sentence, and at its beginning; None where it is harmless."""
    only_letters = written.isalpha()
    word = written if only_letters else _without_owner(written)
    if not only_letters and any(map(str.isdigit, word)):
        return _FIGURES_ANYWHERE
    if len(word) == 1 or word in capital_forms():
        return None if word.isascii() or word in "µμΩ" else _UNKNOWN_ANYWHERE
    small = word.casefold() if only_letters else _CONTRACTED.sub("", word.casefold())
    if not is_plain(small):
        return _UNKNOWN_ANYWHERE
    if word == word.casefold():
        return None
    if small in words_that_are_names():
        return MAYBE_A_NAME, None if small in _COLOURS else MAYBE_A_NAME
    return None if word.isupper() or small in trade_words() else (MAYBE_A_NAME, None)


_FIGURES_ANYWHERE: Final = (FIGURES, FIGURES)
_UNKNOWN_ANYWHERE: Final = (UNKNOWN, UNKNOWN)
_DIGIT: Final = re.compile(r"[0-9]")
_CONTRACTED: Final = re.compile(r"(?:n)?['\u2019](?:t|re|ve|ll|d|m)$")
_COLOURS: Final = frozenset(("black", "brown", "green", "grey", "gray", "white", "amber"))
"""Wires are called by them: at the beginning of a sentence they are colours."""


def _joined(text: str, found: Iterable[_Place]) -> Iterator[_Place]:
    """Yield the stretches with those together that touch, or that only a sign or a number parts."""
    places = iter(found)
    begin, end, kind = next(places, _NOWHERE)
    for first, last, why in places:
        if first <= end or (first - end <= _LONGEST_BETWEEN and _parts_nothing(text[end:first])):
            end = max(end, last)
        else:
            yield begin, end, kind
            begin, end, kind = first, last, why
    if kind:
        yield begin, end, kind


_BETWEEN: Final = re.compile(r"[\s.,/_*…&:-]{0,3}(?:[0-9A-Z]{1,4}[\s.,/-]{0,2})?")
_LONGEST_BETWEEN: Final = 9


@lru_cache(maxsize=4096)
def _parts_nothing(between: str) -> bool:
    return _BETWEEN.fullmatch(between) is not None
