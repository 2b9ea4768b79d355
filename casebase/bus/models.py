"""The simulation bank of each medium."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Final

from casebase.bus.bank import BUSES_PER_STATE, Bank, Model
from casebase.bus.fault_tolerant_model import fault_tolerant_can
from casebase.bus.flexray_model import flexray
from casebase.bus.pair_model import high_speed_can, j1939
from casebase.bus.single_model import k_line, lin, single_wire_can
from casebase.record.vocabulary import Medium

_MODELS: Final[dict[Medium, Callable[[], Model]]] = {
    Medium.HIGH_SPEED_CAN: high_speed_can,
    Medium.J1939: j1939,
    Medium.FAULT_TOLERANT_CAN: fault_tolerant_can,
    Medium.SINGLE_WIRE_CAN: single_wire_can,
    Medium.LIN: lin,
    Medium.FLEXRAY: flexray,
    Medium.K_LINE: k_line,
}

_OF_FEW_STATES: Final = (Medium.LIN, Medium.K_LINE, Medium.SINGLE_WIRE_CAN)
"""Media with half the states of a pair: twice the buses for each, in the same time."""


@lru_cache(maxsize=16)
def bank_for(medium: Medium, cache: Path | None = None, *, rough: bool = False) -> Bank:
    """Return the bank of a medium; `cache` is a folder in which simulated buses are kept between runs.

    A `rough` one has an eighth of the buses: enough for a posterior that is kept in twentieths, of thousands of cases.
    """
    per_state = BUSES_PER_STATE * (2 if medium in _OF_FEW_STATES else 1)
    return Bank(_MODELS[medium](), cache, per_state // 8 if rough else per_state)


def computed_media() -> tuple[Medium, ...]:
    """Return the media whose readings can be computed."""
    return tuple(_MODELS)
