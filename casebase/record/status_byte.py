"""The status byte of a trouble code (ISO 14229-1), bit by bit and in plain words."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from casebase.errors import CodeError

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
        told = [
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
        return ", ".join(words for words, holds in told if holds) or "no fault"


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
