"""The simulation bank: thousands of buses per state, simulated once and kept as arrays.

The draws follow from the seed and the version alone. Columns are made when first asked for, one file per view, and read
back memory-mapped. Raise `BANK_VERSION` whenever a simulated value would come out otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from casebase.files import write_at_once, writing_at_once
from casebase.record.vocabulary import BusState, Medium

BANK_VERSION: Final = 3
SEED: Final = 20_011_898
BUSES_PER_STATE: Final = 10000

Column = NDArray[np.float32]


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

    def simulate(
        self, state: BusState, unplugged: str, count: int, seed: int
    ) -> dict[str, NDArray[np.float64]]:
        """Return every column with `unplugged` taken off, on `count` buses; the same seed gives the same buses."""

    def hosts(self, state: BusState, count: int, seed: int) -> NDArray[np.int64]:
        """Return for each bus the role (index in `unpluggable`) of the module that the fault lies in, -1 for none."""


@dataclass
class Bank:
    """Simulated buses of one medium: `columns` by name, the state of each row, the module that hosts its fault."""

    model: Model
    folder: Path | None
    per_state: int = BUSES_PER_STATE
    seed: int = SEED
    _views: dict[str, Mapping[str, Column]] = field(default_factory=dict)
    _hosts: NDArray[np.int64] | None = None

    @property
    def states(self) -> tuple[BusState, ...]:
        """The states, in the order of the rows."""
        return self.model.states

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
            self._views[unplugged] = self._read(unplugged) or self._made(unplugged)
        return self._views[unplugged]

    def hosts(self) -> NDArray[np.int64]:
        """Return for each row the role of the module that its fault lies in, -1 for none."""
        if self._hosts is None:
            kept = self._read("hosts")
            self._hosts = self._made_hosts() if kept is None else np.asarray(kept["hosts"], dtype=np.int64)
        return self._hosts

    def _made_hosts(self) -> NDArray[np.int64]:
        parts = [
            self.model.hosts(state, self.per_state, self._seed(index))
            for index, state in enumerate(self.states)
        ]
        hosts = np.concatenate(parts)
        self._write("hosts", {"hosts": hosts.astype(np.float32)})
        return hosts

    def build(self) -> None:
        """Simulate every view now."""
        self.hosts()
        for unplugged in ("nothing", *self.model.unpluggable):
            self.columns(unplugged)

    def _made(self, unplugged: str) -> Mapping[str, Column]:
        parts = [
            self.model.simulate(state, unplugged, self.per_state, self._seed(index))
            for index, state in enumerate(self.states)
        ]
        made = {name: np.concatenate([part[name] for part in parts]).astype(np.float32) for name in parts[0]}
        self._write(unplugged, made)
        return made

    def _seed(self, index: int) -> int:
        return self.seed + index

    def _path(self, unplugged: str) -> Path | None:
        if self.folder is None:
            return None
        name = f"{self.model.medium}-{unplugged}-v{BANK_VERSION}-s{self.seed}-n{self.per_state}".replace(
            " ", "_"
        )
        return self.folder / name

    def _read(self, unplugged: str) -> Mapping[str, Column] | None:
        """Return the kept columns, memory-mapped; None where there are none or they cannot be read."""
        path = self._path(unplugged)
        if path is None:
            return None
        try:
            names = path.with_suffix(".names").read_text(encoding="utf-8").split("\n")
            table = np.load(path.with_suffix(".npy"), mmap_mode="r")
        except (OSError, ValueError):
            return None
        if table.shape != (len(names), self.per_state * len(self.states)):
            return None
        return dict(zip(names, table, strict=True))

    def _write(self, unplugged: str, made: Mapping[str, Column]) -> None:
        """Keep the columns; a cache that cannot be written costs time, not the answer."""
        path = self._path(unplugged)
        if path is None:
            return
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with writing_at_once(path.with_suffix(".npy")) as file:
                np.save(file, np.stack(list(made.values())))
            write_at_once(path.with_suffix(".names"), "\n".join(made).encode())
        except OSError:
            return
