"""The lists by code: all codes by how many records hold them; and what one says, who reports it, what it came from."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final

from casebase.errors import CodeError
from casebase.publish.edition import Edition
from casebase.record.cautions import cautions_about
from casebase.record.code_meaning import failure_mode_text, failure_type_text
from casebase.record.codes import HIGHEST_SPN, parse_code
from casebase.record.modules import module_identity, module_label
from casebase.site import code_catalogue
from casebase.site.catalogue import EVERY_RECORD, WITH_CODES, count_of, selected
from casebase.site.lists import (
    MOST_ROWS,
    Asked,
    Counted,
    address,
    base_meaning,
    counted_code,
    counted_faults,
    counted_makes,
    listed,
    listed_cases,
    record_counts,
    so_many,
    start_within,
    without_cause,
)
from casebase.site.respond import NotUsableError

CAUSES_AT_ONCE: Final = 3
MOST_TEXTS: Final = 5
MOST_RELATED: Final = 8
MOST_COUNTED: Final = 20
_LONGEST_TEXT: Final = 200
_CODES: Final = ("/codes", "Codes")
_SPN_ALONE: Final = re.compile(r"SPN ?([0-9]{1,6})", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True)
class AskedCode:
    """A code that was asked for: its base, the whole code where a failure type was given, what it says and is about."""

    base: str
    whole: str | None
    says: str
    about: str | None
    maker_defined: bool

    @property
    def text(self) -> str:
        """The code as it is written."""
        return self.whole or self.base

    @property
    def column(self) -> str:
        """The column of the table `codes` in which it stands."""
        return "code" if self.whole else "base"


def codes_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return all codes of the collection, those that most records hold first."""
    total = code_catalogue.code_count(edition)
    before = start_within(total, asked)
    rows = code_catalogue.codes(edition, EVERY_RECORD, MOST_ROWS, before)
    return {
        "title": f"{so_many(total, 'code')} in {so_many(count_of(edition, WITH_CODES), 'record')}",
        "crumbs": [_CODES],
        "codes": listed(total, before, [counted_code(*row) for row in rows], asked),
    }


def code_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return what a code says and where it was seen; raise `NotUsableError` where it fits no known form."""
    code = _asked_code(edition, asked.text("code") or "")
    these = selected(**{code.column: code.text})
    faults = counted_faults(edition, these)
    related = code_catalogue.codes_about(edition, code.about, MOST_RELATED, but=code.base)
    return {
        "title": f"{code.text}: {code.says}",
        "crumbs": [_CODES, *([(address("/codes", code=code.base), code.base)] if code.whole else [])],
        "code": code.text,
        "base": code.base,
        "says": code.says,
        "count": count_of(edition, these),
        "of": edition.count(),
        "said": record_counts(edition, these),
        "came_from": _came_from(faults),
        "reporters": _reporters(edition, code),
        "faults": faults,
        "without_cause": without_cause(edition, these),
        "variants": _variants(edition, code),
        "texts": [
            text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT].rstrip()}..."
            for text in code_catalogue.texts_beside(edition, code.column, code.text, MOST_TEXTS)
        ],
        "makes": counted_makes(edition, these, MOST_COUNTED) if code.maker_defined else [],
        "maker_defined": code.maker_defined,
        "about": (module_label(code.about), address("/modules", module=code.about)) if code.about else None,
        "related": [counted_code(*row) for row in related],
        "cases": listed_cases(edition, asked, these),
        "job": address("/job", codes=code.text),
        "cautions": cautions_about([code.about]) if code.about else [],
        "search": address("/search", q=code.base),
    }


def _asked_code(edition: Edition, text: str) -> AskedCode:
    spn = _SPN_ALONE.fullmatch(text)
    base = f"SPN {int(spn[1])}" if spn and int(spn[1]) <= HIGHEST_SPN else text
    stored = code_catalogue.stored_code(edition, base)
    if stored:
        return _of_base(*stored)
    if base is not text:
        return _of_base(base, f"{base} FMI 0")
    try:
        code = parse_code(text)
    except CodeError as error:
        said = str(error)
        raise NotUsableError(f"{said[:1].upper()}{said[1:]}") from None
    if code.text == code.base:
        return _of_base(code.base, code.text)
    return AskedCode(code.base, code.text, code.meaning, code.about, code.maker_defined)


def _of_base(base: str, one_code: str) -> AskedCode:
    code = parse_code(one_code)
    return AskedCode(base, None, base_meaning(base, one_code), code.about, code.maker_defined)


def _came_from(faults: list[Counted]) -> str:
    """Return the most frequent causes in one line."""
    words = [fault.words for fault in faults[:CAUSES_AT_ONCE]]
    within = [text if text[1:2].isupper() else text[:1].lower() + text[1:] for text in words]
    told = [f"{text} ({fault.count})" for text, fault in zip(within, faults, strict=False)]
    more = len(faults) - len(told)
    return ", ".join([*told, *([f"{more} more"] if more else [])])


def _reporters(edition: Edition, code: AskedCode) -> list[Counted]:
    """Return the modules that store the code, by how many records; names that mean one module together."""
    cases: dict[str, set[str]] = {}
    for module, case_id in code_catalogue.reporters(edition, code.column, code.text):
        cases.setdefault(module_identity(module), set()).add(case_id)
    found = [
        Counted(module_label(key), len(ids), address("/modules", module=key)) for key, ids in cases.items()
    ]
    return sorted(found, key=lambda one: (-one.count, one.words))[:MOST_COUNTED]


def _variants(edition: Edition, code: AskedCode) -> list[Counted]:
    """Return the failure types (or failure modes) that came with the base code."""
    rows = code_catalogue.codes_on(edition, code.base, MOST_COUNTED)
    if [stored for stored, _ in rows] == [code.base]:
        return []
    return [
        Counted(f"{stored}: {_detail(stored)}", count, address("/codes", code=stored))
        for stored, count in rows
    ]


def _detail(stored: str) -> str:
    code = parse_code(stored)
    if code.fmi is not None:
        return failure_mode_text(code.fmi)
    if code.failure_type is None:
        return "no failure type given"
    return failure_type_text(code.failure_type) or "no further detail"
