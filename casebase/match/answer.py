"""The answer to a stuck job: the nearest cases and why, what is normal there, and where to look next."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from casebase.match.meaning import Meaning, meanings_data, meanings_of, shares_by_medium
from casebase.match.next_look import NextLook, next_looks
from casebase.match.profile import Profile, profile_of
from casebase.match.ranking import Match, Ranking, rank
from casebase.match.readings_facet import OTHER_BELOW, SAME_FROM, paired_readings
from casebase.match.weights import WEIGHTS_ORIGIN
from casebase.record.case import Case
from casebase.record.cautions import cautions_of
from casebase.record.vehicle_likeness import platform_likeness
from casebase.record.words import title_of

CASES_LOOKED_AT: Final = 8
"""How many of the nearest cases may say where to look next, however few are shown."""

READINGS_TO_LOOK_NORMAL: Final = 3
"""One or two readings agree with a healthy vehicle by chance (judged)."""


@dataclass(frozen=True, slots=True)
class ReadingBeside:
    """A reading of the job beside the like reading of a healthy vehicle; `fits` is None between yes and no."""

    what: str
    here: str
    there: str
    note: str | None
    fits: bool | None


@dataclass(frozen=True, slots=True)
class Answer:
    """Everything that is said to a stuck job."""

    job: Case
    profile: Profile
    ranking: Ranking
    looks: list[NextLook]
    cautions: list[str]
    meanings: list[Meaning]

    @property
    def looks_normal(self) -> bool:
        """Whether a healthy vehicle of the same platform or model reads like this one in all that can be compared."""
        return any(
            len(rows) >= READINGS_TO_LOOK_NORMAL and all(row.fits for row in rows)
            for match in self.ranking.known_good
            if _same_build(self.profile, match.profile)
            for rows in [self.beside(match)]
        )

    def beside(self, match: Match) -> list[ReadingBeside]:
        """Return the job's readings beside those of a known good record."""
        return [
            ReadingBeside(ours.what, ours.shown, theirs.shown, theirs.note, _fits(likeness))
            for ours, theirs, likeness in paired_readings(self.profile, match.profile)
        ]


def answer_to(job: Case, profiles: Iterable[Profile], most: int = 5, cache: Path | None = None) -> Answer:
    """Compare `job` with every profile and return what is to be said; `cache` holds the simulated buses."""
    meanings = meanings_of(job, cache, most_tests=0)
    profile = replace(profile_of(job, job.id or ""), meaning=shares_by_medium(meanings))
    ranking = rank(profile, profiles, max(most, CASES_LOOKED_AT))
    shown = replace(ranking, matches=ranking.matches[:most], known_good=ranking.known_good[:most])
    return Answer(
        job,
        profile,
        shown,
        next_looks(profile, ranking.matches),
        cautions_of(job),
        meanings,
    )


def answer_data(answer: Answer) -> dict[str, Any]:
    """Return the answer as plain data: what `--json` prints and the site serves."""
    return {
        "job": {
            "case_id": answer.job.id,
            "title": title_of(answer.job),
            "vehicle": answer.job.vehicle.line(),
        },
        "matches": [_match_data(match) for match in answer.ranking.matches],
        "known_good": [
            {
                **_match_data(match),
                "readings": [
                    {
                        "reading": row.what,
                        "here": row.here,
                        "there": row.there,
                        "note": row.note,
                        "fits": row.fits,
                    }
                    for row in answer.beside(match)
                ],
            }
            for match in answer.ranking.known_good
        ],
        "next": [
            {
                "reading": look.what,
                "state": look.state,
                "parts": look.parts,
                "seen": [
                    {"case_id": seen.case_id, "cause": seen.cause, "value": seen.shown} for seen in look.seen
                ],
            }
            for look in answer.looks
        ],
        "meaning": meanings_data(answer.meanings)["networks"],
        "looks_normal": answer.looks_normal,
        "cautions": answer.cautions,
        "compared_with": answer.ranking.compared_with,
        "weights_origin": WEIGHTS_ORIGIN,
    }


def _match_data(match: Match) -> dict[str, Any]:
    return {
        "case_id": match.profile.case_id,
        "title": match.profile.title,
        "score": round(match.score, 4),
        "tempering": round(match.tempering, 4),
        "facets": {
            name: {
                "likeness": None if facet.likeness is None else round(facet.likeness, 4),
                "weight": round(facet.weight, 4),
            }
            for name, facet in match.facets.items()
        },
        "agree": match.agree,
        "differ": match.differ,
        "status": match.profile.status,
        "cause": match.profile.cause,
    }


def _same_build(job: Profile, healthy: Profile) -> bool:
    platforms = platform_likeness(job.platform, healthy.platform)
    return (
        platforms == 1.0 if platforms is not None else (job.make, job.model) == (healthy.make, healthy.model)
    )


def _fits(likeness: float) -> bool | None:
    if likeness >= SAME_FROM:
        return True
    return False if likeness <= OTHER_BELOW else None
