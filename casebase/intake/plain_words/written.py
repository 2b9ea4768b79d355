"""A message in a form that rules can read: numbers as digits, one kind of dash and apostrophe, and its clauses.

Every place in that form leads back to the message as it was typed, so that what is understood can show its phrase.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import takewhile
from typing import Any, Final, cast


class _Rule:
    """A regular expression that is compiled when it is first used: a message needs some half of them."""

    def __init__(self, pattern: str, flags: int) -> None:
        self.pattern, self.flags = pattern, flags

    def __getattr__(self, name: str) -> Any:
        """Return a method of the compiled one, which from then on is called without this detour."""
        compiled = re.compile(self.pattern, self.flags)
        for method in ("search", "match", "fullmatch", "finditer", "findall", "sub", "subn"):
            setattr(self, method, getattr(compiled, method))
        return getattr(compiled, name)


def rule(pattern: str, flags: int = 0) -> re.Pattern[str]:
    """Return a regular expression, compiled when it is first used."""
    return cast("re.Pattern[str]", _Rule(pattern, flags))


LONGEST_MESSAGE: Final = 10_000
"""Characters that are read, some 1,600 words; what stands behind is left as story."""

LONGEST_PASTE: Final = 50_000
"""Characters of a message with a scan report in it; of the rest `LONGEST_MESSAGE`."""

LONGEST_CLAUSE: Final = 300
LONGEST_SENTENCE: Final = 1_200
"""Characters; whoever writes without a stop is cut, so that the work grows with the length of the message alone."""

Span = tuple[int, int]
Edit = tuple[int, int, str]
"""A stretch of the form that rules read, and what stands there instead."""

_ALIKE: Final = str.maketrans(
    {
        **dict.fromkeys("\u2018\u2019\u02bc`\u00b4", "'"),
        **dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2212", "-"),
        **dict.fromkeys("\u00a0\u202f\u2009\t\x0b\x0c", " "),
        "\r": "\n",
        "\u2126": "\u03a9",
        "\u2192": ">",
        **dict.fromkeys("|\u2022", ";"),
    }
)
_UNITS: Final = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS: Final = (
    *("ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen"),
    "nineteen",
)
_TENS: Final = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_SAID: Final = (
    {word: value for value, word in enumerate((*_UNITS, *_TEENS))}
    | {word: 10 * ten for ten, word in enumerate(_TENS, 2)}
    | {"fourty": 40, "nought": 0}
)
_NUMBER_WORD: Final = "|".join(sorted((*_SAID, "hundred", "thousand"), key=len, reverse=True))
_DIGIT_WORD: Final = f"(?:{'|'.join(_UNITS)})"
_POINT_ALONE: Final = (
    rf"point(?= {_DIGIT_WORD}(?: {_DIGIT_WORD})? (?:of an? )?(?:k|kilo|milli)? ?(?:ohms?|volts?)\b)"
)
"""`point four of an ohm`; with no unit behind it a point is a place or a time."""
_RUN: Final = rule(
    rf"\b(?:a )?(?:{_NUMBER_WORD}|{_POINT_ALONE})(?:(?:[ -]|,? and )(?:{_NUMBER_WORD}|point)){{0,11}}\b",
    re.IGNORECASE,
)
_NO_NUMBER: Final = rule(
    r"\b(?:hand|good|first|second|third|last|next|new|used|other|another|this|that|which|each|every|any|no|on|same"
    r"|old|bad|wrong|right|spare)\s$",
    re.IGNORECASE,
)
"""Words before a `one` that counts nothing."""
_ONE_THING: Final = rule(r" (?:end|side|line|wire|leg|of|thing|half|or the other|by one)\b", re.IGNORECASE)
"""Behind a `one` that is no reading: `one end is gone`."""
_OWNER_IN_CAPITALS: Final = rule(r"(?<=[A-Z]{3})(?<!ECU)'s\b")
"""Behind a module: `the ECM's codes`, `ABS's gone`."""
_OWNER: Final = rule(r"\b([A-Za-z]{3,12})'s\b")
_BREAKS: Final = rule(
    r"(?P<sentence>\n|[;?!]+(?=\s|$)|\.(?=\s+\S|\s*$)|\.{2,})"
    r"|(?P<clause>,(?!\d)|(?<!\d),|\b(?:but|so(?! (?:is|are|was|does|do|did|has)\b)|however|whereas)\b)",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Clause:
    """A piece of the message between commas and the like: its span, and the span of the sentence it stands in."""

    start: int
    end: int
    sentence: Span


@dataclass(frozen=True)
class Written:
    """The form that rules read: `text`, and where each piece of it stands in the message as it was `typed`."""

    typed: str
    text: str
    starts: list[int] = field(repr=False)
    origins: list[int] = field(repr=False)

    def phrase(self, start: int, end: int) -> str:
        """Return what was typed between two places of `text`, in one line."""
        return " ".join(self.typed[self.origin(start) : self.origin_of_end(end)].split())

    def origin(self, place: int) -> int:
        """Return where `place` of `text` stands in the message; a number in words has one place for all of it."""
        index = bisect_right(self.starts, place) - 1
        step = place - self.starts[index]
        following = self.origins[index + 1] if index + 1 < len(self.origins) else len(self.typed)
        return min(self.origins[index] + step, following)

    def origin_of_end(self, place: int) -> int:
        """Return where what ends before `place` of `text` ends in the message."""
        index = bisect_right(self.starts, place) - 1
        if place == self.starts[index]:
            return self.origins[index]
        ends_piece = index + 1 < len(self.starts) and place == self.starts[index + 1]
        return self.origins[index + 1] if ends_piece else self.origin(place)

    def edited(self, edits: Sequence[Edit]) -> Written:
        """Return the same with stretches replaced, in order; what replaces one came from all that was typed there."""
        if not edits:
            return self
        pieces: list[str] = []
        starts: list[int] = []
        origins: list[int] = []
        done = length = 0
        for start, end, text in (*edits, (len(self.text), len(self.text), "")):
            kept = self.starts[bisect_right(self.starts, done) : bisect_left(self.starts, start)]
            starts += [length + place - done for place in (done, *kept, start)]
            origins += [self.origin_of_end(done), *map(self.origin, kept), self.origin_of_end(start)]
            pieces += [self.text[done:start], text]
            length += start - done + len(text)
            done = end
        return Written(self.typed, "".join(pieces), starts, origins)

    def clauses(self) -> list[Clause]:
        """Return the clauses of the message in order, those without a letter or digit left out."""
        found: list[Clause] = []
        for sentence in self._sentences():
            for start, end in self._between(_BREAKS.finditer(self.text, *sentence), sentence, LONGEST_CLAUSE):
                if any(map(str.isalnum, self.text[start:end])):
                    found.append(Clause(start, end, sentence))
        return found

    def _sentences(self) -> Iterator[Span]:
        ends = (match for match in _BREAKS.finditer(self.text) if match["sentence"])
        yield from self._between(ends, (0, len(self.text)), LONGEST_SENTENCE)

    def _between(self, breaks: Iterator[re.Match[str]], within: Span, longest: int) -> Iterator[Span]:
        """Yield the pieces of a stretch of text between breaks, cut at a space where one is too long."""
        start = within[0]
        for until, following in (*(match.span() for match in breaks), (within[1], within[1])):
            while until - start > longest:
                space = self.text.rfind(" ", start + 1, start + longest)
                cut = space if space > 0 else start + longest
                yield start, cut
                start = cut
            yield start, until
            start = following


def written(message: str) -> Written:
    """Return the form of a message that rules read, in time linear in its length.

    >>> written("two point six on high, one hundred and twenty ohm").text
    '2.6 on high, 120 ohm'
    """
    typed = message[:LONGEST_MESSAGE]
    alike = _OWNER.sub(r"\1s ", _OWNER_IN_CAPITALS.sub("  ", typed.translate(_ALIKE)))
    pieces: list[str] = []
    starts, origins = [0], [0]
    done = length = 0
    levels = {
        two.start(f"{at}"): (
            two.end(f"{at}"),
            f"{_SAID[two[at + 'w'].lower()]}.{_SAID[two[at + 't'].lower()]}",
        )
        for two in _LEVELS.finditer(alike)
        for at in "ab"
    }
    for run in _RUN.finditer(alike):
        counts_nothing = _NO_NUMBER.search(alike, max(0, run.start() - 12), run.start()) or _ONE_THING.match(
            alike, run.end()
        )
        if run[0].lower() == "one" and counts_nothing:
            continue
        for first, last, digits in _numbers_in(run, levels):
            pieces += [alike[done:first], digits]
            length += first - done
            starts += [length, length + len(digits)]
            origins += [first, last]
            length += len(digits)
            done = last
    pieces.append(alike[done:])
    text = _COMMA_OF_LEADS.sub(" ", _COMMA_OF_LEVELS.sub(r"\g<first>/", "".join(pieces)))
    return Written(typed, text, starts, origins)


_COMMA_OF_LEADS: Final = rule(
    r",(?= (?:and )?(?:the )?(?:(?:other|second|red|black|negative|minus)(?: lead| probe)?|(?:lead"
    r"|probe)) (?:on|to|at) )",
    re.IGNORECASE,
)
"""Between where one lead was and where the other: `red on 6, black on 14`."""


_LEVEL: Final = r"[0-5]\.[0-9]{1,2}(?: ?(?:v|volts?)\b)?"
_COMMA_OF_LEVELS: Final = rule(
    rf"(?P<first>(?:^|[.;:,\n] |m ){_LEVEL}),(?= {_LEVEL}\s*(?:[.;,\n]|$|and\b(?! [0-9])|key\b|ign))",
    re.IGNORECASE,
)
"""Between two levels alone, which belong together as those of a slash do: `60 ohm, 2.6, 2.4`."""


_WORD: Final = rule(r"[A-Za-z]+")


_LEVELS: Final = rule(
    rf"(?<!pin )(?<!pins )\b(?P<a>(?P<aw>one|two|three|four)[ -](?P<at>{_DIGIT_WORD}))(?: on (?:high|low))?"
    rf"(?:,? and |, |/| over |,? (?:and )?on )(?P<b>(?P<bw>zero|one|two|three|four)[ -](?P<bt>{_DIGIT_WORD}))"
    rf"(?![ -](?:point|hundred|thousand|{_DIGIT_WORD}))\b",
    re.IGNORECASE,
)
"""Two levels said without their points: `two six and two four`."""


def _numbers_in(run: re.Match[str], levels: dict[int, tuple[int, str]]) -> Iterator[tuple[int, int, str]]:
    """Yield (start, end, digits) of each number that a run of number words holds: `six fourteen` is two."""
    words = [
        (word[0].lower(), run.start() + word.start(), run.start() + word.end())
        for word in _WORD.finditer(run[0])
    ]
    at = 0
    while at < len(words):
        used, digits = _number_at([word for word, _, _ in words[at:]])
        if words[at][1] in levels:
            used, digits = 2, levels[words[at][1]][1]
        if used:
            yield words[at][1], words[at + used - 1][2], digits
        at += used or 1


def _digits_at(words: list[str]) -> tuple[int, str]:
    """Return how many of `words` are digits said one by one, three at least, and these: `one two zero`."""
    digits = [str(_SAID[word]) for word in takewhile(lambda word: _SAID.get(word, 10) <= 9, words)]
    return (len(digits), "".join(digits)) if len(digits) >= _LEAST_DIGITS else (0, "")


_LEAST_DIGITS: Final = 3


def _number_at(words: list[str]) -> tuple[int, str]:
    """Return how many of `words` make one number, and its digits; 0 where none begins here."""
    if words[0] == "point":
        used, digits = _number_at(["zero", *words])
        return max(0, used - 1), digits
    one_by_one = _digits_at(words)
    if one_by_one[0]:
        return one_by_one
    used, value = _whole_at(words)
    if not used:
        return 0, ""
    decimals = ""
    if words[used : used + 1] == ["point"]:
        for word in words[used + 1 :]:
            if _SAID.get(word, 10) > 9 and not (not decimals and word in _SAID):
                break
            decimals += str(_SAID[word])
    return (
        (used + 1 + _words_of_decimals(words[used + 1 :]), f"{value}.{decimals}")
        if decimals
        else (used, str(value))
    )


def _words_of_decimals(words: list[str]) -> int:
    for count, word in enumerate(words):
        if _SAID.get(word, 10) > 9:
            return max(count, 1)
    return len(words)


def _whole_at(words: list[str]) -> tuple[int, int]:
    """Return (words used, value) of the whole number that `words` begin with."""
    at = 1 if words[:1] == ["a"] else 0
    used, value = _below_hundred(words[at:])
    if at and words[1:2] not in (["hundred"], ["thousand"]):
        return 0, 0
    at += used
    if not used:
        value = 1
    for word, size in (("hundred", 100), ("thousand", 1000)):
        if words[at : at + 1] == [word]:
            rest = at + 1 + (words[at + 1 : at + 2] == ["and"])
            more, small = _below_hundred(words[rest:])
            return (rest + more, value * size + small) if more else (at + 1, value * size)
    if not used:
        return 0, 0
    return _two_as_one(words, used, value)


def _two_as_one(words: list[str], used: int, value: int) -> tuple[int, int]:
    """Return (words used, value) of `one nineteen` (119) and `twenty nineteen` (2019), else as they were."""
    more, small = _below_hundred(words[used:])
    if used == 1 and value < 10 and small >= (10 if value == 1 else 20):
        return used + more, value * 100 + small
    if used == 1 and value in (19, 20) and small >= 10:
        return used + more, value * 100 + small
    return used, value


def _below_hundred(words: list[str]) -> tuple[int, int]:
    """Return (words used, value) of a number below a hundred: `thirty eight`."""
    first = _SAID.get(words[0]) if words else None
    if first is None:
        return 0, 0
    second = _SAID.get(words[1], 0) if len(words) > 1 else 0
    return (2, first + second) if first >= 20 and 0 < second < 10 else (1, first)
