"""Who sends which identifier: by the source address of SAE J1939-21, or by a small table in CSV or YAML.

CSV: a line `identifier,module` first, then one identifier a line, comma, semicolon or tab between.
YAML: each module with its identifiers: `ABS: [1A0, 1A1]`. Identifiers are hex, 3 digits for 11 bits, 8 for 29 bits;
`0x` may stand before them.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from casebase.errors import CaptureError, InputError
from casebase.files import text_of
from casebase.intake.bus_log.traffic import IdentifierKey
from casebase.record.can import can_identifier
from casebase.record.case import Module

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


_LARGEST_FILE: Final = 1_000_000
_MOST_ROWS: Final = 10_000
_LONGEST_NAME: Final = 200
_BASE_DIGITS: Final = 3
_EXPECTED: Final = "expected lines such as 1A0,ABS under the line identifier,module"


def read_identifier(text: str) -> IdentifierKey:
    """Return an identifier written in hex; raise InputError where it is none.

    >>> str(read_identifier("0x1a0"))
    '1A0'
    """
    spelt = can_identifier(text)
    return IdentifierKey(len(spelt) > _BASE_DIGITS, int(spelt, 16))


def modules_of_record(modules: Iterable[Module]) -> dict[IdentifierKey, str]:
    """Return which module of a record sends each identifier; the first one where two claim it."""
    table: dict[IdentifierKey, str] = {}
    for module in modules:
        for identifier in module.identifiers:
            table.setdefault(read_identifier(identifier), module.name)
    return table


def read_module_table(path: Path) -> dict[IdentifierKey, str]:
    """Return which module sends each identifier; raise CaptureError with the line or the module that does not fit."""
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise CaptureError(f"{path}: larger than any table of modules: {_EXPECTED}")
        text = text_of(path.read_bytes())
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise CaptureError(f"{path}: no UTF-8 text: save it as a CSV or YAML file in UTF-8") from None
    pairs = _yaml_pairs(path, text) if path.suffix.lower() in (".yaml", ".yml") else _csv_pairs(path, text)
    table: dict[IdentifierKey, str] = {}
    for where, written, module in pairs:
        _add(table, path, where, written, module)
    if not table:
        raise CaptureError(f"{path}: no identifier in it: {_EXPECTED}")
    return table


def _add(table: dict[IdentifierKey, str], path: Path, where: str, written: str, module: str) -> None:
    name = " ".join(module.split())
    if not name or len(name) > _LONGEST_NAME or not name.isprintable():
        raise CaptureError(f"{path}: {where}: no name of a module: {_EXPECTED}")
    try:
        key = read_identifier(written)
    except InputError as error:
        raise CaptureError(f"{path}: {where}: '{written.strip()[:40]}' {error}") from None
    if table.setdefault(key, name) != name:
        raise CaptureError(f"{path}: {where}: {key} belongs to {table[key]} already; take one of both out")


def _csv_pairs(path: Path, text: str) -> list[tuple[str, str, str]]:
    lines = text.splitlines()
    head = lines[0] if lines else ""
    separator = next((sign for sign in ";\t," if sign in head), ",")
    try:
        rows = list(csv.reader(lines[: _MOST_ROWS + 1], delimiter=separator))
    except csv.Error as error:
        raise CaptureError(f"{path}: no CSV file ({error}): {_EXPECTED}") from None
    names = [cell.strip().lower() for cell in rows[0]] if rows else []
    if "identifier" not in names or "module" not in names:
        raise CaptureError(f"{path}: line 1 does not name the columns: {_EXPECTED}")
    places = names.index("identifier"), names.index("module")
    found = []
    for number, row in enumerate(rows[1:], start=2):
        if any(cell.strip() for cell in row):
            if len(row) <= max(places):
                raise CaptureError(f"{path}: line {number}: too few columns: {_EXPECTED}")
            found.append((f"line {number}", row[places[0]], row[places[1]]))
    return found


def _yaml_pairs(path: Path, text: str) -> list[tuple[str, str, str]]:
    try:
        # Base: every value stays text, or 100 would be read as a decimal number.
        data: Any = YAML(typ="base", pure=True).load(text)
    except (YAMLError, ValueError, RecursionError):
        raise CaptureError(f"{path}: no YAML file that can be read: expected ABS: [1A0, 1A1]") from None
    if not isinstance(data, dict) or len(data) > _MOST_ROWS:
        raise CaptureError(f"{path}: expected modules with their identifiers: ABS: [1A0, 1A1]")
    found = []
    for module, listed in data.items():
        values = listed if isinstance(listed, list) else [listed]
        if not isinstance(module, str) or not all(isinstance(value, str) for value in values):
            raise CaptureError(f"{path}: {str(module)[:40]}: expected identifiers: ABS: [1A0, 1A1]")
        found += [(f"module {module}", value, module) for value in values[:_MOST_ROWS]]
    return found
