"""Lists of codes: which modules are blamed by which, and which codes speak of the network."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from casebase.record.codes import Statement, System, TroubleCode
from casebase.record.modules import module_identity

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
    reporter is not told counts among the codes only; a module that names itself is left out.
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


def split_by_scope(codes: Iterable[TroubleCode]) -> tuple[list[TroubleCode], list[TroubleCode]]:
    """Return the codes that speak of the network and those that do not, each in the order given."""
    network: list[TroubleCode] = []
    local: list[TroubleCode] = []
    for code in codes:
        (network if speaks_of_network(code) else local).append(code)
    return network, local
