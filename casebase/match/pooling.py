"""The figures by which past cases and the job's own readings are pooled into causes; one object, so they can be fitted.

All masses are on one scale: a verified case alike in everything counts 1 before the readings speak.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from casebase.errors import InputError


@dataclass(frozen=True, slots=True)
class Pooling:
    """How much cases, readings and the unknown count. Raises InputError for a figure that makes no sense."""

    sharpness: float = 10.0
    """A case counts exp(sharpness x (likeness - 1)): at 10 a likeness of .77 counts a tenth (judged)."""

    readings_power: float = 0.8
    """Power of the readings' say on a past case's cause: below 1, for its likeness has heard the readings already
    (judged)."""

    unverified_share: float = 0.6
    """What a case counts whose fix was not verified (judged)."""

    not_proven_share: float = 0.7
    """What a case counts whose cause was not proven (judged)."""

    told_again: float = 0.5
    """What each further case of one cause, shop and model counts of the one before: never above twice the first one
    in all (judged)."""

    moved_share: float = 0.6
    """What a case counts for its fault in another module, to which this job points (judged)."""

    readings_share: float = 0.12
    """Mass of the bus states themselves, shared out by the readings alone (judged)."""

    none_of_these: float = 0.05
    """Mass of what none of the cases had: as much as one verified case of likeness .70 (judged)."""

    def __post_init__(self) -> None:
        shares = (self.unverified_share, self.not_proven_share, self.told_again, self.moved_share)
        masses = (self.sharpness, self.readings_power, self.readings_share)
        if min(masses) < 0 or self.none_of_these <= 0 or not all(0 <= share <= 1 for share in shares):
            raise InputError(
                f"{self} cannot pool cases: expected shares from 0 to 1, masses and powers of at least 0, and"
                " none_of_these above 0"
            )


JUDGED: Final = Pooling()
