"""Frames of CAN FD in an ASC log: `0.1 CANFD 1 Rx 123 1 0 9 12 11 22 ...`, flags, length code, length, data."""

from __future__ import annotations

from typing import Final

import numpy as np

from casebase.intake.bus_log import spaced_log
from casebase.intake.bus_log.frames import (
    BIT_RATE_SWITCH,
    ERROR_PASSIVE,
    EXTENDED,
    FD,
    FD_LENGTHS,
    FD_WIDTH,
    Channels,
    FrameBlock,
)
from casebase.intake.bus_log.log_lines import LogLines, Mask, Places
from casebase.intake.bus_log.spaced_log import Word

_WORDS_BEFORE_DATA: Final = 9
_LENGTHS: Final = np.array(FD_LENGTHS)


def fd_frames(lines: LogLines, channels: Channels) -> tuple[Mask, FrameBlock]:
    """Return the lines with a data frame of CAN FD whose symbolic name is left out, and these frames."""
    first = lines.first_words
    words = [lines.word(first + place) for place in range(_WORDS_BEFORE_DATA)]
    time, kind, channel, way, identifier, switch, passive, code, length = words
    rows = (lines.words_in >= _WORDS_BEFORE_DATA) & spaced_log.is_one_word_of(lines, kind, (b"CANFD",))
    rows &= spaced_log.is_one_word_of(lines, way, (b"Rx", b"Tx"))
    for flag in (switch, passive):
        rows &= spaced_log.is_one_word_of(lines, flag, (b"0", b"1"))
    rows &= code[1] - code[0] == 1
    rows = spaced_log.are_numbers(lines, rows, time, fraction=True)
    rows = spaced_log.are_numbers(lines, rows, channel) & (channel[1] - channel[0] <= 2)
    rows &= lines.letters[channel[0]] != ord("0")
    at = np.flatnonzero(rows)
    lengths, fits = _lengths(lines, _of(code, at), _of(length, at))
    fits &= lines.words_in[at] >= _WORDS_BEFORE_DATA + lengths
    extended = lines.one_of(identifier[1][at] - 1, b"xX")
    numbers, hex_identifier = lines.hex_numbers(identifier[0][at], identifier[1][at] - extended, 8)
    data, hex_data = spaced_log.spaced_data(lines, first[at] + _WORDS_BEFORE_DATA, lengths, FD_WIDTH)
    named, known = lines.channel_numbers(channel[0][at], channel[1][at], channels)
    fits &= hex_identifier & hex_data & known
    flags = FD | EXTENDED * extended
    flags |= BIT_RATE_SWITCH * (lines.letters[switch[0][at]] == ord("1"))
    flags |= ERROR_PASSIVE * (lines.letters[passive[0][at]] == ord("1"))
    block = FrameBlock(
        lines.decimals(time[0][at], time[1][at]),
        numbers,
        flags.astype(np.uint8),
        lengths.astype(np.uint8),
        data,
        named,
        np.zeros(len(at), np.uint32),
    )
    rows[at[~fits]] = False
    return rows, block.taken(fits)


def _of(word: Word, at: Places) -> Word:
    return word[0][at], word[1][at]


def _lengths(lines: LogLines, code: Word, length: Word) -> tuple[Places, Mask]:
    """Return data lengths in bytes, and which of them are above 0 and agree with their code in hex."""
    codes, known = lines.hex_numbers(*code, 1)
    told = _LENGTHS[codes]
    starts, ends = length
    digits = [lines.letters[starts + place].astype(np.int64) - ord("0") for place in (0, 1)]
    two = ends - starts == 2
    written = np.where(two, 10 * digits[0] + digits[1], digits[0])
    are_digits = (digits[0] >= 1) & (digits[0] <= 9) & (~two | ((digits[1] >= 0) & (digits[1] <= 9)))
    fits = known & are_digits & (ends - starts <= 2) & (written == told)
    return np.where(fits, told, 0), fits
