"""The lists by module: how often it was silent, blamed by codes of others, and in the end at fault."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from casebase.publish.edition import Edition
from casebase.record.cautions import cautions_about
from casebase.record.modules import known_module_keys, module_family, module_identity, module_label
from casebase.site import code_catalogue
from casebase.site.catalogue import EVERY_RECORD, FAULT_CASES, count_of, of_ids, useful_first
from casebase.site.lists import (
    MOST_TOLD,
    Asked,
    CaseRow,
    address,
    cases_of_ids,
    counted_code,
    counted_faults,
    listed,
    part_of,
    shown,
    so_many,
)
from casebase.site.respond import NotHereError

_MODULES: Final = ("/modules", "Modules")
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
    return {
        "title": f"{so_many(len(found), 'module')}: silent, blamed, at fault",
        "crumbs": [_MODULES],
        "modules": listed(part.total, part.before, [_row(key, found[key]) for key in part.rows], asked),
    }


def _row(key: str, found: ModuleCases) -> ModuleRow:
    counts = found.counts() if found.concerned else "never silent, blamed or at fault"
    listed_in = so_many(len(found.in_records), "record") if found.in_records else "no record"
    return ModuleRow(
        module_label(key),
        f"{counts}; listed in {listed_in}",
        len(found.concerned),
        address("/modules", module=key),
    )


def module_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return the cases of a module, however its name is written; raise `NotHereError` where it is not known."""
    key = module_identity(asked.text("module") or "")
    found = module_cases(edition, key).get(key, ModuleCases())
    if not found.in_records and not found.concerned and module_family(key) not in known_module_keys():
        raise NotHereError(
            f"No record here names a module '{shown(asked.text('module') or '')}'. Look for it among all under Modules:"
            " it may be spelled another way; or search for the word."
        )
    concerned = (case_id for case_id in useful_first(edition, EVERY_RECORD) if case_id in found.concerned)
    part = part_of(sorted(concerned, key=lambda case_id: case_id not in found.at_fault), asked)
    cases = [ConcernedCase(row, found.roles_in(row.case_id)) for row in cases_of_ids(edition, part.rows)]
    label = module_label(key)
    return {
        "title": label[:1].upper() + label[1:],
        "crumbs": [_MODULES],
        "key": key,
        "said": found.counts(),
        "of": count_of(edition, FAULT_CASES),
        "in_records": len(found.in_records),
        "concerned": len(found.concerned),
        "quiet": len(found.in_records - found.concerned),
        "faults": counted_faults(edition, of_ids(found.silent)),
        "faults_of_it": counted_faults(edition, of_ids(found.at_fault)),
        "codes": [counted_code(*row) for row in code_catalogue.codes_about(edition, key, MOST_TOLD)],
        "names": code_catalogue.names_of_module(edition, key, _MOST_NAMES),
        "cases": listed(part.total, part.before, cases, asked),
        "job": address("/job", silent=key),
        "cautions": cautions_about([key]),
    }


def module_cases(edition: Edition, only: str | None = None) -> dict[str, ModuleCases]:
    """Return in which cases each module (or one alone) was silent, blamed or at fault, by what tells modules apart."""
    found: dict[str, ModuleCases] = {}

    def of(key: str) -> ModuleCases:
        return found.setdefault(key, ModuleCases())

    for name, stored_key, case_id, is_silent in code_catalogue.module_listings(edition, only):
        listing = of(stored_key or module_identity(name))
        listing.in_records.add(case_id)
        if is_silent:
            listing.silent.add(case_id)
    for about, stored_by, case_id in code_catalogue.blames(edition, only):
        if not stored_by or module_identity(stored_by) != about:
            of(about).blamed.add(case_id)
    for name, case_id in code_catalogue.culprits(edition):
        of(module_identity(name)).at_fault.add(case_id)
    return found if only is None else {key: cases for key, cases in found.items() if key == only}
