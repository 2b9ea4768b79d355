"""Stuck jobs held out of the library: the job as it stood, the whole record, and its like in the library.

A job is a record cut off before its last step: no cause, fix, verification or leftover, nothing measured after the
repair.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from casebase.record.case import Case
from casebase.record.json_form import plain_data
from casebase.record.modules import module_identity
from casebase.record.vocabulary import Stage

_KNOWN_AFTERWARDS: Final = (
    *("cause", "more_causes", "fix", "verification", "leftover", "note", "title", "review", "why_normal"),
)

Model = tuple[str, str]


@dataclass(frozen=True)
class HeldOut:
    """One stuck job. `twins`: IDs of the library's cases of the same model with the same fault, place and module.

    `look_alikes`: those of the same model with the same set of codes (their bases) and another fault.
    """

    job: Case
    truth: Case
    twins: tuple[str, ...]
    look_alikes: tuple[str, ...]


def held_out(truth: Case, library: ByModel) -> HeldOut:
    """Return the job that a whole record began as, with its like in the library."""
    alike = library.of(truth)
    cause, codes = cause_key(truth), code_bases(truth)
    return HeldOut(
        job=as_stuck(truth),
        truth=truth,
        twins=tuple(str(case.id) for case in alike if cause_key(case) == cause),
        look_alikes=tuple(
            str(case.id)
            for case in alike
            if codes and code_bases(case) == codes and case.cause and case.cause.fault != _fault(truth)
        ),
    )


class ByModel:
    """A library's solved cases, by make and model."""

    def __init__(self, cases: Iterable[Case]) -> None:
        self._cases: dict[Model, list[Case]] = {}
        for case in cases:
            if case.cause:
                self._cases.setdefault(_model(case), []).append(case)

    def of(self, case: Case) -> list[Case]:
        """Return the solved cases of the model of `case`."""
        return self._cases.get(_model(case), [])


def _model(case: Case) -> Model:
    return case.vehicle.make, case.vehicle.model


def _fault(case: Case) -> str | None:
    return str(case.cause.fault) if case.cause else None


def cause_key(case: Case) -> tuple[str, str | None, str | None] | None:
    """Return fault, kind of place and module of a case's cause, the module whatever it is called."""
    if case.cause is None:
        return None
    where, module = case.cause.where, case.cause.module
    return (
        str(case.cause.fault),
        str(where.place) if where else None,
        module_identity(module) if module else None,
    )


def code_bases(case: Case) -> frozenset[str]:
    """Return the codes of a case without failure types."""
    return frozenset(entry.code.base for entry in case.codes)


def as_stuck(truth: Case) -> Case:
    """Return a whole record as it stood before the last step."""
    data = {key: value for key, value in plain_data(truth).items() if key not in _KNOWN_AFTERWARDS}
    data["id"] = truth.id
    data["readings"] = [
        row for row in data.get("readings", []) if row.get("stage") != Stage.AFTER_REPAIR.value
    ]
    data["steps"] = data.get("steps", [])[:-1]
    data["provenance"] = {key: value for key, value in data["provenance"].items() if key != "ended"}
    return Case.model_validate(data)


# --- with parts missing -------------------------------------------------------------------------------------------

Change = Callable[[Case], dict[str, Any]]

_CHANGES: Final[dict[str, Change]] = {
    "no readings": lambda job: {"readings": []},
    "one reading": lambda job: {"readings": job.readings[:1]},
    "no codes": lambda job: {"codes": []},
    "no modules": lambda job: {"modules": []},
    "no story": lambda job: {"concern": None, "symptoms": [], "steps": []},
    "no lamps": lambda job: {"lamps": []},
    "no trials": lambda job: {"trials": []},
}
PARTS: Final[Sequence[str]] = tuple(_CHANGES)
"""What may be missing."""


def parts_missing(job: Case, what: str) -> Case:
    """Return the job without some of its parts; `what` is one of `PARTS`. Steps tell the story too and go with it.

    Raises `KeyError` for anything else. Nothing may be left of a job that had little else.
    """
    return job.model_copy(update=_CHANGES[what](job))
