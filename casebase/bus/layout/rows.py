"""What a meter or scope would show on every row: each way of each element, at any place, with anything parted.

Shapes are (ways, rows) where not said otherwise. `Rows.columns` gives observations what they ask for, one value per
row, as a bank of simulated buses does.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.instruments import OHMS, QUANTITIES, View, with_traffic
from casebase.bus.layout.draws import Drawn, drawn_for
from casebase.bus.layout.seen import Faults, Output, Seen
from casebase.bus.layout.solving import Changed, Healthy, Index, Pair, Ports, TwoByTwo, healthy, opened
from casebase.bus.layout.ways import ROWS, Way, base_of_row, sound_way
from casebase.bus.layout.ways_made import ways_of
from casebase.bus.layout.wiring import Wiring
from casebase.bus.network import METER_OHMS
from casebase.bus.pair_draws import Spread, traffic_shares
from casebase.bus.pair_faults import RETRIES

SENDERS: Final = 2
TO: Final = " to "
"""Between a line's quantity and the point at the other end of a wire: `ohms_high to 12`."""

ALIKE: Final = 2
"""Neighbouring rows of a way on either side, alike in the fault, whose healthy parts stand for each other."""
_SEED: Final = 97

POINTS_WELL_DRAWN, DRAWS, FEW_DRAWS = 200, 24, 6
"""Larger networks are drawn less often: time and memory grow with the square of the points."""


@dataclass
class Rows:
    """Ways of the elements of one network, and of nothing at fault, as rows to hold readings against.

    A row is a number: way times `ROWS` plus its place within, or its place among those picked.
    """

    wiring: Wiring
    drawn: Drawn
    ways: tuple[Way, ...]
    powered: Healthy
    unpowered: Healthy
    base: Index
    """The healthy network that each row sits on, one for each place within a way, or for each row picked."""

    with_supply: Faults
    without_supply: Faults
    senders_usual: Index
    shares: Array
    """The share of time that each sender drives, shape (senders, rows): less or none where traffic is disturbed."""
    _seen: dict[tuple[str, bool], Seen] = field(default_factory=dict)
    _columns: dict[str, dict[str, Array]] = field(default_factory=dict)

    @property
    def ports(self) -> Ports:
        """The ports of the wiring."""
        return self.powered.ports

    @property
    def shape(self) -> tuple[int, int]:
        """(ways, rows of each)."""
        return len(self.ways), ROWS

    @property
    def count(self) -> int:
        """The number of rows."""
        return int(self.shares.shape[1])

    # --- as a bank of simulated buses

    def columns(self, unplugged: str) -> Mapping[str, Array]:
        """Return the columns seen with places parted or unplugged, by `Wiring.key_of`."""
        return _Columns(self, unplugged, self._columns.setdefault(unplugged, {}))

    def forget(self) -> None:
        """Let go of what was seen in any condition: a job's are of no use to the next."""
        self._seen.clear()
        self._columns.clear()

    def mean_of_alike(self, column: Array) -> Array:
        """Return a column with each entry the mean over its neighbours in size: all else was drawn independently."""
        by_way = column.reshape(self.shape)
        padded = np.pad(by_way, ((0, 0), (ALIKE, ALIKE)), mode="edge")
        sums = np.cumsum(np.pad(padded, ((0, 0), (1, 0))), axis=1)
        width = 2 * ALIKE + 1
        return np.asarray((sums[:, width:] - sums[:, :-width]) / width).reshape(-1)

    def picked(self, chosen: Index) -> Rows:
        """Return some of the rows, in the order given."""
        way, row = np.divmod(chosen, ROWS)
        return replace(
            self,
            base=self.base[row],
            with_supply=self.with_supply.picked(way, row),
            without_supply=self.without_supply.picked(way, row),
            senders_usual=self.senders_usual[:, chosen],
            shares=self.shares[:, chosen],
            _seen={},
            _columns={},
        )

    # --- one quantity

    def computed(self, place: str, unplugged: str, quantity: str) -> Array:
        """Return what is shown of one quantity that does not depend on the traffic, shape (rows,).

        `place` is the number of a point, `unplugged` as `Wiring.key_of`.
        """
        port = self.ports.point(int(place))
        if quantity in OHMS:
            return _ohms(self._condition(unplugged, powered=False).between(port, port), quantity).reshape(-1)
        name, along, other = quantity.partition(TO)
        if along:
            far = self.ports.point(int(other))
            return _along(self._condition(unplugged, powered=False), port, far, name).reshape(-1)
        gone = self.wiring.places_in(unplugged)
        return self._level(self._condition(unplugged, powered=True), port, quantity, gone).reshape(-1)

    def _condition(self, unplugged: str, *, powered: bool) -> Seen:
        key = unplugged, powered
        if key not in self._seen:
            branches = [
                branch for place in self.wiring.places_in(unplugged) for branch in self.wiring.opening(place)
            ]
            base = self.powered if powered else self.unpowered
            changed = Changed(base, opened(self.ports, self.drawn, branches))
            faults = self.with_supply if powered else self.without_supply
            self._seen[key] = Seen(changed, faults, self.base)
        return self._seen[key]

    def _level(self, seen: Seen, port: int, quantity: str, gone: Sequence[str]) -> Array:
        """Return a line's level at rest, or while one of the senders drives."""
        line = 0 if quantity.endswith("high") else 1
        rest = seen.volts(port)
        shown = rest
        if quantity.startswith("sent"):
            more = self._sent(seen, port, int(quantity[4]), gone)
            shown = rest[0] + more[0], rest[1] + more[1]
        source = seen.between(port, port)
        own_ohms = (source.hh, source.ll)[line]
        return np.asarray(shown[line] * METER_OHMS / (METER_OHMS + np.maximum(own_ohms, 0.0)))

    def _sent(self, seen: Seen, port: int, number: int, gone: Sequence[str]) -> Pair:
        """Return what a sender adds to the volts of a port."""
        key = f"{number} to {port} without {gone}"
        if key not in seen.kept:
            sender = self._senders(gone)[number].reshape(self.with_supply.port.shape)
            current = self._sender_current(seen, sender, f"{number} without {gone}")
            seen.kept[key] = seen.from_several(self._inside, sender, port).transposed.times(current)
        return seen.kept[key]

    def _sender_current(self, seen: Seen, sender: Index, key: str) -> Pair:
        if key not in seen.kept:
            own = seen.from_several(self._inside, sender, None)
            at_rest = seen.volts_of_several(self._inside, sender)
            seen.kept[key] = self._output(sender).current(own, at_rest)
        return seen.kept[key]

    @cached_property
    def _inside(self) -> Index:
        return np.array([self.ports.point(point) for point in self.wiring.inside.values()], dtype=np.int64)

    def _output(self, sender: Index) -> Output:
        drawn, base = self.drawn, self.base[None, :]
        return Output(
            drawn.driver_high_volts[base, sender],
            drawn.driver_low_volts[base, sender],
            drawn.driver_ohms[base, sender],
            drawn.driver_limit[base, sender],
        )

    def _senders(self, gone: Sequence[str]) -> Index:
        """Return which modules send, shape (senders, rows): none that is unplugged, where others are left."""
        modules, found = len(self.wiring.modules), self.senders_usual
        off = [self.wiring.modules.index(name) for name in gone if name in self.wiring.modules]
        for _ in range(min(len(off), modules)):
            found = np.where(np.isin(found, off), (found + 1) % modules, found)
        return found


def rows_for(wiring: Wiring) -> Rows:
    """Return the rows of a wiring: every way of every element, and nothing at fault as the last."""
    few = len(wiring.points) > POINTS_WELL_DRAWN
    drawn = drawn_for(wiring, FEW_DRAWS if few else DRAWS)
    with_supply = healthy(wiring, drawn, powered=True)
    ways = (*ways_of(wiring, drawn, with_supply.ports), sound_way())
    return Rows(
        wiring,
        drawn,
        ways,
        with_supply,
        healthy(wiring, drawn, powered=False),
        base_of_row(drawn.count),
        Faults.stacked(ways, powered=True),
        Faults.stacked(ways, powered=False),
        _usual_senders(wiring, ways),
        _shares(ways),
    )


def _usual_senders(wiring: Wiring, ways: Sequence[Way]) -> Index:
    """Return which modules send, shape (senders, rows): none that is dead, where others are left."""
    modules = max(len(wiring.modules), 1)
    drawn = np.random.default_rng(_SEED).integers(0, modules, (SENDERS, ROWS))
    found = np.repeat(drawn[:, None, :], len(ways), axis=1)
    for index, way in enumerate(ways):
        for _ in range(min(len(way.dead), modules)):
            found[:, index] = np.where(
                np.isin(found[:, index], way.dead), (found[:, index] + 1) % modules, found[:, index]
            )
    return found.reshape(SENDERS, -1)


def _shares(ways: Sequence[Way]) -> Array:
    """Return the share of time that each sender drives, shape (senders, rows)."""
    random = np.random.default_rng(_SEED + 1)
    usual = traffic_shares(random, ROWS, Spread().traffic)[:SENDERS]
    retries = traffic_shares(random, ROWS, RETRIES)[:SENDERS]
    disturbed, silent = random.random(ROWS), random.random(ROWS)
    found = [
        np.where(disturbed < way.harm, np.where(silent < way.silent, 0.0, retries), usual) for way in ways
    ]
    return np.stack(found, axis=1).reshape(SENDERS, -1)


class _Columns(Mapping[str, Array]):
    """Columns by name, each made when first asked for."""

    def __init__(self, rows: Rows, unplugged: str, made: dict[str, Array]) -> None:
        self._rows, self._unplugged, self._made = rows, unplugged, made

    def __getitem__(self, name: str) -> Array:
        if name not in self._made:
            self._made[name] = self._column(name)
        return self._made[name]

    def _column(self, name: str) -> Array:
        place, _, quantity = name.split("|", maxsplit=2)
        if quantity in _OF_TRAFFIC:
            return with_traffic(View(place, self._unplugged), quantity, self, self._rows.shares)
        return self._rows.computed(place, self._unplugged, quantity)

    def __iter__(self) -> Iterator[str]:
        return iter(self._made)

    def __len__(self) -> int:
        return len(self._made)


_OF_TRAFFIC: Final = frozenset(
    name for name in QUANTITIES if name not in OHMS and not name.startswith("recessive")
)


def _ohms(impedance: TwoByTwo, quantity: str) -> Array:
    if quantity == "ohms_between":
        return np.asarray(np.maximum(impedance.between, 0.0))
    return np.asarray(np.maximum(impedance.hh if quantity == "ohms_high_ground" else impedance.ll, 0.0))


def _along(seen: Seen, one: int, other: int, quantity: str) -> Array:
    """Return the ohms of one line from end to end, by whatever way they are joined."""
    ends, cross = (seen.between(one, one), seen.between(other, other)), seen.between(one, other)
    line = "hh" if quantity == "ohms_high" else "ll"
    apart = getattr(ends[0], line) + getattr(ends[1], line) - 2 * getattr(cross, line)
    return np.asarray(np.maximum(apart, 0.0))
