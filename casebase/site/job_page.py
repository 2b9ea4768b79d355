"""A stuck job: the form with all that was typed and, once anything is given, the answer; also as data and file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlencode

from casebase.bus.explain import evidence_rows, state_words, verdict
from casebase.bus.feed import feed_words
from casebase.errors import InputError
from casebase.match.answer.answer import Answer, DecidingTest, LikelyCause
from casebase.match.answer.data import answer_data
from casebase.match.answer.elsewhere import elsewhere_words
from casebase.match.answer.glance import case_in_short, glance_at, local_faults_beside
from casebase.match.answer.words import (
    cases_behind_words,
    in_words,
    needs_words,
    no_test_words,
    normal_words,
    remainder_words,
    said_by_readings,
)
from casebase.match.answer.working_out import answer_to
from casebase.match.meaning import Meaning
from casebase.publish.edition import Edition
from casebase.record.case import Case
from casebase.record.inference import with_networks
from casebase.record.local_fault import beside_in_full, local_fault_words
from casebase.record.stored_codes import blame_words
from casebase.record.vehicle import NOT_SAID
from casebase.record.vocabulary import Medium
from casebase.record.words import codes_by_code, network_line, others_line, readings_in_short
from casebase.site.asked_in_words import without_words, words_context
from casebase.site.case_page import has_qr_code, level_pictures, qr_code
from casebase.site.job_given import ROW_FIELD, FieldProblem
from casebase.site.job_link import (
    FIELDS,
    MEDIUM_FIELDS,
    AskedJob,
    condition_choices,
    file_of,
    job_from_query,
    lamp_choices,
    medium_choices,
    others_choices,
    powertrain_choices,
    reached_choices,
)
from casebase.site.job_readings import (
    LEVEL_FIELDS,
    OVER_RANGE,
    level_choices,
    look_choices,
    reading_choices,
    state_choices,
    traffic_choices,
    unit_choices,
)
from casebase.site.layout_page import where_context
from casebase.site.respond import NotHereError, NotUsableError
from casebase.site.state import OpenSite

Choices = list[tuple[str, str]]
Pairs = Sequence[tuple[str, str]]

LONGEST_LINK: Final = 20_000
"""Characters of an address that the page repeats: the file and the data of a longer one would weigh it down."""

MEDIUM_MISSING: Final = (
    "Choose the kind of network: what ohms and volts mean depends on it."
    " These readings are only compared, not computed."
)

ROWS_AT_FIRST: Final = ("ohm-pair", "volt-high", "volt-low", "volt-line", "ohm-line", "volt-second-line")
"""What is measured first, as far as a network has it; only numbers are left to type (common practice, no source)."""

ROWS_TO_ADD: Final = 2

FEED_ROWS: Final = ("volt-supply", "volt-ground")
"""Read at the plug of a module, loaded (common practice, no source)."""

FORM_ASKED: Final = "_form"
"""Stands in an address that shows the form with what is typed so far, and no answer yet."""

MOST_SHOWN_AGAIN: Final = 40_000
"""Characters typed in all; of more the page would grow too heavy, and the address still holds them."""

_FOLDED: Final = ("at", "state", "unplugged", "traffic", *LEVEL_FIELDS)
_ROW_TEXTS: Final = ("value", "unit", *_FOLDED)
_CHOSEN_ONLY: Final = ("what", "state", "unit")
"""Fields of a row that stand there without anybody typing anything."""

LIKE_CASES: Final = 5
LEAST_STATE_SHOWN: Final = 0.005


@dataclass(frozen=True)
class Row:
    """One reading in the form."""

    number: int
    what: str
    typed: dict[str, str]
    looks: list[str]
    problems: list[FieldProblem]

    @property
    def has_more(self) -> bool:
        """Whether anything stands in the fields that are folded away."""
        return bool(self.looks or any(self.typed[name] for name in _FOLDED))


@dataclass(frozen=True)
class Form:
    """The form: texts by field, chosen words by field, rows of readings, and what can be chosen."""

    typed: dict[str, str]
    several: dict[str, list[str]]
    rows: list[Row]
    feed_rows: list[Row]
    problems: dict[str, list[FieldProblem]]
    all_problems: list[FieldProblem]
    media: Choices
    powertrains: Choices
    others: Choices
    reached: Choices
    lamps: Choices
    conditions: Choices
    measured: list[tuple[str, Choices]]
    levels: Choices
    units: Choices
    states: Choices
    looks: Choices
    traffic: Choices


def form_of(asked: AskedJob) -> Form:
    """Return the form with everything that was typed; what no address can hold is not shown again."""
    given = asked.given
    media = [medium for field in MEDIUM_FIELDS for medium in Medium if str(medium) == given.text(field)]
    measured = reading_choices(media)
    rows = _rows(asked, {key for _, choices in measured for key, _ in choices})
    after = rows[-1].number + 1
    fits = sum(len(text) for field in given.fields for text in given.several(field)) <= MOST_SHOWN_AGAIN
    by_field: dict[str, list[FieldProblem]] = {}
    for problem in asked.problems:
        by_field.setdefault(problem.field, []).append(problem)
    return Form(
        typed={field: given.text(field) if fits else "" for field in FIELDS},
        several={field: given.several(field) for field in ("lamps", "conditions")},
        rows=rows,
        feed_rows=[Row(after + place, what, _NOTHING_TYPED, [], []) for place, what in enumerate(FEED_ROWS)],
        problems=by_field,
        all_problems=asked.problems,
        media=medium_choices(),
        powertrains=powertrain_choices(),
        others=others_choices(),
        reached=reached_choices(),
        lamps=lamp_choices(),
        conditions=condition_choices(),
        measured=measured,
        levels=level_choices(media[0] if media else None),
        units=unit_choices(),
        states=state_choices(),
        looks=look_choices(),
        traffic=traffic_choices(),
    )


def _rows(asked: AskedJob, known: set[str]) -> list[Row]:
    given = asked.given
    rows = [_row(asked, number) for number in given.rows]
    first = [what for what in ROWS_AT_FIRST if what in known]
    held = {given.text(f"r{row.number}.what") for row in rows}
    open_again = not rows or given.text(FORM_ASKED)
    wanted: list[str] = [what for what in first if what not in held] if open_again else []
    wanted += [""] * (ROWS_TO_ADD - len(wanted))
    return rows + [
        Row(given.next_row + place, what, _NOTHING_TYPED, [], []) for place, what in enumerate(wanted)
    ]


_NOTHING_TYPED: Final = dict.fromkeys(_ROW_TEXTS, "")


def _row(asked: AskedJob, number: int) -> Row:
    given = asked.given
    typed = {name: given.text(f"r{number}.{name}") for name in _ROW_TEXTS}
    problems = [
        problem
        for problem in asked.problems
        if (row := ROW_FIELD.fullmatch(problem.field)) and int(row[1]) == number
    ]
    return Row(number, given.text(f"r{number}.what"), typed, given.several(f"r{number}.looks"), problems)


def without_blanks(pairs: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return the pairs in which something was typed: a form sends its empty fields too, and a link need not."""
    told = [(field, text) for field, text in pairs if text.strip()]
    rows = {
        row[1]
        for field, text in told
        if (row := ROW_FIELD.fullmatch(field)) and (row[2] not in _CHOSEN_ONLY or text == OVER_RANGE)
    }
    return [
        (field, text) for field, text in told if (row := ROW_FIELD.fullmatch(field)) is None or row[1] in rows
    ]


def query_text(pairs: Sequence[tuple[str, str]]) -> str:
    """Return pairs as the query of an address."""
    return urlencode(list(pairs), errors="replace")


def summary_of(case: Case) -> str:
    """Return what was given, in one line."""
    vehicle = case.vehicle
    named = " ".join(
        str(part) for part in (vehicle.make, vehicle.model, vehicle.model_year) if part and part != NOT_SAID
    )
    told = (
        named,
        " and ".join(dict.fromkeys(str(network.medium) for network in case.networks)),
        _counted(len(case.readings), "reading"),
        _counted(len(case.codes), "code"),
        _counted(len(case.trials), "trial"),
        _counted(len(case.lamps), "lamp"),
        _counted(len(case.silent_modules()), "silent module"),
        "what is wrong in words" if case.concern else "",
    )
    return ", ".join(part for part in told if part)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}" if count else ""


def _has_no_network(job: Case) -> bool:
    """Return whether there are readings, and not even they tell their network."""
    return bool(job.readings) and not with_networks(job).networks


def answer_for(edition: Edition, site: OpenSite, job: Case) -> Answer | None:
    """Return everything that is said to a job; None where this collection cannot be compared with."""
    collection = site.collection_to_answer(edition)
    if collection is None:
        return None
    return answer_to(job, collection, LIKE_CASES, site.buses, site.embedder)


def answer_context(answer: Answer) -> dict[str, Any]:
    """Return what the page shows of an answer."""
    causes = [cause for cause in answer.causes if not cause.is_something_else]
    return {
        "meanings": [
            meaning_context(meaning) for meaning in answer.meanings if meaning.diagnosis.observations
        ],
        "feeds": [feed_words(feed) for feed in answer.feeds],
        "pictures": level_pictures(with_networks(answer.job)),
        "glance": glance_at(answer),
        "causes": [cause_context(cause) for cause in causes],
        "remainder": [
            remainder_words(rest.probability, bool(causes))
            for rest in answer.causes
            if rest.is_something_else
        ],
        "like": [(case.match, case_in_short(case).proof) for case in answer.similar],
        "settles": {case.match.profile.case_id: case.would_settle for case in answer.similar},
        "compared_with": answer.compared_with,
        "healthy": [(vehicle.match, vehicle.readings) for vehicle in answer.healthy if vehicle.readings][:2],
        "normal_words": normal_words(answer.looks_normal) if answer.reads_normal else None,
        "tests": [test_context(test) for test in answer.tests],
        "no_test": None if answer.tests else no_test_words(answer.causes),
        "beside": [beside_in_full(one) for one in local_faults_beside(answer)],
        "local_fault": next((local_fault_words(one) for one in answer.local_faults if one.comes_first), None),
        "sheet": sheet_of(answer.job),
        "blames": [blame_words(blame) for blame in answer.blames],
        "set_apart": answer.set_apart,
        "codes_note": answer.codes_note,
        "taken_as": answer.taken_as,
        "cautions": answer.cautions,
    }


def meaning_context(meaning: Meaning) -> dict[str, Any]:
    """Return what one network's readings mean, with each reading's word for and against."""
    diagnosis = meaning.diagnosis
    credible = diagnosis.credible()
    return {
        "name": meaning.name,
        "verdict": verdict(diagnosis),
        "states": [
            (state_words(state), ">.99" if share > 0.99 else f"{share:.2f}", state in credible)
            for state, share in diagnosis.ranked()
            if share >= LEAST_STATE_SHOWN
        ],
        "evidence": evidence_rows(diagnosis),
        "unused": [(diagnosis.readings[index].what(), why) for index, why in diagnosis.interpreted.unused],
    }


def cause_context(cause: LikelyCause) -> dict[str, Any]:
    """Return a likely cause in words, with the cases behind it."""
    return {
        "words": cause.words,
        "chance": in_words(cause.probability),
        "place": cause.place,
        "cases": list(
            zip([behind.case_id for behind in cause.cases], cases_behind_words(cause), strict=False)
        ),
        "without_cases": None if cause.cases else cases_behind_words(cause)[0],
        "readings": said_by_readings(cause),
        "took": elsewhere_words(cause.took),
    }


def test_context(test: DecidingTest) -> dict[str, Any]:
    """Return a test that settles, in words."""
    return {
        "words": test.words,
        "begun": f"{test.words[:1].upper()}{test.words[1:]}",
        "needs": needs_words(test),
        "tells": test.tells[:3],
        "source": test.source,
        "cautions": test.cautions,
    }


def sheet_of(job: Case) -> list[tuple[str, str]]:
    """Return (term, words) of a job for the printed sheet."""
    return [
        ("Vehicle", job.vehicle.line()),
        ("Wrong", job.concern or ""),
        ("Network", network_line(job)),
        ("Silent", ", ".join(job.silent_modules())),
        ("Others", others_line(job)),
        ("Codes", "; ".join(f"{code.text} {stored}" for code, stored in codes_by_code(job))),
        ("Readings", readings_in_short(job)),
        ("Tried", "; ".join(trial.line() for trial in job.trials)),
        ("Lamps", ", ".join(job.lamps)),
        ("When", ", ".join(job.conditions)),
    ]


def job_context(edition: Edition, site: OpenSite, pairs: Pairs, own_address: str) -> dict[str, Any]:
    """Return what the page of a stuck job shows; where the form is asked for, no answer is worked out."""
    asked, typed = job_from_query(pairs), query_text(pairs)
    query = typed if len(typed) <= LONGEST_LINK else None
    context = {
        "form": form_of(asked),
        "asked": asked,
        "query": query,
        "summary": summary_of(asked.case) if asked.case else "",
        "lacks": site.lacks,
        "answered": False,
        **words_context(edition, pairs),
        "form_asked": asked.given.text(FORM_ASKED) != "",
        "hint": MEDIUM_MISSING if asked.case and _has_no_network(asked.case) else None,
        "own_address": own_address,
    }
    if asked.case is None or context["form_asked"]:
        return context
    answer = answer_for(edition, site, asked.case)
    if answer is None:
        return context
    found = where_context(edition, asked.case, query)
    said = {
        "answered": True,
        "where": found,
        "has_qr": query is not None and has_qr_code(_address_of_job(own_address, pairs)),
    }
    return context | said | answer_context(answer)


def _address_of_job(own_address: str, pairs: Pairs) -> str:
    return f"{own_address.partition('?')[0]}?{query_text(without_words(pairs))}"


def job_qr(own_address: str, pairs: Pairs) -> str:
    """Return the address of a job as a QR code in SVG; raise `NotHereError` of one too long for it.

    It is a file of its own: it takes a tenth of the time of an answer, and only who prints needs it.
    """
    made = qr_code(_address_of_job(own_address, pairs))
    if made is None:
        raise NotHereError("This job's address is too long for a QR code.")
    return str(made).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)


def job_json(edition: Edition, site: OpenSite, pairs: Pairs) -> dict[str, Any]:
    """Return the answer to a job as plain data, with what was typed and could not be used."""
    asked = job_from_query(pairs)
    answer = answer_for(edition, site, asked.case) if asked.case else None
    problems = [
        {"field": problem.field, "typed": problem.typed, "sentence": problem.sentence()}
        for problem in asked.problems
    ]
    return {"problems": problems, "lacks": site.lacks, "answer": answer_data(answer) if answer else None}


def job_file(pairs: Pairs) -> str:
    """Return the job as a record file; raise `NotUsableError` where it says nothing of a fault yet."""
    try:
        return file_of(job_from_query(pairs))
    except InputError as error:
        raise NotUsableError(str(error)) from None
