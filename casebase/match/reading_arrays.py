"""Facet `readings` for many cases at once: every reading as its kind and a value on the scale of tolerances."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.arrays import NOT_THERE, Answer, Atom, Numbered, by_number
from casebase.match.network_facet import medium_likeness
from casebase.match.profile import Profile, readings_compared
from casebase.match.ragged import Floats, Ragged
from casebase.match.rarity import Rarity
from casebase.match.readings_facet import (
    FALL_OFF,
    SAME_PHYSICS_FROM,
    STATE_NOT_STATED,
    WORST_SHARE,
    picture_likeness,
)
from casebase.match.scales import NUMBER_STEPS, STEPS_PER_TOLERANCE
from casebase.match.traits import STEPS_PER_BUCKET, ReadingTrait

Readings = tuple[Ragged, NDArray[np.uint16]]
"""The kinds of the readings of many cases, and beside each its value: a step, or a number from `WORDS_FROM` on."""

WORDS_FROM: Final = 2 * NUMBER_STEPS
"""Far from every number, so that a word is like none."""

ToReadings = Callable[[Readings], Answer]

_NUMBER_BUCKETS: Final = -(-NUMBER_STEPS // STEPS_PER_BUCKET)


def kind_atom(reading: ReadingTrait) -> Atom:
    """Return the kind of a reading as an atom."""
    return reading.kind


def word_atom(reading: ReadingTrait) -> Atom:
    """Return what a reading says that is no number, as an atom: a word, or traffic and looks."""
    return reading.word, reading.traffic, reading.looks


class ReadingArrays:
    """The distinct kinds of reading of a library, and the distinct words, as numbers."""

    def __init__(self, kinds: list[Atom], words: list[Atom]) -> None:
        self.bases = Numbered(kind[:3] for kind in kinds)
        self.media = Numbered(kind[3] for kind in kinds)
        self.states = tuple(Numbered(kind[place] for kind in kinds) for place in (5, 4, 6))
        self.words = words
        self._weights: NDArray[np.float64] | None = None

    @property
    def buckets(self) -> int:
        """The number of buckets that the readings of one kind can lie in."""
        return _NUMBER_BUCKETS + len(self.words)

    def bucket_of(self, kinds: NDArray[np.integer], values: NDArray[np.uint16]) -> NDArray[np.int64]:
        """Return the bucket of every reading: its base and the value, roughly."""
        wide = values.astype(np.int64)
        rough = np.where(wide < WORDS_FROM, wide // STEPS_PER_BUCKET, _NUMBER_BUCKETS + wide - WORDS_FROM)
        return np.asarray(self.bases.ids[kinds].astype(np.int64) * self.buckets + rough)

    def bucket_names(self, buckets: NDArray[np.int64]) -> list[str]:
        """Return the names of buckets, as `ReadingTrait.bucket` gives them."""
        bases = self.bases.values
        return [self._name(bases[bucket // self.buckets], int(bucket % self.buckets)) for bucket in buckets]

    def _name(self, base: Any, rough: int) -> str:
        quantity, lines, place = base
        return " ".join((quantity, *lines, place, self._value_name(rough)))

    def _value_name(self, rough: int) -> str:
        if rough < _NUMBER_BUCKETS:
            return str(rough)
        word, traffic, looks = self.words[rough - _NUMBER_BUCKETS]
        return word or ", ".join((f"traffic {traffic}", *looks))

    def weigh(self, rarity: Rarity, used: NDArray[np.int64]) -> None:
        """Keep what readings in the buckets that are in use are worth."""
        weights = np.ones(len(self.bases.values) * self.buckets)
        weights[used] = [rarity.of(f"reading {name}") for name in self.bucket_names(used)]
        self._weights = weights

    def ask(self, job: Profile, rarity: Rarity) -> ToReadings:
        """Return what compares the job's readings with those of many cases."""
        ours = readings_compared(job)
        own = [rarity.of(f"reading {reading.bucket}") for reading in ours]
        stated = [self._comparability(reading) for reading in ours]
        graders = [self._value_likeness(reading) for reading in ours]

        def to_rows(readings: Readings) -> Answer:
            found, of_reading = _Graded(len(readings[0].lengths)), _comparable(readings, stated)
            for one, (rows, kinds, values) in enumerate(of_reading):
                telling = np.maximum(self._telling(kinds, values), own[one])
                found.add(rows, stated[one][kinds], graders[one](values), telling)
            return found.answer(sum(own))

        return to_rows if ours else _nothing_read

    def ask_comparable(self, job: Profile, rarity: Rarity) -> ToReadings:
        """Return what tells the share of the job's readings for which a case has a like one."""
        stated = [self._comparability(reading) for reading in readings_compared(job)]

        def to_rows(readings: Readings) -> Answer:
            rows, _ = readings
            found = [rows.best((one > 0)[rows.flat].astype(np.float64)) for one in stated]
            return np.mean(found, axis=0), np.ones(len(rows.offsets) - 1)

        return to_rows if stated else _nothing_read

    def _telling(self, kinds: NDArray[np.integer], values: NDArray[np.uint16]) -> Floats:
        if self._weights is None:
            return np.ones(len(values))
        return self._weights[self.bucket_of(kinds, values)]

    def _comparability(self, ours: ReadingTrait) -> Floats:
        """Return `comparability` with every kind."""
        same = self.bases.ids == self.bases.of(ours.kind[:3])
        media = [
            not ours.medium or medium_likeness(ours.medium, str(medium)) >= SAME_PHYSICS_FROM
            for medium in self.media.values
        ]
        same &= by_number(np.array(media, dtype=np.float64), self.media.ids, 1.0) > 0
        half_stated = np.zeros(len(same))
        for numbered, state in zip(self.states, (ours.powered, ours.unplugged, ours.tester), strict=True):
            own = numbered.of(state)
            same &= (numbered.ids == own) | (numbered.ids == NOT_THERE) | (own == NOT_THERE)
            half_stated += (numbered.ids == NOT_THERE) != (own == NOT_THERE)
        return np.where(same, STATE_NOT_STATED**half_stated, 0.0)

    def _value_likeness(self, ours: ReadingTrait) -> Callable[[NDArray[np.uint16]], Floats]:
        """Return what gives `value_likeness` with many values."""
        step = ours.step
        if step is not None and not ours.word and ours.quantity != "waveform":
            return lambda values: _BY_STEPS_APART[
                np.minimum(np.abs(values.astype(np.int32) - step), _FARTHEST)
            ]
        words = np.array([0.0, *(self._word_likeness(ours, *word) for word in self.words)])
        return lambda values: words[np.maximum(values.astype(np.int32) - WORDS_FROM + 1, 0)]

    @staticmethod
    def _word_likeness(
        ours: ReadingTrait, word: str | None, traffic: str | None, looks: tuple[str, ...]
    ) -> float:
        if ours.word or word:
            return float(ours.word == word)
        if ours.quantity != "waveform":
            return 0.0
        return picture_likeness(ours.traffic, ours.looks, traffic, looks)


def _nothing_read(readings: Readings) -> Answer:
    nothing = np.zeros(len(readings[0].offsets) - 1)
    return nothing, nothing


def _comparable(
    readings: Readings, stated: list[Floats]
) -> Iterator[tuple[NDArray[np.intp], NDArray[np.integer], NDArray[np.uint16]]]:
    """Yield for each reading of the job the rows that hold a comparable one, with its kind and value."""
    rows, values = readings
    kept = np.flatnonzero(np.any(stated, axis=0)[rows.flat])
    row_of = np.repeat(np.arange(len(rows.lengths)), rows.lengths)[kept]
    kinds, values = rows.flat[kept], values[kept]
    for one in stated:
        which = np.flatnonzero((one > 0)[kinds])
        yield row_of[which], kinds[which], values[which]


class _Graded:
    """Pairs of a reading here and one there, gathered for many rows: one reading of the job after the other."""

    def __init__(self, rows: int) -> None:
        self.weights, self.weighted, self.worst = np.zeros(rows), np.zeros(rows), np.ones(rows)

    def add(self, rows: NDArray[np.intp], stated: Floats, grades: Floats, telling: Floats) -> None:
        """Take the most comparable, then most alike, then most telling of the readings that stand in each row."""
        # Comparability is 1, 0.6, 0.36 or 0.216: as whole numbers it leads, and the likeness decides among equals.
        place = np.searchsorted(_COMPARABILITIES, stated - 1e-9)
        order = 2.0 * place + grades
        first = np.flatnonzero(np.diff(rows, prepend=-1))
        if len(first) < len(rows):  # some rows hold several
            best = np.repeat(np.maximum.reduceat(order, first), np.diff(first, append=len(rows)))
            chosen = np.flatnonzero(order == best)
            rows, order, telling = rows[chosen], order[chosen], telling[chosen]
            first = np.flatnonzero(np.diff(rows, prepend=-1))
            telling = np.maximum.reduceat(telling, first)
            rows, order = rows[first], order[first]
        place = (order // 2.0).astype(np.intp)
        weight, grade = _COMPARABILITIES[place] * telling, order - 2.0 * place
        self.weights[rows] += weight
        self.weighted[rows] += weight * grade
        self.worst[rows] = np.minimum(self.worst[rows], grade)

    def answer(self, own: float) -> Answer:
        """Return likeness and known; `own` is what all readings of the job are worth."""
        mean = self.weighted / np.where(self.weights > 0, self.weights, 1.0)
        return (1 - WORST_SHARE) * mean + WORST_SHARE * self.worst, np.minimum(1.0, self.weights / own)


_COMPARABILITIES: Final = np.array([0.0, *(STATE_NOT_STATED**unstated for unstated in (3, 2, 1, 0))])
_FARTHEST: Final = 5 * round(STEPS_PER_TOLERANCE * FALL_OFF)
_BY_STEPS_APART: Final = np.exp(-((np.arange(_FARTHEST + 1) / (STEPS_PER_TOLERANCE * FALL_OFF)) ** 2)).round(
    9
)
"""Likeness of two numbers by their distance in steps; farther apart it rounds to nought."""
