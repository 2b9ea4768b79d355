"""What the standard U codes say: which bus, or which module, and in what way.

The pairs of numbers in `data/network_codes.csv` are those of SAE J2012-DA as found in public lists; the
wording is ours. There is no fixed offset between the numbers of one module. Left out are numbers that are
damaged or could not be checked in those lists: U02A0, U04A4, U0587 and U057B to U057D name no module here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Final

from casebase.record.tables import read_table


class Statement(StrEnum):
    """What a trouble code says is wrong, in the few kinds that matter for a network fault."""

    BUS_FAULT = "bus fault"
    LOST_COMMUNICATION = "lost communication"
    INVALID_DATA = "invalid data"
    SOFTWARE_INCOMPATIBILITY = "software incompatibility"
    SUPPLY = "supply"
    CIRCUIT = "circuit"
    OTHER = "other"


@dataclass(frozen=True)
class BusCode:
    """A code about a bus as a whole: the bus, and what is wrong with it."""

    bus: str
    trouble: str


_RANGES: Final = (
    (0x0001, 0x009E, Statement.BUS_FAULT),
    (0x0100, 0x02FF, Statement.LOST_COMMUNICATION),
    (0x0300, 0x03FF, Statement.SOFTWARE_INCOMPATIBILITY),
    (0x0400, 0x05FF, Statement.INVALID_DATA),
    (0x0600, 0x06FF, Statement.LOST_COMMUNICATION),
)
"""First and last number of each kind of standard U code (from the texts of public lists of SAE J2012-DA)."""

_SUPPLY_CODES: Final = {
    "U3003": "battery voltage at the module",
    "U3006": "supply A of the module",
    "U3007": "supply B of the module",
    "U3008": "ground A of the module",
    "U3009": "ground B of the module",
}
"""Codes about a module's own supply and ground (from memory)."""

_BUSES: Final = (
    "high-speed CAN",
    "medium-speed CAN",
    "low-speed CAN",
    "bus A",
    "bus B",
    "bus C",
    "bus D",
    "bus E",
)
_BUS_TROUBLES: Final = (
    "fault not told further",
    "does not perform as it should",
    "{plus} open",
    "{plus} voltage too low",
    "{plus} voltage too high",
    "{minus} open",
    "{minus} voltage too low",
    "{minus} voltage too high",
    "the two lines shorted together",
)
"""Nine codes for each bus, from U0001 on, in this order; their numbers count in tens."""


def network_statement(base: str) -> Statement:
    """Return what the standard U code `base` says by its number; `other` where nothing is known.

    >>> network_statement("U0415").value
    'invalid data'
    """
    if base in _SUPPLY_CODES:
        return Statement.SUPPLY
    number = int(base[1:], 16)
    return next((kind for first, last, kind in _RANGES if first <= number <= last), Statement.OTHER)


def supply_named(base: str) -> str | None:
    """Return which supply or ground of a module the U code `base` is about, if it is one of those."""
    return _SUPPLY_CODES.get(base)


@cache
def _modules_by_code() -> dict[str, str]:
    rows = read_table("network_codes")
    return {row[kind]: row["key"] for row in rows for kind in ("lost", "invalid", "software") if row[kind]}


def module_named(base: str) -> str | None:
    """Return the key of the module that the U code `base` is about, where the standard names one."""
    return _modules_by_code().get(base)


def bus_code(base: str) -> BusCode | None:
    """Return the bus that the U code `base` is about, and the trouble on it.

    >>> bus_code("U0003").trouble
    'CAN high open'
    """
    digits = base[1:]
    if not digits.isdecimal() or not 1 <= int(digits) <= 79:
        return None
    number = int(digits)
    if number >= 73:
        return BusCode(f"bus {'ABCDEFG'[number - 73]}", "a control module went off the bus")
    bus, trouble = _BUSES[(number - 1) // 9], _BUS_TROUBLES[(number - 1) % 9]
    is_can = bus.endswith("CAN")
    plus, minus = ("CAN high", "CAN low") if is_can else ("plus line", "minus line")
    return BusCode(bus, trouble.format(plus=plus, minus=minus))
