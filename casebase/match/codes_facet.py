"""Facet `codes`: graded relations between the stored codes; rare codes weigh more."""

from __future__ import annotations

from typing import Final

from casebase.match.facet import UNKNOWN, Compared, best_pairing, names
from casebase.match.profile import CodeTrait, Profile
from casebase.match.rarity import Rarity

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
    likeness = best_pairing(job.codes, past.codes, code_relation, lambda code: rarity.of(f"code {code.base}"))
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
