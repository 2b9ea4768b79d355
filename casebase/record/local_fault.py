"""A fault of one circuit that explains the lamps: what follows from it alone, what it leaves, how it is proved.

A module that loses one input switches functions off, lights the lamps of several systems, and marks its own data
invalid, which its neighbours store in turn: no wire of the network need be at fault. Which lamps follow stands in
`data/local_inputs.csv` (common practice, no source; numbers of codes: SAE J2012 and J1939, from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from functools import cache
from typing import Final

from casebase.places import read_table
from casebase.record.case import Case, CodeEntry
from casebase.record.code_meaning import Statement
from casebase.record.codes import System
from casebase.record.modules import family_of, module_family, same_module
from casebase.record.trouble_code import TroubleCode

AFTERWARDS: Final = (
    "Once it is mended, clear the codes and test as the maker says: the lamps and the codes of the neighbours must stay"
    " away. What then comes back is of something else."
)


@dataclass(frozen=True, slots=True)
class LocalFault:
    """One circuit that may be all there is: what it explains, what it leaves open, how it is proved.

    `module` is the name that the record gives; `family` the kind of module; `minutes` judged. `misses_a_module`: a code
    that it leaves speaks of lost communication or of the bus.
    """

    code: str
    module: str
    family: str
    what: str
    explained_lamps: tuple[str, ...]
    explained_codes: tuple[str, ...]
    left_lamps: tuple[str, ...]
    left_codes: tuple[str, ...]
    misses_a_module: bool
    silent: tuple[str, ...]
    minutes: float
    proof: str

    @property
    def share_explained(self) -> float:
        """The share of the lamps, codes and silent modules of the job that follow from it."""
        explained = 1 + len(self.explained_lamps) + len(self.explained_codes)
        return explained / (explained + len(self.left_lamps) + len(self.left_codes) + len(self.silent))

    @property
    def comes_first(self) -> bool:
        """Whether it explains more than it leaves, and nothing says that a module is gone from the network."""
        return not self.silent and not self.misses_a_module and self.share_explained > FIRST_FROM


FIRST_FROM: Final = 0.5
"""Share explained from which it is worth a quarter of an hour before the network is taken apart (judged)."""


OF_THE_NETWORK: Final = frozenset({Statement.BUS_FAULT, Statement.LOST_COMMUNICATION})
"""What a code says when a module is gone from the network, or the bus itself is at fault."""


@dataclass(frozen=True)
class _Input:
    what: str
    codes: tuple[tuple[str, str], ...]
    families: frozenset[str]
    lamps: frozenset[str]
    minutes: float
    proof: str

    def fits(self, code: TroubleCode, family: str) -> bool:
        """Return whether a code stored in a module of `family` is of this input; without codes, any of it is."""
        if family not in self.families or code.system is System.NETWORK:
            return False
        key = _sortable(f"SPN{code.spn}" if code.spn is not None else code.base)
        return not self.codes or any(_sortable(first) <= key <= _sortable(last) for first, last in self.codes)


def _sortable(code: str) -> tuple[str, int]:
    if code.startswith("SPN"):
        return "SPN", int(code.removeprefix("SPN"))
    return (code[:1], int(code[1:], 16)) if re.fullmatch(r"[PCBU][0-9A-F]{4}", code) else (code, 0)


@cache
def _inputs() -> tuple[_Input, ...]:
    return tuple(
        _Input(
            row["input"],
            tuple(_ends(span) for span in row["codes"].split(";") if span),
            frozenset(row["modules"].split(";")),
            frozenset(row["lamps"].split(";")),
            float(row["minutes"]),
            row["proof"],
        )
        for row in read_table("local_inputs")
    )


def _ends(span: str) -> tuple[str, str]:
    first, _, last = span.partition("-")
    return first, last or first


def local_faults(job: Case) -> list[LocalFault]:
    """Return the circuits whose codes the job holds, the one that explains most first; those of silent modules too."""
    found = {
        (entry.code.base, family): _explained(job, entry, family, its_input)
        for entry, family in _of_one_circuit(job.codes)
        if (its_input := next((one for one in _inputs() if one.fits(entry.code, family)), None))
    }
    return sorted(found.values(), key=lambda one: (-one.share_explained, one.code))


def _of_one_circuit(entries: Iterable[CodeEntry]) -> Iterator[tuple[CodeEntry, str]]:
    for entry in entries:
        local = entry.code.statement in {Statement.CIRCUIT, Statement.OTHER} and (
            entry.code.system is not System.NETWORK and not entry.code.maker_defined
        )
        if local and entry.module:
            yield entry, family_of(entry.module)


def _explained(job: Case, own: CodeEntry, family: str, its_input: _Input) -> LocalFault:
    module = own.module or ""
    others = [entry for entry in job.codes if entry.code.base != own.code.base]
    follows = [entry for entry in others if _follows(entry, module, family, its_input)]
    left = [entry for entry in others if entry not in follows]
    return LocalFault(
        code=own.code.text,
        module=module,
        family=family,
        what=its_input.what,
        explained_lamps=tuple(str(lamp) for lamp in job.lamps if str(lamp) in its_input.lamps),
        explained_codes=_texts(follows),
        left_lamps=tuple(str(lamp) for lamp in job.lamps if str(lamp) not in its_input.lamps),
        left_codes=_texts(left),
        misses_a_module=any(entry.code.statement in OF_THE_NETWORK for entry in left),
        silent=tuple(job.silent_modules()),
        minutes=its_input.minutes,
        proof=its_input.proof,
    )


def _texts(entries: Iterable[CodeEntry]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(entry.code.text for entry in entries))


def _follows(entry: CodeEntry, module: str, family: str, its_input: _Input) -> bool:
    """Return whether a code follows from the module having lost its input: data refused, or the same circuit."""
    code = entry.code
    if code.statement is Statement.INVALID_DATA:
        return code.about is None or module_family(code.about) in {family, *its_input.families}
    same = entry.module is not None and same_module(entry.module, module)
    return same and its_input.fits(code, family)


def local_fault_words(one: LocalFault) -> tuple[str, list[str]]:
    """Return a local fault in words: its heading, then what follows from it, what it leaves, how it is proved."""
    told = []
    follows = [*(f"lamp {lamp}" for lamp in one.explained_lamps), *one.explained_codes]
    if follows:
        told.append(f"follow from it alone: {', '.join(follows)}")
    left = [
        *(f"{name} silent" for name in one.silent),
        *one.left_codes,
        *(f"lamp {lamp}" for lamp in one.left_lamps),
    ]
    told.append(f"leaves open: {', '.join(left)}" if left else "leaves nothing open")
    told.append(f"proven in about {one.minutes:.0f} minutes: {one.proof}")
    first = ": cheap and quick to prove, so first" if one.comes_first else ""
    return f"{one.code} in {one.module}, {one.what}{first}", [*told, AFTERWARDS]


def beside_words(one: LocalFault) -> str:
    """Return a local fault that explains little of the job, in a line: it may be there beside what does."""
    return f"{one.code} in {one.module}: {one.what}, prove it by itself"


def beside_in_full(one: LocalFault) -> str:
    """Return `beside_words` with how it is proved."""
    return f"{beside_words(one)}, in about {one.minutes:.0f} minutes: {one.proof}"


def local_fault_data(one: LocalFault) -> dict[str, object]:
    """Return a local fault as plain data."""
    return asdict(one) | {"share_explained": round(one.share_explained, 3), "comes_first": one.comes_first}
