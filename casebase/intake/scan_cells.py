"""How a line of a scan report is divided: cells, labels, and the columns that a heading names."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

MOST_CELLS: Final = 16
"""More cells than this in one line are not looked at, so that a line of any length is read in time."""

_BETWEEN_CELLS: Final = re.compile(
    r"\s{0,8}[|;\t,]\s{0,8}|\s{1,4}[-\u2013\u2014>]{1,3}\s{1,4}|:\s{1,4}| {2,40}"
)
_COLUMN_SEPARATORS: Final = (
    re.compile(r"\s{0,20}\|\s{0,20}"),
    re.compile(r" {0,20}\t {0,20}"),
    re.compile(r"\s{0,20};\s{0,20}"),
    re.compile(r"\s{0,20},\s{0,20}"),
    re.compile(r" {2,80}"),
)
_AROUND: Final = " \t\r\"'*#=_~-\u2013\u2014>.,;:|\u2022\u00b7"
_BRACKETS: Final = ("()", "[]", "<>", "{}")
_LABELS: Final = {
    "control module": "module",
    "control unit": "module",
    "module name": "module",
    "module": "module",
    "ecu name": "module",
    "ecu": "module",
    "reported by": "module",
    "controller": "system",
    "system": "system",
    "source": "system",
    "node": "system",
    "status": "status",
    "state": "status",
    "description": "text",
    "meaning": "text",
    "text": "text",
}
_LABELLED: Final = re.compile(
    r"[\s\"*#>|-]{0,12}(" + "|".join(_LABELS) + r")[ \"*]{0,4}(?:[:=|\t]|,(?=\s?\"))[\s\"]{0,8}",
    re.IGNORECASE,
)
_COLUMNS: Final = {
    "module": (
        "module",
        "control module",
        "module name",
        "ecu",
        "control unit",
        "controller",
        "system",
        "source",
    ),
    "code": ("code", "dtc", "codes", "dtcs", "fault code", "trouble code", "error code", "fault"),
    "text": ("text", "description", "meaning", "fault text"),
    "status": ("status", "state", "code status", "status byte"),
    "spn": ("spn",),
    "fmi": ("fmi",),
    "count": ("oc", "count", "occurrences", "occurrence count"),
}


@dataclass(frozen=True, slots=True)
class Cell:
    """A piece of a line between separators, without decoration, and its span."""

    text: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns that a table's heading names, by what they hold."""

    separator: re.Pattern[str]
    count: int
    place: dict[str, int]

    def cells(self, line: str) -> dict[str, str]:
        """Return the cells of a row by what they hold; empty if the row does not have the heading's columns."""
        row = _row(line, self.separator)
        if len(row) != self.count:
            return {}
        return {name: row[index].strip(" \"'") for name, index in self.place.items()}


def bare(text: str) -> str:
    """Return `text` without the decoration around it: bullets, rules, quotes, brackets around the whole."""
    text = text.strip(_AROUND)
    for opening, closing in _BRACKETS:
        if text.startswith(opening) and (opening not in text[1:] or closing not in text):
            text = text[1:].strip(_AROUND)
        if text.endswith(closing) and opening not in text:
            text = text[:-1].strip(_AROUND)
    return text


def cells_of(text: str) -> list[Cell]:
    """Return the first cells of `text`; empty ones are left out."""
    cells: list[Cell] = []
    start = 0
    for between in _BETWEEN_CELLS.finditer(text):
        cells.append(Cell(bare(text[start : between.start()]), start, between.start()))
        start = between.end()
        if len(cells) == MOST_CELLS:
            break
    else:
        cells.append(Cell(bare(text[start:]), start, len(text)))
    return [cell for cell in cells if cell.text]


def label_of(line: str) -> tuple[str, str] | None:
    """Return the label in front of a line and what follows: `Module: ABS` is `module`, `ABS`.

    A label for a module is `module` where any name may follow, `system` where only a known module's may;
    others are `status` and `text`.
    """
    found = _LABELLED.match(line)
    return (_LABELS[found[1].lower()], bare(line[found.end() :])) if found else None


def columns_of(line: str) -> Columns | None:
    """Return the columns that a table's heading names, or None if `line` is no such heading."""
    if len(line) > 400:
        return None
    for separator in _COLUMN_SEPARATORS:
        row = [cell.strip(_AROUND).lower() for cell in _row(line, separator)]
        place = {
            name: row.index(word) for name, words in _COLUMNS.items() for word in words[::-1] if word in row
        }
        if len(row) > 1 and ("code" in place or {"spn", "fmi"} <= place.keys()):
            return Columns(separator, len(row), place)
    return None


def _row(line: str, separator: re.Pattern[str]) -> list[str]:
    inner = line.strip(" \r")
    if separator is _COLUMN_SEPARATORS[0]:
        inner = inner.removeprefix("|").removesuffix("|").strip()
    return separator.split(inner, maxsplit=40)
