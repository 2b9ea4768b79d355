"""The order of the interview: the order in which the work is done, ended by reading the record over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any, Final

from casebase.errors import InputError, RecordError
from casebase.intake import script_repair, script_scan, script_vehicle
from casebase.intake.answers import word_list_reader
from casebase.intake.question import Asked, Data, Known, Question, Script
from casebase.intake.review import review_lines
from casebase.intake.script_readings import ask_readings
from casebase.record.loading import case_from_data
from casebase.record.vocabulary import Kind

KEEP: Final = "keep"
"""Key of the last question: whether the record is stored."""

_FAULT_CASE_PARTS: Final = (
    "vehicle",
    "concern",
    "networks",
    "scan",
    "modules",
    "readings",
    "tried",
    "cause",
    "fix",
    "verification",
    "leftover",
    "who and when",
    "review",
)
_WHAT_TO_ADD: Final = "what to add"
_AT_THE_END: Final = ("who and when", "review")
_KNOWN_GOOD_PARTS: Final = ("vehicle", "networks", "scan", "modules", "readings", "who and when", "review")


@dataclass(frozen=True)
class Beginning:
    """What is known before the first question.

    `started` is the day the interview was begun; `author` and `shop` are offered. `case` is the plain data of an
    open record that is gone on with (empty: a new record), `case_id` the name the library knows it by.
    """

    started: date
    kind: Kind = Kind.FAULT_CASE
    author: str | None = None
    shop: str | None = None
    case: Mapping[str, Any] = field(default_factory=dict)
    case_id: str | None = None

    def as_data(self) -> Data:
        """Return it as plain data for a draft."""
        return {**asdict(self), "started": self.started.isoformat(), "kind": str(self.kind)}

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Beginning:
        """Undo `as_data`; raises `TypeError`, `ValueError`, `KeyError` or `RecordError` on anything else."""
        if data["case"]:
            case_from_data(data["case"], "the draft")
        return cls(**{**data, "started": date.fromisoformat(data["started"]), "kind": Kind(data["kind"])})

    @property
    def parts(self) -> tuple[str, ...]:
        """The parts of the job that are asked about, in order."""
        parts = _KNOWN_GOOD_PARTS if self.kind is Kind.KNOWN_GOOD else _FAULT_CASE_PARTS
        return (_WHAT_TO_ADD, *parts) if self.case else parts


def script(beginning: Beginning, today: date, data: Data, known: Known) -> Script:
    """Ask for a whole record and write the answers into `data`, which starts as a copy of `beginning.case`."""
    data.setdefault("kind", str(beginning.kind))
    asked = (yield from _what_to_add(beginning)) if beginning.case else beginning.parts
    silent: list[str] = []
    if "vehicle" in asked:
        yield from script_vehicle.ask_vehicle(data, known)
    if "concern" in asked:
        yield from script_vehicle.ask_concern(data)
    if "networks" in asked:
        yield from script_vehicle.ask_networks(data)
    if "scan" in asked:
        silent = yield from script_scan.ask_scan(data)
    if "modules" in asked:
        yield from script_scan.ask_modules(data, silent, known)
    if "readings" in asked:
        yield from ask_readings(data)
    fault_case = beginning.kind is Kind.FAULT_CASE
    fixed = (yield from _repair(data, asked)) if fault_case else True
    if not fault_case:
        yield from script_repair.ask_why_normal(data)
    offered = {"author": beginning.author, "shop": beginning.shop, "opened": beginning.started.isoformat()}
    yield from script_repair.ask_provenance(data, offered, today, fixed=fixed)
    yield _review(data)


def _what_to_add(beginning: Beginning) -> Asked:
    """Ask what is to be added to a record; Enter alone goes on with the work from its readings."""
    parts = tuple(part for part in beginning.parts[1:] if part not in _AT_THE_END)
    usual = parts[parts.index("readings") :]
    asked: list[str] | None = yield Question(
        "parts",
        _WHAT_TO_ADD,
        f"What is to be added (Enter: from the {usual[0]} on)",
        word_list_reader(parts),
        example="scan, modules",
        words=parts,
    )
    return asked or usual


def _repair(data: Data, asked: Sequence[str]) -> Any:
    """Ask about the repair as far as it has come; return whether anything was fixed."""
    if "tried" in asked:
        yield from script_repair.ask_tried(data)
    if "cause" in asked and not (yield from script_repair.ask_cause(data)):
        return False
    if "fix" in asked and not (yield from script_repair.ask_fix(data)):
        return False
    if "verification" in asked:
        yield from script_repair.ask_verification(data)
    if "leftover" in asked:
        yield from script_repair.ask_leftover(data)
    return "fix" in data


def _review(data: Data) -> Question:
    try:
        notes, wrong = review_lines(case_from_data(data, "the record")), ""
    except RecordError as error:
        notes = [f"Does not fit: {problem.sentence()}" for problem in error.problems]
        wrong = error.problems[0].sentence()

    def read(text: str) -> bool:
        if wrong:
            raise InputError(f"{wrong}; type back and the part to mend, such as back readings")
        if text.casefold() not in {"y", "yes"}:
            raise InputError("expected yes; or back and the part to mend, such as back readings; or stop")
        return True

    return Question(
        KEEP,
        "review",
        "Keep it? (yes, or back)",
        read,
        example="yes",
        help="back readings goes to the first question about readings; forward then comes back here.",
        required=True,
        notes=tuple(notes),
    )
