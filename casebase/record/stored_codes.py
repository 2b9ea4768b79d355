"""The codes stored on one job: which modules are blamed by which, which codes speak of the network, which do not.

While a network is down, codes of single circuits draw the eye. They are set apart, with the reason and without being
dismissed, only where some other code speaks of the network; low voltage reported by several modules is not set apart,
for it disturbs networks too.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from casebase.record.case import Case, CodeEntry
from casebase.record.cautions import cautions_of_families
from casebase.record.code_meaning import failure_type_text
from casebase.record.codes import Grammar, Statement, System, TroubleCode
from casebase.record.local_fault import local_faults
from casebase.record.modules import family_of, module_identity, module_short, same_module

BlameKind = Literal["lost", "invalid"]

_KINDS: Final[dict[Statement, BlameKind]] = {
    Statement.LOST_COMMUNICATION: "lost",
    Statement.INVALID_DATA: "invalid",
}
_NETWORK_STATEMENTS: Final = frozenset(
    {
        Statement.BUS_FAULT,
        Statement.LOST_COMMUNICATION,
        Statement.INVALID_DATA,
        Statement.SOFTWARE_INCOMPATIBILITY,
    }
)


@dataclass(frozen=True, slots=True)
class Blame:
    """One module that others miss (`lost`) or whose data they refuse (`invalid`).

    `module` and `reporters` are module keys; a reporter that is not known stands in plain words.
    """

    module: str
    kind: BlameKind
    reporters: tuple[str, ...]
    codes: tuple[TroubleCode, ...]


def who_blames_whom(entries: Iterable[tuple[str | None, TroubleCode]]) -> list[Blame]:
    """Return who is blamed by whom, from pairs of the module that stores a code and the code.

    The module blamed by most reporters comes first, missing messages before data refused. A code whose
    reporter is not named counts among the codes only; a module that names itself is left out.
    """
    reporters: dict[tuple[str, BlameKind], set[str]] = defaultdict(set)
    codes: dict[tuple[str, BlameKind], dict[TroubleCode, None]] = defaultdict(dict)
    for name, code in entries:
        kind, blamed = _KINDS.get(code.statement), code.about
        reporter = module_identity(name) if name else ""
        if kind is None or blamed is None or reporter == blamed:
            continue
        codes[blamed, kind][code] = None
        if reporter:
            reporters[blamed, kind].add(reporter)
    found = [Blame(*key, tuple(sorted(reporters[key])), tuple(codes[key])) for key in codes]
    return sorted(found, key=lambda blame: (-len(blame.reporters), blame.kind == "invalid", blame.module))


def speaks_of_network(code: TroubleCode) -> bool:
    """Return whether a code is about a bus, messages or software that must fit, not about one circuit.

    A maker's own U code counts as network by its letter, unless its failure type says otherwise.
    """
    if code.statement in _NETWORK_STATEMENTS:
        return True
    return code.system is System.NETWORK and code.maker_defined and code.statement is Statement.OTHER


SUPPLY_REPORTERS: Final = 2
"""From so many modules on that report a bad supply, the supply may be the cause (common practice, no source)."""

_LINK_CODES: Final = frozenset({"P0600"})
"""Letters other than U that yet speak of a data link: P0600, serial communication link (SAE J2012, from memory)."""

_OF_THE_MODULE_ITSELF: Final = re.compile(r"P06[01]")
"""Codes of a module's memory, programming and options: wrong coding silences modules (SAE J2012, from memory)."""

_INSIDE_THE_MODULE: Final = frozenset({0x04, 0x05, *range(0x41, 0x60)})
"""Failure types of a module's own inside, programming and coding (SAE J2012-DA, from memory)."""

_NETWORK_WORDS: Final = re.compile(
    r"\b(CAN|LIN|J1939|FlexRay|K-?line|(?i:bus|network|communication|comms?|messages?|time-?out))\b"
)
_SUPPLY_WORDS: Final = re.compile(
    r"\b(battery|supply|system voltage|under-?voltage|low voltage)\b", re.IGNORECASE
)

LOCAL_ONLY: Final = (
    "No code stored speaks of the network, so none is set apart:"
    " what the local codes name may be what there is to find."
)
UNCLEAR_ONLY: Final = (
    "No code stored is known to speak of the network, or of one circuit alone: none is set apart."
)


@dataclass(frozen=True, slots=True)
class CodeSetApart:
    """A code not to be chased first: where it is stored, why it is set apart, what to mind when it is its turn."""

    code: str
    stored_in: str
    reason: str
    cautions: tuple[str, ...] = ()


def codes_set_apart(job: Case) -> list[CodeSetApart]:
    """Return the codes of single circuits and supplies, each once, in the order of the record.

    None are returned where no code speaks of the network; `codes_note` says so. One that by itself explains what the
    others say does not wait.
    """
    if not any(_is_of_network(entry) for entry in job.codes):
        return []
    first = {one.code for one in local_faults(job) if one.comes_first}
    return [
        CodeSetApart(
            entries[0].code.text,
            ", ".join(dict.fromkeys(entry.module or "a module not stated" for entry in entries)),
            reason,
            tuple(cautions_of_families({family_of(entry.module) for entry in entries if entry.module})),
        )
        for entries, reason in _local(job)
        if entries[0].code.text not in first
    ]


def codes_note(job: Case) -> str | None:
    """Return what is to be said where codes are stored and none of them speaks of the network."""
    if not job.codes or any(_is_of_network(entry) for entry in job.codes):
        return None
    return LOCAL_ONLY if any(True for _ in _local(job)) else UNCLEAR_ONLY


def _local(job: Case) -> Iterator[tuple[list[CodeEntry], str]]:
    """Yield the entries of each code that is of one circuit, with the reason."""
    by_code: dict[TroubleCode, list[CodeEntry]] = {}
    for entry in job.codes:
        by_code.setdefault(entry.code, []).append(entry)
    for code, entries in by_code.items():
        if not any(_is_of_network(entry) for entry in entries):
            reason = _reason(job, code, entries)
            if reason:
                yield entries, reason


def _is_of_network(entry: CodeEntry) -> bool:
    """Return whether a code, or the scan's own text of it, speaks of a bus or of messages."""
    if speaks_of_network(entry.code) or entry.code.base in _LINK_CODES:
        return True
    return bool(entry.text and _NETWORK_WORDS.search(entry.text))


def _reason(job: Case, code: TroubleCode, entries: Sequence[CodeEntry]) -> str | None:
    """Return why a code is set apart, None where it is not: what it says is not known, or it may be the cause."""
    if any(
        entry.code.statement is Statement.SUPPLY or (entry.text and _SUPPLY_WORDS.search(entry.text))
        for entry in entries
    ):
        if _supply_may_be_the_cause(job, entries):
            return None
        return (
            f"follows from the supply ({entries[0].text or code.meaning}), not from the network: measure battery"
            " and charging, a matter of a minute; look at the code after the network is whole"
        )
    if not _is_of_one_circuit(code):
        return None
    modules = [entry.module for entry in entries if entry.module]
    silent = [module for module in modules if _is_silent(job, module)]
    if silent:
        return f"{_of_circuit(code)}; {silent[0]} does not answer now: look at it once it does"
    missing = [entry.module for entry in job.codes if entry.module and _is_of_network(entry)]
    if any(same_module(name, module) for name in missing for module in modules):
        return (
            f"{_of_circuit(code)}; the module that stores it also misses messages, from which it may follow"
        )
    return f"{_of_circuit(code)}: look at it once the network is whole"


def _is_of_one_circuit(code: TroubleCode) -> bool:
    """Return whether a code is of a circuit, or by the standard of one system's own parts.

    What a maker's own code says is not known unless its failure type says it.
    """
    if code.system is System.NETWORK:
        return False
    if code.statement is Statement.CIRCUIT:
        return True
    standard = code.grammar is Grammar.LETTER and not code.maker_defined
    of_itself = _OF_THE_MODULE_ITSELF.match(code.base) or code.failure_type in _INSIDE_THE_MODULE
    return standard and not of_itself


def _of_circuit(code: TroubleCode) -> str:
    if code.statement is not Statement.CIRCUIT:
        return f"by its letter a {code.system} code, not one of the network"
    meaning = code.meaning if code.failure_type is None else failure_type_text(code.failure_type)
    return f"speaks of one circuit ({meaning}), not of the network"


def _supply_may_be_the_cause(job: Case, entries: Sequence[CodeEntry]) -> bool:
    """Return whether several modules report their supply, or one that others miss: then nothing is set apart."""
    reporters = {
        module_identity(entry.module or "") for entry in job.codes if entry.code.statement is Statement.SUPPLY
    }
    if len(reporters) >= SUPPLY_REPORTERS:
        return True
    missed = {blame.module for blame in who_blames_whom((entry.module, entry.code) for entry in job.codes)}
    return any(
        entry.module and (_is_silent(job, entry.module) or module_identity(entry.module) in missed)
        for entry in entries
    )


def _is_silent(job: Case, module: str) -> bool:
    return any(same_module(module, silent) for silent in job.silent_modules())


def blame_words(blame: Blame) -> str:
    """Return who blames a module, in a line: `TCM is missed by ECM, ABS (U0101)`."""
    said = {"lost": "is missed by", "invalid": "sends data refused by"}[blame.kind]
    reporters = ", ".join(map(module_short, blame.reporters)) or "modules not named"
    codes = ", ".join(dict.fromkeys(code.text for code in blame.codes))
    return f"{module_short(blame.module)} {said} {reporters} ({codes})"
