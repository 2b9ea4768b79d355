"""The form of a stuck job as the page shows it: each field as typed, its problems beside it, rows for more."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlencode

from casebase.record.case import Case
from casebase.record.vocabulary import Medium
from casebase.site.job_given import ROW_FIELD, FieldProblem
from casebase.site.job_link import (
    FIELDS,
    NOT_SAID,
    AskedJob,
    condition_choices,
    lamp_choices,
    medium_choices,
    reached_choices,
)
from casebase.site.job_readings import look_choices, reading_choices, state_choices, traffic_choices

Choices = list[tuple[str, str]]

ROWS_AT_FIRST: Final = ("ohm-pair", "volt-high", "volt-low")
"""What is measured first at the DLC; only the numbers are left to type (common practice, no source)."""

ROWS_TO_ADD: Final = 2

MOST_SHOWN_AGAIN: Final = 40_000
"""Characters typed in all; of more the page would grow too heavy, and the address still holds them."""

_CHOSEN_ONLY: Final = ("what", "state")
"""Fields of a row that stand there without anybody typing anything."""


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
        return bool(self.looks or any(self.typed[name] for name in ("at", "state", "unplugged", "traffic")))


@dataclass(frozen=True)
class Form:
    """The form: texts by field, chosen words by field, rows of readings, and what can be chosen."""

    typed: dict[str, str]
    several: dict[str, list[str]]
    rows: list[Row]
    problems: dict[str, list[FieldProblem]]
    all_problems: list[FieldProblem]
    media: Choices
    reached: Choices
    lamps: Choices
    conditions: Choices
    measured: Choices
    states: Choices
    looks: Choices
    traffic: Choices


def form_of(asked: AskedJob) -> Form:
    """Return the form with everything that was typed; what no address can hold is not shown again."""
    given = asked.given
    medium = next((medium for medium in Medium if str(medium) == given.text("medium")), None)
    measured = reading_choices(medium)
    fits = sum(len(text) for field in given.fields for text in given.several(field)) <= MOST_SHOWN_AGAIN
    by_field: dict[str, list[FieldProblem]] = {}
    for problem in asked.problems:
        by_field.setdefault(problem.field, []).append(problem)
    return Form(
        typed={field: given.text(field) if fits else "" for field in FIELDS},
        several={field: given.several(field) for field in ("lamps", "conditions")},
        rows=_rows(asked, {key for key, _ in measured}),
        problems=by_field,
        all_problems=asked.problems,
        media=medium_choices(),
        reached=reached_choices(),
        lamps=lamp_choices(),
        conditions=condition_choices(),
        measured=measured,
        states=state_choices(),
        looks=look_choices(),
        traffic=traffic_choices(),
    )


def _rows(asked: AskedJob, known: set[str]) -> list[Row]:
    given = asked.given
    rows = [_row(asked, number) for number in given.rows]
    wanted: list[str] = [] if rows else [what for what in ROWS_AT_FIRST if what in known]
    wanted += [""] * (ROWS_TO_ADD - len(wanted))
    return rows + [_empty_row(given.next_row + place, what) for place, what in enumerate(wanted)]


def _row(asked: AskedJob, number: int) -> Row:
    given = asked.given
    typed = {
        name: given.text(f"r{number}.{name}") for name in ("value", "at", "state", "unplugged", "traffic")
    }
    problems = [
        problem
        for problem in asked.problems
        if (row := ROW_FIELD.fullmatch(problem.field)) and int(row[1]) == number
    ]
    return Row(number, given.text(f"r{number}.what"), typed, given.several(f"r{number}.looks"), problems)


def _empty_row(number: int, what: str) -> Row:
    return Row(number, what, dict.fromkeys(("value", "at", "state", "unplugged", "traffic"), ""), [], [])


def without_blanks(pairs: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return the pairs in which something was typed: a form sends its empty fields too, and a link need not."""
    told = [(field, text) for field, text in pairs if text.strip()]
    rows = {row[1] for field, _ in told if (row := ROW_FIELD.fullmatch(field)) and row[2] not in _CHOSEN_ONLY}
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
        str(case.networks[0].medium) if case.networks else "",
        _counted(len(case.readings), "reading"),
        _counted(len(case.codes), "code"),
        _counted(len(case.lamps), "lamp"),
        _counted(len(case.silent_modules()), "silent module"),
        "what is wrong in words" if case.concern else "",
    )
    return ", ".join(part for part in told if part)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}" if count else ""
