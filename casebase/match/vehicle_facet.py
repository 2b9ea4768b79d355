"""Facet `vehicle`: model, platform, make, years apart."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.arrays import Answer, Atom, Numbered, ToRows, by_number, of_one_atom
from casebase.match.facet import UNKNOWN, Compared
from casebase.match.profile import Profile
from casebase.match.ragged import Floats
from casebase.match.rarity import Rarity
from casebase.record.vehicle_likeness import (
    BUILD_WEIGHT,
    MAKE_WEIGHT,
    NEAR_SPELLING_RATIO,
    SAME_MODEL_NAME_OTHER_MAKE,
    SAME_MODEL_OTHER_PLATFORM,
    SAME_PLATFORM_OTHER_MODEL,
    YEAR_WEIGHT,
    VehicleIdentity,
    make_likeness,
    model_likeness,
    plain_name,
    vehicle_likeness,
    year_likeness,
)

_LETTERS: Final = 37
_LEAST_WEIGHT: Final = min(MAKE_WEIGHT, BUILD_WEIGHT, YEAR_WEIGHT)


def compare_vehicles(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare the vehicles of two cases as far as their wiring goes."""
    found = vehicle_likeness(_identity(job), _identity(past))
    if found.value is None:
        return UNKNOWN
    return Compared(found.value, found.share_known, found.agree, found.differ)


def _identity(profile: Profile) -> VehicleIdentity:
    return VehicleIdentity(profile.make, profile.model, profile.platform, profile.model_year)


# --- all cases at once --------------------------------------------------------------------------------------------


def vehicle_atoms(profile: Profile) -> tuple[Atom, ...]:
    """Return the vehicle of a case: one atom."""
    return ((profile.make, profile.model, profile.platform, profile.model_year),)


class VehicleArrays:
    """The distinct vehicles of a library, as numbers."""

    def __init__(self, atoms: list[Atom], rarity: Rarity) -> None:
        self.makes, self.models, self.platforms, self.years = (
            Numbered(atom[place] for atom in atoms) for place in range(4)
        )
        self.make_names, self.model_names = _Names(self.makes.values), _Names(self.models.values)
        self.platform_names = [plain_name(name) for name in self.platforms.values]
        # Years apart, a build is named by make, model and platform: few, beside the vehicles of many years.
        builds, self.build_of = np.unique(
            np.stack([self.makes.ids, self.models.ids, self.platforms.ids]), axis=1, return_inverse=True
        )
        self.builds = np.asarray(builds, dtype=np.int32)

    def ask(self, job: Profile, rarity: Rarity) -> ToRows:
        """Return what compares the job's vehicle with those of many cases."""
        return of_one_atom(*self._with_every_vehicle(_identity(job)))

    def _with_every_vehicle(self, job: VehicleIdentity) -> Answer:
        """Return `vehicle_likeness` with every distinct vehicle."""
        makes, models, platforms = self.builds
        make = by_number(self.make_names.graded(make_likeness, job.make), makes, np.nan)
        model = by_number(self.model_names.graded(model_likeness, job.model), models, np.nan)
        platform = by_number(self._platforms(job.platform), platforms, np.nan)
        model = np.where(make == 0, model * SAME_MODEL_NAME_OTHER_MAKE, model)
        years = _graded(self.years.values, lambda other: year_likeness(job.model_year, other))
        build = _weighted((MAKE_WEIGHT, make), (BUILD_WEIGHT, _build(model, platform)))
        # The last year stands for an unknown one, whose number is -1.
        year = _weighted((YEAR_WEIGHT, np.append(years, np.nan)))
        sums = build[self.build_of] + year[self.years.ids]
        return sums.real / np.maximum(sums.imag, _LEAST_WEIGHT), sums.imag

    def _platforms(self, ours: str | None) -> Floats:
        """Return `platform_likeness` with every distinct platform."""
        plain = plain_name(ours)
        return np.array([float(name == plain) if name and plain else np.nan for name in self.platform_names])


def _weighted(*parts: tuple[float, Floats]) -> NDArray[np.complex128]:
    """Return the sums over the known parts of weight x likeness (real) and of weight (imaginary), rounded."""
    sums = sum(weight * np.where(np.isnan(part), 0.0, part + 1j) for weight, part in parts)
    return np.asarray(sums).round(9)


def _build(model: Floats, platform: Floats) -> Floats:
    """Grade model and platform together; either alone stands for both."""
    both = np.where(
        platform > 0,
        SAME_PLATFORM_OTHER_MODEL + (1 - SAME_PLATFORM_OTHER_MODEL) * model,
        SAME_MODEL_OTHER_PLATFORM * model,
    )
    return np.where(np.isnan(platform), model, np.where(np.isnan(model), platform, both))


def _graded(values: list[Any], grade: Callable[[Any], float | None]) -> Floats:
    """Return the likeness with every value; NaN where unknown."""
    return np.array([np.nan if (found := grade(value)) is None else found for value in values])


class _Names:
    """Distinct names; which of them can be alike at all is seen from the letters they share."""

    def __init__(self, names: list[Any]) -> None:
        self.names = names
        plain = [plain_name(name) for name in names]
        self.lengths = np.array([len(name) for name in plain])
        self.letters = np.array([_letters(name) for name in plain], dtype=np.uint8).reshape(
            len(plain), _LETTERS
        )

    def graded(self, grade: Callable[[str | None, str], float | None], ours: str | None) -> Floats:
        """Return `grade` of ours with every name: 0 where the letters forbid anything else, NaN where unknown."""
        plain = plain_name(ours)
        if not plain:
            return np.full(len(self.names), np.nan)
        # The ratio of a spelling slip is never above that of the letters in common.
        shared = np.minimum(self.letters, np.array(_letters(plain), dtype=np.uint8)).sum(axis=1)
        near = 2 * shared >= NEAR_SPELLING_RATIO * (self.lengths + len(plain))
        likeness = np.where(self.lengths > 0, 0.0, np.nan)
        for place in np.flatnonzero(near):
            found = grade(ours, self.names[place])
            likeness[place] = np.nan if found is None else found
        return likeness


def _letters(name: str) -> list[int]:
    """Count letters by their code, several codes to one count: the shared number can only come out too high."""
    counts = [0] * _LETTERS
    for letter in name[:255]:
        counts[ord(letter) % _LETTERS] += 1
    return counts
