"""Ways to spoil a good record file, each a function from the file's text and a source of chance to bytes."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from typing import Final

from mutations_of_data import garbage_in_the_data, keys_in_the_data, spoil_json

Spoil = Callable[[str, random.Random], bytes]

_VALUES: Final = (
    "!!python/object/apply:os.system [ls]",
    "!!binary aGVsbG8=",
    "!!set {a, b}",
    "!unknown {a: b}",
    "&a [*a]",
    "*nowhere",
    "<<",
    ".nan",
    "-.inf",
    "1e999",
    "9" * 5000,
    "0x" + "f" * 400,
    "2024-13-45",
    "[" * 400,
    "{" * 400,
    "'unclosed",
    '"\\ud800"',
    '"\\x1b[2J"',
    "|9",
    "> ",
    "? [a, b]",
    "@at",
    "`tick",
    "%percent",
    "no: no: no",
)
_WRONG_UNITS: Final = {
    "ohm": "kg",
    " V": " A",
    "km": "parsec",
    "EUR": "shells",
    "kbit/s": "furlong",
    "min": "moons",
}


def flip_bytes(text: str, chance: random.Random) -> bytes:
    """Flip a bit in one to forty bytes, as a bad stick does."""
    data = bytearray(text.encode())
    for _ in range(chance.randint(1, 40)):
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    return bytes(data)


def cut_off(text: str, chance: random.Random) -> bytes:
    """Cut the file off anywhere, in the middle of a character too."""
    data = text.encode()
    return data[: chance.randrange(len(data))]


def lose_lines(text: str, chance: random.Random) -> bytes:
    """Leave out one to five lines."""
    lines = text.splitlines(keepends=True)
    for _ in range(chance.randint(1, 5)):
        del lines[chance.randrange(len(lines))]
    return "".join(lines).encode()


def shuffle_lines(text: str, chance: random.Random) -> bytes:
    """Put some lines elsewhere."""
    lines = text.splitlines(keepends=True)
    for _ in range(3):
        lines.insert(chance.randrange(len(lines)), lines.pop(chance.randrange(len(lines))))
    return "".join(lines).encode()


def repeat_line(text: str, chance: random.Random) -> bytes:
    """Give a line twice: a key given twice, mostly."""
    lines = text.splitlines(keepends=True)
    place = chance.randrange(len(lines))
    return "".join([*lines[:place], lines[place], *lines[place:]]).encode()


def shift_line(text: str, chance: random.Random) -> bytes:
    """Indent a line by a space or a tab."""
    lines = text.splitlines(keepends=True)
    place = chance.randrange(len(lines))
    lines[place] = chance.choice([" ", "\t", "   "]) + lines[place]
    return "".join(lines).encode()


def misspell_a_key(text: str, chance: random.Random) -> bytes:
    """Swap two letters of a key."""
    key = chance.choice(list(re.finditer(r"[a-z_]{3,}(?=:)", text)))
    word = list(key[0])
    place = chance.randrange(len(word) - 1)
    word[place : place + 2] = reversed(word[place : place + 2])
    return (text[: key.start()] + "".join(word) + text[key.end() :]).encode()


def wrong_unit(text: str, chance: random.Random) -> bytes:
    """Give values a unit that they cannot have."""
    right = chance.choice([unit for unit in _WRONG_UNITS if unit in text])
    return text.replace(right, _WRONG_UNITS[right]).encode()


def no_unit(text: str, _chance: random.Random) -> bytes:
    """Take the units away; where a bare number is allowed, the record stays good."""
    return re.sub(r"(?<=[0-9]) (km|ohm|V|EUR|kbit/s)\b", "", text).encode()


def spoil_a_value(text: str, chance: random.Random) -> bytes:
    """Put a tag, an alias, an endless number, half a quotation in the place of a value."""
    value = chance.choice(list(re.finditer(r"(?<=: )[^\n,}\]]+", text)))
    return (text[: value.start()] + chance.choice(_VALUES) + text[value.end() :]).encode()


def insert_bytes(text: str, chance: random.Random) -> bytes:
    """Put bytes between that are no UTF-8, or NUL bytes, or control characters."""
    data = text.encode()
    place = chance.randrange(len(data))
    bad = chance.choice(
        [
            b"\xff\xfe",
            b"\xc3(",
            b"\x00",
            b"\x00" * 500,
            b"\x1b[31m",
            b"\xed\xa0\x80",
            b"\xf4\x90\x80\x80",
            b"\x07",
        ]
    )
    return data[:place] + bad + data[place:]


def other_encoding(text: str, chance: random.Random) -> bytes:
    """Save it in an encoding other than UTF-8."""
    return ("\u00e9 " + text).encode(
        chance.choice(["utf-16", "utf-32", "latin-1", "utf-16-le"]), errors="replace"
    )


def nest_deeply(text: str, chance: random.Random) -> bytes:
    """Nest a value thousands deep."""
    depth = chance.choice([200, 2_000, 20_000])
    opening, closing = chance.choice([("[", "]"), ("{a: ", "}"), ("- ", "")])
    return f"{text}\nnote: {opening * depth}x{closing * depth}\n".encode()


def multiply_by_aliases(text: str, chance: random.Random) -> bytes:
    """Let a few aliases stand for billions of values."""
    levels = chance.randint(7, 30)
    lines = ["a0: &a0 [x, x]"]
    lines += [f"a{level}: &a{level} [{', '.join([f'*a{level - 1}'] * 9)}]" for level in range(1, levels)]
    where = chance.choice(["lamps", "readings", "note", "vehicle", "codes"])
    return "\n".join([*lines, re.sub(rf"(?m)^{where}:.*$", "", text), f"{where}: *a{levels - 1}"]).encode()


def anchors(text: str, chance: random.Random) -> bytes:
    """Use an anchor and an alias, as YAML allows; merge keys too."""
    return text.encode() + chance.choice(
        [
            b"\nnote: &n told\ntitle: *n\n",
            b"\n<<: {note: merged}\n",
            b"\nnote: *missing\n",
            b"\nnote: &n [*n]\n",
        ]
    )


def nothing_of_it(text: str, chance: random.Random) -> bytes:
    """Something else altogether: empty, blank, a picture's first bytes, noise, a list, a page of HTML."""
    noise = chance.randbytes(chance.randint(1, 4000))
    signs = "".join(chance.choices("{}[]:,-?&*!|>'\"%@`# \n\tab0", k=chance.randint(1, 300)))
    other = [
        b"",
        b"\n\n \n",
        b"---\n---\n",
        b"\x89PNG\r\n\x1a\n" + noise,
        noise,
        signs.encode(),
        b"- a\n- b\n",
        b"<!DOCTYPE html><p>hi",
    ]
    return chance.choice(other)


def very_long(text: str, chance: random.Random) -> bytes:
    """A line, a list or a text far longer than anybody writes."""
    return (
        text
        + chance.choice(
            [
                f"\nnote: {'word ' * 30_000}\n",
                f"\n{'k' * 3_000}: 1\n",
                f"\nsymptoms: [{'x, ' * 5_000}x]\n",
                f"\nlamps: [{'engin, ' * 5_000}engine]\n",
                "\n" + "".join(f"key_{number}: 1\n" for number in range(3_000)),
            ]
        )
    ).encode()


def claim_a_revision(text: str, chance: random.Random) -> bytes:
    """Name an ID and a revision that no library gave."""
    claims = [
        "id: zzzzzzzz\nrevision: 0\n",
        "id: il0o\n",
        "id: [a]\n",
        "revision: -3\n",
        "id: '../../etc'\n",
        "revision: many\n",
    ]
    return (chance.choice(claims) + text).encode()


MUTATIONS: Final[list[tuple[Spoil, str]]] = [
    (flip_bytes, ".yaml"),
    (cut_off, ".yaml"),
    (lose_lines, ".yaml"),
    (shuffle_lines, ".yaml"),
    (repeat_line, ".yaml"),
    (shift_line, ".yaml"),
    (misspell_a_key, ".yaml"),
    (wrong_unit, ".yaml"),
    (no_unit, ".yaml"),
    (spoil_a_value, ".yaml"),
    (spoil_a_value, ".yml"),
    (insert_bytes, ".yaml"),
    (other_encoding, ".yaml"),
    (nest_deeply, ".yaml"),
    (multiply_by_aliases, ".yaml"),
    (anchors, ".yaml"),
    (garbage_in_the_data, ".json"),
    (garbage_in_the_data, ".jsonl"),
    (garbage_in_the_data, ".yaml"),
    (keys_in_the_data, ".json"),
    (keys_in_the_data, ".yaml"),
    (spoil_json, ".json"),
    (spoil_json, ".jsonl"),
    (nothing_of_it, ".yaml"),
    (nothing_of_it, ".json"),
    (very_long, ".yaml"),
    (claim_a_revision, ".yaml"),
]
