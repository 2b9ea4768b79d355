"""What instruments would show on simulated buses, and how far a reading may lie from the true value.

A `View` names where (the DLC, the ends, modules' connectors) and with what unplugged; `observed` gives one value per
bus for each quantity there. Errors are those of a hand-held meter of 3 1/2 to 4 digits (common practice, no source):
meter, leads, resolution as typed, conditions not stated.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from casebase.bus.chain import Array, Block, ohms_between_lines
from casebase.bus.network import PairBuses, Slots, Solved, dominant, recessive, unpowered
from casebase.bus.pair_draws import ROLES, Drawn
from casebase.record.quantities import Amount

OHMS: Final = ("ohms_between", "ohms_high_ground", "ohms_low_ground")
VOLTS: Final = ("volts_high", "volts_low")
LEVELS: Final = ("recessive_high", "recessive_low", "dominant_high", "dominant_low")
QUANTITIES: Final = (*OHMS, *VOLTS, *LEVELS, "traffic", "dominant_share")
"""All that is simulated at a place."""

TRAFFIC_SEEN_VOLTS: Final = 0.15
"""The least swing of a line that a scope shows as traffic at 1 V a division (common practice, no source)."""

DRIVEN_FROM: Final = 0.5
"""A scope's threshold between the levels, as a share of what the strongest sender moves: weaker ones miss it."""

DLC: Final = "DLC"
ENDS: Final = ("end A", "end B")
NOTHING: Final = "nothing"


@dataclass(frozen=True)
class View:
    """Where the leads are (`DLC`, an end, a role's connector) and which role's module is unplugged."""

    place: str = DLC
    unplugged: str = NOTHING

    def column(self, quantity: str) -> str:
        """Return the name of one quantity seen from here."""
        return f"{self.place}|{self.unplugged}|{quantity}"


def views_with(unplugged: str, roles: Sequence[str] = ROLES) -> tuple[View, ...]:
    """Return every place, seen with these modules (or nothing) unplugged."""
    return tuple(View(place, unplugged) for place in (DLC, *ENDS, *roles))


def observed(drawn: Drawn, unplugged: str, roles: Sequence[str] = ROLES) -> dict[str, Array]:
    """Return every column of every view with `unplugged` taken off, shape (buses,) each.

    `roles` names the rows of `drawn.roles`.
    """
    solved = solved_columns(drawn, unplugged, roles)
    columns: dict[str, Array] = {}
    for view in views_with(unplugged, roles):
        for quantity in QUANTITIES:
            name = view.column(quantity)
            columns[name] = (
                solved[name] if name in solved else with_traffic(view, quantity, solved, drawn.shares)
            )
    return columns


def solved_columns(drawn: Drawn, unplugged: str, roles: Sequence[str] = ROLES) -> dict[str, Array]:
    """Return what does not depend on the traffic: ohms, the levels at rest and while each of the senders drives."""
    buses = drawn.buses
    for role in roles_in(unplugged):
        buses = buses.without(drawn.roles[roles.index(role)])
    dead = unpowered(buses)
    live = {"recessive": recessive(buses)} | {
        f"sent{place}": dominant(buses, _another_sender(drawn, buses, sender))
        for place, sender in enumerate(drawn.senders)
    }
    columns: dict[str, Array] = {}
    for view in views_with(unplugged, roles):
        probe = _Probe(view, drawn, view.place in roles_in(unplugged), tuple(roles))
        impedance = probe.impedance(dead)
        columns[view.column("ohms_between")] = ohms_between_lines(impedance)
        columns[view.column("ohms_high_ground")] = impedance.hh
        columns[view.column("ohms_low_ground")] = impedance.ll
        for name, solved in live.items():
            columns[view.column(f"{name}_high")], columns[view.column(f"{name}_low")] = probe.volts(solved)
    return columns


def with_traffic(view: View, quantity: str, solved: Mapping[str, Any], shares: Any) -> Array:
    """Return a quantity that depends on the traffic; `shares` as in `Drawn`, columns as of `solved_columns`."""
    sides = (
        (quantity.removeprefix("volts_").removeprefix("dominant_"),) if "_" in quantity else ("high", "low")
    )
    if quantity == "dominant_share":
        sides = ("high", "low")
    still = {side: solved[view.column(f"recessive_{side}")] for side in sides}
    sent = {
        side: np.stack([solved[view.column(f"sent{place}_{side}")] for place in range(len(shares))])
        for side in sides
    }
    if quantity.startswith("volts_"):
        return np.asarray(still[sides[0]] + (shares * (sent[sides[0]] - still[sides[0]])).sum(axis=0))
    if quantity in LEVELS:
        most = np.argmax(shares, axis=0)
        return np.asarray(np.take_along_axis(sent[sides[0]], most[None, :], axis=0)[0])
    away = np.maximum(*(np.abs(sent[side] - still[side]) for side in sides))
    moved = np.where(shares > 0, away, 0.0)
    swing = moved.max(axis=0)
    if quantity == "traffic":
        return np.asarray(swing > TRAFFIC_SEEN_VOLTS, dtype=away.dtype)
    return np.asarray(np.where(moved > DRIVEN_FROM * swing, shares, 0.0).sum(axis=0))


def roles_in(unplugged: str) -> tuple[str, ...]:
    """Return the roles in a key such as `module 1+terminator A`.

    >>> roles_in("nothing"), roles_in("module 1+module 2")
    ((), ('module 1', 'module 2'))
    """
    return () if unplugged == NOTHING else tuple(unplugged.split("+"))


def _another_sender(drawn: Drawn, buses: PairBuses, sender: Slots) -> Slots:
    """Return the senders, the unplugged one replaced by another module of its bus."""
    columns = np.arange(buses.count)
    gone = ~buses.present[sender, columns]
    return np.where(gone, np.argmax(buses.present, axis=0), sender)


@dataclass(frozen=True)
class _Probe:
    """A place to put the leads, on every bus."""

    view: View
    drawn: Drawn
    open_connector: bool
    roles: tuple[str, ...] = ROLES

    def volts(self, solved: Solved) -> tuple[Array, Array]:
        """Return what a voltmeter shows."""
        if self.view.place == DLC:
            return solved.at_dlc()
        slots, columns = self._slots(), np.arange(self.drawn.buses.count)
        if self.view.place in ENDS:
            return solved.metered(slots, *np.zeros((2, self.drawn.buses.count)))
        if self.open_connector:
            return solved.metered(slots, *self._stub())
        pins_high, pins_low = solved.at_modules()
        return pins_high[slots, columns], pins_low[slots, columns]

    def impedance(self, solved: Solved) -> Block:
        """Return what an ohmmeter works into."""
        if self.view.place == DLC:
            trunk = solved.impedance_at(self.drawn.buses.dlc)
            return _in_series(trunk, self.drawn.buses.dlc_ohms_high, self.drawn.buses.dlc_ohms_low)
        trunk = solved.impedance_at(self._slots())
        if self.view.place in ENDS:
            return trunk
        if self.open_connector:
            return _in_series(trunk, *self._stub())
        return self._at_pins(solved, trunk)

    def _at_pins(self, solved: Solved, trunk: Block) -> Block:
        """Return the impedance at a plugged module's pins, from that of the trunk where its stub begins."""
        slots, columns = self._slots(), np.arange(self.drawn.buses.count)
        module = solved.module
        series_high, series_low = (1 / ohms for ohms in self._stub())
        high, low, across = (part[slots, columns] for part in (module.high, module.low, module.across))
        own = Block(high + across + series_high, low + across + series_low, -across).inverse()
        # Z = inv(Gs + Y) + inv(Gs + Y) Gs Ztrunk Gs inv(Gs + Y)
        a, b, c, d = own.hh * series_high, own.hl * series_low, own.hl * series_high, own.ll * series_low
        return Block(
            own.hh + a * a * trunk.hh + 2 * a * b * trunk.hl + b * b * trunk.ll,
            own.ll + c * c * trunk.hh + 2 * c * d * trunk.hl + d * d * trunk.ll,
            own.hl + a * c * trunk.hh + (a * d + b * c) * trunk.hl + b * d * trunk.ll,
        )

    def _slots(self) -> Slots:
        if self.view.place in ENDS:
            return np.asarray(self.drawn.ends[ENDS.index(self.view.place)])
        return np.asarray(self.drawn.roles[self.roles.index(self.view.place)])

    def _stub(self) -> tuple[Array, Array]:
        slots, columns = self._slots(), np.arange(self.drawn.buses.count)
        return self.drawn.buses.stub_ohms_high[slots, columns], self.drawn.buses.stub_ohms_low[slots, columns]


def _in_series(block: Block, ohms_high: Array, ohms_low: Array) -> Block:
    return replace(block, hh=block.hh + ohms_high, ll=block.ll + ohms_low)


OHMS_GAIN: Final = 0.006
OHMS_LEADS: Final = 0.25
"""Leads and contacts of the probes, after nulling or not."""

OHMS_REPEAT: Final = 0.003
"""Scatter between two readings on one range: what a difference of two readings suffers; the gain is common to both."""

VOLTS_GAIN: Final = 0.006
VOLTS_FLOOR: Final = 0.004
TRAFFIC_MOVES_SHARE: Final = 0.007
"""Averages move with the traffic between one reading and the next; a line held at 0 V does not."""

SCOPE_VOLTS: Final = 0.10
"""Reading a level off a screen at 1 V a division."""

SCOPE_SHARE_FLOOR: Final = 0.02
SCOPE_SHARE_MOVES: Final = 0.15
"""Share of time that lines are driven, read off a scope: the threshold at slow edges; and a capture of some
milliseconds holds a few dozen frames, so that the traffic in it lies a sixth or so off the average (judged)."""

STATE_NOT_STATED: Final = 2.5
"""Factor on the error of a reading whose conditions are not stated."""

ABOUT: Final = 0.08
"""Share of the value that `about` adds."""

OVER_LIMIT_OHMS: Final = (2e6, 60e6)
"""Where the ranges of hand-held meters end, from the least to the best."""

_LAST_DIGIT: Final = re.compile(r"[0-9]+(?:\.([0-9]+))?")


@dataclass(frozen=True)
class Uncertain:
    """A number with its standard error, in the base unit."""

    value: float
    error: float


def uncertain_ohms(amount: Amount, *, stated: bool = True) -> Uncertain:
    """Return a resistance as read, with its error."""
    value = amount.number
    own = (OHMS_GAIN * value) ** 2 + OHMS_LEADS**2 + typed_error(amount) ** 2
    return Uncertain(value, own**0.5 * (1.0 if stated else STATE_NOT_STATED))


def uncertain_volts(amount: Amount, *, stated: bool = True) -> Uncertain:
    """Return a voltage as read, with its error."""
    value = amount.number
    own = (
        (VOLTS_GAIN * value) ** 2
        + VOLTS_FLOOR**2
        + (TRAFFIC_MOVES_SHARE * value) ** 2
        + typed_error(amount) ** 2
    )
    return Uncertain(value, own**0.5 * (1.0 if stated else STATE_NOT_STATED))


def typed_error(amount: Amount) -> float:
    """Return the error that the typed digits leave: the last digit, a range given, the word `about`."""
    digits = [match[0] for match in _LAST_DIGIT.finditer(amount.digits)]
    decimals = max((len(text.split(".")[1]) if "." in text else 0 for text in digits), default=0)
    shown = float(digits[-1]) if digits else 0.0
    scale = amount.high / shown if shown else 1.0
    last_digit = abs(scale) * 10.0**-decimals / 3.5
    spread = (amount.high - amount.low) / 3.5
    return float((last_digit**2 + spread**2 + (ABOUT * amount.number if amount.about else 0.0) ** 2) ** 0.5)
