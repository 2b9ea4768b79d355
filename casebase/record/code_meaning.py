"""What a trouble code says is wrong, as one of a few statements and as a short phrase in plain words.

Where a table or a number does not tell, the answer is `other`: nothing is guessed. Failure types (SAE
J2012-DA) and failure mode identifiers (SAE J1939-73) stand in `data/`, each with how its meaning was checked:
`published list` is the table of failure types that open-source programs for diagnosis carry, in the words of the
standard; the wording here is ours.

Which module a standard U code is about stands in `data/network_codes.csv`: the pairs of numbers are those of SAE
J2012-DA as found in public lists; the wording is ours. There is no fixed offset between the numbers of one module.
Left out are numbers that are damaged or could not be checked in those lists: U02A0, U04A4, U0587 and U057B to
U057D name no module here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Final

from casebase.places import read_table
from casebase.record.modules import module_label


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


_SYSTEM_VOLTAGE: Final = {
    "P0560": "system voltage",
    "P0561": "system voltage unsteady",
    "P0562": "system voltage too low",
    "P0563": "system voltage too high",
}
"""P0564 to P0569 are inputs of the cruise control, not voltages (SAE J2012, as in public lists)."""

_CIRCUIT_RANGES: Final = (
    (0x0030, 0x0039),
    (0x0095, 0x0099),
    (0x0100, 0x0124),
    (0x0130, 0x0147),
    (0x0150, 0x0167),
    (0x0180, 0x0194),
    (0x0200, 0x0212),
    (0x0220, 0x0229),
    (0x0335, 0x0349),
    (0x0350, 0x0362),
    (0x0615, 0x0617),
    (0x0620, 0x0629),
)
"""Runs of P codes that all speak of the circuit of a sensor, heater, injector, coil or lamp (from memory)."""

_NETWORKS_BY_SPN: Final = {
    625: "the maker's own network 1",
    639: "J1939 network 1",
    1231: "J1939 network 2",
    1235: "J1939 network 3",
}
"""Parameters that stand for a whole network (SAE J1939; the numbers 625 and 639 from memory)."""

_DATA_LINKS_BY_SUBSYSTEM: Final = {
    231: "J1939 data link",
    248: "the maker's own data link",
    249: "J1922 data link",
    250: "J1587 data link",
}
"""Subsystems common to all modules that stand for a data link (SAE J1587, from memory)."""

_UNITS_BY_MID: Final = {
    128: "engine control",
    130: "transmission control",
    136: "anti-lock brakes",
    140: "instrument cluster",
}
"""Modules by message identification number (SAE J1587, from memory)."""

_OTHERWISE: Final = range(10, 80)
"""Standard texts of these buses are replaced by a maker's own now and then (common practice, no source)."""

_SUPPLIES_BY_SPN: Final = {158: "battery voltage at the key switch", 168: "battery voltage"}
"""Parameters that stand for the vehicle's supply (SAE J1939, from memory)."""

_FIRST_MAKER_SPN: Final = 520_192
"""From here up to 524287 the maker gives the numbers (SAE J1939, from memory)."""

_SAYS: Final = {
    Statement.LOST_COMMUNICATION: "no messages arrive from {module}",
    Statement.INVALID_DATA: "data from {module} cannot be used",
    Statement.SOFTWARE_INCOMPATIBILITY: "the software of {module} does not fit the other modules",
}
_NO_MODULE_SAYS: Final = {
    Statement.BUS_FAULT: "fault on a data bus that is not named here",
    Statement.LOST_COMMUNICATION: "no messages arrive from a module that is not named here",
    Statement.INVALID_DATA: "data from a module that is not named here cannot be used",
    Statement.SOFTWARE_INCOMPATIBILITY: "software of modules does not fit together",
    Statement.CIRCUIT: "circuit of a sensor or actuator",
    Statement.OTHER: "standard {system} code, not explained here",
}


@dataclass(frozen=True)
class _Detail:
    """One row of a table of failure types or failure modes."""

    text: str
    statement: Statement


@cache
def _failure_types() -> dict[int, _Detail]:
    rows = read_table("failure_types")
    return {int(row["byte"], 16): _Detail(row["text"], Statement(row["statement"])) for row in rows}


@cache
def _failure_modes() -> dict[int, _Detail]:
    rows = read_table("failure_modes")
    return {int(row["fmi"]): _Detail(row["text"], Statement(row["statement"])) for row in rows}


def failure_type_text(failure_type: int) -> str:
    """Return what the failure type byte says, in plain words; empty for 00, its number where not known."""
    known = _failure_types().get(failure_type)
    return known.text if known else f"failure type {failure_type:02X}, not explained here"


def failure_mode_text(fmi: int) -> str:
    """Return what the failure mode identifier says, in plain words; its number where not known."""
    known = _failure_modes().get(fmi)
    return known.text if known else f"failure mode {fmi}"


def maker_defines_letter_code(base: str) -> bool:
    """Return whether the maker, not the standard, gives `base` its meaning (SAE J2012, second digit)."""
    start = base[:2]
    return start in {"P1", "C1", "C2", "B1", "B2", "U1", "U2"} or (start == "P3" and base[2] in "0123")


def maker_defines_spn(spn: int) -> bool:
    """Return whether the maker gives the parameter its meaning."""
    return spn >= _FIRST_MAKER_SPN


def letter_code_statement(base: str, failure_type: int | None) -> Statement:
    """Return what a code such as U0121-87 says; a standard U code's number outweighs its failure type."""
    base_says = _base_statement(base)
    if base_says not in {Statement.OTHER, Statement.CIRCUIT}:
        return base_says
    known = _failure_types().get(failure_type) if failure_type is not None else None
    return known.statement if known and known.statement is not Statement.OTHER else base_says


def _base_statement(base: str) -> Statement:
    if base[0] == "U":
        return Statement.OTHER if maker_defines_letter_code(base) else network_statement(base)
    if base in _SYSTEM_VOLTAGE:
        return Statement.SUPPLY
    number = int(base[1:], 16)
    is_circuit = base[0] == "P" and any(first <= number <= last for first, last in _CIRCUIT_RANGES)
    return Statement.CIRCUIT if is_circuit else Statement.OTHER


def spn_statement(spn: int, fmi: int | None) -> Statement:
    """Return what the pair of parameter and failure mode says; `fmi` None: not told."""
    known = None if fmi is None else _failure_modes().get(fmi)
    says = known.statement if known else Statement.OTHER
    if says in {Statement.LOST_COMMUNICATION, Statement.INVALID_DATA}:
        return says
    if spn in _NETWORKS_BY_SPN:
        return Statement.BUS_FAULT
    return Statement.SUPPLY if spn in _SUPPLIES_BY_SPN else says


def bus_of(base: str, spn: int | None) -> str | None:
    """Return the bus that a code is about as a whole: `high-speed CAN`, `bus A`, `J1939 network 1`."""
    if spn is not None:
        return _NETWORKS_BY_SPN.get(spn)
    about_bus = bus_code(base) if base[0] == "U" else None
    return about_bus.bus if about_bus else None


def letter_code_meaning(base: str, failure_type: int | None, system: str) -> str:
    """Return a short phrase for a code such as U0121-87, with its failure type in brackets."""
    detail = failure_type_text(failure_type) if failure_type is not None else ""
    return _base_meaning(base, system) + (f" ({detail})" if detail else "")


def _base_meaning(base: str, system: str) -> str:
    if maker_defines_letter_code(base):
        return f"{system} code of the maker, see the maker's documents"
    about_bus, module = (bus_code(base), module_named(base)) if base[0] == "U" else (None, None)
    if about_bus:
        otherwise = int(base[1:]) in _OTHERWISE
        makers = "; some makers use this number otherwise: their documents come first" if otherwise else ""
        return f"{about_bus.bus}: {about_bus.trouble}{makers}"
    says = _base_statement(base)
    if module:
        return _SAYS[says].format(module=module_label(module))
    if says is Statement.SUPPLY:
        return _SYSTEM_VOLTAGE.get(base) or supply_named(base) or ""
    return _NO_MODULE_SAYS[says].format(system=system)


def spn_meaning(spn: int, fmi: int | None) -> str:
    """Return a short phrase for the pair of parameter and failure mode; `fmi` None: not told."""
    name = _NETWORKS_BY_SPN.get(spn) or _SUPPLIES_BY_SPN.get(spn)
    kind = "maker's parameter" if maker_defines_spn(spn) else "parameter"
    failure = "how it failed is not told (FMI)" if fmi is None else failure_mode_text(fmi)
    return f"{name or f'{kind} {spn}'}: {failure}"


def older_statement(kind: str, number: int, fmi: int | None) -> Statement:
    """Return what an identifier of SAE J1587 says: `kind` is PID or SID."""
    if kind == "SID" and number in _DATA_LINKS_BY_SUBSYSTEM:
        return Statement.BUS_FAULT
    return spn_statement(number if kind == "PID" else -1, fmi)


def older_meaning(unit: int, kind: str, number: int, fmi: int | None) -> str:
    """Return a short phrase for an identifier of SAE J1587: the unit's number (MID), PID or SID, failure mode."""
    link = _DATA_LINKS_BY_SUBSYSTEM.get(number) if kind == "SID" else _SUPPLIES_BY_SPN.get(number)
    what = link or f"{'subsystem' if kind == 'SID' else 'parameter'} {number}"
    told = _UNITS_BY_MID.get(unit)
    module = f"unit {unit} ({told})" if told else f"unit {unit}"
    failure = "how it failed is not told (FMI)" if fmi is None else failure_mode_text(fmi)
    return f"{what} of {module}: {failure}; an identifier of older trucks (SAE J1587)"


def data_link_of(kind: str, number: int) -> str | None:
    """Return the data link that an identifier of SAE J1587 is about as a whole."""
    return _DATA_LINKS_BY_SUBSYSTEM.get(number) if kind == "SID" else None
