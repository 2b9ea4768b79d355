"""The simulation bank: thousands of buses per state, simulated once and kept as arrays.

The draws follow from the seed and the version alone. Columns are made when first asked for, one file per view, and read
back memory-mapped. Raise `BANK_VERSION` whenever a simulated value would come out otherwise.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from casebase.bus.chain import Array
from casebase.bus.instruments import NOTHING, View, with_traffic
from casebase.files import sha256_of_file, write_at_once, writing_at_once
from casebase.record.vocabulary import BusState, Medium

BANK_VERSION: Final = 4
SEED: Final = 20_011_898
BUSES_PER_STATE: Final = 6000
ALIKE: Final = 0.01
"""Share of the simulated buses of a state that are alike in the fault, neighbours as they were drawn: what was read on
one without supply goes with what was read on another with it, for all else was drawn independently."""

COARSE_SHARE: Final = 8
"""A coarse bank has an eighth of the buses."""

MOST_BYTES: Final = 250_000_000
"""What is kept on the disk at most: beyond it the files not used for longest go."""

Column = NDArray[np.float32]
Tell = Callable[[int, int], None]
"""Takes note of how many states of how many are simulated."""

_watcher: ContextVar[Tell | None] = ContextVar("watcher", default=None)


def watch_simulations(tell: Tell) -> None:
    """Tell `tell` how far a simulation is, should one be needed from now on."""
    _watcher.set(tell)


class Model(Protocol):
    """What a medium's bank is made from."""

    @property
    def medium(self) -> Medium:
        """The medium."""

    @property
    def states(self) -> tuple[BusState, ...]:
        """The states that make sense on it."""

    @property
    def unpluggable(self) -> tuple[str, ...]:
        """The roles whose module may be unplugged."""

    @property
    def traffics(self) -> int:
        """How many rows each simulated bus makes: its own traffic, and that of others in the same state.

        Where it is more than 1, `simulate` gives columns as of `solved_columns`, else finished ones.
        """

    def simulate(self, state: BusState, unplugged: str, count: int, seed: int) -> Mapping[str, Array]:
        """Return every column with `unplugged` taken off, on `count` buses; the same seed gives the same buses."""

    def facts(self, state: BusState, count: int, seed: int) -> dict[str, Array]:
        """Return what is known of each bus: `host`, `size`, `line`, `share0` ... as of `facts_of`."""


@dataclass
class Bank:
    """Simulated buses of one medium: `columns` by name, the state of each row, what is known of its fault.

    `per_state` rows of each state follow one another in the order of the states.
    """

    model: Model
    folder: Path | None
    per_state: int = BUSES_PER_STATE
    seed: int = SEED
    _views: dict[str, Mapping[str, Column]] = field(default_factory=dict)

    @property
    def states(self) -> tuple[BusState, ...]:
        """The states, in the order of the rows."""
        return self.model.states

    @property
    def medium(self) -> Medium:
        """The medium."""
        return self.model.medium

    @property
    def simulated(self) -> int:
        """How many buses of each state are simulated."""
        return self.per_state // self.model.traffics

    @cached_property
    def coarse(self) -> Bank:
        """The same medium with fewer buses: enough to compare tests, and for what is kept of thousands of cases."""
        return Bank(self.model, self.folder, self.per_state // COARSE_SHARE // 3 * 3, self.seed)

    def rows_of(self, state: BusState) -> slice:
        """Return the rows of one state."""
        index = self.states.index(state)
        return slice(index * self.per_state, (index + 1) * self.per_state)

    @property
    def state_of_row(self) -> NDArray[np.int64]:
        """Return the index of each row's state."""
        return np.repeat(np.arange(len(self.states)), self.per_state)

    def columns(self, unplugged: str) -> Mapping[str, Column]:
        """Return every column seen with `unplugged` taken off; simulated on first use, then read from the folder."""
        if unplugged not in self._views:
            kept = self._kept(
                unplugged, lambda state, count, seed: self.model.simulate(state, unplugged, count, seed)
            )
            self._views[unplugged] = kept if self.model.traffics == 1 else _WithTraffic(self, unplugged, kept)
        return self._views[unplugged]

    @cached_property
    def hosts(self) -> NDArray[np.int64]:
        """For each row the role (index in `unpluggable`) of the module that its fault lies in, -1 for none."""
        return self.spread(self._facts["host"]).astype(np.int64)

    @cached_property
    def sizes(self) -> Column:
        """For each row how much of its fault there is, in ohm or volt; NaN where that has no meaning."""
        return self.spread(self._facts["size"])

    @cached_property
    def lines(self) -> NDArray[np.int64]:
        """For each row 0 where its fault lies in CAN high, 1 in CAN low, -1 for neither or both."""
        return self.spread(self._facts["line"]).astype(np.int64)

    @cached_property
    def shares(self) -> Column:
        """The share of time that each sender drives, shape (senders, rows).

        The traffic of a bus is also that of its neighbours in the same state: it costs nothing to have seen them too.
        """
        own = np.stack([column for name, column in self._facts.items() if name.startswith("share")])
        by_state = own.reshape(len(own), len(self.states), 1, self.simulated)
        rolled = [np.roll(by_state, shift, axis=-1) for shift in range(self.model.traffics)]
        return np.concatenate(rolled, axis=2).reshape(len(own), -1)

    def spread(self, column: Column) -> Column:
        """Return a column of the simulated buses, shape (states x simulated,), as one of all rows."""
        by_state = np.asarray(column).reshape(len(self.states), 1, self.simulated)
        shape = (len(self.states), self.model.traffics, self.simulated)
        return np.ascontiguousarray(np.broadcast_to(by_state, shape)).reshape(-1)

    @cached_property
    def _facts(self) -> Mapping[str, Column]:
        return self._kept("facts", self.model.facts)

    def mean_of_alike(self, column: Array) -> Array:
        """Return a column (rows,) with each entry the mean over its neighbours in the same state."""
        return self._summed_over_alike(column) / self._alike

    @property
    def _alike(self) -> int:
        """How many neighbours are taken to be alike, a power of 2."""
        return 1 << max(int(self.simulated * ALIKE).bit_length() - 1, 0) if self.model.traffics > 1 else 1

    def _summed_over_alike(self, column: Array) -> Array:
        width = self._alike
        if width == 1:
            return column
        found = np.pad(
            column.reshape(-1, self.simulated), ((0, 0), (width // 2, width - width // 2)), mode="edge"
        )
        step = 1
        while step < width:
            found = found[:, :-step] + found[:, step:]
            step *= 2
        return np.ascontiguousarray(found[:, : self.simulated]).reshape(-1)

    def build(self) -> None:
        """Simulate every view now."""
        for unplugged in (NOTHING, *self.model.unpluggable):
            self.columns(unplugged)

    def _kept(
        self, name: str, make: Callable[[BusState, int, int], Mapping[str, Array]]
    ) -> Mapping[str, Column]:
        """Return columns read from the folder, or made and kept there."""
        return self._read(name) or self._made(name, make)

    def _made(
        self, name: str, make: Callable[[BusState, int, int], Mapping[str, Array]]
    ) -> Mapping[str, Column]:
        tell = _watcher.get()
        parts = []
        for index, state in enumerate(self.states):
            parts.append(make(state, self.simulated, self.seed + index))
            if tell and name != "facts":
                tell(index + 1, len(self.states))
        made = {key: np.concatenate([part[key] for part in parts]).astype(np.float32) for key in parts[0]}
        self._write(name, made)
        return made

    def _path(self, name: str) -> Path | None:
        if self.folder is None:
            return None
        file = f"{self.model.medium}-{name}-v{BANK_VERSION}-s{self.seed}-n{self.simulated}".replace(" ", "_")
        return self.folder / file

    def _read(self, name: str) -> Mapping[str, Column] | None:
        """Return the kept columns, memory-mapped; None where they cannot be read or are not as they were written."""
        path = self._path(name)
        if path is None:
            return None
        try:
            sha256, *names = path.with_suffix(".names").read_text(encoding="utf-8").split("\n")
            if sha256 != sha256_of_file(path.with_suffix(".npy")):
                return None
            table = np.load(path.with_suffix(".npy"), mmap_mode="r")
        except (OSError, ValueError):
            return None
        if table.shape != (len(names), self.simulated * len(self.states)):
            return None
        with suppress(OSError):  # used today: it stays
            os.utime(path.with_suffix(".npy"))
        return dict(zip(names, table, strict=True))

    def _write(self, name: str, made: Mapping[str, Column]) -> None:
        """Keep the columns; a cache that cannot be written costs time, not the answer."""
        path = self._path(name)
        if path is None:
            return
        with suppress(OSError):
            path.parent.mkdir(parents=True, exist_ok=True)
            with writing_at_once(path.with_suffix(".npy")) as file:
                np.save(file, np.stack(list(made.values())))
            names = (sha256_of_file(path.with_suffix(".npy")), *made)
            write_at_once(path.with_suffix(".names"), "\n".join(names).encode())
            prune(path.parent, spare=path.with_suffix(".npy"))


class _WithTraffic(Mapping[str, Column]):
    """The columns of a view, made of those that do not depend on the traffic when first asked for."""

    def __init__(self, bank: Bank, unplugged: str, solved: Mapping[str, Column]) -> None:
        self._bank, self._unplugged, self._solved = bank, unplugged, solved
        self._made: dict[str, Column] = {}

    def __getitem__(self, name: str) -> Column:
        if name not in self._made:
            self._made[name] = self._column(name)
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._solved)

    def __len__(self) -> int:
        return len(self._solved)

    def _column(self, name: str) -> Column:
        if name in self._solved:
            return self._bank.spread(self._solved[name])
        place, _, rest = name.partition("|")
        view, quantity = View(place, self._unplugged), rest.rpartition("|")[2]
        return with_traffic(view, quantity, _Spread(self._bank, self._solved), self._bank.shares).astype(
            np.float32
        )


class _Spread(Mapping[str, Column]):
    """Columns of the simulated buses, each given as one of all rows."""

    def __init__(self, bank: Bank, solved: Mapping[str, Column]) -> None:
        self._bank, self._solved = bank, solved

    def __getitem__(self, name: str) -> Column:
        return self._bank.spread(self._solved[name])

    def __iter__(self) -> Iterator[str]:
        return iter(self._solved)

    def __len__(self) -> int:
        return len(self._solved)


def prune(folder: Path, spare: Path | None = None) -> None:
    """Remove simulated buses of other versions and, beyond `MOST_BYTES`, those not used for longest; never `spare`."""
    files = list(folder.glob("*-v*-s*-n*.npy"))
    old = [path for path in files if f"-v{BANK_VERSION}-" not in path.name]
    kept = sorted((path for path in files if path not in old), key=lambda path: -path.stat().st_mtime)
    held = 0
    for path in kept:
        held += path.stat().st_size
        if held > MOST_BYTES and path != spare:
            old.append(path)
    for path in old:
        with suppress(OSError):  # another process may read or remove it
            path.unlink()
            path.with_suffix(".names").unlink()
