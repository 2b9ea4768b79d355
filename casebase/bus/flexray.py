"""FlexRay (ISO 17458-4) as a model for the simulation bank.

Zeros and ones are driven with opposite signs, so each bus is solved both ways round: once as drawn, once with its
lines exchanged. A meter shows the mean of both, which stays at the idle level on either line.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.instruments import observed
from casebase.bus.media import FLEXRAY
from casebase.bus.network import Shunt
from casebase.bus.pair import draw_pairs
from casebase.bus.pair_draws import ROLES, Drawn, Spread, facts_of
from casebase.bus.pair_faults import TWO_WIRE_STATES
from casebase.record.vocabulary import BusState, Medium

FLEXRAY_SPREAD: Final = Spread(
    bias_ohms=(10e3, 40e3),  # NXP TJA1085 Rev 1, page 38
    bias_volts=((1.0, (2.40, 2.60)),),  # 0.4 to 0.6 VCC, typically 2.5 V (NXP TJA1083, table 11)
    high_volts=(3.75, 4.05),
    low_volts=(0.95, 1.25),
    driver_ohms=(18.0, 36.0),  # into 40 to 55 ohm: 0.9 to 2.0 V between the lines (NXP TJA1083, table 11)
    limit_amperes=(0.040, 0.080),  # from memory
    terminator_ohms=((1.0, (FLEXRAY.termination.low, FLEXRAY.termination.high)),),
    modules_seldom=(4, 10),
    dead_share=((1.0, (0.999, 1.0)),),
    worn_ohms=((1.0, (0.0, 0.05)),),
    short_ohms=(0.05, 20.0),
    traffic=((1.0, (0.03, 0.36)),),
    modules=(4, 10),  # up to 22 (NI-XNET manual); few in vehicles (common practice, no source)
    trunk_metres=(2.0, 24.0),  # passive bus, NI-XNET manual, Cabling Requirements for FlexRay
)

EXTRA_OHMS: Final = (80.0, 110.0)
"""A terminator in a module of the wrong variant."""

SENDERS: Final = 2


@dataclass(frozen=True)
class FlexRayModel:
    """The two-wire model, driven with both signs."""

    medium: Medium = Medium.FLEXRAY
    states: tuple[BusState, ...] = TWO_WIRE_STATES
    unpluggable: tuple[str, ...] = ROLES
    traffics: int = 1

    def simulate(
        self, state: BusState, unplugged: str, count: int, seed: int
    ) -> dict[str, NDArray[np.float64]]:
        """Return every column seen with `unplugged` taken off; `dominant` is the level of a one (plus above minus)."""
        drawn = draw_flexray(state, count, seed)
        ones = observed(drawn, unplugged)
        zeros = exchanged_columns(observed(exchanged(drawn), unplugged))
        if state is BusState.DRIVER_STUCK_DOMINANT:
            sign = np.random.default_rng(seed).random(count) < 0.5
            return {name: np.where(sign, ones[name], zeros[name]) for name in ones}
        return {name: _over_both_signs(name, ones[name], zeros[name]) for name in ones}

    def facts(self, state: BusState, count: int, seed: int) -> dict[str, Array]:
        """Return what is known of each bus."""
        return facts_of(draw_flexray(state, count, seed))


def flexray() -> FlexRayModel:
    """Return the model of FlexRay."""
    return FlexRayModel()


def draw_flexray(state: BusState, count: int, seed: int) -> Drawn:
    """Return random buses in `state`."""
    random = np.random.default_rng(seed)
    drawn = draw_pairs(state, count, random, FLEXRAY_SPREAD)
    if state is BusState.EXTRA_TERMINATOR:
        drawn = _with_extra(drawn, 1 / random.uniform(*EXTRA_OHMS, count))
    # Two senders tell as much as three; each is solved for both signs.
    total = drawn.shares.sum(axis=0)
    kept = drawn.shares[:SENDERS]
    shares = np.where(total > 0, kept / np.maximum(kept.sum(axis=0), 1e-9) * total, 0.0)
    return replace(drawn, senders=drawn.senders[:SENDERS], shares=shares)


def _with_extra(drawn: Drawn, siemens: Array) -> Drawn:
    """Return the buses with the extra terminator, wherever it was put, made `siemens`."""

    def resized(shunt: Shunt) -> Shunt:
        return replace(shunt, across=np.where(shunt.across > 0, siemens, 0.0))

    buses = drawn.buses
    parts = ("powered_trunk", "powered_module", "unpowered_trunk", "unpowered_module")
    changed: dict[str, Any] = {name: resized(getattr(buses, name)) for name in parts}
    return replace(drawn, buses=replace(buses, **changed))


def exchanged(drawn: Drawn) -> Drawn:
    """Return the buses with their lines exchanged; the drivers stay, so that they drive the other way round."""
    buses = drawn.buses
    sides = ("bias", "bias_volts", "stub_ohms", "wire_ohms", "dlc_ohms")
    changed: dict[str, Any] = {}
    for side in sides:
        changed[f"{side}_high"] = getattr(buses, f"{side}_low")
        changed[f"{side}_low"] = getattr(buses, f"{side}_high")
    for name in ("powered_trunk", "powered_module", "unpowered_trunk", "unpowered_module"):
        shunt = getattr(buses, name)
        changed[name] = Shunt(shunt.low, shunt.high, shunt.across, shunt.amperes_low, shunt.amperes_high)
    return replace(drawn, buses=replace(buses, **changed))


def exchanged_columns(columns: Mapping[str, Array]) -> dict[str, Array]:
    """Return the columns under the names of the other line."""
    return {_exchanged_name(name): values for name, values in columns.items()}


def _exchanged_name(name: str) -> str:
    view, _, quantity = name.rpartition("|")
    parts = {"high": "low", "low": "high"}
    return f"{view}|{'_'.join(parts.get(part, part) for part in quantity.split('_'))}"


def _over_both_signs(name: str, ones: Array, zeros: Array) -> Array:
    quantity = name.rpartition("|")[2]
    if quantity.startswith("volts"):
        return (ones + zeros) / 2
    return np.maximum(ones, zeros) if quantity == "traffic" else ones
