"""Ways to spoil what a good record file says, written as JSON: wrong kinds of things, keys, broken notation."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterator
from typing import Any, Final

from casebase.record.json_form import plain_data
from casebase.record.loading import load_text

_GARBAGE: Final[list[Any]] = [
    None,
    True,
    False,
    0,
    -1,
    10**25,
    1.5,
    -0.0,
    1e308,
    "",
    " ",
    "x" * 30_000,
    "nul\0",
    "\u202e\u0301\U0001f4a5",
    "\x1b[31m",
    [],
    [[]],
    {},
    {"a": {"b": []}},
    ["text", 3, None],
    "NaN",
    "1e999 ohm",
    "12 parsec",
    "2031-01-01",
    "99-99-99",
    "0001-01-01",
    "SPN 999999999 FMI 99",
    "U0121-GG",
    "- dash",
    "*star",
    "!tag",
]


def garbage_in_the_data(text: str, chance: random.Random) -> bytes:
    """Replace any value, however deep, by another kind of thing; written as JSON."""
    data = plain_data(load_text(text, "good.yaml")[0])
    holder, key = _any_place(data, chance)
    holder[key] = chance.choice(_GARBAGE)
    return json.dumps(data).encode()


def keys_in_the_data(text: str, chance: random.Random) -> bytes:
    """Rename, add or take away a key, however deep; written as JSON."""
    data = plain_data(load_text(text, "good.yaml")[0])
    holder, key = _any_place(data, chance)
    if isinstance(holder, dict):
        value = holder.pop(key)
        holder |= chance.choice(
            [{}, {f"{key}s": value}, {"": value}, {key.upper(): value}, {"id": value}, {"\x00": 1}]
        )
    return json.dumps(data).encode()


def spoil_json(text: str, chance: random.Random) -> bytes:
    """Break the notation of JSON: cut off, a key twice, NaN, commas, comments, endless digits, depth."""
    good = json.dumps(plain_data(load_text(text, "good.yaml")[0]))
    digits = re.sub(r'"model_year": \d+', '"model_year": ' + "9" * 6000, good)
    spoilt = [
        good[: chance.randrange(len(good))],
        good[:-1] + ', "kind": "fault case"}',
        re.sub(r'"model_year": \d+', '"model_year": NaN', good),
        re.sub(r'"model_year": \d+', '"model_year": -Infinity', good),
        re.sub(r'"model_year": \d+', '"model_year": 1e999', good),
        digits,
        good[:-1] + ",}",
        "// told\n" + good,
        good.replace('"', "'"),
        good[:-1] + ', "note": ' + "[" * 50_000,
        good + good,
        f"[{good}, 3]",
        good[:-1] + ', "note": "\\ud800"}',
        good[:-1] + ', "note": "\\u0000"}',
        json.dumps(good),
        "\ufeff\ufeff" + good,
    ]
    return chance.choice(spoilt).encode()


def _any_place(data: Any, chance: random.Random) -> tuple[Any, Any]:
    """Return a holder and a key or index in it, anywhere in `data`."""
    places = list(_places(data))
    return chance.choice(places)


def _places(data: Any) -> Iterator[tuple[Any, Any]]:
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        yield data, key
        yield from _places(value)
