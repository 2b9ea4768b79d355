"""What the names of columns say: which is time, which line, in which unit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from enum import Enum, auto
from typing import Final


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
