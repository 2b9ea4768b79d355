"""Facet `readings`: like with like only (same quantity, lines, place, state), in units of tolerance.

For many cases at once, every reading is its kind and a value on the scale of tolerances.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets.arrays import NOT_THERE, Atom, Floats, Graded, Numbered, Ragged, by_number
from casebase.match.facets.base import UNKNOWN, Compared, Rarity
from casebase.match.facets.network import SAME_PHYSICS_FROM, medium_likeness
from casebase.match.facets.waveform import (
    BY_STEPS_APART,
    FARTHEST,
    AskedPicture,
    PicturePart,
    Pictures,
    picture_likeness,
    picture_parts,
    step_likeness,
    words_likeness,
)
from casebase.match.profile import NUMBER_STEPS, STEPS_PER_BUCKET, Profile, ReadingTrait, readings_compared

SAME_FROM: Final = 0.7
OTHER_BELOW: Final = 0.4
"""Likeness from which two readings count as the same, and below which as another, in words."""

STATE_NOT_STATED: Final = 0.6
"""A reading whose state is not stated on one side is compared, at less weight."""

WORST_SHARE: Final = 0.5
"""Share of the worst pair in the likeness: one reading that contradicts outweighs several that agree (judged)."""


def compare_readings(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare every reading of the job with the past case's reading of the same kind, where there is one."""
    ours = readings_compared(job)
    graded = [pair for reading in ours if (pair := _counterpart(reading, past, rarity))]
    if not graded:
        return UNKNOWN
    graded.sort(key=lambda pair: -pair[2])
    whole = sum(weight for _, _, weight, _ in graded)
    mean = sum(weight * grade for _, _, weight, grade in graded) / whole
    likeness = (1 - WORST_SHARE) * mean + WORST_SHARE * min(grade for *_, grade in graded)
    agree, differ = _reasons(graded)
    known = whole / sum(rarity.of(f"reading {reading.bucket}") for reading in ours)
    return Compared(likeness, min(1.0, known), agree, differ)


def share_comparable(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Tell how many of the job's readings the past case has a like one for, whether it agrees or not."""
    ours = readings_compared(job)
    found = sum(any(comparability(reading, theirs) for theirs in readings_compared(past)) for reading in ours)
    return Compared(found / len(ours), 1.0) if ours else UNKNOWN


def paired_readings(
    job: Profile, past: Profile, rarity: Rarity
) -> list[tuple[ReadingTrait, ReadingTrait, float]]:
    """Return (reading here, like reading there, likeness) for every reading of the job that has one."""
    found = (_counterpart(reading, past, rarity) for reading in job.readings)
    return [(ours, theirs, grade) for ours, theirs, _, grade in filter(None, found)]


def comparability(ours: ReadingTrait, theirs: ReadingTrait) -> float:
    """Return 1 for readings of the same kind in the same state, 0 for others, between where a state is unknown."""
    if (ours.quantity, ours.lines, ours.place) != (theirs.quantity, theirs.lines, theirs.place):
        return 0.0
    if ours.medium and theirs.medium and medium_likeness(ours.medium, theirs.medium) < SAME_PHYSICS_FROM:
        return 0.0
    states = (
        (ours.powered, theirs.powered),
        (ours.unplugged, theirs.unplugged),
        (ours.tester, theirs.tester),
    )
    if any(None not in pair and pair[0] != pair[1] for pair in states):
        return 0.0
    stated_on_one_side = sum(pair.count(None) == 1 for pair in states)
    return float(STATE_NOT_STATED**stated_on_one_side)


def value_likeness(ours: ReadingTrait, theirs: ReadingTrait) -> float:
    """Return how alike two readings of the same kind are, 0..1."""
    if ours.word or theirs.word:
        return float(ours.word == theirs.word)
    if ours.quantity == "waveform":
        return picture_likeness(ours, theirs)
    here, there = ours.step, theirs.step
    if here is None or there is None:
        return 0.0
    return step_likeness(abs(here - there))


def _counterpart(
    reading: ReadingTrait, past: Profile, rarity: Rarity
) -> tuple[ReadingTrait, ReadingTrait, float, float] | None:
    """Return (ours, theirs, weight, likeness) for the most comparable reading, among those the most alike."""
    own = rarity.of(f"reading {reading.bucket}")
    # An unusual value tells more than one that most vehicles show.
    found = [
        (stated, value_likeness(reading, theirs), max(own, rarity.of(f"reading {theirs.bucket}")), theirs)
        for theirs, stated in _candidates(reading, past)
    ]
    if not found:
        return None
    stated, grade, telling, theirs = max(found, key=lambda item: item[:3])
    return reading, theirs, stated * telling, grade


def _candidates(reading: ReadingTrait, past: Profile) -> Iterator[tuple[ReadingTrait, float]]:
    for theirs in readings_compared(past):
        stated = comparability(reading, theirs)
        if stated:
            yield theirs, stated


def _reasons(
    graded: Iterable[tuple[ReadingTrait, ReadingTrait, float, float]],
) -> tuple[list[str], list[str]]:
    """Return what agreed and what differed, in words; of two pictures with numbers, what of them did."""
    agree: list[str] = []
    differ: list[str] = []
    for ours, theirs, _, grade in graded:
        parts = list(picture_parts(ours, theirs))
        if parts:
            same = [part for part in parts if part.likeness >= SAME_FROM and not part.follows]
            agree += _parts_in_words(ours, same)
            differ += _parts_in_words(ours, [part for part in parts if part.likeness <= OTHER_BELOW])
        elif grade >= SAME_FROM:
            agree.append(_in_words(ours, theirs))
        elif grade <= OTHER_BELOW:
            differ.append(_in_words(ours, theirs))
    return agree, differ


def _parts_in_words(ours: ReadingTrait, parts: Sequence[PicturePart]) -> list[str]:
    return [f"{ours.what}, {'; '.join(part.words() for part in parts)}"] if parts else []


def _in_words(ours: ReadingTrait, theirs: ReadingTrait) -> str:
    return f"{ours.what}: here {ours.shown}, there {theirs.shown}"


# --- all cases at once --------------------------------------------------------------------------------------------
# `compare_readings` is the specification: case by case the arrays give the same (tests/match/test_index.py).


class Readings(NamedTuple):
    """The kinds of the readings of many cases, and beside each its value and its place among all of the library.

    A value is a step, or a number from `WORDS_FROM` on.
    """

    kinds: Ragged
    values: NDArray[np.uint16]
    places: NDArray[np.int64]


WORDS_FROM: Final = 2 * NUMBER_STEPS
"""Far from every number, so that a word is like none."""

ToReadings = Callable[[Readings], Graded]

_NUMBER_BUCKETS: Final = -(-NUMBER_STEPS // STEPS_PER_BUCKET)


def kind_atom(reading: ReadingTrait) -> Atom:
    """Return the kind of a reading as an atom."""
    return reading.kind


def word_atom(reading: ReadingTrait) -> Atom:
    """Return what a reading says that is no number, as an atom: a word, or else traffic and looks."""
    return (reading.word, None, ()) if reading.word else (None, reading.traffic, reading.looks)


class ReadingArrays:
    """The distinct kinds of reading of a library, and the distinct words, as numbers; and the pictures with numbers."""

    def __init__(self, kinds: list[Atom], words: list[Atom], pictures: Pictures) -> None:
        self.bases = Numbered(kind[:3] for kind in kinds)
        self.media = Numbered(kind[3] for kind in kinds)
        self.states = tuple(Numbered(kind[place] for kind in kinds) for place in (5, 4, 6))
        self.words = words
        self.pictures = pictures
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

    def ask(self, job: Profile, rarity: Rarity) -> AskedReadings:
        """Return what compares the job's readings, of which there must be any, with those of many cases."""
        return AskedReadings(self, readings_compared(job), rarity)

    def ask_comparable(self, job: Profile, rarity: Rarity) -> ToReadings:
        """Return what tells the share of the job's readings for which a case has a like one."""
        stated = [self.comparability(reading) for reading in readings_compared(job)]

        def to_rows(readings: Readings) -> Graded:
            rows = readings.kinds
            found = [rows.best((one > 0)[rows.flat].astype(np.float64)) for one in stated]
            return np.mean(found, axis=0), np.ones(len(rows.offsets) - 1)

        return to_rows if stated else _nothing_read

    def telling(self, kinds: NDArray[np.integer], values: NDArray[np.uint16]) -> Floats:
        """Return what each of many readings is worth by its bucket."""
        if self._weights is None:
            return np.ones(len(values))
        return self._weights[self.bucket_of(kinds, values)]

    def comparability(self, ours: ReadingTrait) -> Floats:
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

    def word_likeness(self, ours: ReadingTrait) -> Floats:
        """Return how alike a word or picture is to a number, which is not at all, and to every word of the library."""
        if _step_or_far(ours) != _FAR:
            return np.zeros(1 + len(self.words))
        return np.array([0.0, *(self._word_likeness(ours, *word) for word in self.words)])

    @staticmethod
    def _word_likeness(
        ours: ReadingTrait, word: str | None, traffic: str | None, looks: tuple[str, ...]
    ) -> float:
        if ours.word or word:
            return float(ours.word == word)
        if ours.quantity != "waveform":
            return 0.0
        return words_likeness(ours.traffic, ours.looks, traffic, looks)


def _nothing_read(readings: Readings) -> Graded:
    nothing = np.zeros(len(readings.kinds.offsets) - 1)
    return nothing, nothing


class AskedReadings:
    """The readings of a job, ready to be compared with those of many cases."""

    def __init__(self, arrays: ReadingArrays, ours: Sequence[ReadingTrait], rarity: Rarity) -> None:
        self._arrays = arrays
        self._own = np.array([rarity.of(f"reading {reading.bucket}") for reading in ours])
        self._whole = float(self._own.sum())
        self._steps = np.array([_step_or_far(reading) for reading in ours], dtype=np.int32)
        self._words = np.array([arrays.word_likeness(reading) for reading in ours])
        stated = np.array([arrays.comparability(reading) for reading in ours])
        # Comparability is 1, 0.6, 0.36 or 0.216, or none: as places in a list it leads where the best pair is sought.
        self._places = np.searchsorted(_COMPARABILITIES, stated - 1e-9)
        self._any = np.asarray(self._places.any(axis=0))
        # Nothing tells more than 1, and each of ours is compared with one of theirs.
        self._most = stated.sum(axis=0) / self._whole
        with_numbers = [one for one, reading in enumerate(ours) if reading.measured and not reading.word]
        self._pictures = {one: AskedPicture(ours[one], arrays.words) for one in with_numbers}

    def most_known(self, kinds: Ragged) -> Floats:
        """Return how much can be known at most of cases of which only the kinds of reading are looked at."""
        return np.minimum(1.0, kinds.sums(self._most[kinds.flat]))

    def __call__(self, readings: Readings) -> Graded:
        """Return the answer for the readings of many cases."""
        kinds, values, places = readings
        count = len(kinds.offsets) - 1
        items = np.flatnonzero(self._any[kinds.flat])
        one, which = np.nonzero(self._places[:, kinds.flat[items]])
        items = items[which]
        rows, kind, value = kinds.rows_of(items), kinds.flat[items], values[items]
        telling = np.maximum(self._arrays.telling(kind, value), self._own[one])
        likeness = self._likeness(one, value.astype(np.int32))
        self._see_pictures(likeness, one, value, places[items])
        order = 2.0 * self._places[one, kind] + likeness
        best, order, telling = _best_of_each(one * count + rows, order, telling)
        return self._pooled(best % count if count else best, order, telling, count)

    def _likeness(self, one: NDArray[np.intp], values: NDArray[np.int32]) -> Floats:
        """Return `value_likeness` of pairs: ours by its place, theirs by its value."""
        numbers = BY_STEPS_APART[np.minimum(np.abs(values - self._steps[one]), FARTHEST)]
        words = self._words[one, np.maximum(values - (WORDS_FROM - 1), 0)]
        return np.asarray(np.maximum(numbers, words))

    def _see_pictures(
        self, likeness: Floats, one: NDArray[np.intp], values: NDArray[np.uint16], places: NDArray[np.int64]
    ) -> None:
        """Put the likeness of pictures where both sides have numbers; plain words stay as they are."""
        if not len(self._arrays.pictures):
            return
        for ours, picture in self._pictures.items():
            pairs = np.flatnonzero((one == ours) & (values >= WORDS_FROM))
            which, steps = self._arrays.pictures.at(places[pairs])
            pairs = pairs[which]
            words = values[pairs].astype(np.intp) - WORDS_FROM
            likeness[pairs] = picture.likeness(likeness[pairs], words, steps)

    def _pooled(self, rows: NDArray[np.intp], order: Floats, telling: Floats, count: int) -> Graded:
        """Return likeness and known of each row from its pairs, one for each of ours that has a like one there."""
        place = (order // 2.0).astype(np.intp)
        weight, grade = _COMPARABILITIES[place] * telling, order - 2.0 * place
        weights, weighted, worst = np.zeros(count), np.zeros(count), np.ones(count)
        np.add.at(weights, rows, weight)
        np.add.at(weighted, rows, weight * grade)
        np.minimum.at(worst, rows, grade)
        mean = weighted / np.where(weights > 0, weights, 1.0)
        return (1 - WORST_SHARE) * mean + WORST_SHARE * worst, np.minimum(1.0, weights / self._whole)


def _best_of_each(
    pairs: NDArray[np.intp], order: Floats, telling: Floats
) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Return of equal pairs, which stand side by side, the first in order and of those the most telling."""
    first = np.flatnonzero(np.diff(pairs, prepend=-1))
    if len(first) < len(pairs):
        best = np.repeat(np.maximum.reduceat(order, first), np.diff(first, append=len(pairs)))
        chosen = np.flatnonzero(order == best)
        pairs, order, telling = pairs[chosen], order[chosen], telling[chosen]
        first = np.flatnonzero(np.diff(pairs, prepend=-1))
        telling = np.maximum.reduceat(telling, first)
        pairs, order = pairs[first], order[first]
    return pairs, order, telling


def _step_or_far(reading: ReadingTrait) -> int:
    """Return the step of a number; of what is no number, a step that is like none."""
    step = reading.step
    return _FAR if step is None or reading.word or reading.quantity == "waveform" else step


_FAR: Final = -(1 << 20)
_COMPARABILITIES: Final = np.array([0.0, *(STATE_NOT_STATED**unstated for unstated in (3, 2, 1, 0))])
