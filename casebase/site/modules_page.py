"""The lists by module: how often it was silent, blamed by codes of others, and in the end at fault."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any, Final

from casebase.publish.edition import Edition
from casebase.record.modules import known_module_keys, module_family, module_identity, module_label
from casebase.site.catalogue import FAULT_CASES, MOST_TOLD, Counted, address, base_meaning, faults_among
from casebase.site.lists import (
    USEFUL_FIRST,
    Asked,
    CaseRow,
    count_of,
    listed,
    part_of,
    rows_of_ids,
    shown,
    so_many,
)
from casebase.site.respond import NotHereError

_MODULES: Final = ("/modules", "Modules")
_BLAMING: Final = "statement IN ('lost communication', 'invalid data')"
_OF_FAULT_CASES: Final = f"case_id IN (SELECT id FROM cases WHERE {FAULT_CASES})"
_MOST_NAMES: Final = 12


@dataclass
class ModuleCases:
    """The fault cases in which a module was silent, blamed or at fault, and all records that list it."""

    silent: set[str] = field(default_factory=set)
    blamed: set[str] = field(default_factory=set)
    at_fault: set[str] = field(default_factory=set)
    in_records: set[str] = field(default_factory=set)

    @property
    def concerned(self) -> set[str]:
        """The cases in which anything spoke against it."""
        return self.silent | self.blamed | self.at_fault

    def counts(self) -> str:
        """Return the counts in one sentence."""
        told = (("silent", self.silent), ("blamed by codes", self.blamed), ("at fault", self.at_fault))
        seen = [f"{words} in {len(ids)}" for words, ids in told if ids]
        return ", ".join(seen if self.at_fault else [*seen, "never at fault"])

    def roles_in(self, case_id: str) -> str:
        """Return what it was in one case."""
        told = (("at fault", self.at_fault), ("silent", self.silent), ("blamed by codes", self.blamed))
        return ", ".join(words for words, ids in told if case_id in ids)


@dataclass(frozen=True)
class ModuleRow:
    """A module as the list shows it."""

    words: str
    counts: str
    count: int
    address: str


@dataclass(frozen=True)
class ConcernedCase:
    """A case, and what the module was in it."""

    row: CaseRow
    role: str


def modules_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return all modules, those that most cases spoke against first."""
    found = module_cases(edition)
    order = sorted(found, key=lambda key: (-len(found[key].concerned), -len(found[key].at_fault), key))
    part = part_of(order, asked)
    rows = [_row(key, found[key]) for key in part.rows]
    return {
        "title": f"{so_many(len(found), 'module')}: silent, blamed, at fault",
        "crumbs": [_MODULES],
        "modules": listed(part.total, part.before, rows, asked),
    }


def module_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return the cases of a module, however its name is written; raise `NotHereError` where it is not known."""
    key = module_identity(asked.text("module") or "")
    found = module_cases(edition, key).get(key, ModuleCases())
    if not found.in_records and not found.concerned and module_family(key) not in known_module_keys():
        raise NotHereError(
            f"No record here names a module '{shown(asked.text('module') or '')}'. Look for it among all under Modules:"
            " it may be written in another way; or search for the word."
        )
    part = part_of(_concerned_in_order(edition, found), asked)
    cases = [ConcernedCase(row, found.roles_in(row.case_id)) for row in rows_of_ids(edition, part.rows)]
    return {
        "title": _titled(module_label(key)),
        "crumbs": [_MODULES],
        "key": key,
        "said": found.counts(),
        "of": count_of(edition, FAULT_CASES),
        "in_records": len(found.in_records),
        "concerned": len(found.concerned),
        "quiet": len(found.in_records - found.concerned),
        "faults": _faults_in(edition, found.silent),
        "faults_of_it": _faults_in(edition, found.at_fault),
        "codes": _naming_codes(edition, key),
        "names": _names(edition, key),
        "cases": listed(part.total, part.before, cases, asked),
        "job": address("/job", silent=key),
    }


def module_cases(edition: Edition, only: str | None = None) -> dict[str, ModuleCases]:
    """Return in which cases each module (or one alone) was silent, blamed or at fault, by what tells modules apart."""
    found: dict[str, ModuleCases] = {}

    def of(key: str) -> ModuleCases:
        return found.setdefault(key, ModuleCases())

    for key, case_id, is_silent in _listings(edition, only):
        of(key).in_records.add(case_id)
        if is_silent:
            of(key).silent.add(case_id)
    for key, case_id in _blames(edition, only):
        of(key).blamed.add(case_id)
    for key, case_id in _culprits(edition, only):
        of(key).at_fault.add(case_id)
    return found


def _listings(edition: Edition, only: str | None) -> list[tuple[str, str, bool]]:
    """Return (module, case, whether it was silent or answered at times) of every listing; no healthy one is silent."""
    rows = edition.connection.execute(
        f"SELECT name, module_key, case_id, answers IN ('no', 'intermittent') AND {_OF_FAULT_CASES} FROM modules"
        " WHERE ?1 IS NULL OR module_key = ?1 OR module_key IS NULL",
        (only,),
    )
    told = ((key or module_identity(name), case_id, bool(silent)) for name, key, case_id, silent in rows)
    return [one for one in told if only in (None, one[0])]


def _blames(edition: Edition, only: str | None) -> list[tuple[str, str]]:
    """Return (module, case) of every code by which another module misses it or refuses its data."""
    rows = edition.connection.execute(
        f"SELECT DISTINCT about, module, case_id FROM codes WHERE about IS NOT NULL AND {_BLAMING}"
        f" AND {_OF_FAULT_CASES} AND (?1 IS NULL OR about = ?1)",
        (only,),
    )
    return [
        (about, case_id) for about, module, case_id in rows if not module or module_identity(module) != about
    ]


def _culprits(edition: Edition, only: str | None) -> list[tuple[str, str]]:
    rows = edition.connection.execute(
        "SELECT json_extract(json, '$.cause.module'), case_id FROM records"
        " WHERE json_extract(json, '$.cause.module') IS NOT NULL"
    )
    told = ((module_identity(name), case_id) for name, case_id in rows)
    return [one for one in told if only in (None, one[0])]


def _row(key: str, found: ModuleCases) -> ModuleRow:
    counts = found.counts() if found.concerned else "never silent, blamed or at fault"
    listed_in = so_many(len(found.in_records), "record") if found.in_records else "no record"
    return ModuleRow(
        module_label(key),
        f"{counts}; listed in {listed_in}",
        len(found.concerned),
        address("/modules", module=key),
    )


def _titled(label: str) -> str:
    return label[:1].upper() + label[1:]


def _concerned_in_order(edition: Edition, found: ModuleCases) -> list[str]:
    """Return the cases that concern a module: where it was at fault first, then the most useful."""
    concerned = found.concerned
    ids = [row[0] for row in edition.connection.execute(f"SELECT id FROM cases ORDER BY {USEFUL_FIRST}")]
    return sorted((one for one in ids if one in concerned), key=lambda one: one not in found.at_fault)


def _faults_in(edition: Edition, ids: set[str]) -> list[Counted]:
    return faults_among(edition, "id IN (SELECT value FROM json_each(?))", [json.dumps(sorted(ids))])


def _naming_codes(edition: Edition, key: str) -> list[Counted]:
    rows = edition.connection.execute(
        "SELECT base, min(code), count(DISTINCT case_id) FROM codes WHERE about = ? GROUP BY base"
        " ORDER BY count(DISTINCT case_id) DESC, base LIMIT ?",
        (key, MOST_TOLD),
    )
    return [
        Counted(f"{base}: {base_meaning(base, code)}", count, address("/codes", code=base))
        for base, code, count in rows
    ]


def _names(edition: Edition, key: str) -> list[str]:
    rows = edition.connection.execute(
        "SELECT name FROM modules WHERE module_key = ? GROUP BY name ORDER BY count(*) DESC, name LIMIT ?",
        (key, _MOST_NAMES),
    )
    return [name for (name,) in rows]
