"""Facet `vehicle`: how alike two vehicles are as far as wiring and networks go: make, model, platform, model year.

Every likeness runs from 0 (nothing in common) to 1 (the same), does not depend on which vehicle comes first,
and is None where an aspect is missing on either side: what is unknown never counts against a vehicle.
All weights and grades below are argued from the trade (common practice, no source).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets.arrays import Atom, Floats, Graded, Numbered, ToRows, by_number, of_one_atom
from casebase.match.facets.base import UNKNOWN, Compared, Rarity, SetPart
from casebase.match.profile import Profile

NEAR_SPELLING_RATIO = 0.85
"""Share of matching characters from which two names count as one name spelt in two ways."""

NEAR_SPELLING_LIKENESS = 0.8

YEARS_TO_HALF = 4
"""Years apart at which the likeness of two model years has fallen to one half."""

YEARS_TO_NOTHING = 12
"""Years apart beyond which two model years have nothing in common."""

SAME_PLATFORM_OTHER_MODEL = 0.9
"""One platform has one harness and network, whatever name is on the tailgate."""

SAME_MODEL_OTHER_PLATFORM = 0.5
"""A model name kept over a change of platform promises little about the wiring."""

SAME_MODEL_NAME_OTHER_MAKE = 0.3
"""Makes that are not related often use the same model name, above all short ones and numbers."""

MAKE_WEIGHT = 0.1
BUILD_WEIGHT = 0.7
YEAR_WEIGHT = 0.2


@dataclass(frozen=True)
class VehicleIdentity:
    """What a record says about which vehicle it is; None where it says nothing."""

    make: str | None = None
    model: str | None = None
    platform: str | None = None
    model_year: int | None = None


@dataclass(frozen=True)
class Likeness:
    """A likeness from 0 to 1, None if nothing could be compared, and in words what agreed and what differed.

    `share_known` (0 to 1) is the share of the weight that could be compared, for whoever tempers the value.
    """

    value: float | None
    agree: list[str]
    differ: list[str]
    share_known: float = 0.0


def make_likeness(a: str | None, b: str | None) -> float | None:
    """Compare two makes: 1 the same, 0.8 a near spelling, 0 another make, None if either is unknown.

    >>> [make_likeness("Norrvik", other) for other in ("NORRVIK ", "Norvik", "Tessaro", None)]
    [1.0, 0.8, 0.0, None]
    """
    return _name_likeness(a, b)


def model_likeness(a: str | None, b: str | None) -> float | None:
    """Compare two models as `make_likeness` does; a different number is always a different model.

    >>> model_likeness("Q-5", "q5"), model_likeness("Skarn 200", "Skarn 300")
    (1.0, 0.0)
    """
    return _name_likeness(a, b)


def platform_likeness(a: str | None, b: str | None) -> float | None:
    """Compare two platform codes: 1 or 0, as one character makes another platform; None if either is unknown.

    >>> platform_likeness("K4", "k-4"), platform_likeness("K4", "K5"), platform_likeness("K4", "")
    (1.0, 0.0, None)
    """
    code_a, code_b = plain_name(a), plain_name(b)
    if not code_a or not code_b:
        return None
    return float(code_a == code_b)


def year_likeness(a: int | None, b: int | None) -> float | None:
    """Compare two model years: 1 the same, 0.5 four years apart, 0 beyond twelve; None if either is unknown.

    >>> [round(year_likeness(2010, year), 2) for year in (2010, 2011, 2014, 2018, 2030)]
    [1.0, 0.96, 0.5, 0.06, 0.0]
    """
    if a is None or b is None:
        return None
    years_apart = abs(a - b)
    if years_apart > YEARS_TO_NOTHING:
        return 0.0
    return float(0.5 ** ((years_apart / YEARS_TO_HALF) ** 2))


def vehicle_likeness(a: VehicleIdentity, b: VehicleIdentity) -> Likeness:
    """Compare two vehicles: the weighted mean over what is known of make, build and model year.

    The build is model and platform taken together, because one platform under two names is one harness.

    >>> skarn = VehicleIdentity("Norrvik", "Skarn", "K4", 2014)
    >>> velin = VehicleIdentity("Tessaro", "Velin", "K-4", 2019)
    >>> vehicle_likeness(skarn, velin).agree
    ['same platform K-4']
    >>> vehicle_likeness(skarn, velin).differ
    ['makes Norrvik and Tessaro', 'models Skarn and Velin', '5 years apart']
    """
    make = make_likeness(a.make, b.make)
    model = model_likeness(a.model, b.model)
    platform = platform_likeness(a.platform, b.platform)
    years = year_likeness(a.model_year, b.model_year)
    weighted = [
        (MAKE_WEIGHT, make),
        (BUILD_WEIGHT, _build_likeness(_model_within_make(model, make), platform)),
        (YEAR_WEIGHT, years),
    ]
    agree, differ = _in_words(a, b, make, model, platform)
    value, share_known = _mean_of_known(weighted)
    return Likeness(value, agree, differ, share_known)


def _model_within_make(model: float | None, make: float | None) -> float | None:
    """Lower the likeness of two model names if they are known to be of two makes."""
    return model * SAME_MODEL_NAME_OTHER_MAKE if model is not None and make == 0 else model


def _build_likeness(model: float | None, platform: float | None) -> float | None:
    """Grade model and platform together; either alone stands for both."""
    if model is None or platform is None:
        return model if platform is None else platform
    if platform:
        return SAME_PLATFORM_OTHER_MODEL + (1 - SAME_PLATFORM_OTHER_MODEL) * model
    return SAME_MODEL_OTHER_PLATFORM * model


def _mean_of_known(weighted: list[tuple[float, float | None]]) -> tuple[float | None, float]:
    """Return the weighted mean over the known likenesses, and the share of the weight they carry."""
    known = [(weight, likeness) for weight, likeness in weighted if likeness is not None]
    weight_known = sum(weight for weight, _ in known)
    if not known:
        return None, 0.0
    mean = sum(weight * likeness for weight, likeness in known) / weight_known
    # Rounding keeps the mean of ones at exactly one.
    return round(mean, 9), round(weight_known / sum(weight for weight, _ in weighted), 9)


def _in_words(
    a: VehicleIdentity,
    b: VehicleIdentity,
    make: float | None,
    model: float | None,
    platform: float | None,
) -> tuple[list[str], list[str]]:
    """Say what agreed and what differed, in the order platform, make, model, years."""
    agree: list[str] = []
    differ: list[str] = []
    for aspect, likeness, name_a, name_b in (
        ("platform", platform, a.platform, b.platform),
        ("make", make, a.make, b.make),
        ("model", model, a.model, b.model),
    ):
        if likeness is not None:
            (agree if likeness else differ).append(_names_in_words(aspect, likeness, name_a, name_b))
    if a.model_year is not None and b.model_year is not None:
        (differ if a.model_year != b.model_year else agree).append(
            _years_in_words(a.model_year, b.model_year)
        )
    return agree, differ


def _names_in_words(aspect: str, likeness: float, a: str | None, b: str | None) -> str:
    """Word one comparison; two different names stand in alphabetical order, so that both ways read alike."""
    first, second = sorted((_tidy(a), _tidy(b)))
    if likeness == 1:
        return f"same {aspect} {first}"
    if likeness:
        return f"nearly the same {aspect}: {first} and {second}"
    return f"{aspect}s {first} and {second}"


def _years_in_words(a: int, b: int) -> str:
    years_apart = abs(a - b)
    if not years_apart:
        return f"same model year {a}"
    return "1 year apart" if years_apart == 1 else f"{years_apart} years apart"


def _name_likeness(a: str | None, b: str | None) -> float | None:
    name_a, name_b = plain_name(a), plain_name(b)
    if not name_a or not name_b:
        return None
    if name_a == name_b:
        return 1.0
    return NEAR_SPELLING_LIKENESS if _spelt_nearly_alike(name_a, name_b) else 0.0


@lru_cache(maxsize=10_000)
def _spelt_nearly_alike(a: str, b: str) -> bool:
    """Say whether two plain names differ by a slip of spelling; a different number is no slip."""
    if re.findall(r"\d+", a) != re.findall(r"\d+", b):
        return False
    # The ratio depends on which text comes first, so they are put in order.
    first, second = sorted((a, b))
    return SequenceMatcher(None, first, second, autojunk=False).ratio() >= NEAR_SPELLING_RATIO


@lru_cache(maxsize=10_000)
def plain_name(name: str | None) -> str:
    """Reduce a name to its letters and digits without case and accents; empty if nothing is left."""
    decomposed = unicodedata.normalize("NFKD", (name or "").casefold())
    return "".join(c for c in decomposed.casefold() if c.isalnum())


def _tidy(name: str | None) -> str:
    return " ".join((name or "").split())


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
# `compare_vehicles` is the specification: case by case the arrays give the same (tests/match/test_index.py).


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

    def _with_every_vehicle(self, job: VehicleIdentity) -> Graded:
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


PARTS: Final = (SetPart("vehicle", "vehicle", 1.0, vehicle_atoms, VehicleArrays, VehicleArrays.ask),)
"""The parts of this facet that the index goes by."""
