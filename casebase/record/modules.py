"""Which control module a name means: one short key for the many ways in which people write it.

A key is a few plain words, `anti-lock brakes`, where needed with a place (`door control front left`) and with
the letter that tells twins apart (`engine control B`). Its family is the key without them. The letter A is
dropped where it only means "the usual one" (`ABS A` is `anti-lock brakes`), and kept where each twin has a
life of its own (`body control A`). The names are the trade's own (common practice, no source); they stand in
`data/modules.csv`, abbreviations in capitals. Those of `data/modules_alone.csv` mean other things too: they count only
where they are the whole name, never within a text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Final, NamedTuple, overload

from casebase.places import read_table

Words = tuple[str, ...]
_Onward = dict[str | None, "_Onward"]

_WORD: Final = re.compile(r"[A-Za-z0-9]+")
_LETTERS: Final = frozenset("abcdefghijklmnop")
_CAPITALS: Final = frozenset(map(str.upper, _LETTERS))
_PLAIN_FILLERS: Final = frozenset({"module", "unit", "ecu", "controller", "computer", "assembly", "the"})
_ALL_FILLERS: Final = _PLAIN_FILLERS | {
    "control",
    "system",
    "electronic",
    "electronics",
    "electrical",
    "electric",
}
_PLACES: Final[dict[str, Words]] = {
    "front": ("front",),
    "rear": ("rear",),
    "left": ("left",),
    "right": ("right",),
    "driver": ("driver",),
    "drivers": ("driver",),
    "passenger": ("passenger",),
    "passengers": ("passenger",),
    "lh": ("left",),
    "rh": ("right",),
    "lf": ("front", "left"),
    "fl": ("front", "left"),
    "rf": ("front", "right"),
    "fr": ("front", "right"),
    "lr": ("rear", "left"),
    "rl": ("rear", "left"),
    "rr": ("rear", "right"),
}
_PLACE_ORDER: Final = ("front", "rear", "left", "right", "driver", "passenger")
_SIDES: Final = frozenset({"left", "right", "driver", "passenger"})
_IN_BRACKETS: Final = re.compile(r"\(([^()]{0,60})\)|\[([^\[\]]{0,60})\]")
_BETWEEN_NAMES: Final = re.compile(r"[/,:;|]| - ")
_ADDRESS_IN_FRONT: Final = re.compile(
    r"^\s{0,8}(?:(?:0[xX])?[0-9][0-9A-Fa-f]{0,2}\s{0,3}[-:.)]\s{0,3}|(?:ECU|ecu)\s?[0-9]{1,3}\s{1,4}(?=[A-Za-z]))"
)
LONGEST_MODULE_NAME: Final = 80


class NamedModule(NamedTuple):
    """A module named within a text: its key, and the span of characters that names it."""

    key: str
    start: int
    end: int


@dataclass(frozen=True)
class _Names:
    """Lookups from words to family: as written, without plain fillers, without all fillers.

    `onward` leads from each word of a name, beginning with its first, to the words that may follow; None is among them
    where a name may end.
    """

    levels: tuple[dict[Words, str], dict[Words, str], dict[Words, str]]
    abbreviations: frozenset[str]
    short: dict[str, str]
    keep_letter_a: frozenset[str]
    onward: _Onward
    longest_key: int
    alone: dict[Words, str]


@cache
def _names() -> _Names:
    rows = read_table("modules")
    levels: tuple[dict[Words, str], dict[Words, str], dict[Words, str]] = ({}, {}, {})
    spellings = [
        (row["key"], name) for row in rows for name in (row["key"], *row["names"].split(";")) if name
    ]
    for family, name in spellings:
        for level, words in zip(levels, _without_fillers(_words_of(name)), strict=True):
            if words:
                level.setdefault(words, family)
    return _Names(
        levels=levels,
        abbreviations=frozenset(" ".join(_words_of(name)) for _, name in spellings if name == name.upper()),
        short={row["key"]: row["short"] for row in rows},
        keep_letter_a=frozenset(row["key"] for row in rows if row["letter_a"] == "kept"),
        onward=_onward(levels[0]),
        longest_key=max(len(row["key"].split()) for row in rows),
        alone={
            _words_of(name): row["key"]
            for row in read_table("modules_alone")
            for name in row["names"].split(";")
        },
    )


def _onward(named: Iterable[Words]) -> _Onward:
    root: _Onward = {}
    for words in named:
        here = root
        for word in (*words, None):
            here = here.setdefault(word, {})
    return root


def _words_of(text: str) -> Words:
    return tuple(word.lower() for word in _WORD.findall(text.replace("'", "")))


def _without_fillers(words: Words) -> tuple[Words, Words, Words]:
    plain = tuple(word for word in words if word not in _PLAIN_FILLERS)
    return words, plain, tuple(word for word in plain if word not in _ALL_FILLERS)


def _family_named(words: Words) -> str | None:
    forms = _without_fillers(words)
    levels = zip(_names().levels, forms, strict=True)
    found = next((level[form] for level, form in levels if form in level), None)
    return found or _names().alone.get(forms[1])


def _split_letter(words: Words) -> tuple[Words, str]:
    """Return `words` without a letter or digit at the end that tells twins apart, and that letter.

    It may stand before "control module", which then goes too.
    """
    front = list(words)
    while front and front[-1] in _ALL_FILLERS:
        front.pop()
    if len(front) < 2 or not (front[-1] in _LETTERS or (front[-1].isdigit() and len(front[-1]) == 1)):
        return words, ""
    letter = front.pop().upper()
    if front[-1] in {"no", "number"}:
        front.pop()
    return tuple(front), letter


def _split_places(words: Words, wanted: frozenset[str]) -> tuple[Words, Words]:
    """Return `words` without those for a place, if all it says is wanted, and these in a fixed order."""
    said = {word: _PLACES[word] for word in words if word in _PLACES and wanted.issuperset(_PLACES[word])}
    places = {place for spelled_out in said.values() for place in spelled_out}
    rest = tuple(word for word in words if word not in said)
    return rest, tuple(place for place in _PLACE_ORDER if place in places)


def _key_of_words(words: Words) -> str | None:
    family = _family_named(words)
    if family:
        return family
    words, letter = _split_letter(words)
    # First without the side only: "front" may be part of a module's own name.
    for wanted in (frozenset[str](), _SIDES, frozenset(_PLACE_ORDER)):
        bare, places = _split_places(words, wanted)
        family = _family_named(bare)
        if family:
            is_usual_one = letter in {"A", "1"} and family not in _names().keep_letter_a
            return " ".join(part for part in (family, *places, "" if is_usual_one else letter) if part)
    return None


_NO_MORE: Final = ("",) * 16
"""Stands after the words of a text: no name reaches past its end."""

_FEW: Final = 12
"""Words of a name whose key is kept in memory; a longer one is mostly words for a place."""


@lru_cache(maxsize=4096)
def _key_of_few(words: str) -> str | None:
    return _key_of_words(tuple(words.split()))


def _ways_to_read(name: str) -> Iterator[str]:
    """Yield `name` as it stands, without an address in front, and without or only what stands in brackets."""
    yield name
    bare = _ADDRESS_IN_FRONT.sub("", name)
    yield bare
    yield _IN_BRACKETS.sub(" ", bare)
    for in_round, in_square in _IN_BRACKETS.findall(bare):
        yield in_round or in_square


@lru_cache(maxsize=4096)
def module_key(name: str) -> str | None:
    """Return the key of the module that `name` means, or None if it is not known.

    >>> module_key("Anti-lock brake system (ABS) control module")
    'anti-lock brakes'
    >>> module_key("Door module, left front")
    'door control front left'
    """
    if len(name) > LONGEST_MODULE_NAME:
        return None
    for way in _ways_to_read(name):
        key = _key_of_words(_words_of(way))
        if key:
            return key
    parts = {_key_of_words(_words_of(part)) for part in _BETWEEN_NAMES.split(_ADDRESS_IN_FRONT.sub("", name))}
    return parts.pop() if len(parts) == 1 else None


def module_identity(name: str) -> str:
    """Return what tells modules apart: the key where it is known, else the plain words of `name`."""
    return module_key(name) or " ".join(_words_of(name)) or name.strip()


def same_module(name: str, other: str) -> bool:
    """Return whether two names mean one module; names not known must be the same words."""
    return module_identity(name) == module_identity(other)


def module_family(key: str) -> str:
    """Return `key` without its place and letter: `engine control B` and `engine control` are one family."""
    known, words = _names().short, key.split()
    for length in range(min(len(words), _names().longest_key), 0, -1):
        family = " ".join(words[:length])
        if family in known:
            return family
    return key


@overload
def family_of(name: str) -> str: ...
@overload
def family_of(name: str | None) -> str | None: ...
def family_of(name: str | None) -> str | None:
    """Return the family of the module that `name` means, None where no module is named.

    >>> family_of("Door module, left front")
    'door control'
    """
    return None if name is None else module_family(module_identity(name))


def module_label(key: str) -> str:
    """Return `key` as it is shown, with the usual abbreviation: `anti-lock brakes (ABS)`."""
    short = _names().short.get(module_family(key))
    return f"{key} ({short})" if short else key


def module_short(key: str) -> str:
    """Return the usual abbreviation of the module of `key` where it has one, else the key itself."""
    return _names().short.get(key) or key


def known_module_keys() -> tuple[str, ...]:
    """Return the keys of all families, in the order of the table."""
    return tuple(_names().short)


def modules_named_in(text: str, *, strict: bool = True) -> list[NamedModule]:
    """Return the modules named within running text, in order, in time linear in its length.

    When `strict`, a single word counts only as an abbreviation in capitals or with a word such as "module"
    after it, so that "engine off" names nothing.
    """
    written, onward = _WORD.findall(text), _names().onward
    words = _WORD.findall(text.lower()) if text.isascii() else [word.lower() for word in written]
    if onward.keys().isdisjoint(words):
        return []
    beginnings = [place for place, word in enumerate(words) if word in onward]
    words += _NO_MORE
    written += _NO_MORE
    named, starts, end = list[NamedModule](), list[int](), 0
    for first in beginnings:
        if first >= end and (length := _length_of_name(written, words, first, strict)):
            end = first + length
            starts = starts or [match.start() for match in _WORD.finditer(text)]
            named.append(_named(written, words, starts, first, end))
    return named


def _length_of_name(written: list[str], words: list[str], first: int, strict: bool) -> int:
    """Return how many words from `first` on name a module, with "control module" and a letter after it."""
    names, end, after = _names(), first, first + 1
    here: _Onward | None = names.onward[words[first]]
    while here:
        if None in here:
            end = after
        here, after = here.get(words[after]), after + 1
    if end == first:
        return 0
    after = end
    while words[after] in _ALL_FILLERS and after < end + 3:
        after += 1
    if (
        strict
        and after == first + 1
        and not (written[first].isupper() and words[first] in names.abbreviations)
    ):
        return 0
    return after - first + (written[after] in _CAPITALS)


def _named(written: list[str], words: list[str], starts: list[int], first: int, end: int) -> NamedModule:
    """Return the module named by some words of a text, with the words for a place before and after them."""
    while first > 0 and words[first - 1] in _PLACES:
        first -= 1
    while words[end] in _PLACES:
        end += 1
    named = " ".join(words[first:end])
    key = _key_of_few(named) if end - first <= _FEW else _key_of_words(tuple(words[first:end]))
    return NamedModule(key or named, starts[first], starts[end - 1] + len(written[end - 1]))
