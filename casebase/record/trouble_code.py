"""A trouble code as a value and the status byte that goes with it (ISO 14229-1), each with what it says."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from casebase.errors import CodeError
from casebase.record import code_meaning
from casebase.record.code_meaning import Statement, module_named

LETTERS: Final = "PCBU"
"""First letters in the order of their two bits (SAE J2012 / ISO 15031-6)."""

COUNT_NOT_KNOWN: Final = 127
"""Seven bits; all ones say that the count is not known (SAE J1939-73, from memory)."""


class Grammar(StrEnum):
    """The standard that a code is written by."""

    LETTER = "SAE J2012"
    SPN_FMI = "SAE J1939-73"
    J1587 = "SAE J1587"
    MAKER = "maker"


class ReadAs(StrEnum):
    """How a code was written where it was read."""

    TEXT = "text"
    BYTES = "bytes"


class System(StrEnum):
    """The part of the vehicle that a code belongs to by its letter or grammar."""

    POWERTRAIN = "powertrain"
    CHASSIS = "chassis"
    BODY = "body"
    NETWORK = "network"
    J1939 = "J1939"
    J1587 = "J1587"
    MAKER = "maker"


SYSTEM_BY_LETTER: Final = dict(
    zip(LETTERS, (System.POWERTRAIN, System.CHASSIS, System.BODY, System.NETWORK), strict=True)
)


@dataclass(frozen=True, slots=True)
class TroubleCode:
    """One trouble code; two are equal if they say the same, however written and however often they came.

    `text` is the canonical spelling, `base` the same without failure type or failure mode. `older`: MID, PID or SID,
    and its number, of SAE J1587. `guessed_from`: the spelling, where it may as well mean something else.
    """

    text: str
    grammar: Grammar
    system: System
    base: str
    failure_type: int | None = None
    spn: int | None = None
    fmi: int | None = None
    maker_defined: bool = False
    occurrences: int | None = field(default=None, compare=False)
    read_as: ReadAs = field(default=ReadAs.TEXT, compare=False)
    older: tuple[int, str, int] | None = None
    source_address: int | None = field(default=None, compare=False)
    status_byte: int | None = field(default=None, compare=False)
    guessed_from: str | None = field(default=None, compare=False)

    def __str__(self) -> str:
        return self.text

    def __bytes__(self) -> bytes:
        """Return the code as sent on the wire: two, three (with failure type) or four bytes (SPN and FMI).

        Raises CodeError for a maker's own number, whose bytes are not known.
        """
        if self.spn is not None and self.fmi is not None:
            count = COUNT_NOT_KNOWN if self.occurrences is None else self.occurrences
            low = (self.spn & 0xFFFF).to_bytes(2, "little")
            return low + bytes([(self.spn >> 16) << 5 | self.fmi, count])
        if self.grammar is Grammar.MAKER:
            raise CodeError(f"trouble code '{self.text}' is a maker's own number; its bytes are not known")
        if self.grammar is not Grammar.LETTER:
            raise CodeError(f"trouble code '{self.text}' has no bytes of its own: expected SPN and FMI")
        number = (LETTERS.index(self.base[0]) << 14) | int(self.base[1:], 16)
        last = b"" if self.failure_type is None else bytes([self.failure_type])
        return number.to_bytes(2, "big") + last

    @property
    def hex(self) -> str:
        """The bytes in hex, `C1 21 00`; raises CodeError for a maker's own number."""
        return bytes(self).hex(" ").upper()

    @property
    def statement(self) -> Statement:
        """What the code says is wrong; `other` where no table tells."""
        if self.spn is not None:
            return code_meaning.spn_statement(self.spn, self.fmi)
        if self.older:
            return code_meaning.older_statement(*self.older[1:], self.fmi)
        if self.grammar is Grammar.MAKER:
            return Statement.OTHER
        return code_meaning.letter_code_statement(self.base, self.failure_type)

    @property
    def about(self) -> str | None:
        """Key of the module the code is about, where the standard names one (U0121: anti-lock brakes)."""
        return module_named(self.base) if self.system is System.NETWORK else None

    @property
    def bus(self) -> str | None:
        """The bus that the code is about as a whole: `high-speed CAN`, `bus A`, `J1939 network 1`."""
        if self.older:
            return code_meaning.data_link_of(*self.older[1:])
        return None if self.grammar is Grammar.MAKER else code_meaning.bus_of(self.base, self.spn)

    @property
    def guess(self) -> str | None:
        """What to say instead, where the code was read from a spelling that may mean something else; else None."""
        if self.guessed_from is None:
            return None
        if self.grammar is Grammar.MAKER:
            spn, fmi = self.guessed_from.split("-")
            return f"{self.guessed_from} is kept as the maker's number: say SPN {spn} FMI {fmi} if it is one of J1939"
        return f"{self.guessed_from} is read as {self.text}: say maker:{self.guessed_from} if it is the maker's number"

    @property
    def meaning(self) -> str:
        """A short phrase in plain words; says so where the meaning is not known here."""
        if self.spn is not None:
            return code_meaning.spn_meaning(self.spn, self.fmi)
        if self.older:
            return code_meaning.older_meaning(*self.older, self.fmi)
        if self.grammar is Grammar.MAKER:
            return "the maker's own number, see the maker's documents"
        return code_meaning.letter_code_meaning(self.base, self.failure_type, self.system.value)


_HEX_BYTE: Final = re.compile(r"(?:0[xX])?([0-9A-Fa-f]{2})")


@dataclass(frozen=True, slots=True)
class StatusByte:
    """A status byte of ISO 14229-1; bit 0 is the lowest."""

    value: int

    def __post_init__(self) -> None:
        if not 0 <= self.value <= 0xFF:
            raise CodeError(f"status byte {self.value} is not one byte; expected 0 to 255, for example 0x2F")

    @property
    def test_failed(self) -> bool:
        """Bit 0: the last test failed, the fault is there now."""
        return bool(self.value & 0x01)

    @property
    def test_failed_this_operation_cycle(self) -> bool:
        """Bit 1: a test failed since the module woke up."""
        return bool(self.value & 0x02)

    @property
    def pending(self) -> bool:
        """Bit 2: a test failed in this or the last operation cycle."""
        return bool(self.value & 0x04)

    @property
    def confirmed(self) -> bool:
        """Bit 3: failed often enough to be stored."""
        return bool(self.value & 0x08)

    @property
    def test_not_completed_since_last_clear(self) -> bool:
        """Bit 4: no test has run to its end since codes were cleared."""
        return bool(self.value & 0x10)

    @property
    def test_failed_since_last_clear(self) -> bool:
        """Bit 5: a test failed at least once since codes were cleared."""
        return bool(self.value & 0x20)

    @property
    def test_not_completed_this_operation_cycle(self) -> bool:
        """Bit 6: no test has run to its end since the module woke up."""
        return bool(self.value & 0x40)

    @property
    def warning_indicator_requested(self) -> bool:
        """Bit 7: the module asks for its warning lamp."""
        return bool(self.value & 0x80)

    def describe(self) -> str:
        """Return the byte in plain words, the most telling first: `failing now, confirmed, pending`.

        "Failed this cycle" and "failed since clearing" are said only where nothing stronger says it.
        """
        flags = [
            ("failing now", self.test_failed),
            ("confirmed", self.confirmed),
            ("pending", self.pending),
            ("failed this cycle", self.test_failed_this_operation_cycle and not self.test_failed),
            ("failed since codes were cleared", self.test_failed_since_last_clear and not self.value & 0x0F),
            ("warning lamp on", self.warning_indicator_requested),
            ("not tested since codes were cleared", self.test_not_completed_since_last_clear),
            (
                "not tested this cycle",
                self.test_not_completed_this_operation_cycle and not self.test_not_completed_since_last_clear,
            ),
        ]
        return ", ".join(words for words, holds in flags if holds) or "no fault"


def parse_status_byte(value: int | str) -> StatusByte:
    """Return the status byte written as a number or as `0x2F` or `2F`.

    Raises CodeError where it is anything else.
    """
    if isinstance(value, int):
        return StatusByte(value)
    found = _HEX_BYTE.fullmatch(value.strip())
    if not found:
        raise CodeError(f"status byte {value[:40]!r} is not one byte in hex; expected for example 0x2F or 2F")
    return StatusByte(int(found[1], 16))
