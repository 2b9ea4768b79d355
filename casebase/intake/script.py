"""The order of the interview: the order in which the work is done, ended by reading the record over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any, Final

from casebase.errors import InputError, RecordError
from casebase.intake import script_repair, script_scan, script_vehicle
from casebase.intake.question import Data, Question, Script
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
    "trials",
    "steps",
    "cause",
    "fix",
    "verification",
    "leftover",
    "who and when",
    "review",
)
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
        return parts[parts.index("readings") :] if self.case else parts


def script(beginning: Beginning, today: date, data: Data) -> Script:
    """Ask for a whole record and write the answers into `data`, which starts as a copy of `beginning.case`."""
    data.setdefault("kind", str(beginning.kind))
    fault_case = beginning.kind is Kind.FAULT_CASE
    if not beginning.case:
        yield from script_vehicle.ask_vehicle(data)
        if fault_case:
            yield from script_vehicle.ask_concern(data)
        yield from script_vehicle.ask_networks(data)
        silent = yield from script_scan.ask_scan(data)
        yield from script_scan.ask_modules(data, silent)
    yield from ask_readings(data, "readings")
    fixed = False
    if not fault_case:
        yield from script_repair.ask_why_normal(data)
    if fault_case:
        fixed = yield from _repair(data)
    offered = {"author": beginning.author, "shop": beginning.shop, "opened": beginning.started.isoformat()}
    yield from script_repair.ask_provenance(data, offered, today, fixed=fixed or not fault_case)
    yield _review(data)


def _repair(data: Data) -> Any:
    """Ask about the repair as far as it has come; return whether anything was fixed."""
    yield from script_repair.ask_trials(data)
    yield from script_repair.ask_steps(data)
    if not (yield from script_repair.ask_cause(data)):
        return False
    if not (yield from script_repair.ask_fix(data)):
        return False
    yield from script_repair.ask_verification(data)
    yield from script_repair.ask_leftover(data)
    return True


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
