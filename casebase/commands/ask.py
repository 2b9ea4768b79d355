"""The command that takes a message as a technician writes it: evidence is answered, words alone are searched for."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from casebase.commands.opening import TextModelAhead, means_to_compare, open_library
from casebase.commands.shared import FullOption, JsonOption, LibraryOption, own_page, print_json
from casebase.commands.similar import answer_in, print_similar
from casebase.errors import InputError
from casebase.files import text_of
from casebase.intake.plain_words.as_record import (
    Question,
    answered,
    questions_data,
    questions_on,
    record_of,
    understood_data,
)
from casebase.intake.plain_words.message import Understood, understood_from
from casebase.library.store import Library
from casebase.match.answer.data import answer_data
from casebase.match.index.search import alike_in_meaning
from casebase.record.case import Case
from casebase.record.loading import case_from_data
from casebase.terminal.asked import print_found, print_questions, print_understood
from casebase.terminal.page import Page

_MOST_BYTES: Final = 2_000_000
_MOST_FOUND: Final = 10


def ask(
    message: Annotated[
        list[str] | None,
        typer.Argument(metavar="[MESSAGE]...", help="The message, a file that holds it, or - for stdin."),
    ] = None,
    most: Annotated[
        int, typer.Option("--most", min=1, max=200, help="How many cases --full and --json tell.")
    ] = 5,
    full: FullOption = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Ask in plain words, as to a colleague.

    Readings, codes, silent modules, lamps and what was tried are answered from past cases; words alone search them.

    Example: casebase ask "119 ohm 6 to 14, H 2.6 L 2.4, U0101 from ECM, no comms with TCM"
    """
    ahead = TextModelAhead()
    text = message_from(message or [])
    with open_library(library) as kept:
        understood = understood_from(text, kept.vehicles())
        if understood.story or not understood.has_evidence:
            ahead.begin()  # while the rest is worked out; without a story the answer needs no text model
        if not understood.has_evidence:
            return _search(kept, text, understood, json, ahead)
        if json:
            return _print_data(kept, understood, most, ahead)
        page = own_page()
        print_understood(understood, page)
        understood, left = _asked_back(understood)
        print_questions(left, page)
        return print_similar(kept, job_of(understood), most, json=False, ahead=ahead, full=full)


def job_of(understood: Understood) -> Case:
    """Return what was understood as a job."""
    return case_from_data(record_of(understood), "the message")


def case_told(named: str, library: Library, page: Page) -> Case:
    """Return the record that a message, or a file of one, begins, and print what was understood.

    Raises `InputError` where it says nothing that a record could hold.
    """
    if named == "-":
        raise InputError(
            "--from -: stdin answers the questions: give the message itself, or a file that holds it"
        )
    understood = understood_from(message_from([named]), library.vehicles())
    print_understood(understood, page)
    if not understood.items and not understood.story:
        raise InputError("--from: nothing in the message: expected what is wrong, readings, codes or modules")
    return job_of(understood)


def message_from(words: list[str]) -> str:
    """Return the message that words on the command line, a file or stdin hold; raise `InputError` for none."""
    text = " ".join(words)
    if text == "-" or (not words and not sys.stdin.isatty()):
        text = _decoded(sys.stdin.buffer.read(_MOST_BYTES + 1), "stdin")
    elif len(words) == 1 and _is_file(text):
        with Path(text).open("rb") as file:
            text = _decoded(file.read(_MOST_BYTES + 1), text)
    if not text.strip():
        raise InputError(
            'nothing to ask: expected a message such as casebase ask "120 ohm 6 to 14, no comms with ABS"'
        )
    return text


def _is_file(text: str) -> bool:
    try:
        return Path(text).is_file()
    except (OSError, ValueError):  # longer than any name of a file, or with a NUL in it
        return False


def _decoded(content: bytes, source: str) -> str:
    if len(content) > _MOST_BYTES:
        raise InputError(
            f"{source}: more than {_MOST_BYTES // 1_000_000} MB: expected a message or a scan report"
        )
    try:
        return text_of(content)
    except UnicodeDecodeError as error:
        raise InputError(f"{source}: not UTF-8 text (byte {error.start}): save it as UTF-8") from None


def _asked_back(understood: Understood) -> tuple[Understood, list[Question]]:
    """Ask what the answer depends on, where somebody sits there; return what is known then, and what is still open."""
    questions = questions_on(understood)
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return understood, questions
    for question in questions:
        typed = typer.prompt(
            f"{question.question} ({' / '.join(question.choices)}, Enter: not known)",
            default="",
            show_default=False,
        )
        choice = next(
            (one for one in question.choices if typed and one.casefold().startswith(typed.casefold())), None
        )
        if choice:
            understood = answered(understood, question.about, choice)
    return understood, []


def _print_data(library: Library, understood: Understood, most: int, ahead: TextModelAhead) -> None:
    answer = answer_in(library, job_of(understood), most, ahead=ahead)
    print_json(_data(understood) | {"answer": answer_data(answer), "found": []})


def _data(understood: Understood) -> dict[str, Any]:
    return {
        "understood": understood_data(understood),
        "story": understood.story,
        "questions": questions_data(questions_on(understood)),
    }


def _search(library: Library, text: str, understood: Understood, json: bool, ahead: TextModelAhead) -> None:
    """Print the cases that hold the words, then those that mean much the same."""
    by_words = library.summaries(find=text)[:_MOST_FOUND]
    means = means_to_compare(ahead)
    held = {row["id"] for row in by_words}
    alike = (
        alike_in_meaning(library.collection(means), text, means.embedder, _MOST_FOUND)
        if means.embedder is not None
        else []
    )
    rows = {row["id"]: row for row in library.summaries()} if alike else {}
    found = [*by_words, *(rows[case_id] for case_id, _ in alike if case_id not in held and case_id in rows)]
    if json:
        print_json(
            _data(understood) | {"answer": None, "found": [_found(row, row["id"] in held) for row in found]}
        )
    else:
        print_found(found, len(by_words), text, own_page())


def _found(row: dict[str, Any], holds_the_words: bool) -> dict[str, Any]:
    told = {key: row[key] for key in ("title", "make", "model", "model_year", "status")}
    return {"case_id": row["id"], **told, "by": "words" if holds_the_words else "meaning"}
