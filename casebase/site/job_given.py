"""What was typed into the stuck-job form, as it stands in the address: kept word for word, grouped by field."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final
from urllib.parse import quote_plus

from casebase.errors import Problem
from casebase.record.problems import printable

Pairs = tuple[tuple[str, str], ...]

LARGEST_QUERY_BYTES: Final = 65_536
"""Of the whole query as it stands in the address; servers refuse addresses not far above."""

ROW_FIELD: Final = re.compile(r"r([1-9][0-9]{0,2})\.([a-z]+)")
"""A field of the reading in row 1 to 999, such as `r2.value`."""

LABELS: Final = {
    "year": "model year",
    "medium": "kind of network",
    "rate": "bit rate",
    "reached": "how the DLC reaches it",
    "terminators": "terminators in",
    "silent": "modules that do not answer",
    "sometimes": "modules that answer at times",
    "answer": "modules that answer",
    "others": "all other modules",
    "wrong": "what is wrong",
    "tried": "tried so far",
    "what": "what was measured",
    "at": "where",
    "looks": "how it looks",
}
"""Fields whose name is not what people call them."""

_LONGEST_SHOWN: Final = 60
_DIRECTION_MARKS: Final = frozenset(
    map(chr, (0x061C, 0x200B, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A), 0xFEFF))
)
"""Characters without width that turn the direction of what stands behind them, or hide in it (Unicode UAX 9)."""

_NOT_ON_A_PAGE: Final = re.compile("[\0\ud800-\udfff]")
"""NUL and half characters, which no page can be encoded with."""

_LINE_ENDS: Final = re.compile("\r\n|[\r\x0b\x0c\x85\u2028\u2029]")


@dataclass(frozen=True)
class FieldProblem:
    """One thing typed that cannot be used: its field, the text as typed, what was expected and what to do."""

    field: str
    typed: str
    expected: str

    @property
    def where(self) -> str:
        """The field as people call it: `reading 2, value`."""
        row = ROW_FIELD.fullmatch(self.field)
        name = row[2] if row else self.field
        label = LABELS.get(name, name)
        return f"reading {row[1]}, {label}" if row else label

    def sentence(self) -> str:
        """Return the problem as one sentence of printable characters."""
        shown = printable(self.typed.strip()).strip()
        cut = shown if len(shown) <= _LONGEST_SHOWN else f"{shown[:_LONGEST_SHOWN]}..."
        return Problem(self.where, f"'{cut}'" if cut else "", self.expected).sentence()


@dataclass(frozen=True)
class Given:
    """Everything typed: `pairs` word for word; the methods give texts that a page can show."""

    pairs: Pairs

    def several(self, field: str) -> list[str]:
        """Return every text typed into `field` that is not blank, in order."""
        return [_NOT_ON_A_PAGE.sub("", typed) for typed in self.typed(field)]

    def typed(self, field: str) -> list[str]:
        """Return the same word for word, which a page may be unable to hold."""
        return self._by_field.get(field, [])

    def text(self, field: str) -> str:
        """Return what was typed into `field`, several texts as lines; empty where nothing was."""
        return "\n".join(self.several(field))

    @cached_property
    def rows(self) -> list[int]:
        """The numbers of the rows of readings in which anything was typed, the lowest first."""
        found = {row_of(field) for field in self._by_field}
        return sorted(row for row in found if row is not None)

    @property
    def next_row(self) -> int:
        """The number of the row to offer for one more reading."""
        return self.rows[-1] + 1 if self.rows else 1

    @cached_property
    def fields(self) -> list[str]:
        """The names of the fields in which anything was typed."""
        return list(self._by_field)

    @cached_property
    def _by_field(self) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for field, typed in self.pairs:
            if typed.strip():
                found.setdefault(field, []).append(typed)
        return found


def fitting(pairs: Sequence[tuple[str, str]]) -> tuple[Pairs, list[FieldProblem]]:
    """Return the pairs that are read, and a problem for each field left out because the address is too long.

    The longest texts go first, so that the rest can still be answered; of a reading nothing is used then.
    """
    sizes = [_bytes_in_address(field) + _bytes_in_address(typed) + 2 for field, typed in pairs]
    total, left_out = sum(sizes), set[int]()
    for place in sorted(range(len(pairs)), key=lambda place: (-sizes[place], -place)):
        if total <= LARGEST_QUERY_BYTES:
            break
        left_out.add(place)
        total -= sizes[place]
    first_of_field = dict(pairs[place] for place in sorted(left_out, reverse=True))
    rows = {row_of(field) for field in first_of_field} - {None}
    kept = [pair for place, pair in enumerate(pairs) if place not in left_out and row_of(pair[0]) not in rows]
    problems = [FieldProblem(field, typed, _too_large(sum(sizes))) for field, typed in first_of_field.items()]
    return tuple(kept), problems[::-1]


def row_of(field: str) -> int | None:
    """Return the row of a field such as `r2.value`; None for any other field."""
    row = ROW_FIELD.fullmatch(field)
    return int(row[1]) if row else None


def _too_large(total: int) -> str:
    return (
        f"not read: all that was typed takes {total:,} bytes in the address, and at most {LARGEST_QUERY_BYTES:,} fit; "
        "shorten this field (of a scan report, only the modules and codes are needed)"
    )


def _bytes_in_address(text: str) -> int:
    return len(quote_plus(text, errors="replace"))


def clean_text(text: str) -> str:
    r"""Return `text` with plain line ends, without characters that cannot be seen.

    >>> clean_text("AB\x00S\u202e ok\r\n").strip()
    'ABS ok'
    """
    return "".join(letter for letter in _LINE_ENDS.sub("\n", text) if not is_hidden(letter))


def is_hidden(letter: str) -> bool:
    """Return whether a character cannot be seen: a control character, a direction mark, half a character."""
    if letter in "\n\t":
        return False
    code = ord(letter)
    is_no_character = code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF
    return is_no_character or letter in _DIRECTION_MARKS or unicodedata.category(letter) in {"Cc", "Cs"}
