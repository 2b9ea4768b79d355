"""Facet `silence`: which modules do not answer, which are blamed, and by whom."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Final

import numpy as np

from casebase.match.facets.arrays import Atom, Graded, Numbered, Ragged, ToRows, nobody_known
from casebase.match.facets.base import UNKNOWN, Compared, Rarity, SetPart, joined, names
from casebase.match.profile import Profile
from casebase.record.modules import module_family, module_label

SILENT_SHARE: Final = 0.5
BLAMED_SHARE: Final = 0.35
REPORTERS_SHARE: Final = 0.15
SAME_FAMILY: Final = 0.7
"""Judged, not fitted: what was tried out weighs more than what the codes claim."""

_LOST: Final = "lost communication"
_ALL_ANSWER: Final = ("", 0.0)
"""The atom of a case in which modules were tried and none was silent."""


def compare_silence(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare which modules are silent and which are blamed."""
    return joined(
        (
            (SILENT_SHARE, _silent(job, past)),
            (BLAMED_SHARE, _blamed(job, past)),
            (REPORTERS_SHARE, _reporters(job, past)),
        )
    )


@lru_cache(maxsize=4096)
def _family(key: str) -> str:
    return module_family(key)


def _silent(job: Profile, past: Profile) -> Compared:
    if not (job.silent or job.answering) or not (past.silent or past.answering):
        return UNKNOWN
    if not job.silent and not past.silent:
        return Compared(1.0, 1.0, ["all modules tried answer in both"])
    likeness = _soft_overlap(job.silent, past.silent)
    both = sorted(key for key in job.silent if key in past.silent)
    only_here, only_there = set(job.silent) - set(past.silent), set(past.silent) - set(job.silent)
    agree = [f"silent in both: {_labels(both)}"] if both else []
    differ = [f"silent only here: {_labels(only_here)}"] if only_here else []
    differ += [f"silent only there: {_labels(only_there)}"] if only_there else []
    return Compared(likeness, 1.0, agree, differ)


def _blamed(job: Profile, past: Profile) -> Compared:
    ours, theirs = _blamed_modules(job), _blamed_modules(past)
    if not ours or not theirs:
        return UNKNOWN
    both = sorted(set(ours) & set(theirs))
    agree = [f"reported lost in both: {_labels(both)}"] if both else []
    differ = [] if both else [f"reported lost here {_labels(ours)}, there {_labels(theirs)}"]
    return Compared(_soft_overlap(ours, theirs), 1.0, agree, differ)


def _reporters(job: Profile, past: Profile) -> Compared:
    ours, theirs = _who_reports(job), _who_reports(past)
    if not ours or not theirs:
        return UNKNOWN
    return Compared(_soft_overlap(ours, theirs), 1.0)


def _blamed_modules(profile: Profile) -> dict[str, float]:
    return {code.about: 1.0 for code in profile.codes if code.about and code.statement == _LOST}


def _who_reports(profile: Profile) -> dict[str, float]:
    return {code.stored_in: 1.0 for code in profile.codes if code.stored_in and code.statement == _LOST}


def _soft_overlap(ours: Mapping[str, float], theirs: Mapping[str, float]) -> float:
    """Return the share of modules that both sides name; one of the same family counts for most of one."""
    keys = dict.fromkeys((*ours, *theirs))
    shared = sum(_agreement(key, ours, theirs) for key in keys)
    whole = sum(max(ours.get(key, 0.0), theirs.get(key, 0.0)) for key in keys)
    return shared / whole if whole else 0.0


def _agreement(key: str, ours: Mapping[str, float], theirs: Mapping[str, float]) -> float:
    if key in ours and key in theirs:
        return min(ours[key], theirs[key])
    there, here = (theirs, ours[key]) if key in ours else (ours, theirs[key])
    family = _family(key)
    kin = (SAME_FAMILY * min(here, level) for other, level in there.items() if _family(other) == family)
    return max(kin, default=0.0)


# --- all cases at once --------------------------------------------------------------------------------------------
# `compare_silence` is the specification: case by case the arrays give the same (tests/match/test_index.py).


def silent_atoms(profile: Profile) -> tuple[Atom, ...]:
    """Return the silent modules of a case and how silent each is; one mark where all that were tried answer."""
    return tuple(sorted(profile.silent.items())) or ((_ALL_ANSWER,) if profile.answering else ())


def blamed_atoms(profile: Profile) -> tuple[Atom, ...]:
    """Return the modules that codes report lost."""
    return tuple((key, 1.0) for key in sorted(_blamed_modules(profile)))


def reporter_atoms(profile: Profile) -> tuple[Atom, ...]:
    """Return the modules that report others lost."""
    return tuple((key, 1.0) for key in sorted(_who_reports(profile)))


class ModuleArrays:
    """The distinct modules of a library with how silent each was, as numbers."""

    def __init__(self, atoms: list[Atom], rarity: Rarity) -> None:
        self.keys = Numbered(key for key, _ in atoms)
        self.families = Numbered(_family(key) for key, _ in atoms)
        self.levels = np.array([level for _, level in atoms])

    def ask_silent(self, job: Profile, rarity: Rarity) -> ToRows:
        """Return what compares the job's silent modules with those of many cases."""
        if not job.silent and not job.answering:
            return nobody_known
        return self._soft_overlap_with(job.silent)

    def ask_blamed(self, job: Profile, rarity: Rarity) -> ToRows:
        """Return what compares the modules reported lost."""
        blamed = _blamed_modules(job)
        return self._soft_overlap_with(blamed) if blamed else nobody_known

    def ask_reporters(self, job: Profile, rarity: Rarity) -> ToRows:
        """Return what compares the modules that report."""
        reporters = _who_reports(job)
        return self._soft_overlap_with(reporters) if reporters else nobody_known

    def _soft_overlap_with(self, ours: Mapping[str, float]) -> ToRows:
        """Return `_soft_overlap` with the modules of many cases: their modules first, then ours that they lack."""
        own_levels = np.array(list(ours.values()))
        shape = len(ours), len(self.levels)
        same = np.array([self.keys.ids == self.keys.of(key) for key in ours], dtype=bool).reshape(shape)
        families = [self.families.of(_family(key)) for key in ours]
        kin = np.array([self.families.ids == family for family in families], dtype=bool).reshape(shape)
        lesser = np.minimum(own_levels[:, None], self.levels)
        shared = np.where(same.any(axis=0), same * lesser, SAME_FAMILY * kin * lesser).max(axis=0, initial=0)
        larger = np.maximum(self.levels, (same * own_levels[:, None]).max(axis=0, initial=0))

        touched, kin_share = np.asarray(kin.any(axis=0)), SAME_FAMILY * kin * lesser

        def to_rows(rows: Ragged) -> Graded:
            # Few modules of a library are of the same family as one of ours: only these are looked at one by one.
            items = np.flatnonzero(touched[rows.flat])
            row_of, atoms = rows.rows_of(items), rows.flat[items]
            agreed = np.zeros(len(rows.offsets) - 1)
            np.add.at(agreed, row_of, shared[atoms])
            whole = rows.sums(larger[rows.flat])
            for level, ours_there, share in zip(own_levels, same, kin_share, strict=True):
                there, kindred = np.zeros((2, len(agreed)))
                there[row_of[ours_there[atoms]]] = 1.0
                np.maximum.at(kindred, row_of, share[atoms])
                agreed += np.where(there, 0.0, kindred)
                whole += level * (1.0 - there)
            likeness = np.where(whole > 0, agreed / np.where(whole > 0, whole, 1.0), 1.0)
            return likeness, (rows.lengths > 0).astype(np.float64)

        return to_rows


def _labels(keys: Iterable[str]) -> str:
    return names(module_label(key) for key in sorted(keys))


PARTS: Final = (
    SetPart("silent", "silence", SILENT_SHARE, silent_atoms, ModuleArrays, ModuleArrays.ask_silent),
    SetPart("blamed", "silence", BLAMED_SHARE, blamed_atoms, ModuleArrays, ModuleArrays.ask_blamed),
    SetPart(
        "reporters", "silence", REPORTERS_SHARE, reporter_atoms, ModuleArrays, ModuleArrays.ask_reporters
    ),
)
"""The parts of this facet that the index goes by."""
