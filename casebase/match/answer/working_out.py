"""Working out the answer to a stuck job: what every part of it says, each part once."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from casebase.bus.feed import any_bad, feeds_of
from casebase.match.answer.answer import Answer, HealthyVehicle, ReadingBeside, SimilarCase
from casebase.match.answer.causes import CASES_POOLED, pooled_causes
from casebase.match.answer.deciding_tests import deciding_tests, proof_of
from casebase.match.answer.evidence import evidence_of
from casebase.match.facets.base import Match, Rarity
from casebase.match.facets.measure import FAULTS, WEIGHTS_ORIGIN, Measure
from casebase.match.facets.readings import OTHER_BELOW, SAME_FROM, comparability, paired_readings
from casebase.match.facets.vehicle import platform_likeness
from casebase.match.index.collection import EVERY_CASE, Collection, Narrowing
from casebase.match.index.search import nearest
from casebase.match.meaning import Embeds, meanings_of, profile_to_compare, stuck_at
from casebase.match.profile import Profile, ReadingTrait, readings_compared
from casebase.record.case import Case
from casebase.record.cautions import cautions_of
from casebase.record.inference import taken_as
from casebase.record.stored_codes import codes_note, codes_set_apart, who_blames_whom
from casebase.record.vocabulary import Quantity

READINGS_TO_LOOK_NORMAL: Final = 3
"""One or two readings agree with a healthy vehicle by chance (judged)."""


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
    meanings, feeds = meanings_of(job, cache, most_tests=0), feeds_of(job.readings)
    profile = profile_to_compare(job, meanings, embedder)
    ranking = nearest(profile, collection, max(most, CASES_POOLED), narrowing, measure, in_words=most)
    healthy = [_beside(profile, match, collection.index.rarity) for match in ranking.known_good[:most]]
    reads_normal = not any_bad(feeds) and any(_reads_alike(profile, vehicle) for vehicle in healthy)
    evidence = evidence_of(job, feeds, meanings, reads_normal)
    causes = pooled_causes(profile, ranking.matches, meanings, evidence=evidence)
    # Every module that might be unplugged is another bus to simulate: an eighth of them has to do for the tests.
    roughly = meanings_of(job, cache, most_tests=0, rough=True)
    stuck = stuck_at(job.readings, roughly, feeds, job)
    return Answer(
        job=job,
        profile=profile,
        meanings=meanings,
        feeds=feeds,
        local_faults=list(evidence.local),
        causes=causes,
        similar=[
            SimilarCase(match, would_settle(profile, match, collection.index.rarity))
            for match in ranking.matches[:most]
        ],
        healthy=healthy,
        compared_with=ranking.compared_with,
        reads_normal=reads_normal,
        looks_normal=evidence.looks_normal,
        tests=[
            *(proof_of(one) for one in evidence.local[:1] if one.comes_first),
            *deciding_tests(causes, profile, ranking.matches, roughly, stuck=stuck),
        ],
        blames=who_blames_whom((entry.module, entry.code) for entry in job.codes),
        set_apart=codes_set_apart(job),
        codes_note=codes_note(job),
        cautions=cautions_of(job),
        served=evidence.served.keys(),
        others=evidence.others,
        weights_origin=WEIGHTS_ORIGIN,
        taken_as=taken_as(job),
    )


def _beside(profile: Profile, match: Match, rarity: Rarity) -> HealthyVehicle:
    """Return a known good record with the job's readings beside its own."""
    return HealthyVehicle(
        match,
        [
            ReadingBeside(ours.what, ours.shown, theirs.shown, theirs.note, _fits(likeness))
            for ours, theirs, likeness in paired_readings(profile, match.profile, rarity)
        ],
    )


def _reads_alike(job: Profile, healthy: HealthyVehicle) -> bool:
    """Return whether a healthy vehicle of the same platform or model reads like the job in all that is compared."""
    past, rows = healthy.match.profile, healthy.readings
    platforms = platform_likeness(job.platform, past.platform)
    same_model = (job.make, job.model) == (past.make, past.model)
    same_build = same_model if platforms is None else platforms == 1.0
    return same_build and len(rows) >= READINGS_TO_LOOK_NORMAL and all(row.fits for row in rows)


def would_settle(job: Profile, match: Match, rarity: Rarity) -> str | None:
    """Return what would settle whether the job is this past case: its most telling reading that the job has not.

    Where the job has them all, the step that settled the search there.
    """
    past = match.profile
    if past.fault is None:
        return None
    left = [
        reading
        for reading in readings_compared(past)
        if not any(comparability(ours, reading) for ours in job.readings)
    ]
    if not left:
        return past.settled_by
    best = max(left, key=lambda reading: (rarity.of(f"reading {reading.bucket}"), bool(reading.unplugged)))
    state = _state(best)
    return f"{best.what}{f' ({state})' if state else ''}: there {best.shown}"


def _state(reading: ReadingTrait) -> str:
    # Ohms are read with the battery off; volts can only have been read with the ignition off.
    unpowered = "battery disconnected" if reading.quantity == Quantity.RESISTANCE else "ignition off"
    powered = {True: "ignition on", False: unpowered, None: ""}[reading.powered]
    unplugged = "" if reading.unplugged is None else f"{', '.join(reading.unplugged) or 'nothing'} unplugged"
    return ", ".join(part for part in (powered, unplugged) if part)


def _fits(likeness: float) -> bool | None:
    if likeness >= SAME_FROM:
        return True
    return False if likeness <= OTHER_BELOW else None
