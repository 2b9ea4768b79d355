"""What a cause took in the cases that had it: minutes to find and to mend it, parts: the customer can be told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from casebase.match.profile import Profile

MOST_PARTS: Final = 3


@dataclass(frozen=True, slots=True)
class Spread:
    """Minutes in several cases: how many told them, the least, the median, the most."""

    cases: int
    least: float
    median: float
    most: float


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What like cases took: `to_find` and `to_mend` in minutes, None where none tells; `parts` with how many used each.

    `cases` is how many had the cause, whether they tell of it or not.
    """

    cases: int
    to_find: Spread | None
    to_mend: Spread | None
    parts: tuple[tuple[str, int], ...]


def what_it_took(pasts: Sequence[Profile]) -> Elsewhere | None:
    """Return what cases of one cause took; None where none of them tells minutes or parts."""
    to_find = _spread([past.minutes_to_find for past in pasts])
    to_mend = _spread([past.minutes_to_mend for past in pasts])
    parts = Counter(part for past in pasts for part in dict.fromkeys(past.parts))
    if to_find is None and to_mend is None and not parts:
        return None
    return Elsewhere(len(pasts), to_find, to_mend, tuple(parts.most_common(MOST_PARTS)))


def _spread(minutes: Sequence[float | None]) -> Spread | None:
    told = sorted(each for each in minutes if each is not None)
    return Spread(len(told), told[0], median(told), told[-1]) if told else None


def elsewhere_words(took: Elsewhere | None) -> str:
    """Return it in a line: `found in 30 to 120 min (median 55, 3 cases); mended in 40 min (1 case)`."""
    if took is None:
        return ""
    found = [
        f"{done} in {_spread_words(spread)}"
        for done, spread in (("found", took.to_find), ("mended", took.to_mend))
        if spread
    ]
    parts = ", ".join(
        f"{part} ({count} of {took.cases})" if took.cases > 1 else part for part, count in took.parts
    )
    return "; ".join([*found, *([f"parts: {parts}"] if parts else [])])


def _spread_words(spread: Spread) -> str:
    if spread.least == spread.most:
        return f"{spread.median:.0f} min ({spread.cases} case{'' if spread.cases == 1 else 's'})"
    return f"{spread.least:.0f} to {spread.most:.0f} min (median {spread.median:.0f}, {spread.cases} cases)"
