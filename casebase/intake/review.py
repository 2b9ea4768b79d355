"""A record in lines for reading over before it is kept."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from casebase.errors import RecordError
from casebase.record.case import Case, status_of
from casebase.record.cautions import MAKER_FIRST, cautions_of
from casebase.record.checks import remarks_on
from casebase.record.loading import case_from_data
from casebase.record.words import cause_line, code_line, module_line, network_line, reading_line, title_of


def review_lines(case: Case) -> list[str]:
    """Return the record in words, then what deserves a second look, then its cautions."""
    return [
        f"{title_of(case)} [{status_of(case) or case.kind}]",
        *_found(case),
        *_repair(case),
        *(f"Look again: {remark}" for remark in remarks_on(case)),
        *(f"Caution: {caution}" for caution in cautions_of(case)),
    ]


def cautions_so_far(data: Mapping[str, Any], *wanted: str) -> tuple[str, ...]:
    """Return those of the `wanted` cautions that belong to a record not finished yet, with the maker's word."""
    try:
        belonging = cautions_of(case_from_data(dict(data), "the interview"))
    except RecordError:
        return ()
    shown = tuple(caution for caution in wanted if caution in belonging)
    return (*shown, MAKER_FIRST) if shown else ()


def _found(case: Case) -> Iterator[str]:
    yield f"Vehicle: {case.vehicle.line()}" + (f", VIN {case.vehicle.vin}" if case.vehicle.vin else "")
    for name, text in (
        ("Concern", case.concern),
        ("Symptoms", "; ".join(case.symptoms)),
        ("Lamps", ", ".join(case.lamps)),
        ("Shows", ", ".join(case.conditions)),
        ("Networks", network_line(case)),
        ("Codes", "; ".join(code_line(entry) for entry in case.codes)),
        ("Modules", "; ".join(module_line(module) for module in case.modules)),
    ):
        if text:
            yield f"{name}: {text}"
    yield from (
        f"Reading {number}: {reading_line(reading)}" for number, reading in enumerate(case.readings, 1)
    )


def _repair(case: Case) -> Iterator[str]:
    for number, step in enumerate(case.steps, 1):
        yield f"Step {number}: {step.did}" + (f": {step.found}" if step.found else "")
    if case.cause:
        yield f"Cause: {cause_line(case.cause)}; {f'proven: {case.cause.proof}' if case.cause.proof else 'not proven'}"
    if case.fix:
        yield f"Fix: {', '.join(_fix(case))}"
    if case.verification:
        yield f"Verified: {', '.join(_verification(case)) or 'nothing noted'}"
    if case.leftover:
        yield f"Leftover: {case.leftover}"
    said = case.provenance
    written = (
        said.author,
        said.shop,
        said.opened and f"opened {said.opened}",
        said.ended and f"ended {said.ended}",
    )
    yield f"Written by: {', '.join(str(word) for word in written if word) or 'nobody named'}"


def _fix(case: Case) -> Iterator[str]:
    if case.fix is None:
        return
    yield case.fix.done
    yield from (f"{part.name} {part.cost}" if part.cost else part.name for part in case.fix.parts)
    if case.fix.minutes is not None:
        yield f"{case.fix.minutes:g} min"
    if case.fix.cost:
        yield f"{case.fix.cost} in all"


def _verification(case: Case) -> Iterator[str]:
    proof = case.verification
    if proof is None:
        return
    if proof.codes_cleared:
        yield f"codes cleared: {proof.codes_cleared}"
    if proof.rescan:
        yield f"scan afterwards: {proof.rescan}"
    if proof.road_test:
        yield f"road test {proof.road_test}"
