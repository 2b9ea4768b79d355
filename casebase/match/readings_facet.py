"""Facet `readings`: like with like only (same quantity, lines, place, state), in units of tolerance."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from casebase.match.facet import UNKNOWN, Compared
from casebase.match.network_facet import medium_likeness
from casebase.match.profile import OVER_LIMIT_OHMS, Profile, ReadingTrait, is_known_good
from casebase.match.rarity import Rarity

SAME_FROM: Final = 0.7
OTHER_BELOW: Final = 0.4
"""Likeness from which two readings count as the same, and below which as another, in words."""

STATE_NOT_STATED: Final = 0.6
"""A reading whose state is not stated on one side is compared, at less weight."""

WORST_SHARE: Final = 0.5
"""Share of the worst pair in the likeness: one reading that contradicts outweighs several that agree (judged)."""

_CONTACT_OHMS: Final = 10.0
_FALL_OFF: Final = 3.0


def compare_readings(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare every reading of the job with the past case's reading of the same kind, where there is one."""
    comparable = [reading for reading in job.readings if not reading.after_repair]
    pairs = [pair for reading in comparable if (pair := _counterpart(reading, past))]
    if not pairs:
        return UNKNOWN
    graded = [
        (ours, theirs, stated * _telling(ours, theirs, rarity), value_likeness(ours, theirs))
        for ours, theirs, stated in pairs
    ]
    graded.sort(key=lambda pair: -pair[2])
    whole = sum(weight for _, _, weight, _ in graded)
    mean = sum(weight * grade for _, _, weight, grade in graded) / whole
    likeness = (1 - WORST_SHARE) * mean + WORST_SHARE * min(grade for *_, grade in graded)
    agree = [_in_words(ours, theirs) for ours, theirs, _, grade in graded if grade >= SAME_FROM]
    differ = [_in_words(ours, theirs) for ours, theirs, _, grade in graded if grade <= OTHER_BELOW]
    known = whole / sum(rarity.of(f"reading {reading.bucket}") for reading in comparable)
    return Compared(likeness, min(1.0, known), agree, differ)


def share_comparable(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Tell how many of the job's readings the past case has a like one for, whether it agrees or not."""
    comparable = [reading for reading in job.readings if not reading.after_repair]
    found = sum(_counterpart(reading, past) is not None for reading in comparable)
    if not comparable:
        return UNKNOWN
    return Compared(found / len(comparable), 1.0)


def paired_readings(job: Profile, past: Profile) -> list[tuple[ReadingTrait, ReadingTrait, float]]:
    """Return (reading here, like reading there, likeness) for every reading of the job that has one."""
    found = (_counterpart(reading, past) for reading in job.readings)
    return [(ours, theirs, value_likeness(ours, theirs)) for ours, theirs, _ in filter(None, found)]


def comparability(ours: ReadingTrait, theirs: ReadingTrait) -> float:
    """Return 1 for readings of the same kind in the same state, 0 for others, between where a state is unknown."""
    if (ours.quantity, ours.lines, ours.place) != (theirs.quantity, theirs.lines, theirs.place):
        return 0.0
    if ours.medium and theirs.medium and medium_likeness(ours.medium, theirs.medium) < 0.5:
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
        return _waveform_likeness(ours, theirs)
    if ours.number is None or theirs.number is None:
        return 0.0
    apart = ohms_apart if ours.quantity == "resistance" else volts_apart
    return math.exp(-((apart(ours.number, theirs.number) / _FALL_OFF) ** 2))


def ohms_apart(ours: float, theirs: float) -> float:
    """Return how many tolerances two resistances lie apart.

    A tolerance is 8 % near the terminators' values and 50 % among the modules' inputs, which scatter so much
    (9 to 28 kohm per line, NXP TJA1051 table 7); contact resistance blurs the lowest values.

    >>> round(ohms_apart(60, 62), 1), ohms_apart(60, 120) > 4
    (0.4, True)
    """
    low, high = (min(max(value, 0.0), OVER_LIMIT_OHMS) + _CONTACT_OHMS for value in (ours, theirs))
    middle = math.sqrt(low * high)
    coarse = min(1.0, max(0.0, math.log(middle / 200) / math.log(5)))
    tolerance = math.log(1.08) + coarse * (math.log(1.5) - math.log(1.08))
    return abs(math.log(low / high)) / tolerance


def volts_apart(ours: float, theirs: float) -> float:
    """Return how many tolerances two voltages lie apart; a tolerance is 0.12 V and 3 % of the value.

    Averages move with the traffic by about that much (common practice, no source).
    """
    return abs(ours - theirs) / (0.12 + 0.03 * max(abs(ours), abs(theirs)))


def _telling(ours: ReadingTrait, theirs: ReadingTrait, rarity: Rarity) -> float:
    """Return what a pair of readings is worth: an unusual value tells more than one that most vehicles show."""
    return max(rarity.of(f"reading {ours.bucket}"), rarity.of(f"reading {theirs.bucket}"))


def _counterpart(reading: ReadingTrait, past: Profile) -> tuple[ReadingTrait, ReadingTrait, float] | None:
    """Return the past case's reading most comparable with this one, and among those the most alike."""
    found = [
        (weight, value_likeness(reading, theirs), theirs) for theirs, weight in _candidates(reading, past)
    ]
    if not found:
        return None
    weight, _, theirs = max(found, key=lambda item: item[:2])
    return reading, theirs, weight


def _candidates(reading: ReadingTrait, past: Profile) -> Iterator[tuple[ReadingTrait, float]]:
    healthy = is_known_good(past)
    for theirs in past.readings:
        if theirs.after_repair and not healthy:
            continue
        weight = comparability(reading, theirs)
        if weight:
            yield theirs, weight


def _waveform_likeness(ours: ReadingTrait, theirs: ReadingTrait) -> float:
    grades = []
    if ours.traffic and theirs.traffic:
        grades.append(float(ours.traffic == theirs.traffic))
    if ours.looks and theirs.looks:
        here, there = set(ours.looks), set(theirs.looks)
        grades.append(len(here & there) / len(here | there))
    return sum(grades) / len(grades) if grades else 0.5


def _in_words(ours: ReadingTrait, theirs: ReadingTrait) -> str:
    return f"{ours.what}: here {ours.shown}, there {theirs.shown}"
