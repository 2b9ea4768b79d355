"""Networks with a fault in each row, seen in one condition: volts and impedances at any port; what a driver adds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np

from casebase.bus.layout.solving import Changed, Index, Pair, TwoByTwo, admittance
from casebase.bus.layout.ways import Way

DRIVER_PASSES: Final = 3


@dataclass(frozen=True)
class Faults:
    """What hangs on one port of every row, with supply or without."""

    port: Index
    siemens: TwoByTwo
    amperes: Pair

    @classmethod
    def stacked(cls, ways: Sequence[Way], *, powered: bool) -> Faults:
        """Return the faults of several ways."""
        each = [way.live if powered else way.unpowered for way in ways]
        parts = (np.stack([getattr(one, name) for one in each]) for name in ("hh", "hl", "lh", "ll"))
        share = 1.0 if powered else 0.0
        amperes = tuple(share * np.stack([way.amperes[line] for way in ways]) for line in (0, 1))
        return cls(np.stack([way.port for way in ways]), TwoByTwo(*parts), (amperes[0], amperes[1]))

    def picked(self, way: Index, row: Index) -> Faults:
        """Return single rows as those of one way, shape (1, rows)."""
        chosen = way[None, :], row[None, :]
        return Faults(
            self.port[chosen], self.siemens[chosen], (self.amperes[0][chosen], self.amperes[1][chosen])
        )

    def but_on(self, ports: Sequence[int]) -> Faults:
        """Return the faults without those on ports that are open already."""
        left = ~np.isin(self.port, ports)
        siemens = TwoByTwo(*(getattr(self.siemens, name) * left for name in ("hh", "hl", "lh", "ll")))
        return Faults(self.port, siemens, (self.amperes[0] * left, self.amperes[1] * left))


class Seen:
    """Networks in one condition, with a fault in each row: volts and impedances at any port."""

    def __init__(self, changed: Changed, faults: Faults, base: Index) -> None:
        self._changed, self._base = changed, base
        open_ports = [change.port for change in changed.changes]
        self._faults = faults.but_on(open_ports)
        self._ports, self._place = np.unique(faults.port, return_inverse=True)
        self._place = self._place.reshape(faults.port.shape)
        siemens, amperes = self._faults.siemens, self._faults.amperes
        own = self._spread(changed.between(self._ports, self._ports))
        answer = (siemens @ own).plus_one().inverse()
        self._answer = answer @ siemens
        volts = self._spread_pair(changed.at(self._ports))
        lost = siemens.times(volts)
        self._to_fault: dict[int, TwoByTwo] = {}
        self._between: dict[tuple[int, int], TwoByTwo] = {}
        self.kept: dict[str, Pair] = {}
        self._driven = answer.times((amperes[0] - lost[0], amperes[1] - lost[1]))

    def _spread(self, by_port: TwoByTwo) -> TwoByTwo:
        """Return (ports, draws) as (ways, rows)."""
        return by_port[self._place, self._base[None, :]]

    def _spread_pair(self, by_port: Pair) -> Pair:
        return by_port[0][self._place, self._base[None, :]], by_port[1][self._place, self._base[None, :]]

    def to_fault(self, port: int) -> TwoByTwo:
        """Return the impedance between a port and each row's fault."""
        if port not in self._to_fault:
            self._to_fault[port] = self._spread(self._changed.between(np.array(port), self._ports))
        return self._to_fault[port]

    def between(self, one: int, other: int) -> TwoByTwo:
        """Return the impedance between two ports."""
        if (one, other) not in self._between:
            self._between[one, other] = self._found_between(one, other)
        return self._between[one, other]

    def _found_between(self, one: int, other: int) -> TwoByTwo:
        sound = self._changed.between(np.array(one), np.array(other))[..., self._base]
        there = self.to_fault(one)
        back = there if one == other else self.to_fault(other)
        return sound - there @ self._answer @ back.transposed

    def volts(self, port: int) -> Pair:
        """Return the volts of a port while nobody sends."""
        if f"rest {port}" not in self.kept:
            self.kept[f"rest {port}"] = self._found_volts(port)
        return self.kept[f"rest {port}"]

    def _found_volts(self, port: int) -> Pair:
        sound = self._changed.at(np.array(port))
        more = self.to_fault(port).times(self._driven)
        return sound[0][..., self._base] + more[0], sound[1][..., self._base] + more[1]

    def from_several(self, ports: Index, which: Index, other: int | None) -> TwoByTwo:
        """Return the impedance between the port that `which` picks of `ports` and another, None for itself."""
        there = self._several_to_fault(ports, which)
        if other is None:
            sound = self._changed.between(ports, ports)[which, self._base[None, :]]
            return sound - there @ self._answer @ there.transposed
        sound = self._changed.between(ports, np.array(other))[which, self._base[None, :]]
        return sound - there @ self._answer @ self.to_fault(other).transposed

    def volts_of_several(self, ports: Index, which: Index) -> Pair:
        """Return the volts of the port that `which` picks of `ports`."""
        sound = self._changed.at(ports)
        more = self._several_to_fault(ports, which).times(self._driven)
        return (
            sound[0][which, self._base[None, :]] + more[0],
            sound[1][which, self._base[None, :]] + more[1],
        )

    @cached_property
    def _module_faults(self) -> dict[bytes, TwoByTwo]:
        return {}

    def _several_to_fault(self, ports: Index, which: Index) -> TwoByTwo:
        key = ports.tobytes()
        if key not in self._module_faults:
            self._module_faults[key] = self._changed.between(ports[:, None], self._ports[None, :])
        return self._module_faults[key][which, self._place, self._base[None, :]]


@dataclass(frozen=True)
class Output:
    """Output stages: volts behind each line's stage, ohms, limit; shapes broadcast with the rows."""

    high_volts: Any
    low_volts: Any
    ohms: Any
    limit: Any

    def current(self, own: TwoByTwo, rest: Pair) -> Pair:
        """Return the current that each drives into its lines, from the impedance and the volts at rest where it sits.

        A diode blocks backward, a limit caps forward; which holds is found in a few rounds.
        """
        drives = [np.ones(np.shape(rest[0])), np.ones(np.shape(rest[0]))]
        limits = [np.zeros(np.shape(rest[0])), np.zeros(np.shape(rest[0]))]
        current: Pair = rest
        for _ in range(DRIVER_PASSES):
            high, low = (each / self.ohms for each in drives)
            siemens = admittance(high, low, np.zeros_like(high))
            amperes = (
                high * self.high_volts + limits[0] * self.limit,
                low * self.low_volts - limits[1] * self.limit,
            )
            raised = own.times(amperes)
            volts = (own @ siemens).plus_one().inverse().times((rest[0] + raised[0], rest[1] + raised[1]))
            current = amperes[0] - high * volts[0], amperes[1] - low * volts[1]
            forward = self.high_volts - volts[0], volts[1] - self.low_volts
            limits = [(each > self.limit * self.ohms).astype(float) for each in forward]
            drives = [(each > 0) * (1.0 - limit) for each, limit in zip(forward, limits, strict=True)]
        return current
