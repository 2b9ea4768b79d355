"""Facet `silence`: which modules do not answer, which are blamed, and by whom."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Final

from casebase.match.facet import UNKNOWN, Compared, joined, names
from casebase.match.profile import Profile
from casebase.match.rarity import Rarity
from casebase.record.modules import module_family, module_label

SILENT_WEIGHT: Final = 0.5
BLAMED_WEIGHT: Final = 0.35
REPORTERS_WEIGHT: Final = 0.15
SAME_FAMILY: Final = 0.7
"""Judged, not fitted: what was tried out weighs more than what the codes claim."""

_LOST: Final = "lost communication"


def compare_silence(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare which modules are silent and which are blamed."""
    return joined(
        (
            (SILENT_WEIGHT, _silent(job, past)),
            (BLAMED_WEIGHT, _blamed(job, past)),
            (REPORTERS_WEIGHT, _reporters(job, past)),
        )
    )


@lru_cache(maxsize=4096)
def _family(key: str) -> str:
    return module_family(key)


def _silent(job: Profile, past: Profile) -> Compared:
    if not (job.silent or job.answering) or not (past.silent or past.answering):
        return UNKNOWN
    if not job.silent and not past.silent:
        return Compared(1.0, 1.0, ["every module tried answers, here and there"])
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


def _labels(keys: Iterable[str]) -> str:
    return names(module_label(key) for key in sorted(keys))
