"""A stuck job: the form and, as soon as anything is given, its answer; also as data, and as a file to take home."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from casebase.errors import InputError
from casebase.publish.edition import Edition
from casebase.site.answer_page import answer_context, answer_for, answer_json
from casebase.site.errors import NotUsableError
from casebase.site.held import Held
from casebase.site.job_form import form_of, query_text, summary_of
from casebase.site.job_link import file_of, job_from_query

Pairs = Sequence[tuple[str, str]]

LONGEST_LINK: Final = 20_000
"""Characters of an address that the page repeats: the file and the data of a longer one would weigh it down."""

MEDIUM_MISSING: Final = (
    "Choose the kind of network: what ohms and volts mean hangs on it."
    " These readings are only compared, not computed."
)


def job_context(edition: Edition, held: Held, pairs: Pairs) -> dict[str, Any]:
    """Return what the page of a stuck job shows."""
    asked, query = job_from_query(pairs), query_text(pairs)
    context = {
        "form": form_of(asked),
        "asked": asked,
        "query": query if len(query) <= LONGEST_LINK else None,
        "summary": summary_of(asked.case) if asked.case else "",
        "lacks": held.lacks,
        "answered": False,
        "hint": MEDIUM_MISSING if asked.case and asked.case.readings and not asked.case.networks else None,
    }
    answer = answer_for(edition, held, asked.case) if asked.case else None
    return context | ({"answered": True, **answer_context(answer)} if answer else {})


def job_json(edition: Edition, held: Held, pairs: Pairs) -> dict[str, Any]:
    """Return the answer to a job as plain data, with what was typed and could not be used."""
    asked = job_from_query(pairs)
    answer = answer_for(edition, held, asked.case) if asked.case else None
    problems = [
        {"field": problem.field, "typed": problem.typed, "sentence": problem.sentence()}
        for problem in asked.problems
    ]
    return {"problems": problems, "lacks": held.lacks, "answer": answer_json(answer) if answer else None}


def job_file(pairs: Pairs) -> str:
    """Return the job as a record file; raise `NotUsableError` where it says nothing of a fault yet."""
    try:
        return file_of(job_from_query(pairs))
    except InputError as error:
        raise NotUsableError(str(error)) from None
