"""The tables made from a record: one row per case, network, module, code, reading, step and trial, and its profile."""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

from casebase.library.engine import Database
from casebase.library.schema import DERIVED_TABLES
from casebase.match.profile_of_case import PROFILE_VERSION, profile_of, to_data
from casebase.record.case import Case, status_of
from casebase.record.modules import module_key
from casebase.record.words import cause_line, code_line, searchable_text, title_of

DERIVED_VERSION: Final = f"1.{PROFILE_VERSION}"
"""Raised whenever the tables of the same records would come out otherwise; a library then makes them again."""

_ROWS_AT_ONCE: Final = 500

Row = dict[str, Any]
Rows = dict[str, list[Row]]


@dataclass(frozen=True)
class StoredRecord:
    """A record as it stands in the library: its current revision."""

    case_id: str
    revision: int
    logged_at: str
    case: Case


def write_derived(db: Database, kept: Iterable[StoredRecord]) -> int:
    """Write the rows of every record given, in batches; return how many records."""
    count, left = 0, iter(kept)
    while batch := list(islice(left, _ROWS_AT_ONCE)):
        rows: Rows = defaultdict(list)
        for one in batch:
            for table, its_rows in rows_of(one).items():
                rows[table].extend(its_rows)
        db.insert_tables(rows)
        count += len(batch)
    return count


def remove_derived(db: Database, case_ids: list[str]) -> None:
    """Remove the rows of the cases given from all derived tables."""
    for case_id in case_ids:
        for table in DERIVED_TABLES:
            key = "id" if table == "cases" else "case_id"
            db.execute(f"DELETE FROM {table} WHERE {key} = ?", (case_id,))


def rows_of(kept: StoredRecord) -> Rows:
    """Return every derived row of a record, by table."""
    case, case_id = kept.case, kept.case_id
    entries = {
        "networks": _network_rows(case),
        "modules": _module_rows(case),
        "codes": _code_rows(case),
        "readings": _reading_rows(case),
        "steps": [{"did": step.did, "found": step.found, "minutes": step.minutes} for step in case.steps],
        "trials": _trial_rows(case),
    }
    rows: Rows = {
        table: [{"case_id": case_id, "position": position, **row} for position, row in enumerate(its_rows)]
        for table, its_rows in entries.items()
    }
    profile = json.dumps(to_data(profile_of(case, case_id)), ensure_ascii=False, separators=(",", ":"))
    return rows | {"profiles": [{"case_id": case_id, "data": profile}], "cases": [_case_row(kept)]}


def _case_row(kept: StoredRecord) -> Row:
    case, told = kept.case, kept.case.provenance
    return {
        "id": kept.case_id,
        "revision": kept.revision,
        "kind": str(case.kind),
        "status": _text(status_of(case)),
        "title": title_of(case),
        "make": case.vehicle.make,
        "model": case.vehicle.model,
        "model_year": case.vehicle.model_year,
        "platform": case.vehicle.platform,
        "fault": _text(case.cause.fault) if case.cause else None,
        "cause": cause_line(case.cause) if case.cause else None,
        "leftover": case.leftover,
        "author": told.author,
        "shop": told.shop,
        "opened": _text(told.opened),
        "ended": _text(told.ended),
        "logged_at": kept.logged_at,
        "words": searchable_text(case),
        "code_words": "\n".join([*map(code_line, case.codes), *(module.name for module in case.modules)]),
    }


def _network_rows(case: Case) -> Iterator[Row]:
    for network in case.networks:
        yield {
            "name": network.name,
            "medium": str(network.medium),
            "bits_per_second": network.bit_rate.number if network.bit_rate else None,
            "reached": _text(network.reached),
        }


def _module_rows(case: Case) -> Iterator[Row]:
    for module in case.modules:
        yield {
            "name": module.name,
            "module_key": module_key(module.name),
            "network": module.network,
            "answers": _text(module.answers),
        }


def _code_rows(case: Case) -> Iterator[Row]:
    for entry in case.codes:
        yield {
            "module": entry.module,
            "code": entry.code.text,
            "base": entry.code.base,
            "failure_type": entry.code.failure_type,
            "statement": str(entry.code.statement),
            "about": entry.code.about,
            "status": entry.status,
            "text": entry.text,
        }


def _reading_rows(case: Case) -> Iterator[Row]:
    for reading in case.readings:
        yield {
            "network": reading.network,
            "quantity": str(reading.quantity),
            "line": _text(reading.line),
            "against": _text(reading.against),
            "place": reading.at,
            "ignition": _text(reading.ignition),
            "battery": _text(reading.battery),
            "unplugged": None if reading.unplugged is None else ", ".join(reading.unplugged) or "nothing",
            "tester": _text(reading.tester),
            "stage": str(reading.stage),
            "value": _text(reading.value),
            # SQLite has no infinity that others read: OL stays in the column `value` only.
            "base_number": reading.number
            if reading.number is not None and math.isfinite(reading.number)
            else None,
        }


def _trial_rows(case: Case) -> Iterator[Row]:
    for trial in case.trials:
        yield {
            "did": str(trial.did),
            "what": ", ".join(trial.what),
            "place": trial.at,
            "used_part": _text(trial.used_part),
            "configured": _text(trial.configured),
            "outcome": str(trial.outcome),
            "minutes": trial.minutes,
            "note": trial.note,
        }


def _text(value: object) -> str | None:
    return None if value is None else str(value)
