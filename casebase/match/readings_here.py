"""Which readings of a past case can be taken on a stuck job, at which of its modules.

A module of the past case stands for itself where the job knows it too; the one at fault there stands for the one that
the cause goes with here. What can hurt somebody is not proposed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from casebase.match.network_facet import medium_likeness
from casebase.match.profile import Profile
from casebase.match.readings_facet import SAME_PHYSICS_FROM, comparability
from casebase.match.traits import ReadingTrait
from casebase.record.modules import module_family, module_identity

_UNSAFE: Final = (
    *("restraint", "airbag", "belt", "occupant", "impact", "drive motor", "battery"),
    *("charger", "charging", "converter", "inverter", "fuel cell"),
)
"""Words in the names of modules that nobody is sent to for a reading: squib circuits, high voltage."""


def readings_here(job: Profile, module: str | None, past: Profile) -> Iterator[ReadingTrait]:
    """Yield the readings of a past case that can be taken here, are not taken yet, and hurt nobody.

    `module` is the one that the cause goes with here.
    """
    for reading in past.readings:
        here = None if reading.after_repair else _here(job, module, past, reading)
        if here is not None and not _is_unsafe(here) and not _taken(job, here) and _can_be_read(job, here):
            yield here


def _here(job: Profile, module: str | None, past: Profile, reading: ReadingTrait) -> ReadingTrait | None:
    """Return a reading with the modules that it speaks of here; None where they or the place are not there."""
    modules = _ModulesHere(job, module, past)
    unplugged = [modules.of(name) for name in reading.unplugged or ()]
    if None in unplugged:
        return None
    found = replace(
        reading, unplugged=None if reading.unplugged is None else tuple(name for name in unplugged if name)
    )
    if reading.place == "DLC":
        return found
    if reading.place_module is None:
        return found if (past.make, past.model) == (job.make, job.model) else None
    at = modules.of(reading.place_module)
    return replace(found, place_module=at) if at else None


class _ModulesHere:
    """Which module of the job stands for a module of a past case."""

    def __init__(self, job: Profile, module: str | None, past: Profile) -> None:
        self._there = _family(past.cause_module) or _alone(past)
        self._here = _family(module) or (_alone(job) if self._there else None)
        stored_in = {code.stored_in for code in job.codes if code.stored_in}
        about = {code.about for code in job.codes if code.about}
        read_at = {reading.place_module for reading in job.readings if reading.place_module}
        self._in_job = {
            module_family(key) for key in {*job.silent, *job.answering, *stored_in, *about, *read_at}
        }

    def of(self, name: str) -> str | None:
        """Return the family here, None where the job knows no such module."""
        family = _family(name)
        if family == self._there and self._here is not None:
            return self._here
        return family if family in self._in_job else None


def _family(name: str | None) -> str | None:
    return module_family(module_identity(name)) if name else None


def _alone(profile: Profile) -> str | None:
    return module_family(next(iter(profile.silent))) if len(profile.silent) == 1 else None


def _is_unsafe(reading: ReadingTrait) -> bool:
    named = [*(reading.unplugged or ())]
    if reading.place != "DLC":
        named += [reading.place_module or "", reading.what.casefold()]
    return any(word in name for name in named for word in _UNSAFE)


def _taken(job: Profile, reading: ReadingTrait) -> bool:
    return any(
        comparability(_by_family(ours), reading) and _family(ours.place_module) == reading.place_module
        for ours in job.readings
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
