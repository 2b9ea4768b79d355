"""Facet `codes`: graded relations between the stored codes; rare codes weigh more.

Which module a code speaks of matters more than which module stored it. The same blame is read by facet `silence` as
well, on purpose and at a low weight: there as modules whatever the code, here as codes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.facets.arrays import (
    NOT_THERE,
    Atom,
    Floats,
    Graded,
    Numbered,
    Ragged,
    ToRows,
    nobody_known,
)
from casebase.match.facets.base import UNKNOWN, Compared, Rarity, SetPart, best_pairing, names
from casebase.match.profile import CodeTrait, Profile

SAME_CODE: Final = 1.0
SAME_CODE_OTHER_MODULE: Final = 0.85
OTHER_FAILURE_TYPE: Final = 0.8
OTHER_FAILURE_TYPE_OTHER_MODULE: Final = 0.65
SAME_MODULE_BLAMED: Final = 0.5
SAME_BUS: Final = 0.5
SAME_STATEMENT_OF_NETWORK: Final = 0.2
"""Judged, not fitted: what a technician would call related (common practice, no source)."""

_NETWORK_STATEMENTS: Final = {"bus fault", "lost communication", "invalid data"}


def compare_codes(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare the stored codes of two cases."""
    if not job.codes or not past.codes:
        return UNKNOWN
    ours, theirs = dict.fromkeys(job.codes), dict.fromkeys(past.codes)
    likeness = best_pairing(ours, theirs, code_relation, lambda code: rarity.of(f"code {code.base}"))
    return Compared(likeness, 1.0, *_in_words(job, past))


def code_relation(ours: CodeTrait, theirs: CodeTrait) -> float:
    """Return how closely two codes are related, 0..1.

    >>> lost = CodeTrait("U0121", "U0121", "lost communication", "anti-lock brakes", None, "engine control")
    >>> invalid = CodeTrait("U0415", "U0415", "invalid data", "anti-lock brakes", None, "engine control")
    >>> code_relation(lost, lost), code_relation(lost, invalid)
    (1.0, 0.5)
    """
    same_module = ours.stored_in == theirs.stored_in or ours.stored_in is None or theirs.stored_in is None
    if ours.text == theirs.text:
        return SAME_CODE if same_module else SAME_CODE_OTHER_MODULE
    if ours.base == theirs.base:
        return OTHER_FAILURE_TYPE if same_module else OTHER_FAILURE_TYPE_OTHER_MODULE
    if ours.about is not None and ours.about == theirs.about:
        return SAME_MODULE_BLAMED
    if ours.bus is not None and ours.bus == theirs.bus:
        return SAME_BUS
    alike = ours.statement == theirs.statement and ours.statement in _NETWORK_STATEMENTS
    return SAME_STATEMENT_OF_NETWORK if alike else 0.0


# --- all cases at once --------------------------------------------------------------------------------------------
# `compare_codes` is the specification: case by case the arrays give the same (tests/match/test_index.py).


def code_atoms(profile: Profile) -> tuple[Atom, ...]:
    """Return the codes of a case, each once; the failure types of one code stand side by side."""
    told = {tuple(getattr(code, each.name) for each in fields(code)) for code in profile.codes}
    return tuple(sorted(told, key=lambda atom: (atom[1], *map(str, atom))))


class CodeArrays:
    """The distinct codes of a library, as numbers."""

    def __init__(self, atoms: list[Atom], rarity: Rarity) -> None:
        self.text, self.base, self.statement, self.about, self.bus, self.stored_in = (
            Numbered(atom[place] for atom in atoms) for place in range(6)
        )
        of_base = np.array([rarity.of(f"code {base}") for base in self.base.values])
        self.weights = of_base[self.base.ids] if atoms else np.zeros(0)
        networks = [self.statement.of(statement) for statement in _NETWORK_STATEMENTS]
        self.of_network = np.isin(self.statement.ids, [one for one in networks if one >= 0])

    def ask(self, job: Profile, rarity: Rarity) -> ToRows:
        """Return what compares the job's codes with those of many cases."""
        if not job.codes:
            return nobody_known
        ours = list(dict.fromkeys(job.codes))
        own = np.array([rarity.of(f"code {code.base}") for code in ours])
        return AskedCodes(own, np.stack([self._relation(code) for code in ours]), self.weights)

    def _relation(self, code: CodeTrait) -> Floats:
        """Return `code_relation` of one code with every distinct code, the closest relations last."""
        grades = np.zeros(len(self.weights))
        grades[self.of_network & (self.statement.ids == self.statement.of(code.statement))] = (
            SAME_STATEMENT_OF_NETWORK
        )
        if code.bus is not None:
            grades[self.bus.ids == self.bus.of(code.bus)] = SAME_BUS
        if code.about is not None:
            grades[self.about.ids == self.about.of(code.about)] = SAME_MODULE_BLAMED
        for same, here, elsewhere in (
            (self.base.ids == self.base.of(code.base), OTHER_FAILURE_TYPE, OTHER_FAILURE_TYPE_OTHER_MODULE),
            (self.text.ids == self.text.of(code.text), SAME_CODE, SAME_CODE_OTHER_MODULE),
        ):
            which = np.flatnonzero(same)
            grades[which] = np.where(self._may_be_stored_in(code, which), here, elsewhere)
        return grades

    def _may_be_stored_in(self, code: CodeTrait, which: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Return of which of some distinct codes the storing module is the same, or not told on one side."""
        stored, own = self.stored_in.ids[which], self.stored_in.of(code.stored_in)
        return np.asarray((stored == own) | (stored == NOT_THERE) | (own == NOT_THERE))


@dataclass(frozen=True)
class AskedCodes:
    """The codes of a job with their weights, and how each is related to every distinct code of a library."""

    own: Floats
    grades: Floats
    weights: Floats

    def __call__(self, rows: Ragged) -> Graded:
        """Compare the codes of many cases with the job's."""
        from_here = self.own @ rows.best(self.grades[:, rows.flat]) / self.own.sum()
        return (from_here + self._from_there(rows)) / 2, (rows.lengths > 0).astype(np.float64)

    def at_most(self, rows: Ragged) -> Graded:
        """Return how alike the codes of many cases can be at most: as if all of ours were met by the best pair."""
        from_here = rows.best(self._best[rows.flat])
        return (from_here + self._from_there(rows)) / 2, (rows.lengths > 0).astype(np.float64)

    @cached_property
    def _best(self) -> Floats:
        return np.asarray(self.grades.max(axis=0, initial=0.0))

    def _from_there(self, rows: Ragged) -> Floats:
        whole = rows.sums(self.weights[rows.flat])
        return rows.sums((self.weights * self._best)[rows.flat]) / np.where(whole, whole, 1.0)


PARTS: Final = (SetPart("codes", "codes", 1.0, code_atoms, CodeArrays, CodeArrays.ask),)
"""The parts of this facet that the index goes by."""


# --- in words -----------------------------------------------------------------------------------------------------


def _in_words(job: Profile, past: Profile) -> tuple[list[str], list[str]]:
    ours, theirs = {code.base for code in job.codes}, {code.base for code in past.codes}
    agree = [f"codes in both: {names(sorted(ours & theirs))}"] if ours & theirs else _related_words(job, past)
    differ = [f"code only here: {names(sorted(ours - theirs))}"] if ours - theirs else []
    differ += [f"code only there: {names(sorted(theirs - ours))}"] if theirs - ours else []
    return agree, differ


def _related_words(job: Profile, past: Profile) -> list[str]:
    blamed = {code.about for code in job.codes if code.about} & {
        code.about for code in past.codes if code.about
    }
    return [f"no code in both, but codes in both speak of {names(sorted(blamed))}"] if blamed else []
