"""Facet `readings`: like with like only (same quantity, lines, place, state), in units of tolerance."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from casebase.match.facet import UNKNOWN, Compared
from casebase.match.network_facet import medium_likeness
from casebase.match.picture_words import PicturePart, picture_parts
from casebase.match.pictures import picture_likeness, step_likeness
from casebase.match.profile import Profile, readings_compared
from casebase.match.rarity import Rarity
from casebase.match.traits import ReadingTrait

SAME_FROM: Final = 0.7
OTHER_BELOW: Final = 0.4
"""Likeness from which two readings count as the same, and below which as another, in words."""

STATE_NOT_STATED: Final = 0.6
"""A reading whose state is not stated on one side is compared, at less weight."""

WORST_SHARE: Final = 0.5
"""Share of the worst pair in the likeness: one reading that contradicts outweighs several that agree (judged)."""

SAME_PHYSICS_FROM: Final = 0.5


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
