"""The match index: everything that is compared of every case, as arrays.

Each facet of the score is made of one or several parts. In most of them a case is a set of atoms; readings and stories
are arrays of another shape (`facets/readings.py`, `facets/symptoms.py`) and are only named here.

One row per case as it stood when it was added; a revised case gets a new row, and the old one is marked. Rows share
what they have in common: a row names, for each part, one of the distinct sets of atoms. Arrays may be memory-mapped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets import codes, meaning, network, silence, symptoms, vehicle
from casebase.match.facets.arrays import Atom, Ragged
from casebase.match.facets.base import Rarity, SetPart
from casebase.match.facets.readings import ReadingArrays, Readings
from casebase.match.facets.waveform import Pictures
from casebase.match.profile import Profile
from casebase.match.profile_of_case import PROFILE_VERSION
from casebase.record.vocabulary import Kind, Medium, Status

SET_PARTS: Final = (
    *meaning.PARTS,
    *silence.PARTS,
    *vehicle.PARTS,
    *network.PARTS,
    *symptoms.PARTS,
    *codes.PARTS,
)
"""The parts in which a case is a set of atoms. A new facet lists its own here and in `facets/measure.py`."""

READINGS: Final = ("readings", "readings", 1.0)
STORY: Final = ("story", "symptoms", symptoms.STORY_SHARE)
COMPARABLE: Final = ("comparable", "comparable", 1.0)
"""Name, facet and share of the parts of another shape."""


INDEX_VERSION: Final = f"3.{PROFILE_VERSION}"
"""Raised whenever the arrays of the same cases would come out otherwise: an older index is then made again."""

STATUSES: Final = (str(Kind.KNOWN_GOOD), *map(str, Status))
SUPERSEDED: Final = 255
"""The status of a row, as its place in `STATUSES`; a case revised since has another row."""

MEDIA: Final = tuple(map(str, Medium))

KINDS: Final = "kinds"
"""The kinds of reading of a case, in the order of its readings: cases share them as they share sets of atoms."""

TABLES: Final = (*(part.name for part in SET_PARTS), KINDS)

COLUMNS: Final[dict[str, str]] = {
    "numbers": "<i8",
    "statuses": "u1",
    "media": "<u2",
    "shops": "<u4",
    "days": "<i4",
    "superseded": "<i8",
    "readings.ends": "<i8",
    "readings.values": "<u2",
    "pictures.places": "<i8",
    "pictures.steps": "<u2",
    **{
        f"{name}.{array}": kind
        for name in TABLES
        for array, kind in (("rows", "<u4"), ("ends", "<i8"), ("flat", "<u4"))
    },
}
"""Every array of whole numbers with its type; `vectors` (cases, dimensions) of 32-bit floats stands beside them.

`pictures` are the readings off a scope that have numbers: their places among all readings, and for each as many steps
as there are things to measure.
"""

ATOM_LISTS: Final = ("shops", "words", *TABLES)


@dataclass(frozen=True)
class Index:
    """The arrays and atom lists of a library, as far as `numbers` goes.

    `numbers` are the library's own, ascending: row i is the case that the library knows by `numbers[i]`. `text` names
    the embedder that made the vectors, "" for none.
    """

    arrays: Mapping[str, NDArray[Any]]
    atoms: Mapping[str, list[Atom]]
    vectors: NDArray[np.float32]
    text: str = ""

    def __len__(self) -> int:
        """Return the number of rows, superseded ones included."""
        return len(self.arrays["numbers"])

    @cached_property
    def statuses(self) -> NDArray[np.uint8]:
        """The status of each row."""
        found = np.array(self.arrays["statuses"])
        found[self.arrays["superseded"]] = SUPERSEDED
        return found

    def table(self, part: str) -> Ragged:
        """Return the distinct sets of atoms of a part, or of kinds of reading; row 0 is the empty one."""
        return self._tables[part]

    @cached_property
    def _tables(self) -> dict[str, Ragged]:
        return {name: _ragged(self.arrays[f"{name}.ends"], self.arrays[f"{name}.flat"]) for name in TABLES}

    @property
    def readings(self) -> Readings:
        """The readings of every row."""
        values = self.arrays["readings.values"]
        return Readings(self.table(KINDS).take(self.arrays[f"{KINDS}.rows"]), values, np.arange(len(values)))

    def readings_of(self, rows: NDArray[np.integer]) -> Readings:
        """Return the readings of the rows named."""
        kinds = self.table(KINDS).take(self.arrays[f"{KINDS}.rows"][rows])
        _, places = self._values.places(rows)
        return Readings(kinds, self._values.flat[places].astype(np.uint16), places)

    @cached_property
    def _values(self) -> Ragged:
        return _ragged(self.arrays["readings.ends"], self.arrays["readings.values"])

    @cached_property
    def reading_arrays(self) -> ReadingArrays:
        """The kinds of reading as numbers."""
        pictures = Pictures(self.arrays["pictures.places"], self.arrays["pictures.steps"])
        return ReadingArrays(self.atoms["kinds"], self.atoms["words"], pictures)

    def arrays_of(self, part: SetPart) -> Any:
        """Return what a part makes of its atoms, made once."""
        if part.name not in self._arrays_of_parts:
            self._arrays_of_parts[part.name] = part.arrays(self.atoms[part.name], self.rarity)
        return self._arrays_of_parts[part.name]

    @cached_property
    def _arrays_of_parts(self) -> dict[str, Any]:
        return {}

    @cached_property
    def counted(self) -> NDArray[np.bool_]:
        """The rows that count as known cases: neither superseded nor still open."""
        return ~np.isin(self.statuses, (SUPERSEDED, STATUSES.index(str(Status.OPEN))))

    @cached_property
    def rarity(self) -> Rarity:
        """How usual every trait is among the known cases."""
        counts: dict[str, int] = {}
        for part, kind in (("lamps", "lamp"), ("conditions", "condition")):
            counts |= {
                f"{kind} {atom}": int(count)
                for atom, count in zip(self.atoms[part], self._cases_having(part), strict=True)
            }
        bases: dict[str, int] = {}
        for atom, count in zip(
            self.atoms["codes"], self._cases_having("codes", self._first_of_base), strict=True
        ):
            bases[f"code {atom[1]}"] = bases.get(f"code {atom[1]}", 0) + int(count)
        buckets, found = self._bucket_counts
        names = self.reading_arrays.bucket_names(buckets)
        counts |= bases | {f"reading {name}": int(n) for name, n in zip(names, found, strict=True)}
        rarity = Rarity(max(1, int(self.counted.sum())), counts)
        self.reading_arrays.weigh(rarity, buckets)
        return rarity

    def _cases_having(self, part: str, only: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
        """Return for each atom the number of known cases that have it; `only` marks the items to count."""
        table = self.table(part)
        of_set = np.bincount(self.arrays[f"{part}.rows"][self.counted], minlength=len(table.lengths))
        of_item = np.repeat(of_set, table.lengths)
        kept = slice(None) if only is None else only
        counted = np.bincount(table.flat[kept], weights=of_item[kept], minlength=len(self.atoms[part]))
        return counted.astype(np.int64)

    @property
    def _first_of_base(self) -> NDArray[np.bool_]:
        """Mark in each set of codes the first of every base, for a code stored by two modules is in one case."""
        table = self.table("codes")
        known: dict[str, int] = {}
        bases = np.array([known.setdefault(atom[1], len(known)) for atom in self.atoms["codes"]], dtype=int)
        return _first_of_each(table, bases[table.flat])

    @cached_property
    def _bucket_counts(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        rows, values, _ = self.readings
        buckets = self.reading_arrays.bucket_of(rows.flat, values)
        first = _first_of_each(rows, buckets) & np.repeat(self.counted, rows.lengths)
        counts = np.bincount(buckets[first])
        used = np.flatnonzero(counts)
        return used, counts[used]


def status_place(profile: Profile) -> int:
    """Return the place of a case's status in `STATUSES`."""
    return STATUSES.index(profile.kind if profile.status is None else profile.status)


def _ragged(ends: NDArray[np.int64], flat: NDArray[Any]) -> Ragged:
    return Ragged(np.concatenate([[0], ends]).astype(np.int64), flat)


def _first_of_each(rows: Ragged, values: NDArray[np.integer]) -> NDArray[np.bool_]:
    """Mark the first item of every value in each row; equal values stand side by side."""
    first = np.ones(len(values), dtype=bool)
    first[1:] = values[1:] != values[:-1]
    begins = rows.offsets[:-1]
    first[begins[begins < len(values)]] = True
    return first
