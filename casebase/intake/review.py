"""A record in lines, to be read over before it is stored."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from casebase.errors import RecordError
from casebase.record.case import Case, status_of
from casebase.record.cautions import MAKER_FIRST, cautions_of
from casebase.record.checks import remarks_on
from casebase.record.loading import case_from_data
from casebase.record.words import (
    cause_line,
    code_line,
    module_line,
    network_line,
    others_line,
    reading_line,
    title_of,
)


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
        ("Others", others_line(case)),
    ):
        if text:
            yield f"{name}: {text}"
    yield from (
        f"Reading {number}: {reading_line(reading)}" for number, reading in enumerate(case.readings, 1)
    )


def _repair(case: Case) -> Iterator[str]:
    yield from (f"Trial {number}: {trial.line()}" for number, trial in enumerate(case.trials, 1))
    for number, step in enumerate(case.steps, 1):
        yield f"Step {number}: {step.did}" + (f": {step.found}" if step.found else "")
    if case.cause:
        yield f"Cause: {cause_line(case.cause)}; {f'proven: {case.cause.proof}' if case.cause.proof else 'not proven'}"
    yield from (f"And: {cause_line(cause)}" for cause in case.more_causes)
    if case.fix:
        done = [case.fix.done]
        done += [f"{part.name} {part.cost}" if part.cost else part.name for part in case.fix.parts]
        done += [f"{case.fix.minutes:g} min"] if case.fix.minutes is not None else []
        done += [f"{case.fix.cost} in all"] if case.fix.cost else []
        yield f"Fix: {', '.join(done)}"
    proof = case.verification
    if proof:
        shown = [f"codes cleared: {proof.codes_cleared}"] if proof.codes_cleared else []
        shown += [f"scan afterwards: {proof.rescan}"] if proof.rescan else []
        shown += [f"road test {proof.road_test}"] if proof.road_test else []
        shown += [f"{proof.days_without_return} days"] if proof.days_without_return is not None else []
        shown += [f"came back: {proof.came_back}"] if proof.came_back else []
        shown += [proof.behaviour] if proof.behaviour else []
        yield f"Verified: {', '.join(shown) or 'nothing noted'}"
    if case.why_normal:
        yield f"Why this is normal: {case.why_normal}"
    if case.note:
        yield f"Note: {case.note}"
    if case.leftover:
        yield f"Leftover: {case.leftover}"
    origin = case.provenance
    written = (
        origin.author,
        origin.shop,
        origin.opened and f"opened {origin.opened}",
        origin.ended and f"ended {origin.ended}",
    )
    yield f"Written by: {', '.join(str(word) for word in written if word) or 'nobody named'}"
