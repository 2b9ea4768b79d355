"""The answer to a stuck job: the nearest cases and why, what is normal there, and where to look next.

What would settle whether a job is a past case: a reading that was taken there and not yet here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from casebase.match.answer.causes import LikelyCause, pooled_causes
from casebase.match.answer.data import causes_data
from casebase.match.answer.deciding_tests import DecidingTest, deciding_tests
from casebase.match.facets.base import Match, Ranking, Rarity
from casebase.match.facets.measure import FAULTS, WEIGHTS_ORIGIN, Measure
from casebase.match.facets.readings import OTHER_BELOW, SAME_FROM, comparability, paired_readings
from casebase.match.facets.vehicle import platform_likeness
from casebase.match.index.collection import EVERY_CASE, Collection, Narrowing
from casebase.match.index.search import nearest
from casebase.match.meaning import Meaning, meanings_data, meanings_of
from casebase.match.prepared import Embeds, profile_to_compare
from casebase.match.profile import Profile, ReadingTrait, readings_compared
from casebase.record.case import Case
from casebase.record.cautions import cautions_of
from casebase.record.stored_codes import CodeSetApart, codes_note, codes_set_apart
from casebase.record.words import title_of


def would_settle(job: Profile, match: Match, rarity: Rarity) -> str | None:
    """Return what would settle whether the job is this past case: its most telling reading that the job has not.

    Where the job has them all, the step that settled the search there.
    """
    past = match.profile
    if past.fault is None:
        return None
    left = [reading for reading in readings_compared(past) if not _taken(job, reading)]
    if not left:
        return past.settled_by
    best = max(left, key=lambda reading: (rarity.of(f"reading {reading.bucket}"), bool(reading.unplugged)))
    state = _state(best)
    return f"{best.what}{f' ({state})' if state else ''}: there {best.shown}"


def _taken(job: Profile, reading: ReadingTrait) -> bool:
    return any(comparability(ours, reading) for ours in job.readings)


def _state(reading: ReadingTrait) -> str:
    powered = {True: "ignition on", False: "battery disconnected", None: ""}[reading.powered]
    unplugged = "" if reading.unplugged is None else f"{', '.join(reading.unplugged) or 'nothing'} unplugged"
    return ", ".join(part for part in (powered, unplugged) if part)


CASES_POOLED: Final = 50
"""How many of the nearest cases speak for likely causes, however few are shown."""

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
    causes: list[LikelyCause]
    tests: list[DecidingTest]
    set_apart: list[CodeSetApart]
    cautions: list[str]
    meanings: list[Meaning]
    rarity: Rarity

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
            for ours, theirs, likeness in paired_readings(self.profile, match.profile, self.rarity)
        ]


def would_settle_in(answer: Answer, match: Match) -> str | None:
    """Return what would settle whether the job is this past case."""
    return would_settle(answer.profile, match, answer.rarity)


def answer_to(  # noqa: PLR0913, PLR0917  the job, the cases, and how to compare
    job: Case,
    collection: Collection,
    most: int = 5,
    cache: Path | None = None,
    embedder: Embeds | None = None,
    narrowing: Narrowing = EVERY_CASE,
    measure: Measure = FAULTS,
) -> Answer:
    """Compare `job` with every case of a collection and return what is to be said.

    `cache` holds the simulated buses; without `embedder` stories are not compared.
    """
    meanings = meanings_of(job, cache, most_tests=0)
    profile = profile_to_compare(job, meanings, embedder)
    ranking = nearest(profile, collection, max(most, CASES_POOLED), narrowing, measure)
    causes = pooled_causes(profile, ranking.matches, meanings)
    shown = replace(ranking, matches=ranking.matches[:most], known_good=ranking.known_good[:most])
    return Answer(
        job,
        profile,
        shown,
        causes,
        # Every module that might be unplugged is another bus to simulate: an eighth of them has to do.
        deciding_tests(causes, profile, ranking.matches, meanings_of(job, cache, most_tests=0, rough=True)),
        codes_set_apart(job),
        cautions_of(job),
        meanings,
        collection.index.rarity,
    )


def answer_data(answer: Answer) -> dict[str, Any]:
    """Return the answer as plain data: what `--json` prints and the site serves."""
    return {
        "job": {
            "case_id": answer.job.id,
            "title": title_of(answer.job),
            "vehicle": answer.job.vehicle.line(),
        },
        "matches": [
            {**_match_data(match), "would_settle": would_settle_in(answer, match)}
            for match in answer.ranking.matches
        ],
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
        **causes_data(answer.causes, answer.tests, answer.set_apart, codes_note(answer.job)),
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
        "sent_by": match.profile.sent_by or None,
        "trust": match.profile.trust,
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
