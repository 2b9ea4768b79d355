"""Logs as tables: a row a frame, columns by their names or, without a header, by what they hold.

Data stands in one column or a byte a column, in hex or in decimal; further columns say direction, bus and flags.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from casebase.intake.bus_log.frames import (
    BIT_RATE_SWITCH,
    CLASSICAL_WIDTH,
    ERROR,
    ERROR_PASSIVE,
    EXTENDED,
    FD,
    FD_WIDTH,
    REMOTE,
    LineFrame,
)
from casebase.intake.bus_log.line_logs import LineLog, ticks_per_second
from casebase.intake.bus_log.log_lines import moment_of

_NAMES: Final = {
    "time": r"(?:(?:abs\w*|rel\w*)?[ _]?(?:time[ _]?stamps?|time|ts|seconds?|date[ _]?time|epoch)"
    r"(?:[ _]?\(?(?:s|ms|us|µs|ns|sec\w*|utc)\)?)?)|t",
    "number": r"(?:can[ _]?|frame[ _]?|msg[ _]?|message[ _]?|arbitration[ _]?)?(?:id|identifier)"
    r"(?:[ _]?\(?(?:hex|dec)\)?)?",
    "extended": r"(?:is[ _]?)?(?:ext|extended|ide|xtd|eff)(?:[ _]?(?:id|frame|flag))?",
    "channel": r"bus(?:[ _]?(?:id|no|number|channel))?|chan(?:nel)?|ch|interface|port|network",
    "length": r"len|length|dlc|dl|size|data[ _]?len\w*|(?:num\w*[ _]?)?bytes",
    "data": r"data|payload|data[ _]?bytes?|data[ _]?\(?hex\)?|message|hex",
    "remote": r"(?:is[ _]?)?(?:rtr|remote)(?:[ _]?(?:frame|flag))?",
    "error": r"(?:is[ _]?)?(?:err|error)(?:[ _]?(?:frame|flag))?",
    "fd": r"(?:is[ _]?)?(?:fd|fdf|edl|can[ _]?fd)",
    "switch": r"(?:is[ _]?)?(?:brs|bitrate[ _]?switch)",
    "passive": r"(?:is[ _]?)?(?:esi|error[ _]?state\w*)",
}
_ROLES: Final = {role: re.compile(form, re.IGNORECASE) for role, form in _NAMES.items()}
_BYTE: Final = re.compile(r"(?:data|byte|b|d)[ _]?\[?(\d{1,2})\]?", re.IGNORECASE)
_HEX: Final = re.compile(r"(?:0x)?[0-9A-Fa-f]+h?", re.IGNORECASE)
_FLAGS: Final = {
    "remote": REMOTE,
    "error": ERROR,
    "fd": FD,
    "switch": BIT_RATE_SWITCH,
    "passive": ERROR_PASSIVE,
}
_YES: Final = frozenset(
    {"1", "true", "yes", "y", "x", "ext", "extended", "xtd", "29", "29bit", "ef", "rtr", "fd", "brs"}
)
_DIRECTIONS: Final = frozenset({"rx", "tx", "r", "t"})
_MOST_HEADER_LINES: Final = 40
_UNITS: Final = ((r"\bms\b|milli", 1e3), (r"\bus\b|µs|micro", 1e6), (r"\bns\b|nano", 1e9))


@dataclass
class _Columns:
    """Which column holds what; `byte_places` in order of the bytes."""

    places: dict[str, int] = field(default_factory=dict)
    byte_places: list[int] = field(default_factory=list)

    @property
    def tells_frames(self) -> bool:
        """Whether an identifier is there, and data or its length."""
        return "number" in self.places and bool(self.byte_places or {"data", "length"} & self.places.keys())


class TableLog(LineLog):
    """A table of frames."""

    name = "a table of frames"
    has_junk = True
    example = "0.000792,123,0,2,11,22 under names such as time,id,extended,len,d1,d2"

    def __init__(self) -> None:
        super().__init__()
        self._separator = ","
        self._columns = _Columns()
        self._per_second = 1.0
        self._number_base = 16
        self._data_base = 16
        self._header_left = 0

    def prepare(self, head: Iterable[bytes]) -> None:
        """Find the header, what parts the cells, and how numbers are written."""
        lines = [line.decode("utf-8", "replace").lstrip("\ufeff").rstrip() for line in head]
        for number, line in enumerate(lines[:_MOST_HEADER_LINES]):
            for separator in ";\t,|":
                found = _columns_named(_cells(line, separator))
                if found.tells_frames:
                    self._begin(number + 1, separator, found, lines, line)
                    return
        for separator in ";\t,|":
            rows = [_cells(line, separator) for line in lines if line]
            if rows and (bare := _columns_by_content(rows)):
                self._begin(0, separator, bare, lines, "")
                return

    @property
    def fits(self) -> bool:
        """Whether the columns were found."""
        return self._columns.tells_frames

    def is_header(self, line: bytes) -> bool:
        """Return whether a line stands above the frames."""
        self._header_left -= 1
        return self._header_left >= 0

    def frame_of(self, line: bytes) -> LineFrame | None:
        """Return the frame in a row."""
        cells = _cells(line.decode("utf-8", "replace").rstrip(), self._separator)
        places = self._columns.places
        if not self.fits:
            return None
        try:
            number = self._number(cells[places["number"]])
            data = self._data(cells)
        except (IndexError, ValueError):
            return None
        kinds = sum(kind for role, kind in _FLAGS.items() if self._says_yes(cells, role))
        length = self._told_length(cells, len(data))
        if length is None:
            return None
        wide = number > 0x7FF or self._says_yes(cells, "extended")
        kinds |= (EXTENDED if wide else 0) | (FD if length > CLASSICAL_WIDTH else 0)
        moment = self._moment(cells)
        if moment is None:
            return None
        channel = cells[places["channel"]] if "channel" in places and places["channel"] < len(cells) else ""
        return LineFrame(moment, number, kinds, data[:length], channel, 0, length)

    def _begin(self, header: int, separator: str, columns: _Columns, lines: list[str], names: str) -> None:
        self._separator, self._columns, self._header_left = separator, columns, header
        rows = [_cells(line, separator) for line in lines[header:] if line]
        numbers = _column(rows, columns.places["number"])
        self._number_base = _base_of(numbers, names, 0x7FF)
        if columns.byte_places:
            texts = [cell for place in columns.byte_places for cell in _column(rows, place)]
            self._data_base = _base_of(texts, "", 0xFF)
        stamps = _column(rows, columns.places["time"]) if "time" in columns.places else []
        self.has_times = bool(stamps)
        whole = [float(stamp) for stamp in stamps if stamp.isdigit()]
        told = _cells(names, separator)[columns.places["time"]] if names and stamps else ""
        unit = next((factor for form, factor in _UNITS if re.search(form, told, re.IGNORECASE)), None)
        fits = unit or (ticks_per_second(whole) if len(whole) > 0.9 * len(stamps) else 1.0)
        self._per_second = fits

    def _number(self, cell: str) -> int:
        text = cell.lower().removesuffix("h").removesuffix("x")
        return int(text.removeprefix("0x"), 16 if text.startswith("0x") else self._number_base)

    def _data(self, cells: Sequence[str]) -> bytes:
        if self._columns.byte_places:
            texts = [cells[place] for place in self._columns.byte_places if place < len(cells)]
            told = []
            for text in texts:
                if not text or not _HEX.fullmatch(text) or len(text.removeprefix("0x")) > 3:
                    break
                told.append(int(text.removeprefix("0x"), 16 if text.startswith("0x") else self._data_base))
            return bytes(told)
        if "data" not in self._columns.places:
            return b""
        text = cells[self._columns.places["data"]].removeprefix("b'").strip("[]{}'")
        parts = text.replace("0x", " ").replace("-", " ").replace(":", " ").replace(",", " ").split()
        joined = "".join(
            part.zfill(2) if len(part) <= 2 else part.zfill(len(part) + len(part) % 2) for part in parts
        )
        return bytes.fromhex(joined)

    def _told_length(self, cells: Sequence[str], held: int) -> int | None:
        place = self._columns.places.get("length")
        if place is None or place >= len(cells) or not cells[place].isdigit():
            return held if held <= FD_WIDTH else None
        told = int(cells[place])
        return told if told <= FD_WIDTH and (held >= told or self._says_yes(cells, "remote")) else None

    def _says_yes(self, cells: Sequence[str], role: str) -> bool:
        place = self._columns.places.get(role)
        return place is not None and place < len(cells) and cells[place].strip().lower() in _YES

    def _moment(self, cells: Sequence[str]) -> float | None:
        if not self.has_times:
            return 0.0
        told = moment_of(cells[self._columns.places["time"]])
        return None if told is None else told / self._per_second


def _cells(line: str, separator: str) -> list[str]:
    if '"' in line:
        try:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=separator), [])]
        except csv.Error:  # a quote that does not end, or a control character
            return []
    return [cell.strip() for cell in line.split(separator)]


def _column(rows: list[list[str]], place: int) -> list[str]:
    return [row[place] for row in rows if place < len(row) and row[place]]


def _columns_named(names: list[str]) -> _Columns:
    """Return what columns hold by their names."""
    found = _Columns()
    numbered: list[tuple[int, int]] = []
    for place, name in enumerate(names):
        byte = _BYTE.fullmatch(name)
        if byte:
            numbered.append((int(byte[1]), place))
            continue
        role = next((role for role, form in _ROLES.items() if form.fullmatch(name)), None)
        if role is not None:
            found.places.setdefault(role, place)
    found.byte_places = [place for _, place in sorted(numbered)]
    return found


def _columns_by_content(rows: list[list[str]]) -> _Columns | None:
    """Return columns of rows without a header: time, perhaps a direction, identifier, length, then as many bytes."""
    for number in (1, 2):
        fit = sum(_is_bare_frame(row, number) for row in rows)
        if fit >= 0.9 * len(rows):
            places = {"time": 0, "number": number, "length": number + 1}
            return _Columns(places, list(range(number + 2, number + 2 + CLASSICAL_WIDTH)))
    return None


def _is_bare_frame(row: list[str], number: int) -> bool:
    """Whether a row without names above it is a frame, its identifier in the column `number`."""
    told = row[number + 1] if len(row) > number + 1 else ""
    if not told.isdigit() or int(told) > CLASSICAL_WIDTH or len(row) < number + 2 + int(told):
        return False
    directed = number == 1 or row[1].lower() in _DIRECTIONS
    hexes = [row[number], *row[number + 2 : number + 2 + int(told)]]
    return directed and moment_of(row[0]) is not None and all(_HEX.fullmatch(cell) for cell in hexes)


def _base_of(cells: list[str], names: str, most: int) -> int:
    """Return 16 or 10: by a letter, by what the header says, by the digits, by what is too large in the other."""
    plain = [cell.lower().removeprefix("0x").removesuffix("h").removesuffix("x") for cell in cells]
    if any(cell.lower().startswith("0x") for cell in cells) or any(
        re.search("[a-f]", cell) for cell in plain
    ):
        return 16
    if re.search(r"\bdec", names, re.IGNORECASE):
        return 10
    digits = [cell for cell in plain if cell.isdigit()]
    too_large = any(int(cell, 16) > most for cell in digits)
    fits_decimal = all(int(cell) <= most for cell in digits)
    padded = len({len(cell) for cell in digits}) == 1
    return 10 if digits and too_large and fits_decimal and not padded else 16
