"""The fields of a 29-bit identifier of SAE J1939-21, and what the common source addresses stand for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from casebase.intake.bus_log.traffic import IdentifierKey

_FIRST_BROADCAST_FORMAT: Final = 240
"""From this PDU format on the PDU specific byte belongs to the parameter group; below it is an address."""

GLOBAL_ADDRESS: Final = 255

_USUAL_GROUPS: Final = frozenset(
    {61443, 61444, 65226, 65247, 65248, 65253, 65262, 65263, 65265, 65266, 60928}
)
"""Parameter groups that nearly every J1939 bus has (SAE J1939-71, -73, -81): engine, distance, DM1, address claimed."""

ADDRESS_NAMES: Final[dict[int, str]] = {
    0: "engine control",
    1: "engine control B",
    3: "transmission control",
    4: "transmission control B",
    5: "gear selector",
    11: "brake system",
    15: "retarder at the engine",
    16: "retarder in the driveline",
    17: "cruise control",
    19: "steering",
    23: "instrument cluster",
    25: "climate control",
    33: "body control",
    37: "gateway to outside the vehicle",
    39: "management computer",
    49: "cab control",
    249: "diagnostic tool",
    250: "diagnostic tool, second",
}
"""Preferred addresses, global (SAE J1939 appendix B, table B2), in casebase's own words; a vehicle may use others."""


@dataclass(frozen=True, slots=True)
class J1939Fields:
    """Priority, parameter group number, source address, and the address a frame is for (255: all)."""

    priority: int
    parameter_group: int
    source: int
    destination: int


def j1939_fields(number: int) -> J1939Fields:
    """Return the fields of a 29-bit identifier.

    >>> j1939_fields(0x18FEF100).parameter_group
    65265
    """
    group = (number >> 8) & 0x3FFFF
    is_broadcast = (group >> 8) & 0xFF >= _FIRST_BROADCAST_FORMAT
    destination = GLOBAL_ADDRESS if is_broadcast else group & 0xFF
    return J1939Fields(number >> 26, group if is_broadcast else group & 0x3FF00, number & 0xFF, destination)


def source_words(address: int) -> str:
    """Return a source address in words."""
    name = ADDRESS_NAMES.get(address)
    return f"source address {address} ({name})" if name else f"source address {address}"


def looks_like_j1939(keys: Iterable[IdentifierKey]) -> bool:
    """Return whether identifiers are those of J1939: most have 29 bits, and the usual parameter groups are there."""
    found = list(keys)
    extended = [key.number for key in found if key.extended]
    groups = {j1939_fields(number).parameter_group for number in extended}
    return 2 * len(extended) > len(found) and len(groups & _USUAL_GROUPS) >= 1
