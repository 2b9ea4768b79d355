"""Building the index: cases one after the other, then arrays; a batch may stand on an index that is there."""

from __future__ import annotations

from array import array
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets.arrays import Atom
from casebase.match.facets.readings import WORDS_FROM, kind_atom, word_atom
from casebase.match.facets.symptoms import has_story
from casebase.match.facets.waveform import measured_steps
from casebase.match.index.match_index import (
    ATOM_LISTS,
    COLUMNS,
    KINDS,
    MEDIA,
    SET_PARTS,
    TABLES,
    Index,
    status_place,
)
from casebase.match.profile import Profile, readings_compared

NO_DAY: Final = -1

LOOKED_UP_BELOW: Final = 100_000
"""Sets that cases have in common are kept once; above so many, those of an index there are not read again."""


@dataclass
class Batch:
    """What is added to an index: arrays by column, atoms by list, and the vectors of the new rows."""

    arrays: dict[str, NDArray[Any]]
    atoms: dict[str, list[Atom]]
    vectors: NDArray[np.float32]


@dataclass
class _Listed:
    """A list that grows, with the number of each item; `there` items stand in the index already."""

    there: int = 0
    numbers: dict[Hashable, int] = field(default_factory=dict)
    new: list[Any] = field(default_factory=list)

    def number(self, item: Hashable) -> int:
        found = self.numbers.get(item)
        if found is None:
            found = self.numbers[item] = self.there + len(self.new)
            self.new.append(item)
        return found


class IndexBuilder:
    """Takes cases in ascending order of their numbers; `onto` is the index that the batch is added to."""

    def __init__(self, onto: Index | None = None, dimensions: int = 0) -> None:
        self._onto = empty_index(dimensions) if onto is None else onto
        self._atoms = {
            name: _Listed(len(atoms), {atom: number for number, atom in enumerate(atoms)})
            for name, atoms in self._onto.atoms.items()
        }
        self._sets = {name: self._known_sets(name) for name in TABLES}
        # Plain bytes: a hundred thousand cases as Python's own numbers would take several times as much memory.
        self._columns = {name: array("q") for name in COLUMNS}
        self._vectors = bytearray()
        self._new_rows: dict[int, int] = {}
        self._readings = int(self._onto.arrays["readings.ends"][-1]) if len(self._onto) else 0

    def add(self, number: int, profile: Profile, supersedes: Iterable[int] = ()) -> None:
        """Add a case; `supersedes` are the numbers of its earlier revisions."""
        columns = self._columns
        self.take_out(supersedes)
        self._new_rows[number] = len(self._onto) + len(columns["numbers"])
        columns["numbers"].append(number)
        columns["statuses"].append(status_place(profile))
        columns["media"].append(
            sum(1 << MEDIA.index(medium) for medium in {network.medium for network in profile.networks})
        )
        columns["shops"].append(self._atoms["shops"].number(profile.shop or ""))
        columns["days"].append(date.fromisoformat(profile.dated).toordinal() if profile.dated else NO_DAY)
        for part in SET_PARTS:
            columns[f"{part.name}.rows"].append(self._set(part.name, part.atoms_of(profile)))
        self._add_readings(profile)
        self._vectors += self._vector(profile).tobytes()

    def take_out(self, numbers: Iterable[int]) -> None:
        """Mark cases as superseded; those that are in no row are passed over."""
        self._columns["superseded"].extend(row for old in numbers if (row := self._row_of(old)) is not None)

    def finished(self) -> Batch:
        """Return the batch."""
        for name in TABLES:
            self._lay_out_sets(name)
        return Batch(
            arrays={name: np.array(self._columns[name], dtype=kind) for name, kind in COLUMNS.items()},
            atoms={name: listed.new for name, listed in self._atoms.items()},
            vectors=np.frombuffer(self._vectors, dtype=np.float32).reshape(
                len(self._columns["numbers"]), self._onto.vectors.shape[1]
            ),
        )

    def _known_sets(self, part: str) -> _Listed:
        table = self._onto.table(part)
        listed = _Listed(there=len(table.lengths))
        if 0 < listed.there < LOOKED_UP_BELOW:
            flat, offsets = table.flat.tolist(), table.offsets.tolist()
            listed.numbers = {
                tuple(flat[begin:end]): number for number, (begin, end) in enumerate(pairwise(offsets))
            }
        if listed.there:
            listed.numbers[()] = 0
        else:
            listed.number(())
        return listed

    def _row_of(self, number: int) -> int | None:
        if number in self._new_rows:
            return self._new_rows[number]
        there = self._onto.arrays["numbers"]
        row = int(np.searchsorted(there, number))
        return row if row < len(there) and there[row] == number else None

    def _set(self, part: str, atoms: tuple[Atom, ...]) -> int:
        numbers = self._atoms[part]
        return self._sets[part].number(tuple(numbers.number(atom) for atom in atoms))

    def _lay_out_sets(self, part: str) -> None:
        end = len(self._onto.arrays[f"{part}.flat"])
        for atoms in self._sets[part].new:
            end += len(atoms)
            self._columns[f"{part}.ends"].append(end)
            self._columns[f"{part}.flat"].extend(atoms)

    def _add_readings(self, profile: Profile) -> None:
        # Equal buckets side by side: each is counted once per case.
        readings = sorted(readings_compared(profile), key=lambda reading: reading.bucket)
        self._columns[f"{KINDS}.rows"].append(self._set(KINDS, tuple(map(kind_atom, readings))))
        for reading in readings:
            step = reading.step
            is_number = step is not None and not reading.word and reading.quantity != "waveform"
            word = 0 if is_number else self._atoms["words"].number(word_atom(reading))
            self._columns["readings.values"].append(
                step if is_number and step is not None else WORDS_FROM + word
            )
            if reading.measured:
                self._columns["pictures.places"].append(self._readings)
                self._columns["pictures.steps"].extend(measured_steps(reading))
            self._readings += 1
        self._columns["readings.ends"].append(self._readings)

    def _vector(self, profile: Profile) -> NDArray[np.float32]:
        dimensions = self._onto.vectors.shape[1]
        if not has_story(profile.vector) or profile.vector is None or len(profile.vector) != dimensions:
            return np.zeros(dimensions, dtype=np.float32)
        return np.asarray(profile.vector, dtype=np.float32)


def empty_index(dimensions: int = 0, text: str = "") -> Index:
    """Return an index without cases."""
    arrays = {name: np.zeros(0, dtype=kind) for name, kind in COLUMNS.items()}
    return Index(arrays, {name: [] for name in ATOM_LISTS}, np.zeros((0, dimensions), dtype=np.float32), text)


def extended(index: Index, batch: Batch) -> Index:
    """Return an index with a batch added, in memory; nothing is copied where it is the first one."""
    if not len(index):
        return Index(batch.arrays, batch.atoms, batch.vectors, index.text)
    return Index(
        {name: np.concatenate([index.arrays[name], batch.arrays[name]]) for name in COLUMNS},
        {name: [*index.atoms[name], *batch.atoms[name]] for name in ATOM_LISTS},
        np.concatenate([index.vectors, batch.vectors]),
        index.text,
    )
