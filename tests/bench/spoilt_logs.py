"""Ways to spoil a log of a bus, each a function from its bytes and a source of chance to bytes."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Final

Spoil = Callable[[bytes, random.Random], bytes]

_ODD_WORDS: Final = (
    b"nan",
    b"inf",
    b"-1",
    b"1e308",
    b"9" * 40,
    b"#",
    b"##",
    b"0x",
    b"R",
    b",",
    b"=",
    b";",
    b"\xff\xfe",
    b"\0",
    b"ErrorFrame",
    b"CANFD 1 Rx",
    b";$FILEVERSION=9.9",
    b";$COLUMNS=D,I",
    b"base dec",
    b"LOBJ",
    b"\r",
)


def flip_bits(data: bytes, chance: random.Random) -> bytes:
    """Flip a bit in one to thirty bytes."""
    spoilt = bytearray(data)
    for _ in range(chance.randint(1, 30)):
        spoilt[chance.randrange(len(spoilt))] ^= 1 << chance.randrange(8)
    return bytes(spoilt)


def flip_bits_at_the_beginning(data: bytes, chance: random.Random) -> bytes:
    """Flip bits where headers stand."""
    spoilt = bytearray(data)
    for _ in range(chance.randint(1, 8)):
        spoilt[chance.randrange(min(200, len(spoilt)))] ^= 1 << chance.randrange(8)
    return bytes(spoilt)


def cut_off(data: bytes, chance: random.Random) -> bytes:
    """Cut the file off anywhere."""
    return data[: chance.randrange(len(data))]


def lose_a_part(data: bytes, chance: random.Random) -> bytes:
    """Leave a part out."""
    begin = chance.randrange(len(data))
    return data[:begin] + data[begin + chance.randint(1, 3000) :]


def repeat_a_part(data: bytes, chance: random.Random) -> bytes:
    """Give a part twice."""
    begin = chance.randrange(len(data))
    part = data[begin : begin + chance.randint(1, 3000)]
    return data[:begin] + part + data[begin:]


def put_words_between(data: bytes, chance: random.Random) -> bytes:
    """Put something odd into some places."""
    for _ in range(chance.randint(1, 5)):
        place = chance.randrange(len(data))
        data = data[:place] + chance.choice(_ODD_WORDS) + data[place:]
    return data


def overwrite_numbers(data: bytes, chance: random.Random) -> bytes:
    """Let four bytes say something else: a huge length, zero, minus one."""
    spoilt = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        place = chance.randrange(max(1, len(spoilt) - 4))
        spoilt[place : place + 4] = chance.choice([b"\xff" * 4, bytes(4), b"\0\0\0\x7f", chance.randbytes(4)])
    return bytes(spoilt)


def shuffle_lines(data: bytes, chance: random.Random) -> bytes:
    """Put some lines elsewhere, so that the clock goes back."""
    lines = data.splitlines(keepends=True)
    for _ in range(5):
        lines.insert(chance.randrange(len(lines)), lines.pop(chance.randrange(len(lines))))
    return b"".join(lines)


def nothing_of_it(_data: bytes, chance: random.Random) -> bytes:
    """Something else altogether."""
    return chance.choice(
        [b"", b"\n", b"\0" * 500, chance.randbytes(2000), b"PK\x03\x04" + chance.randbytes(99)]
    )


SPOILS: Final[tuple[Spoil, ...]] = (
    flip_bits,
    flip_bits_at_the_beginning,
    cut_off,
    lose_a_part,
    repeat_a_part,
    put_words_between,
    overwrite_numbers,
    shuffle_lines,
    nothing_of_it,
)
