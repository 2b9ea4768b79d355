"""Readings that past cases hold and a stuck job does not: how far their values tell the likely causes apart.

It is what these cases had, not what physics says. A module of the past case stands for itself where the job knows it
too; the one at fault there stands for the one that the cause goes with here. What can hurt somebody is not proposed.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from casebase.bus.measured import SINGLE
from casebase.bus.next_test import (
    AWAY_FROM_DLC_MINUTES,
    BATTERY_OFF,
    IGNITION_ON,
    OHMS_CAUTION,
    PAIR_KINDS,
    UNPLUG_CAUTION,
    UNPLUGGING_MINUTES,
)
from casebase.match.answer.answer import LikelyCause
from casebase.match.answer.case_votes import JUDGED
from casebase.match.facets.arrays import Floats
from casebase.match.facets.base import Match
from casebase.match.facets.network import SAME_PHYSICS_FROM, medium_likeness
from casebase.match.facets.readings import comparability, value_likeness
from casebase.match.profile import Profile, ReadingTrait
from casebase.record.cautions import may_be_unplugged
from casebase.record.modules import family_of, module_family, module_label
from casebase.record.vocabulary import LINES_OF_MEDIUM

_UNSAFE_PLACE: Final = re.compile(
    r"restraint|air ?bag|belt|occupant|impact|squib|drive motor|battery|charger|charging|converter|inverter|fuel cell"
)
"""Words of a place that nobody is sent to for a reading: squib circuits, high voltage (judged)."""


class ReadingsHere:
    """What of a job decides which readings of past cases can be taken here, are not taken yet, and hurt nobody."""

    def __init__(self, job: Profile) -> None:
        self._job = job
        self._ours = [_by_family(reading) for reading in job.readings]
        stored_in = {code.stored_in for code in job.codes if code.stored_in}
        about = {code.about for code in job.codes if code.about}
        read_at = {reading.place_module for reading in job.readings if reading.place_module}
        known = {*job.silent, *job.answering, *stored_in, *about, *read_at}
        self._families = {module_family(key) for key in known}

    def of(self, module: str | None, past: Profile) -> Iterator[ReadingTrait]:
        """Yield these readings of a past case; `module` is the one that the cause goes with here."""
        told = [one for one in past.readings if not one.after_repair and one.quantity in _MINUTES]
        if not told:
            return
        modules = _ModulesHere(self._job, self._families, module, past)
        for reading in told:
            here = _here(self._job, modules, past, reading)
            if here is not None and self._can_be_taken(here):
                yield here

    def _can_be_taken(self, here: ReadingTrait) -> bool:
        taken = _taken(self._ours, here)
        return not taken and _can_be_read(self._job, here) and not _is_unsafe(here)


def _here(job: Profile, modules: _ModulesHere, past: Profile, reading: ReadingTrait) -> ReadingTrait | None:
    """Return a reading with the modules that it speaks of here; None where they or the place are not there."""
    unplugged = [modules.of(name) for name in reading.unplugged or ()]
    if None in unplugged:
        return None
    there = None if reading.unplugged is None else tuple(name for name in unplugged if name)
    found = reading if there == reading.unplugged else replace(reading, unplugged=there)
    if reading.place == "DLC":
        return found
    if reading.place_module is None:
        return found if (past.make, past.model) == (job.make, job.model) else None
    at = modules.of(reading.place_module)
    if at is None or at == found.place_module:
        return found if at else None
    return replace(found, place_module=at)


class _ModulesHere:
    """Which module of the job stands for a module of a past case; `families` are those that the job knows."""

    def __init__(self, job: Profile, families: Container[str], module: str | None, past: Profile) -> None:
        self._there = family_of(past.cause_module) or _alone(past)
        self._here = family_of(module) or (_alone(job) if self._there else None)
        self._in_job = families

    def of(self, name: str) -> str | None:
        """Return the family here, None where the job knows no such module."""
        family = family_of(name)
        if family == self._there and self._here is not None:
            return self._here
        return family if family in self._in_job else None


def _alone(profile: Profile) -> str | None:
    return module_family(next(iter(profile.silent))) if len(profile.silent) == 1 else None


def _is_unsafe(reading: ReadingTrait) -> bool:
    modules = [*(reading.unplugged or ())]
    if reading.place != "DLC" and reading.place_module:
        modules.append(reading.place_module)
    elsewhere = reading.place != "DLC" and _UNSAFE_PLACE.search(reading.what.casefold())
    return bool(elsewhere) or not all(map(may_be_unplugged, modules))


def _taken(ours: Sequence[ReadingTrait], reading: ReadingTrait) -> bool:
    """Return whether a reading was taken here; `ours` are those of the job with families of modules."""
    return any(
        comparability(one, reading) and family_of(one.place_module) == reading.place_module for one in ours
    )


def _by_family(reading: ReadingTrait) -> ReadingTrait:
    if reading.unplugged is None:
        return reading
    return replace(reading, unplugged=tuple(sorted(module_family(name) for name in reading.unplugged)))


def _can_be_read(job: Profile, reading: ReadingTrait) -> bool:
    """Return whether the job has a network of that kind; a supply is everywhere."""
    media = [network.medium for network in job.networks]
    if reading.medium is None or not media:
        return True
    return any(medium_likeness(medium, reading.medium) >= SAME_PHYSICS_FROM for medium in media)


LEAST_ALIKE: Final = 0.1
"""No value of a few past cases rules another cause out altogether (judged)."""

SAME_AGAIN: Final = 0.8
"""How often a vehicle reads as some past case with the same cause did (judged)."""

UNKNOWN_ALIKE: Final = 0.3
"""How often it reads as some past case did where nobody knows what its cause makes it read (judged)."""

LEAST_BITS: Final = 0.05
"""A reading expected to tell less is not worth the way to the vehicle (judged)."""

MOST_TOLD: Final = 3
ALIKE_FROM: Final = 0.5
"""Likeness from which two values are told as one (judged)."""

LONGEST_SHOWN: Final = 48

_LINES_OF_PAIRS: Final = frozenset(
    str(line) for lines in LINES_OF_MEDIUM.values() for line in lines if lines[0] not in SINGLE
)
_MINUTES: Final = {
    quantity: next(kind.minutes for kind in PAIR_KINDS if kind.quantities[0] == read)
    for quantity, read in (("resistance", "ohms_between"), ("voltage", "volts_high"), ("waveform", "traffic"))
}


class Holder(NamedTuple):
    """A case that holds a reading: the place of its cause among the causes, the cause in words, what it counts."""

    cause: int
    words: str
    case_id: str
    weight: float
    reading: ReadingTrait


@dataclass(frozen=True)
class PastReading:
    """A reading not yet taken here, with the cases that hold it; `bits` is what it is expected to tell."""

    reading: ReadingTrait
    holders: list[Holder]
    bits: float

    @property
    def minutes(self) -> float:
        """How long it takes, about."""
        away = 0.0 if self.reading.place == "DLC" else AWAY_FROM_DLC_MINUTES
        return (
            _MINUTES[self.reading.quantity] + away + (UNPLUGGING_MINUTES if self.reading.unplugged else 0.0)
        )

    @property
    def case_ids(self) -> list[str]:
        """The cases that hold it."""
        return list(dict.fromkeys(holder.case_id for holder in self.holders))

    def words(self) -> str:
        """Return what to read."""
        at = self.reading.place_module
        off = ", ".join(module_label(name) for name in self.reading.unplugged or () if name != at)
        return f"{_what(self.reading)}{f' with {off} unplugged' if off else ''}"

    def needs(self) -> str | None:
        """Return what must hold before it."""
        if self.reading.quantity == "resistance" or self.reading.powered is False:
            return BATTERY_OFF
        return IGNITION_ON

    def cautions(self) -> list[str]:
        """Return what to mind."""
        ohms = [OHMS_CAUTION] if self.reading.quantity == "resistance" else []
        return [*ohms, UNPLUG_CAUTION] if self.reading.unplugged else ohms

    def tells(self) -> list[str]:
        """Return what it showed with which cause, and where that was; each cause once."""
        first = {holder.words: holder for holder in reversed(self.holders)}
        told = [holder for holder in self.holders if first[holder.words] is holder]
        return [
            f"{_shown(holder.reading)} with {holder.words} ({holder.case_id})" for holder in told[:MOST_TOLD]
        ]

    def outcomes(self) -> list[str]:
        """Return what it showed, and with which causes; values that nobody could tell apart as one."""
        told: list[tuple[ReadingTrait, dict[str, None]]] = []
        for holder in self.holders:
            known = {words for _, causes in told for words in causes}
            same = next(
                (causes for read, causes in told if value_likeness(read, holder.reading) >= ALIKE_FROM), None
            )
            if holder.words not in known and same is None:
                told.append((holder.reading, {holder.words: None}))
            elif holder.words not in known and same is not None:
                same[holder.words] = None
        return [
            f"{_shown(read)}: {', or '.join(list(causes)[:MOST_TOLD])}" for read, causes in told[:MOST_TOLD]
        ]


def past_readings(causes: Sequence[LikelyCause], job: Profile, matches: Sequence[Match]) -> list[PastReading]:
    """Return the readings that tell something about `causes`, best first by what they tell per minute.

    The cases that stand behind no cause speak for the remainder.
    """
    grouped: dict[tuple[object, ...], list[Holder]] = defaultdict(list)
    for holder in _holders(causes, job, matches):
        grouped[_kind(holder.reading)].append(holder)
    found = [_past_reading(holders, causes) for holders in grouped.values()]
    telling = [one for one in found if one.bits >= LEAST_BITS]
    ordered = sorted(telling, key=lambda one: (-one.bits / one.minutes, one.words(), one.reading.lines))
    # Both lines of a pair are read in one go: the one that tells more stands for them.
    return list({one.words(): one for one in reversed(ordered)}.values())[::-1]


def _holders(causes: Sequence[LikelyCause], job: Profile, matches: Sequence[Match]) -> Iterator[Holder]:
    past_of, here = {match.profile.case_id: match.profile for match in matches}, ReadingsHere(job)
    behind_any = {behind.case_id for cause in causes for behind in cause.cases}
    for index, cause in enumerate(causes):
        for behind in cause.cases:
            past = past_of[behind.case_id]
            for reading in here.of(cause.module, past):
                yield Holder(index, cause.words, behind.case_id, behind.weight, reading)
    rest = next((index for index, cause in enumerate(causes) if cause.is_something_else), None)
    others = [match for match in matches if match.profile.fault and match.profile.case_id not in behind_any]
    for match in others if rest is not None else ():
        weight = math.exp(JUDGED.sharpness * (match.score - 1.0))
        for reading in here.of(None, match.profile):
            yield Holder(rest or 0, match.profile.cause or "", match.profile.case_id, weight, reading)


def _past_reading(holders: list[Holder], causes: Sequence[LikelyCause]) -> PastReading:
    ordered = sorted(holders, key=lambda one: (causes[one.cause].is_something_else, -one.weight, one.case_id))
    known = not causes[ordered[0].cause].is_something_else
    return PastReading(ordered[0].reading, ordered, expected_bits(ordered, causes) if known else 0.0)


def _kind(reading: ReadingTrait) -> tuple[object, ...]:
    return (
        reading.quantity,
        reading.lines,
        reading.place,
        reading.place_module or (None if reading.place == "DLC" else reading.what),
        reading.unplugged or (),
        reading.powered,
        reading.tester == "talking",
    )


# --- what it would tell -------------------------------------------------------------------------------------------


def expected_bits(holders: Sequence[Holder], causes: Sequence[LikelyCause]) -> float:
    """Return the bits about the causes that the reading is expected to tell.

    It may come out as with any of the holders, or otherwise. What a cause makes it read is known from its holders.
    What nobody thought of, whatever is read, is left out: no reading tells anything of it.
    """
    alike = _alike([holder.reading for holder in holders])
    shown = [_chances(alike, holders, index) for index in range(len(causes))]
    surprise = [JUDGED.surprise * cause.is_something_else for cause in causes]
    prior = np.maximum(np.array([cause.probability for cause in causes]) - surprise, 0.0)
    prior /= prior.sum()
    together = prior[:, None] * np.array(shown)
    by_chance = prior[:, None] * together.sum(axis=0)
    some = together > 0
    return max(0.0, float((together[some] * np.log2(together[some] / by_chance[some])).sum()))


def _alike(readings: Sequence[ReadingTrait]) -> Floats:
    """Return how alike the values of every two readings are; many have the same value, and each is compared once."""
    places: dict[object, int] = {}
    value_of = [places.setdefault(_value(reading), len(places)) for reading in readings]
    first = [readings[value_of.index(place)] for place in places.values()]
    by_value = np.ones((len(first), len(first)))
    for place, one in enumerate(first):
        for other in range(place, len(first)):
            by_value[place, other] = by_value[other, place] = value_likeness(one, first[other])
    alike = np.maximum(LEAST_ALIKE, by_value[np.ix_(value_of, value_of)])
    np.fill_diagonal(alike, 1.0)
    return alike


def _value(reading: ReadingTrait) -> object:
    """Return all that `value_likeness` looks at in readings of one kind."""
    if reading.quantity == "waveform" and not reading.word:
        return reading.traffic, reading.looks, reading.measured
    return reading.word or reading.step


def _chances(alike: Floats, holders: Sequence[Holder], cause: int) -> Floats:
    """Return how probable it is, with a cause, that the reading comes out as with each holder, and otherwise."""
    weights = np.array([holder.weight if holder.cause == cause else 0.0 for holder in holders])
    # Values that many hold are one value.
    once = 1.0 / alike.sum(axis=1)
    known = bool(weights.any())
    chances = once * (alike @ weights) if known else once
    again = SAME_AGAIN if known else UNKNOWN_ALIKE
    return np.append(again * chances / chances.sum(), 1.0 - again)


# --- in words -----------------------------------------------------------------------------------------------------


def _what(reading: ReadingTrait) -> str:
    quantity = {"resistance": "ohms", "voltage": "volts", "waveform": "scope"}[reading.quantity]
    between = " to ".join(reading.lines)
    lines = "of each line to ground" if _of_a_pair(reading) else between and f"from {between}"
    asked = ", a tester asking," if reading.tester == "talking" else ""
    return " ".join(part for part in (f"{quantity}{asked}", lines, _where(reading)) if part)


def _of_a_pair(reading: ReadingTrait) -> str | None:
    """Return the line that was read against ground, where it is one of two."""
    line = next((line for line in reading.lines if line in _LINES_OF_PAIRS), None)
    return line if "ground" in reading.lines else None


def _where(reading: ReadingTrait) -> str:
    """Return the place in words; where nobody names a module, as it was written down."""
    module = reading.place_module
    if module is None:
        return f"at the {reading.what.partition(' at ')[2] or reading.what}".replace("the the ", "the ")
    unplugged = "unplugged " if module in (reading.unplugged or ()) else ""
    return f"at the {unplugged}connector of {module_label(module)}"


def _shown(reading: ReadingTrait) -> str:
    text = " ".join(part for part in (_of_a_pair(reading), reading.shown) if part)
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN].rsplit(' ', 1)[0]} ..."
