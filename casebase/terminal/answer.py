"""The answer to a stuck job on the screen, the comparison of one pair, and what the demonstration says around it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from casebase.bus.explain import verdict
from casebase.bus.feed import feed_words
from casebase.library.store import Library
from casebase.match.answer.answer import Answer, DecidingTest, LikelyCause, SimilarCase
from casebase.match.answer.elsewhere import elsewhere_words
from casebase.match.answer.glance import case_in_short, local_faults_beside
from casebase.match.answer.words import (
    cases_behind_words,
    in_words,
    needs_words,
    no_test_words,
    normal_words,
    remainder_words,
    said_by_readings,
)
from casebase.match.facets.base import FacetScore, Match
from casebase.match.profile import Profile
from casebase.record.case import Case
from casebase.record.local_fault import beside_in_full, local_fault_words
from casebase.record.stored_codes import CodeSetApart, blame_words
from casebase.record.words import codes_by_code, network_line, readings_in_short, title_of
from casebase.terminal.page import LABEL_WIDTH, Page

_MOST_REASONS: Final = 5
_MOST_DIFFERENCES: Final = 4
_LONGEST_LINE: Final = 320
MOST_TOLD: Final = 3
_FITS_WORDS: Final = {True: "same", False: "other", None: "close"}

FACET_WORDS: Final = {
    "meaning": "what the readings mean",
    "readings": "the readings themselves",
    "silence": "silent and blamed modules",
    "symptoms": "lamps, conditions, the story",
    "network": "the network",
    "codes": "the codes",
    "vehicle": "the vehicle",
    "comparable": "readings that can be compared",
}


def print_answer(answer: Answer, page: Page) -> None:
    """Print everything that is said to a stuck job; where the readings look normal, that comes first."""
    print_job(answer.job, page)
    page.bullets("Assumed", answer.taken_as)
    _print_blames(answer, page)
    _print_meaning(answer, page)
    print_likely_causes(answer.causes, page)
    _print_local_fault(answer, page)
    if answer.reads_normal:
        _print_normal(answer, page)
        _print_matches(answer, page)
    else:
        _print_matches(answer, page)
        _print_normal(answer, page)
    print_deciding_tests(answer.causes, answer.tests, page)
    for case in answer.similar[:1]:
        page.line(f"How the nearest case was solved: casebase show {case.match.profile.case_id}", 2)
    print_codes_set_apart(answer.set_apart, page, answer.codes_note)
    print_cautions(answer.cautions, page)


def print_job(job: Case, page: Page) -> None:
    """Print a job in five lines."""
    page.heading("The job")
    page.labelled("Vehicle", job.vehicle.line())
    page.labelled("Concern", _in_short(job.concern or title_of(job)))
    page.labelled("Modules", _in_short(_modules_and_codes(job)))
    page.labelled("Network", _in_short(network_line(job)))
    page.labelled("Readings", _in_short(readings_in_short(job)))
    page.labelled("Tried", _in_short("; ".join(trial.line() for trial in job.trials)))


def _print_blames(answer: Answer, page: Page) -> None:
    """Print who is silent and who blames whom; nothing where nobody is."""
    silent = answer.job.silent_modules()
    if not silent and not answer.blames:
        return
    page.heading("Who is silent, and who blames whom")
    page.labelled("silent", ", ".join(silent), 2)
    page.bullets("blamed", _shortened([blame_words(blame) for blame in answer.blames], MOST_BLAMED), 2)


MOST_BLAMED: Final = 4


def _print_local_fault(answer: Answer, page: Page) -> None:
    """Print the circuit that explains most by itself; nothing where no code speaks of one, or it explains little."""
    shown = [one for one in answer.local_faults if one.comes_first][:1]
    for one in shown:
        heading, told = local_fault_words(one)
        page.heading("One local fault would explain this")
        page.line(heading, 2)
        for line in told:
            page.line(f"- {line}", 2, 4)
    page.bullets("Beside it", [beside_in_full(one) for one in local_faults_beside(answer)])


def _print_meaning(answer: Answer, page: Page) -> None:
    """Print what the readings can mean, one sentence per network."""
    told = [meaning for meaning in answer.meanings if meaning.diagnosis.observations]
    if told or answer.feeds:
        page.heading("What the readings can mean (computed; casebase readings says why)")
    for meaning in told:
        page.labelled(meaning.name if len(meaning.name) < LABEL_WIDTH else "here", verdict(meaning.diagnosis))
    for feed in answer.feeds:
        page.labelled("feed", feed_words(feed))


def print_cautions(cautions: list[str], page: Page) -> None:
    """Print the cautions that belong to a job or case."""
    page.heading("Take care")
    for caution in cautions:
        page.line(f"- {caution}", 2, 4)


def _modules_and_codes(job: Case) -> str:
    silent = job.silent_modules()
    told = [f"no answer: {', '.join(silent)}"] if silent else []
    told += (
        [f"codes: {'; '.join(f'{code.text} {stored}' for code, stored in codes_by_code(job))}"]
        if job.codes
        else []
    )
    return ". ".join(told)


def _in_short(text: str) -> str:
    joined = " ".join(text.split())
    return joined if len(joined) <= _LONGEST_LINE else f"{joined[:_LONGEST_LINE].rsplit(' ', 1)[0]} ..."


def _print_matches(answer: Answer, page: Page) -> None:
    page.heading(f"Nearest past cases of {answer.compared_with} records (likeness 1: alike in everything)")
    if not answer.similar:
        page.line("No fault case is kept yet: log the first one with casebase log.", 2)
    for place, case in enumerate(answer.similar, start=1):
        _print_similar_case(place, case, page)


def _print_similar_case(place: int, case: SimilarCase, page: Page) -> None:
    match, past = case.match, case.match.profile
    page.line(f"{place}. {past.title}", 2, 5)
    cause = past.cause if past.cause and past.cause.casefold() not in past.title.casefold() else None
    page.labelled("cause", cause or "", 5)
    page.labelled("likeness", f"{match.score:.2f}  {_vehicle(past)}; {past.case_id}{_sent(past)}", 5)
    page.labelled("proof", case_in_short(case).proof, 5)
    page.labelled("compared", f"{match.kinds_compared} of {len(match.facets)} kinds of evidence", 5)
    page.bullets("alike", _shortened(match.agree, _MOST_REASONS), 5)
    page.bullets("differs", _shortened(match.differ, _MOST_DIFFERENCES), 5)
    page.labelled("settles", case.would_settle or "", 5)


def _print_normal(answer: Answer, page: Page) -> None:
    page.heading("Is it normal here? Readings of healthy vehicles")
    shown = [vehicle for vehicle in answer.healthy if vehicle.readings][:2]
    if not shown:
        page.line("No known good record holds a reading like those of this job.", 2)
    for vehicle in shown:
        past = vehicle.match.profile
        page.line(f"{past.title} ({past.case_id}, {_vehicle(past)})", 2, 5)
        page.labelled("note", past.note or "", 5)
        for row in vehicle.readings:
            note = f" - {row.note}" if row.note else ""
            page.labelled(_FITS_WORDS[row.fits], f"{row.what}: here {row.here}, healthy {row.there}{note}", 5)
    if answer.reads_normal:
        page.line(normal_words(answer.looks_normal), 2)


def _vehicle(past: Profile) -> str:
    platform = f"platform {past.platform}" if past.platform else None
    return " ".join(str(part) for part in (past.make, past.model, past.model_year, platform) if part)


def _sent(past: Profile) -> str:
    """Return which other shop told a case, and what it weighs in likely causes where that is less."""
    weight = f", weight {past.trust:g}" if past.trust < 1.0 else ""
    return f"; sent by {past.sent_by}{weight}" if past.sent_by else ""


def _shortened(texts: list[str], most: int) -> list[str]:
    return texts if len(texts) <= most else [*texts[: most - 1], f"and {len(texts) - most + 1} more"]


def print_likely_causes(causes: Sequence[LikelyCause], page: Page) -> None:
    """Print each cause with its probability and what speaks for it, and the remainder."""
    page.heading("Likely causes, from these cases and the readings here")
    for place, cause in enumerate((one for one in causes if not one.is_something_else), start=1):
        page.line(f"{place}. {cause.words}", 2, 5)
        page.labelled("chance", in_words(cause.probability), 5)
        page.labelled("place", cause.place or "", 5)
        page.bullets("cases", cases_behind_words(cause), 5)
        page.labelled("readings", said_by_readings(cause), 5)
        page.labelled("took", elsewhere_words(cause.took), 5)
    for rest in causes:
        if rest.is_something_else:
            page.line(remainder_words(rest.probability, len(causes) > 1), 2)


def print_deciding_tests(causes: Sequence[LikelyCause], tests: Sequence[DecidingTest], page: Page) -> None:
    """Print what tells the first causes apart."""
    page.heading("What would settle it, best first")
    if not tests:
        page.line(no_test_words(causes), 2)
    for place, test in enumerate(tests, start=1):
        page.line(f"{place}. {test.words}", 2, 5)
        page.labelled("needs", needs_words(test), 5)
        page.bullets("tells", test.tells[:MOST_TOLD], 5)
        page.labelled("source", test.source, 5)
        page.bullets("mind", test.cautions, 5)


def print_codes_set_apart(set_apart: Sequence[CodeSetApart], page: Page, note: str | None = None) -> None:
    """Print the codes that can wait, with the reason; nothing where there is nothing to say."""
    if not set_apart and not note:
        return
    page.heading("Codes set apart, not dismissed: do not chase these first")
    if note:
        page.line(note, 2)
    for code in set_apart:
        page.line(f"{code.code} in {code.stored_in}", 2, 5)
        page.labelled("because", code.reason, 5)
        page.bullets("mind", code.cautions, 5)


def print_explained(match: Match, page: Page) -> None:
    """Print a comparison facet by facet, and how the score follows."""
    page.heading(f"{match.profile.title} ({match.profile.case_id})")
    for name, facet in match.facets.items():
        _print_facet(name, facet, page)
    compared = "all" if match.tempering >= 0.995 else f"{match.tempering**2:.0%}"
    page.heading(f"Likeness {match.score:.2f}")
    page.line(
        f"The weighted mean of the likenesses is {match.mean:.2f}. It is multiplied by {match.tempering:.2f},"
        f" because {compared} of what the job tells can be compared with this case.",
        2,
    )


def _print_facet(name: str, facet: FacetScore, page: Page) -> None:
    words = FACET_WORDS.get(name, name)
    if facet.likeness is None:
        page.line(f"{words}: not known on both sides, so it does not count", 2, 4)
        return
    page.line(f"{words}: likeness {facet.likeness:.2f}, share of the score {facet.weight:.0%}", 2, 4)
    page.bullets("alike", facet.compared.agree, 4)
    page.bullets("differs", facet.compared.differ, 4)


def print_demo_start(library: Library, page: Page) -> None:
    """Print what this is."""
    page.line(f"Demonstration: {library.count()} invented records. No real vehicle, shop or person.")


def print_demo_end(library: Library, jobs: list[str], page: Page) -> None:
    """Print how to go on."""
    page.heading("Try it")
    page.labelled("jobs", f"casebase demo --job NAME, with one of {', '.join(jobs)}")
    page.labelled("cases", f"casebase list --library {library.path}")
    page.labelled("yours", "casebase log (kept in your own library, apart from these)")
