"""One wide bus met by one technician with one meter: what was written down, and what is true."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from wide_meter import FIVE, reading_keys
from wide_truth import Truth


@dataclass(frozen=True)
class Visit:
    """One bus met by one technician: what he wrote down, and what is true.

    `five`: text by row, at the DLC. `beside`: further readings as a record's keys. `slips`: the five with each slip.
    """

    group: str
    truth: Truth
    modules: tuple[str, ...]
    terminators_in: tuple[str, ...]
    five: dict[str, str] = field(default_factory=dict)
    beside: tuple[dict[str, Any], ...] = ()
    scope: dict[str, Any] | None = None
    slips: dict[str, dict[str, str]] = field(default_factory=dict)

    def readings(
        self, rows: tuple[str, ...] = FIVE, slip: str | None = None, *, scope: bool = False
    ) -> list[Any]:
        """Return the readings as a record's keys: `rows` of the DLC, those beside them, the scope's."""
        texts = self.slips[slip] if slip else self.five
        found = [reading_keys(row, texts[row]) for row in rows if row in texts]
        return [*found, *self.beside, *([self.scope] if scope and self.scope else [])]
