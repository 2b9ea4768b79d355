"""How a text file of samples is laid out: where numbers begin, what parts them, which column is what, its unit."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, auto
from itertools import pairwise
from pathlib import Path
from typing import Final

from casebase.errors import CaptureError
from casebase.intake.capture.samples import Wanted


class Role(Enum):
    """What a column holds."""

    TIME = auto()
    SEQUENCE = auto()
    HIGH = auto()
    LOW = auto()
    SINGLE = auto()
    UNKNOWN = auto()


_ROLES: Final = (
    (
        Role.TIME,
        re.compile(r"^(?:time|times|t|zeit|temps|tiempo|tempo|seconds?|x|timestamp)(?![a-z0-9])", re.I),
    ),
    (
        Role.SEQUENCE,
        re.compile(r"^(?:sequence|samples?|sample ?(?:no|number|index)|index|points?|no|nr|#)\.?$", re.I),
    ),
    (
        Role.HIGH,
        re.compile(
            r"(?:^|[^a-z])(?:can[ _-]?h(?:igh)?|high|bus[ _-]?plus|bp|volts_high|h)(?![a-z])|^[a-z]*canh",
            re.I,
        ),
    ),
    (
        Role.LOW,
        re.compile(
            r"(?:^|[^a-z])(?:can[ _-]?l(?:ow)?|low|bus[ _-]?minus|bm|volts_low|l)(?![a-z])|^[a-z]*canl", re.I
        ),
    ),
    (Role.SINGLE, re.compile(r"(?:^|[^a-z])(?:lin|k[ _-]?line|sw[ _-]?can)(?![a-z])", re.I)),
)
_SECONDS: Final = {
    "s": 1.0,
    "sec": 1.0,
    "ms": 1e-3,
    "us": 1e-6,
    "µs": 1e-6,
    "μs": 1e-6,
    "ns": 1e-9,
    "ps": 1e-12,
}
_VOLTS: Final = {"V": 1.0, "volt": 1.0, "volts": 1.0, "mV": 1e-3, "uV": 1e-6, "µV": 1e-6}
_UNIT: Final = re.compile(
    r"(?:^|[\s(\[/_])(s|sec|ms|us|µs|μs|ns|ps|V|mV|uV|µV|volts?)(?:[)\]\s]|$)", re.IGNORECASE
)
_STATED: Final = re.compile(
    r"(?P<what>sampl\w*[ _-]*(?:interval|period|time|rate|frequency)|interval|increment|x[ _-]?incr\w*|tinc|dt|fs)"
    r"[^0-9+\-.]{0,24}?(?P<number>[0-9]+(?:[.,][0-9]+)?(?:e[+-]?[0-9]+)?)\s*"
    r"(?P<unit>[a-zµμ/]*)",
    re.IGNORECASE,
)
_PER_SECOND: Final = re.compile(r"^(?P<prefix>[kmg]?)(?:hz|sps|sa/?s|s/s|samples?/s)$", re.IGNORECASE)
_PREFIXES: Final = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}


def role_of(name: str) -> Role:
    """Return what a column of this name holds.

    >>> role_of("CAN-H [V]")
    <Role.HIGH: 2>
    """
    plain = name.strip().strip("\"'").strip()
    return next((role for role, form in _ROLES if form.search(plain)), Role.UNKNOWN)


def unit_of(cells: Sequence[str], *, time: bool) -> float | None:
    """Return the factor to seconds or volts that the cells above a column state; None where they state none."""
    for cell in cells:
        found: list[str] = _UNIT.findall(cell.strip().strip("\"'"))
        for unit in reversed(found):
            factor = _SECONDS.get(unit.lower()) if time else _volts(unit)
            if factor is not None:
                return factor
    return None


def _volts(unit: str) -> float | None:
    """Return the factor of a unit of volts; capitals as people write them, m is always milli."""
    if unit in _VOLTS:
        return _VOLTS[unit]
    return {"v": 1.0, "mv": 1e-3, "volt": 1.0, "volts": 1.0, "uv": 1e-6}.get(unit.lower())


def stated_step(lines: Sequence[str]) -> float | None:
    """Return seconds from sample to sample as the lines before the numbers state it; None where they do not."""
    for line in lines:
        found = _STATED.search(line)
        if found:
            number = float(found["number"].replace(",", "."))
            step = _step(found["what"].lower(), number, found["unit"])
            if step is not None and number > 0:
                return step
    return None


def _step(what: str, number: float, unit: str) -> float | None:
    per_second = _PER_SECOND.match(unit)
    if per_second:
        return 1.0 / (number * _PREFIXES[per_second["prefix"].lower()]) if number else None
    if "rate" in what or "frequency" in what or what == "fs":
        return 1.0 / number if number else None
    return number * _SECONDS.get(unit.lower(), 1.0)


_NUMBER: Final = re.compile(
    r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?(?:nan|inf|infinity|\u221e)", re.IGNORECASE
)
_COMMA_NUMBER: Final = re.compile(
    r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?|[+-]?(?:inf|infinity|\u221e)", re.IGNORECASE
)
NUMBER_WITH_UNIT: Final = re.compile(
    r"(?P<number>[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(?P<unit>[num\u00b5\u03bc]?[sV])"
)
_FORMS: Final = (
    *((separator, comma, False) for separator in (";", "\t") for comma in (False, True)),
    (",", False, False),
    *((separator, False, True) for separator in (";", "\t", ",")),
    (None, False, False),
    (None, True, False),
)
"""What parts the cells, whether decimals follow a comma, whether each cell carries its unit; tried in this order."""
_HEAD_BYTES: Final = 1 << 17
_BINARY_CODES: Final = 6
"""With so many different control characters a file is no damaged text: samples may follow a head of text."""
_ALIKE: Final = 3
"""So many lines of as many numbers, one after the other, are the beginning of the samples."""
_SETTINGS_ROWS: Final = 60
"""Settings stand beside the samples in so many of the first rows at most (common practice, no source)."""
_OF_THE_REST: Final = 0.95


@dataclass(frozen=True)
class Layout:
    """How the lines of numbers are read. Columns count from 0; `step` is what the lines before state, in seconds.

    `backwards`: the newest sample stands first. `with_units`: each cell carries its unit, and is read by itself.
    """

    skip_bytes: int
    skip_lines: int
    separator: str | None
    decimal_comma: bool
    columns: tuple[int, ...]
    has_time: bool
    factors: tuple[float, ...]
    step: float | None
    names: tuple[str, ...]
    notes: tuple[str, ...]
    backwards: bool = False
    with_units: bool = False


@dataclass(frozen=True)
class _Grid:
    """Where the numbers begin, what parts them, whether decimals follow a comma, and which columns hold numbers."""

    first: int
    separator: str | None
    comma: bool
    with_units: bool
    numeric: tuple[int, ...]

    def cells(self, line: str) -> list[str]:
        return _cells(line, self.separator)

    def number(self, cell: str) -> float:
        """Return a cell's number; raise ValueError where it is none."""
        if self.with_units:
            return number_with_unit(cell)
        return float(cell.replace(",", ".") if self.comma else cell.replace("\u221e", "inf"))


def number_with_unit(cell: str) -> float:
    """Return a number with its unit in seconds or volts, one without as it is; raise ValueError where it is none.

    >>> number_with_unit("-12.5mV")
    -0.0125
    """
    found = NUMBER_WITH_UNIT.fullmatch(cell)
    if found is None:
        return float(cell.replace("\u221e", "inf"))
    unit = found["unit"]
    factor = _SECONDS[unit.lower()] if unit.endswith("s") else _VOLTS[unit]
    return float(found["number"].replace(",", ".")) * factor


def layout_of(path: Path, wanted: Wanted) -> Layout:
    """Return how the file is laid out; raise `CaptureError` where that cannot be told."""
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
        whole = not file.read(1)
    text = _text(head, path)
    lines = text.split("\n")
    if not whole and len(lines) > 1:
        lines.pop()  # most likely torn
    grid = _beginning(lines, path)
    first = grid.first
    above = _cells_above(lines[: first + _SETTINGS_ROWS], grid)
    rows = [
        cells for line in lines[first : first + 400] if len(cells := grid.cells(line)) > max(grid.numeric)
    ]
    columns, has_time, names = _columns(rows, above, grid, wanted, path)
    step = (
        stated_step(lines[:first]) or stated_step(lines[first : first + _SETTINGS_ROWS]) or _increment(above)
    )
    if has_time and not wanted.time and step and _counts(rows, columns[0], grid):
        columns, has_time = columns[1:], False
    stated = [
        unit_of([row[place] for row in above if place < len(row)], time=has_time and order == 0)
        for order, place in enumerate(columns)
    ]
    told = all(stated[has_time:]) or grid.with_units
    return Layout(
        skip_bytes=len("\n".join(lines[:first]).encode("latin-1")) + (1 if first else 0),
        skip_lines=first,
        separator=grid.separator,
        decimal_comma=grid.comma,
        columns=columns,
        has_time=has_time,
        factors=tuple(1.0 if grid.with_units else factor or 1.0 for factor in stated),
        step=step,
        names=names,
        notes=() if told else ("the file states no unit: its levels are taken as volts",),
        backwards=has_time and _goes_back(rows, columns[0], grid),
        with_units=grid.with_units,
    )


def _text(head: bytes, path: Path) -> str:
    """Return the beginning as text, a byte a letter; raise where it is none."""
    control = {byte for byte in head if byte < 9 or 13 < byte < 32}
    if head[:200].count(0) > 20 or 4 * head.count(0) > len(head) or len(control) >= _BINARY_CODES:
        raise CaptureError(
            f"{path.name}: is a binary file, of the instrument's own kind or damaged: have the instrument or its"
            " program save the waveform as CSV, time and volts in columns; .npy, .npz, .wav, .sr and .vcd are read too"
        )
    if b"\0" in head:
        raise CaptureError(f"{path.name}: holds zero bytes among the text: it is damaged")
    return head.decode("latin-1").replace("\r\n", "\n").replace("\r", "\n" if b"\n" not in head else " ")


def _cells(line: str, separator: str | None) -> list[str]:
    if separator is None:
        return [_spelt(cell) for cell in line.split()]
    cells = [_spelt(cell.strip().strip('"').strip()) for cell in line.split(separator)]
    return cells[:-1] if len(cells) > 1 and not cells[-1] else cells


def _spelt(cell: str) -> str:
    """Return a cell whose bytes were read as letters one by one as UTF-8 spells it, where it does."""
    return cell if cell.isascii() else cell.encode("latin-1").decode("utf-8", "replace")


def _beginning(lines: list[str], path: Path) -> _Grid:
    """Return where the numbers begin and how they are parted."""
    for separator, comma, with_units in _FORMS:
        form = NUMBER_WITH_UNIT if with_units else _COMMA_NUMBER if comma else _NUMBER
        found = _first_alike(lines, separator, form)
        if found is not None and not (separator is None and set(";\t") & set(lines[found[0]])):
            return _Grid(found[0], separator, comma, with_units, found[1])
    raise CaptureError(
        f"{path.name}: holds no columns of numbers: expected time and volts separated by comma, semicolon or tab"
    )


def _first_alike(
    lines: list[str], separator: str | None, form: re.Pattern[str]
) -> tuple[int, tuple[int, ...]] | None:
    """Return where lines begin that hold numbers in the same columns as nearly all that follow, and these columns."""
    found = [
        tuple(place for place, cell in enumerate(_cells(line, separator)) if form.fullmatch(cell))
        for line in lines
        if line.strip()
    ]
    numbers = [places for places in found if places]
    last = numbers[len(numbers) // 2 :]
    counts = Counter(place for places in last for place in places)
    columns = tuple(sorted(place for place, count in counts.items() if count >= _OF_THE_REST * len(last)))
    if len(columns) < (1 if separator is None else 2) or len(last) < 2:
        return None
    alike = 0
    for place, line in enumerate(lines):
        cells = _cells(line, separator)
        fits = len(cells) > columns[-1] and all(form.fullmatch(cells[column]) for column in columns)
        alike = alike + 1 if fits else 0
        if alike == _ALIKE:
            return place - _ALIKE + 1, columns
    return None


def _cells_above(lines: list[str], grid: _Grid) -> list[list[str]]:
    """Return the cells of the last lines before the numbers that part into as many columns."""
    rows = []
    for line in lines[max(grid.first - 4, 0) : grid.first]:
        for separator in (grid.separator, ";", "\t", ",", None):
            cells = _cells(line, separator)
            if len(cells) > grid.numeric[-1] and any(cells):
                rows.append(cells)
                break
    return rows


def _increment(above: list[list[str]]) -> float | None:
    """Return the step that stands below a cell named for it: `X,CH1,Start,Increment` over `Sequence,Volt,0,2e-07`."""
    for names, values in pairwise(above):
        for name, value in zip(names, values, strict=False):
            if re.fullmatch(r"incr\w*|x ?incr\w*|delta ?t|tinc|interval", name.strip(), re.IGNORECASE):
                try:
                    step = number_with_unit(value)
                except ValueError:
                    continue
                if step > 0:
                    return step
    return None


def _columns(
    rows: list[list[str]], above: list[list[str]], grid: _Grid, wanted: Wanted, path: Path
) -> tuple[tuple[int, ...], bool, tuple[str, ...]]:
    """Return the columns to read (time first where there is one), whether time is among them, and their names."""
    count = max(len(rows[0]) if rows else 0, grid.numeric[-1] + 1)
    names = [
        next((row[place] for row in above if place < len(row) and row[place]), "") for place in range(count)
    ]
    if wanted.high:
        time = [_place(wanted.time, names, path)] if wanted.time else []
        asked = [_place(one, names, path) for one in (wanted.high, wanted.low) if one]
        chosen, has_time = (*time, *asked), bool(time)
    else:
        chosen, has_time = _told_apart(rows, names, grid)
    return chosen, has_time, tuple(names[place] for place in chosen[has_time:])


def _place(named: str, names: list[str], path: Path) -> int:
    if named.isdecimal() and 1 <= int(named[:6]) <= len(names):
        return int(named) - 1
    for place, name in enumerate(names):
        if name.casefold() == named.casefold():
            return place
    raise CaptureError(
        f"{path.name}: has no column {named}: it has {len(names)} ({', '.join(filter(None, names))})"
    )


def _told_apart(rows: list[list[str]], names: list[str], grid: _Grid) -> tuple[tuple[int, ...], bool]:
    """Return the columns that names tell; where they do not, all: the levels tell which are the lines."""
    numeric = [place for place in range(len(names)) if place in grid.numeric]
    roles = {place: role_of(names[place]) for place in numeric}
    by_role: dict[Role, int] = {}
    for place, role in roles.items():
        by_role.setdefault(role, place)
    time = by_role.get(Role.TIME)
    if time is None and len(numeric) > 1 and _grows(rows, numeric[0], grid):
        time = numeric[0]
    counted = by_role.get(Role.SEQUENCE) if time is None else None
    pair = [by_role[role] for role in (Role.HIGH, Role.LOW) if role in by_role and by_role[role] != time]
    if len(pair) < 2 and Role.SINGLE in by_role:
        pair = [by_role[Role.SINGLE]]
    elif len(pair) < 2:
        pair = [place for place in numeric if place not in (time, counted)]
    return ((time, *pair), True) if time is not None else (tuple(pair), False)


def _values(rows: list[list[str]], place: int, grid: _Grid, most: int = 60) -> list[float]:
    try:
        return [grid.number(row[place]) for row in rows[:most]]
    except (ValueError, IndexError):
        return []


def _grows(rows: list[list[str]], place: int, grid: _Grid) -> bool:
    """Whether a column grows, or falls, by even steps: then it is time."""
    values = _values(rows, place, grid)
    if len(values) > 1 and values[-1] < values[0]:
        values = values[::-1]
    steps = [after - before for before, after in pairwise(values)]
    if len(steps) < 2 or min(steps) < 0 or max(steps) <= 0:
        return False
    step = (values[-1] - values[0]) / len(steps)
    return all(abs(value - values[0] - number * step) <= 1.01 * step for number, value in enumerate(values))


def _goes_back(rows: list[list[str]], place: int, grid: _Grid) -> bool:
    values = _values(rows, place, grid, 400)
    return len(values) > 1 and values[-1] < values[0]


def _counts(rows: list[list[str]], place: int, grid: _Grid) -> bool:
    """Whether a column counts samples, one after the other."""
    values = _values(rows, place, grid)
    return len(values) > 2 and all(after - before == 1.0 for before, after in pairwise(values))
