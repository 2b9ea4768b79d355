"""The words in a level picture: how wide they run, how they break, and on which side of a mark they stand."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

WIDTH: Final = 360.0
"""Width of the picture in its own units."""

TEXT: Final = 14.0
"""Height of all text: 11 pixels where the picture is shown 288 wide, as on a page of 320."""

EDGE: Final = 2.0
GAP: Final = 9.0
MOST_LINES: Final = 4
_NARROW: Final = frozenset("iljtfI.,:;'|!()[] /-")
_BROAD: Final = frozenset("mwMWO@%&")


@dataclass(frozen=True)
class Word:
    """A word of a label; `strong` for the value."""

    text: str
    strong: bool = False


@dataclass(frozen=True)
class Label:
    """A label at `x`, running to the right of it or (`ends_there`) up to it."""

    x: float
    lines: tuple[tuple[Word, ...], ...]
    ends_there: bool = False


def width_of(text: str) -> float:
    """Return how wide `text` runs at most in a usual sans-serif face, in the picture's units.

    >>> width_of("2.4 V") < width_of("2.4 volts")
    True
    """
    return TEXT * sum(_ems(character) for character in text)


def printed(text: str) -> str:
    """Return `text` without what no screen prints or what turns the direction of writing."""
    return "".join(character if character.isprintable() else "\ufffd" for character in text)


def beside(left: float, right: float, value: str, words: str) -> Label:
    """Return the label of a mark between `left` and `right`: to its right if it fits, else where there is more room."""
    label = [*_words(value, strong=True), *_words(words)]
    room_right, room_left = WIDTH - EDGE - right - GAP, left - GAP - EDGE
    needed = _width(label)
    to_the_right = needed <= room_right or (needed > room_left and room_right >= room_left)
    room = room_right if to_the_right else room_left
    x = right + GAP if to_the_right else left - GAP
    return Label(x, tuple(_broken(label, room)), ends_there=not to_the_right)


def caption_place(wanted: float, text: str) -> float:
    """Return where a caption begins: at the place wanted, or further left where it would run out."""
    return max(EDGE, min(wanted, WIDTH - EDGE - width_of(text)))


def _ems(character: str) -> float:
    if unicodedata.east_asian_width(character) in "WF" or ord(character) > 0xFFFF:
        return 1.05
    if character in _NARROW:
        return 0.40
    return 1.0 if character in _BROAD else 0.72 if character.isupper() else 0.64


def _words(text: str, *, strong: bool = False) -> list[Word]:
    return [Word(word, strong) for word in printed(text).split(" ") if word]


def _width(words: Sequence[Word]) -> float:
    return sum(width_of(word.text) * (1.12 if word.strong else 1.0) for word in words) + width_of(" ") * max(
        0, len(words) - 1
    )


def _broken(words: Sequence[Word], room: float) -> Iterator[tuple[Word, ...]]:
    """Break words into lines that fit `room`; what is left after the last line becomes an ellipsis."""
    left = list(words)
    for number in range(MOST_LINES):
        line: list[Word] = []
        last = number == MOST_LINES - 1
        while left and _width([*line, left[0]]) <= room:
            line.append(left.pop(0))
        if left and not line:
            line.append(_cut(left, room))
        if left and last:
            line = _shortened(line, room)
        if line:
            yield tuple(line)


def _cut(left: list[Word], room: float) -> Word:
    """Take from the first word, too long for a line, what fits; at least one letter."""
    word = left[0]
    fits = next(
        (n for n in range(len(word.text), 1, -1) if _width([Word(word.text[:n], word.strong)]) <= room), 1
    )
    left[0] = Word(word.text[fits:], word.strong)
    if not left[0].text:
        left.pop(0)
    return Word(word.text[:fits], word.strong)


def _shortened(line: list[Word], room: float) -> list[Word]:
    """Return `line` with an ellipsis at its end, as many letters taken off as that needs."""
    ellipsis = Word("\u2026")
    while len(line) > 1 and _width([*line, ellipsis]) > room:
        line = line[:-1]
    last = line[-1]
    while len(last.text) > 1 and _width([*line[:-1], last, ellipsis]) > room:
        last = Word(last.text[:-1], last.strong)
    return [*line[:-1], Word(f"{last.text}\u2026", last.strong)]
