"""What the library knows already, offered while somebody types: makes, models, platforms, modules, the usual unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from casebase.intake.answers import Reader

MOST_OFFERED: Final = 12


@dataclass(frozen=True)
class Known:
    """Names that the library holds, the most usual first; `distance_unit` is that of its newest odometer."""

    vehicles: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Make to models."""
    platforms: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Make to platforms."""
    modules: Sequence[str] = ()
    distance_unit: str = "km"

    @property
    def makes(self) -> tuple[str, ...]:
        """The makes."""
        return tuple(self.vehicles)

    def models_of(self, make: str) -> tuple[str, ...]:
        """Return the models of a make."""
        return tuple(self.vehicles.get(make, ()))

    def platforms_of(self, make: str) -> tuple[str, ...]:
        """Return the platforms of a make."""
        return tuple(self.platforms.get(make, ()))

    @staticmethod
    def spelled(read: Reader, names: Sequence[str]) -> Reader:
        """Return a reader that writes a known name as the library does: `skarn` is Skarn."""
        by_folded = {name.casefold(): name for name in names}
        return lambda text: by_folded.get(text.casefold()) or read(text)
