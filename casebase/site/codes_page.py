"""The lists by code: all codes by how many records hold them; and what one says, who reports it, what it came from."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final

from casebase.errors import CodeError
from casebase.publish.edition import Edition
from casebase.record.code_meaning import failure_mode_text, failure_type_text
from casebase.record.codes import HIGHEST_SPN, parse_code
from casebase.record.modules import module_identity, module_label
from casebase.site.catalogue import Counted, address, base_meaning, counted_code, faults_among, without_cause
from casebase.site.lists import Asked, count_of, listed, listed_cases, record_counts, so_many, start_within
from casebase.site.respond import NotUsableError

CAUSES_AT_ONCE: Final = 3
MOST_TEXTS: Final = 5
MOST_RELATED: Final = 8
_LONGEST_TEXT: Final = 200
_CODES: Final = ("/codes", "Codes")
_SPN_ALONE: Final = re.compile(r"SPN ?([0-9]{1,6})", re.IGNORECASE | re.ASCII)
_HOLDS: Final = "id IN (SELECT case_id FROM codes WHERE {column} = ?)"


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
    total = edition.connection.execute("SELECT count(DISTINCT base) FROM codes").fetchone()[0]
    before = start_within(total, asked)
    rows = edition.connection.execute(
        "SELECT base, min(code), count(DISTINCT case_id) FROM codes GROUP BY base"
        " ORDER BY count(DISTINCT case_id) DESC, base LIMIT 100 OFFSET ?",
        (before,),
    )
    holding = count_of(edition, "id IN (SELECT case_id FROM codes)")
    return {
        "title": f"{so_many(total, 'code')} in {so_many(holding, 'record')}",
        "crumbs": [_CODES],
        "codes": listed(total, before, [counted_code(*row) for row in rows], asked),
    }


def code_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return what a code says and where it was seen; raise `NotUsableError` where it fits no known form."""
    code = _asked_code(edition, asked.text("code") or "")
    where, values = _HOLDS.format(column=code.column), (code.text,)
    count = count_of(edition, where, values)
    faults = faults_among(edition, where, values)
    return {
        "title": f"{code.text}: {code.says}",
        "crumbs": [_CODES, *([(address("/codes", code=code.base), code.base)] if code.whole else [])],
        "code": code.text,
        "base": code.base,
        "says": code.says,
        "count": count,
        "of": edition.count(),
        "said": record_counts(edition, where, values),
        "came_from": _came_from(faults),
        "reporters": _reporters(edition, code),
        "faults": faults,
        "without_cause": without_cause(edition, where, values),
        "variants": _variants(edition, code),
        "texts": _texts(edition, code),
        "makes": _makes(edition, where, values) if code.maker_defined else [],
        "maker_defined": code.maker_defined,
        "about": _about(edition, code),
        "related": _related(edition, code),
        "cases": listed_cases(edition, asked, where, values),
        "job": address("/job", codes=code.text),
        "search": address("/search", q=code.base),
    }


def _asked_code(edition: Edition, text: str) -> AskedCode:
    spn = _SPN_ALONE.fullmatch(text)
    base = f"SPN {int(spn[1])}" if spn and int(spn[1]) <= HIGHEST_SPN else text
    stored = edition.connection.execute(
        "SELECT base, min(code) FROM codes WHERE base IN (?, ?) GROUP BY base", (base, base.upper())
    ).fetchone()
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
    told = [f"{_within_sentence(fault.words)} ({fault.count})" for fault in faults[:CAUSES_AT_ONCE]]
    more = len(faults) - len(told)
    return ", ".join([*told, *([f"{more} more"] if more else [])])


def _within_sentence(words: str) -> str:
    return words if words[1:2].isupper() else words[:1].lower() + words[1:]


def _reporters(edition: Edition, code: AskedCode) -> list[Counted]:
    """Return the modules that store the code, by how many records; names that mean one module together."""
    rows = edition.connection.execute(
        f"SELECT DISTINCT module, case_id FROM codes WHERE {code.column} = ? AND module IS NOT NULL",
        (code.text,),
    )
    cases: dict[str, set[str]] = {}
    for module, case_id in rows:
        cases.setdefault(module_identity(module), set()).add(case_id)
    found = [
        Counted(module_label(key), len(ids), address("/modules", module=key)) for key, ids in cases.items()
    ]
    return sorted(found, key=lambda one: (-one.count, one.words))[:20]


def _variants(edition: Edition, code: AskedCode) -> list[Counted]:
    """Return the failure types (or failure modes) that came with the base code."""
    rows = edition.connection.execute(
        "SELECT code, count(DISTINCT case_id) FROM codes WHERE base = ? GROUP BY code"
        " ORDER BY count(DISTINCT case_id) DESC, code LIMIT 20",
        (code.base,),
    ).fetchall()
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


def _texts(edition: Edition, code: AskedCode) -> list[str]:
    rows = edition.connection.execute(
        f"SELECT text FROM codes WHERE {code.column} = ? AND text IS NOT NULL GROUP BY text"
        " ORDER BY count(*) DESC, text LIMIT ?",
        (code.text, MOST_TEXTS),
    )
    return [text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT].rstrip()}..." for (text,) in rows]


def _makes(edition: Edition, where: str, values: tuple[str, ...]) -> list[Counted]:
    rows = edition.connection.execute(
        f"SELECT make, count(*) FROM cases WHERE {where} GROUP BY make COLLATE NOCASE"
        " ORDER BY count(*) DESC, make LIMIT 20",
        values,
    )
    return [Counted(make, count, address("/vehicles", make=make)) for make, count in rows]


def _about(edition: Edition, code: AskedCode) -> tuple[str, str] | None:
    """Return the module that the code names, and where its page is, if it has one."""
    if code.about is None:
        return None
    return module_label(code.about), address("/modules", module=code.about)


def _related(edition: Edition, code: AskedCode) -> list[Counted]:
    """Return the other codes of the collection that name the same module."""
    rows = edition.connection.execute(
        "SELECT base, min(code), count(DISTINCT case_id) FROM codes WHERE about = ? AND base <> ? GROUP BY base"
        " ORDER BY count(DISTINCT case_id) DESC, base LIMIT ?",
        (code.about, code.base, MOST_RELATED),
    )
    return [counted_code(*row) for row in rows]
