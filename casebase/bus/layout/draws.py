"""Healthy networks of one layout: what wires, contacts, terminators and transceivers measure, drawn from tolerances.

The tolerances are those of `pair_draws.Spread`; what a layout leaves open (lengths) is drawn too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.layout.wiring import Wiring
from casebase.bus.pair_draws import LEAST_GROUND_OHMS, Spread, log_uniform, mixed, uniform
from casebase.record.layout import DLC

UNKNOWN_METRES: Final = (0.2, 4.0)
"""Of a wire whose length nobody stated (judged)."""

OHMS_PER_METRE: Final = (0.03, 0.09)
LEAST_OHMS: Final = 0.002
_SEED: Final = 14


@dataclass(frozen=True)
class Drawn:
    """Healthy networks; shape (draws, ...): branches, modules or terminators of the wiring, as named.

    `branch_*`: ohms. `bias_*`: siemens of each module to `bias_volts` (volts, one per draw and module). `terminators`:
    siemens. `dead_share`: how much of the bias an ohmmeter sees without supply. `driver_*`: of each module.
    """

    branch_high: Array
    branch_low: Array
    bias_high: Array
    bias_low: Array
    bias_volts: Array
    terminators: Array
    dead_share: Array
    driver_high_volts: Array
    driver_low_volts: Array
    driver_ohms: Array
    driver_limit: Array
    battery_volts: Array

    @property
    def count(self) -> int:
        """How many networks."""
        return len(self.dead_share)


def drawn_for(wiring: Wiring, count: int) -> Drawn:
    """Return `count` healthy networks of a wiring, the same every time."""
    random, spread = np.random.default_rng(_SEED), Spread()
    modules = (count, max(len(wiring.modules), 1))
    high, low = _branches(wiring, count, random, spread)
    bias = 1 / log_uniform(random, spread.bias_ohms, modules)
    unlike = 1 + random.uniform(-spread.bias_mismatch, spread.bias_mismatch, modules)
    bias_volts = mixed(random, spread.bias_volts, (count, 1)) + random.normal(0, 0.01, modules)
    nominal = np.array([[ohms for _, ohms, _ in wiring.terminators]])
    terminators = mixed(random, spread.terminator_ohms, (count, nominal.shape[1])) / 120.0 * nominal
    dead = mixed(random, spread.dead_share, count, log=True)
    return Drawn(
        branch_high=high,
        branch_low=low,
        bias_high=bias * unlike,
        bias_low=bias / unlike,
        bias_volts=bias_volts,
        terminators=1 / terminators,
        dead_share=np.minimum(dead, 1 / (LEAST_GROUND_OHMS * 2 * bias.sum(axis=1))),
        driver_high_volts=uniform(random, spread.high_volts, modules),
        driver_low_volts=uniform(random, spread.low_volts, modules),
        driver_ohms=uniform(random, spread.driver_ohms, modules),
        driver_limit=uniform(random, spread.limit_amperes, modules),
        battery_volts=uniform(random, spread.battery_volts, count),
    )


def _branches(wiring: Wiring, count: int, random: np.random.Generator, spread: Spread) -> tuple[Array, Array]:
    shape = (count, len(wiring.branches))
    known = np.array([np.nan if one.metres is None else one.metres for one in wiring.branches])
    metres = np.where(np.isnan(known), log_uniform(random, UNKNOWN_METRES, shape), known)
    per_metre = uniform(random, OHMS_PER_METRE, (count, 1))
    is_wire = np.array([one.is_wire for one in wiring.branches], dtype=bool)
    contacts = uniform(random, spread.contact_ohms, (2, *shape))
    worn = mixed(random, spread.worn_ohms, (2, count, 1))
    at_dlc = np.array([DLC in {wiring.points[end] for end in one.ends} for one in wiring.branches])
    lines = np.where(is_wire, metres * per_metre, contacts) + np.where(at_dlc, worn + contacts, 0.0)
    return lines[0] + LEAST_OHMS, lines[1] + LEAST_OHMS
