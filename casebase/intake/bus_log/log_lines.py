"""Whole lines of a text log as arrays: where words begin and end, and numbers and data read from many lines at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError
from casebase.intake.bus_log.frames import CLASSICAL_WIDTH, Channels, FrameBlock

Places = NDArray[np.int64]
Mask = NDArray[np.bool_]
Progress = Callable[[int, int], None]
"""Is told how many bytes of how many are read."""

BLOCK_BYTES: Final = 2_000_000
LONGEST_LINE: Final = 20_000
LONGEST_NUMBER: Final = 32
_LONGEST_CHANNEL: Final = 32
_PAD: Final = b"\n" * 256
_NO_DIGIT: Final = 255
_LINE_BREAK, _DOT, _SPACE = 10, 46, 32

_HEX: Final = np.full(256, _NO_DIGIT, np.uint8)
_HEX[np.frombuffer(b"0123456789abcdef", np.uint8)] = np.arange(16)
_HEX[np.frombuffer(b"ABCDEF", np.uint8)] = np.arange(10, 16)


def line_blocks(path: Path, progress: Progress) -> Iterator[tuple[bytes, int]]:
    """Yield the file in blocks of whole lines, each with the number of its first line."""
    whole, done, tail, line = path.stat().st_size, 0, b"", 1
    with path.open("rb") as file:
        while chunk := file.read(BLOCK_BYTES):
            done += len(chunk)
            progress(done, max(whole, done))
            text = tail + chunk
            end = text.rfind(b"\n") + 1
            tail = text[end:]
            if len(tail) > LONGEST_LINE:
                raise CaptureError(_not_lines(path, line + text.count(b"\n")))
            if end:
                yield _checked(text[:end], path, line), line
                line += text.count(b"\n")
    if tail:
        yield _checked(tail, path, line), line


def _checked(text: bytes, path: Path, line: int) -> bytes:
    if b"\0" in text:
        at = line + text[: text.index(b"\0")].count(b"\n")
        raise CaptureError(_not_lines(path, at))
    return text


def _not_lines(path: Path, line: int) -> str:
    return (
        f"{path}: line {line} is no line of text: expected a log in lines of plain text (ASCII or UTF-8);"
        " copy it again, or save it as plain text"
    )


class LogLines:
    """Some thousand lines and the places of their words; a word ends at a space or a line's end."""

    def __init__(self, text: bytes) -> None:
        self.text = text
        self.letters: NDArray[np.uint8] = np.frombuffer(text + _PAD, np.uint8)
        breaks = np.flatnonzero(self.letters[: len(text)] == _LINE_BREAK)
        if not text.endswith(b"\n"):
            breaks = np.append(breaks, len(text))
        self.ends: Places = breaks
        self.starts: Places = np.concatenate([[0], breaks[:-1] + 1])

    def __len__(self) -> int:
        return len(self.ends)

    def line(self, number: int) -> bytes:
        """Return one line without its end."""
        return self.text[self.starts[number] : self.ends[number]]

    @cached_property
    def _words(self) -> tuple[Places, Places]:
        blank = self.letters[: len(self.text) + 1] <= _SPACE
        edges = np.flatnonzero(blank[1:] != blank[:-1]) + 1
        if not blank[0]:
            edges = np.concatenate([[0], edges])
        return edges[0::2], edges[1::2]

    @cached_property
    def first_words(self) -> Places:
        """The number of each line's first word."""
        return np.searchsorted(self._words[0], self.starts)

    @cached_property
    def words_in(self) -> Places:
        """How many words each line has."""
        return np.diff(np.append(self.first_words, len(self._words[0])))

    def word(self, numbers: Places) -> tuple[Places, Places]:
        """Return where words begin and end."""
        starts, ends = self._words
        if not len(starts):
            return np.zeros_like(numbers), np.zeros_like(numbers)
        inside = np.minimum(numbers, len(starts) - 1)
        return starts[inside], ends[inside]

    def places_of(self, letter: bytes) -> Places:
        """Return where a letter stands."""
        return np.flatnonzero(self.letters[: len(self.text)] == letter[0])

    def one_of(self, places: Places, letters: bytes) -> Mask:
        """Return at which places one of `letters` stands."""
        table = np.zeros(256, bool)
        table[np.frombuffer(letters, np.uint8)] = True
        found: Mask = table[self.letters[places]]
        return found

    def _row_letters(self, starts: Places, ends: Places, width: int) -> NDArray[np.uint8]:
        columns = starts[:, None] + np.arange(width)
        return np.where(columns < ends[:, None], self.letters[columns], 0)

    def are_decimal(self, starts: Places, ends: Places, *, fraction: bool = False) -> Mask:
        """Return which texts are digits with at most one point; with `fraction`, one point between digits."""
        lengths = ends - starts
        width = int(min(max(lengths.max(initial=0), 1), LONGEST_NUMBER))
        rows = self._row_letters(starts, ends, width)
        dots = (rows == _DOT).sum(axis=1)
        digits = ((rows >= 48) & (rows <= 57)).sum(axis=1)
        fits: Mask = (digits + dots == lengths) & (digits > 0) & (dots <= 1)
        if fraction:
            fits &= (dots == 1) & (rows[:, 0] != _DOT) & (self.letters[ends - 1] != _DOT)
        return fits

    def decimals(self, starts: Places, ends: Places) -> NDArray[np.float64]:
        """Return texts that are decimal numbers as floats, rounded as Python's `float` does."""
        if not len(starts):
            return np.zeros(0)
        width = int(max((ends - starts).max(), 1))
        rows = np.ascontiguousarray(self._row_letters(starts, ends, width))
        return rows.view(f"S{width}").ravel().astype(np.float64)

    def hex_numbers(self, starts: Places, ends: Places, most_digits: int) -> tuple[NDArray[np.uint32], Mask]:
        """Return texts of hex digits as numbers, and which of them are just that."""
        found = np.zeros(len(starts), np.uint32)
        fits = (ends > starts) & (ends - starts <= most_digits)
        for place in range(most_digits):
            at = ends - 1 - place
            inside = at >= starts
            digits = _HEX[self.letters[np.maximum(at, 0)]]
            fits &= ~inside | (digits != _NO_DIGIT)
            found |= np.where(inside & (digits != _NO_DIGIT), digits, 0).astype(np.uint32) << 4 * place
        return found, fits

    def hex_pairs(
        self, starts: Places, counts: Places, width: int, step: int = 2
    ) -> tuple[NDArray[np.uint8], Mask]:
        """Return `counts` bytes per line, `width` at most, written as two digits every `step` letters."""
        rows = np.zeros((len(starts), width), np.uint8)
        fits = np.ones(len(starts), bool)
        for place in range(int(min(counts.max(initial=0), width))):
            wanted = counts > place
            at = np.where(wanted, starts + step * place, 0)
            high, low = _HEX[self.letters[at]], _HEX[self.letters[at + 1]]
            good = (high != _NO_DIGIT) & (low != _NO_DIGIT)
            fits &= good | ~wanted
            if step > 2:
                fits &= ~wanted | ((self.letters[at + 2] <= _SPACE) & (self.letters[at - 1] <= _SPACE))
            rows[:, place] = np.where(wanted & good, (high << 4) | (low & 15), 0)
        return rows, fits

    def channel_numbers(
        self, starts: Places, ends: Places, channels: Channels
    ) -> tuple[NDArray[np.uint16], Mask]:
        """Return the numbers of the channels named, and which names could be read."""
        numbers = np.zeros(len(starts), np.uint16)
        fits = (ends - starts <= _LONGEST_CHANNEL) & (ends > starts)
        if not fits.any():
            return numbers, fits
        width = int((ends - starts)[fits].max())
        rows = np.ascontiguousarray(self._row_letters(starts, np.minimum(ends, starts + width), width))
        names: NDArray[Any] = rows.view(f"S{width}").ravel()
        left = fits.copy()
        while left.any():
            name = names[int(left.argmax())]
            same = left & (names == name)
            numbers[same] = channels.number(name.decode(errors="replace"))
            left &= ~same
        return numbers, fits


Word = tuple[Places, Places]
Column = NDArray[Any]


def length_digits(lines: LogLines, word: Word) -> tuple[Places, Mask]:
    """Return data lengths written as one digit from 0 to 8, and which are."""
    starts, ends = word
    digits = lines.letters[starts].astype(np.int64) - ord("0")
    fits = (ends - starts == 1) & (digits >= 0) & (digits <= CLASSICAL_WIDTH)
    return np.where(fits, digits, 0), fits


def is_one_word_of(lines: LogLines, word: Word, texts: tuple[bytes, ...]) -> Mask:
    """Return which words are one of `texts`, all of one length."""
    starts, ends = word
    length = len(texts[0])
    found = np.zeros(len(starts), bool)
    for text in texts:
        same = ends - starts == length
        for place, letter in enumerate(text):
            same &= lines.letters[starts + place] == letter
        found |= same
    return found


def are_numbers(lines: LogLines, rows: Mask, word: Word, *, fraction: bool = False) -> Mask:
    """Return which of `rows` have a decimal number for a word."""
    starts, ends = word
    found = rows & (ends - starts <= LONGEST_NUMBER)
    at = np.flatnonzero(found)
    found[at] = lines.are_decimal(starts[at], ends[at], fraction=fraction)
    return found


def spaced_data(
    lines: LogLines, data_words: Places, lengths: Places, width: int = CLASSICAL_WIDTH
) -> tuple[Column, Mask]:
    """Return the data bytes that stand as words from `data_words` on, one space apart, and which do."""
    starts, _ = lines.word(data_words)
    return lines.hex_pairs(starts, lengths, width, step=3)


def classical_block(  # noqa: PLR0913, PLR0917  one parameter per column
    seconds: Column,
    identifiers: Column,
    extended: Mask,
    lengths: Places,
    data: Column,
    channels: Column,
) -> FrameBlock:
    """Return data frames of classical CAN."""
    return FrameBlock(
        seconds,
        identifiers,
        extended.astype(np.uint8),
        lengths.astype(np.uint8),
        data,
        channels,
        np.zeros(len(seconds), np.uint32),
    )


_OF_DAY: Final = re.compile(r"(?:(\d+)[ :])?(\d{1,2}):(\d{2}):(\d{2})[.,:]?(\d*)")
_SET_BACK_SECONDS: Final = 0.5
"""Frames of several channels may stand that far out of order (chosen); a clock that goes back further was set."""


def moment_of(text: bytes | str) -> float | None:
    """Return seconds from a number, a time of day or a date with time; None where it is none.

    >>> moment_of("00:00:01.250"), moment_of(b"12.5")
    (1.25, 12.5)
    """
    told = (text.decode("utf-8", "replace") if isinstance(text, bytes) else text).strip().strip("\"'")
    try:
        return float(told)
    except ValueError:
        pass
    found = _OF_DAY.fullmatch(told)
    if found:
        days, hours, minutes, seconds = (int(found[place] or 0) for place in range(1, 5))
        return float(f"{((days * 24 + hours) * 60 + minutes) * 60 + seconds}.{found[5] or 0}")
    try:
        moment = datetime.fromisoformat(told.replace("/", "-"))
    except ValueError:
        return None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


class OnwardClock:
    """Lets time go on where a log's clock was set back: what was sent after that counts on from there."""

    def __init__(self) -> None:
        self.set_back = 0
        """How often it was."""
        self._offset = 0.0
        self._latest: float | None = None

    def onward(self, block: FrameBlock) -> FrameBlock:
        """Return the block with times that go on."""
        seconds = block.seconds
        if not len(seconds):
            return block
        before = np.concatenate([[seconds[0] if self._latest is None else self._latest], seconds[:-1]])
        back = np.flatnonzero(seconds - before < -_SET_BACK_SECONDS)
        self._latest = float(seconds[-1])
        if not len(back) and not self._offset:
            return block
        self.set_back += len(back)
        steps: NDArray[np.float64] = np.zeros(len(seconds))
        steps[back] = (before - seconds)[back]
        offsets = self._offset + np.cumsum(steps)
        self._offset = float(offsets[-1])
        return FrameBlock(
            seconds + offsets, *(getattr(block, name) for name in FrameBlock.__slots__ if name != "seconds")
        )
