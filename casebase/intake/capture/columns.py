"""How a text file of samples is laid out: where numbers begin, what parts them, which column is what, its unit."""

from __future__ import annotations

import re
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
    r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?(?:nan|inf|infinity)", re.IGNORECASE
)
_COMMA_NUMBER: Final = re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?")
_HEAD_BYTES: Final = 1 << 17
_ALIKE: Final = 3
"""So many lines of as many numbers, one after the other, are the beginning of the samples."""


@dataclass(frozen=True)
class Layout:
    """How the lines of numbers are read. Columns count from 0; `step` is what the lines before state, in seconds."""

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


def layout_of(path: Path, wanted: Wanted) -> Layout:
    """Return how the file is laid out; raise `CaptureError` where that cannot be told."""
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
        whole = not file.read(1)
    text = _text(head, path)
    lines = text.split("\n")
    if not whole and len(lines) > 1:
        lines.pop()  # most likely torn
    first, separator, comma = _beginning(lines, path)
    above = _cells_above(lines[:first], _cells(lines[first], separator))
    columns, has_time, names = _columns(lines[first:], above, separator, comma, wanted, path)
    stated = [
        unit_of([row[place] for row in above if place < len(row)], time=has_time and order == 0)
        for order, place in enumerate(columns)
    ]
    return Layout(
        skip_bytes=len("\n".join(lines[:first]).encode("latin-1")) + (1 if first else 0),
        skip_lines=first,
        separator=separator,
        decimal_comma=comma,
        columns=columns,
        has_time=has_time,
        factors=tuple(factor or 1.0 for factor in stated),
        step=stated_step(lines[:first]),
        names=names,
        notes=() if all(stated[has_time:]) else ("the file states no unit: its levels are taken as volts",),
    )


def _text(head: bytes, path: Path) -> str:
    """Return the beginning as text, a byte a letter; raise where it is none."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")) or head[:200].count(0) > 20:
        raise CaptureError(f"{path.name}: is no plain text: expected CSV in UTF-8, .npy, .npz or .wav")
    if b"\0" in head:
        raise CaptureError(f"{path.name}: holds zero bytes among the text: it is damaged")
    return head.decode("latin-1").replace("\r", " ")


def _cells(line: str, separator: str | None) -> list[str]:
    if separator is None:
        return line.split()
    cells = [cell.strip().strip('"').strip() for cell in line.split(separator)]
    return cells[:-1] if len(cells) > 1 and not cells[-1] else cells


def _beginning(lines: list[str], path: Path) -> tuple[int, str | None, bool]:
    """Return the first line of numbers, what parts them, and whether their decimals follow a comma."""
    for separator, comma in (
        (";", False),
        (";", True),
        ("\t", False),
        ("\t", True),
        (",", False),
        (None, False),
        (None, True),
    ):
        form = _COMMA_NUMBER if comma else _NUMBER
        first = _first_alike(lines, separator, form)
        if first is not None and not (separator is None and (";" in lines[first] or "\t" in lines[first])):
            return first, separator, comma
    raise CaptureError(
        f"{path.name}: holds no columns of numbers: expected time and volts parted by comma, semicolon or tab"
    )


def _first_alike(lines: list[str], separator: str | None, form: re.Pattern[str]) -> int | None:
    """Return where as many lines of equally many numbers stand in a row."""
    alike = 0
    before = 0
    for place, line in enumerate(lines):
        cells = _cells(line, separator)
        count = len(cells) if cells and all(form.fullmatch(cell) for cell in cells) else 0
        if separator is not None and count < 2:
            count = 0
        alike = alike + 1 if count and count == before else int(count > 0)
        before = count
        if alike == _ALIKE:
            return place - _ALIKE + 1
    return None


def _cells_above(lines: list[str], numbers: list[str]) -> list[list[str]]:
    """Return the cells of the last lines before the numbers that part into as many columns."""
    rows = []
    for line in lines[-4:]:
        for separator in (";", "\t", ",", None):
            cells = _cells(line, separator)
            if len(cells) == len(numbers) and any(cells):
                rows.append([cell.encode("latin-1").decode("utf-8", "replace") for cell in cells])
                break
    return rows


def _columns(  # noqa: PLR0913, PLR0917  what the columns are told from
    lines: list[str], above: list[list[str]], separator: str | None, comma: bool, wanted: Wanted, path: Path
) -> tuple[tuple[int, ...], bool, tuple[str, ...]]:
    """Return the columns to read (time first where there is one), whether time is among them, and their names."""
    count = len(_cells(lines[0], separator))
    names = [next((row[place] for row in above if row[place]), "") for place in range(count)]
    if wanted.high:
        time = [_place(wanted.time, names, path)] if wanted.time else []
        asked = [_place(one, names, path) for one in (wanted.high, wanted.low) if one]
        chosen, has_time = (*time, *asked), bool(time)
    else:
        chosen, has_time = _told_apart(lines, names, separator, comma, path)
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


def _told_apart(
    lines: list[str], names: list[str], separator: str | None, comma: bool, path: Path
) -> tuple[tuple[int, ...], bool]:
    roles = [role_of(name) for name in names]
    by_role = {role: roles.index(role) for role in set(roles)}
    time = by_role.get(Role.TIME)
    if time is None and len(names) > 1 and _grows(lines[:60], separator, comma):
        time = 0
    pair = [by_role[role] for role in (Role.HIGH, Role.LOW) if role in by_role and by_role[role] != time]
    if len(pair) < 2 and Role.SINGLE in by_role:
        pair = [by_role[Role.SINGLE]]
    others = [place for place in range(len(names)) if place != time]
    if len(pair) < 2 and len(others) <= 2:
        pair = pair if len(pair) == 1 and len(others) == 1 else others
    if not pair or (len(pair) == 1 and len(others) > 2):
        raise CaptureError(
            f"{path.name}: has {len(names)} columns, and their names do not tell the lines: say which are time,"
            " high and low with --columns, such as 1,2,3"
        )
    return ((time, *pair), True) if time is not None else (tuple(pair), False)


def _grows(lines: list[str], separator: str | None, comma: bool) -> bool:
    """Whether the first column grows by even steps: then it is time."""
    cells = [_cells(line, separator) for line in lines]
    texts = [row[0] for row in cells if row]
    try:
        values = [float(text.replace(",", ".") if comma else text) for text in texts]
    except ValueError:
        return False
    steps = [after - before for before, after in pairwise(values)]
    return len(steps) > 1 and min(steps) >= 0 and max(steps) > 0 and _even(values)


def _even(values: list[float]) -> bool:
    step = (values[-1] - values[0]) / (len(values) - 1)
    return all(abs(value - values[0] - place * step) <= 1.01 * step for place, value in enumerate(values))
