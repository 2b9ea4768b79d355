"""A trouble code as a value: what it is, its bytes, and what it says of itself."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from casebase.errors import CodeError
from casebase.record import code_meaning
from casebase.record.network_codes import Statement, module_named

LETTERS: Final = "PCBU"
"""First letters in the order of their two bits (SAE J2012 / ISO 15031-6)."""

COUNT_NOT_KNOWN: Final = 127
"""Seven bits; all ones say that the count is not known (SAE J1939-73, from memory)."""


class Grammar(StrEnum):
    """The standard that a code is written by."""

    LETTER = "SAE J2012"
    SPN_FMI = "SAE J1939-73"
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
    MAKER = "maker"


SYSTEM_BY_LETTER: Final = dict(
    zip(LETTERS, (System.POWERTRAIN, System.CHASSIS, System.BODY, System.NETWORK), strict=True)
)


@dataclass(frozen=True, slots=True)
class TroubleCode:
    """One trouble code; two are equal if they say the same, however written and however often they came.

    `text` is the canonical spelling, `base` the same without failure type or failure mode.
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
        if self.spn is not None and self.fmi is not None:
            return code_meaning.spn_statement(self.spn, self.fmi)
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
        return None if self.grammar is Grammar.MAKER else code_meaning.bus_of(self.base, self.spn)

    @property
    def meaning(self) -> str:
        """A short phrase in plain words; says so where the meaning is not known here."""
        if self.spn is not None and self.fmi is not None:
            return code_meaning.spn_meaning(self.spn, self.fmi)
        if self.grammar is Grammar.MAKER:
            return "the maker's own number, see the maker's documents"
        return code_meaning.letter_code_meaning(self.base, self.failure_type, self.system.value)
