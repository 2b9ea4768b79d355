"""The simulation bank of each medium."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Final

from casebase.bus.bank import Bank
from casebase.bus.pair_model import high_speed_can, j1939
from casebase.record.vocabulary import Medium

_MODELS: Final = {
    Medium.HIGH_SPEED_CAN: high_speed_can,
    Medium.J1939: j1939,
}


@lru_cache(maxsize=16)
def bank_for(medium: Medium, cache: Path | None = None) -> Bank:
    """Return the bank of a medium; `cache` is a folder in which simulated buses are kept between runs."""
    return Bank(_MODELS[medium](), cache)


def computed_media() -> tuple[Medium, ...]:
    """Return the media whose readings can be computed."""
    return tuple(_MODELS)
