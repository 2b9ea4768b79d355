"""Frames of logs whose data bytes stand apart as words: two letters, a space between."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from casebase.intake.bus_log.frames import CLASSICAL_WIDTH, FrameBlock
from casebase.intake.bus_log.log_lines import LONGEST_NUMBER, LogLines, Mask, Places

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
