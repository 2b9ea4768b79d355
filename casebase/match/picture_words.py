"""Two pictures of a scope compared in words: what both tell, part by part."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

from casebase.match.pictures import looks_likeness, measured_likeness, traffic_likeness
from casebase.match.traits import DRIVEN_SHARE, LEVEL_NAMES, LEVEL_STATES, SHARES, WHOLE_FRAMES, ReadingTrait
from casebase.record.vocabulary import LINES_OF_MEDIUM
from casebase.record.words import per_cent

_PAIRS: Final = tuple(
    dict.fromkeys(tuple(map(str, lines)) for lines in LINES_OF_MEDIUM.values() if len(lines) == 2)
)
_SHARE_WORDS: Final = {DRIVEN_SHARE: "time driven", WHOLE_FRAMES: "whole frames"}


class PicturePart(NamedTuple):
    """One thing that both pictures tell: how alike it is, 0..1, and what it was here and there.

    `follows` from other parts: where it agrees it says nothing new.
    """

    what: str
    likeness: float
    here: str
    there: str
    follows: bool = False

    def words(self) -> str:
        """Return it in words.

        >>> PicturePart("dominant level of CAN high", 1.0, "3.1 V", "3.1 V").words()
        'dominant level of CAN high: here 3.1 V, there 3.1 V'
        """
        return f"{self.what}: here {self.here}, there {self.there}"


def picture_parts(ours: ReadingTrait, theirs: ReadingTrait) -> Iterator[PicturePart]:
    """Yield what two pictures both tell; nothing where they have no number in common.

    The sum of a pair's levels, its symmetry, follows from them: it is told here and does not count in the likeness.
    """
    here, there = dict(ours.measured), dict(theirs.measured)
    names = [name for name in here if name in there]
    if not names:
        return
    for name in names:
        yield _measured(name, here[name], there[name])
    for state in LEVEL_STATES:
        yield from _sums(state, here, there)
    yield from _words(ours, theirs)


def _measured(name: str, here: float, there: float) -> PicturePart:
    likeness = measured_likeness(name, here, there)
    if name in SHARES:
        return PicturePart(_SHARE_WORDS[name], likeness, per_cent(here), per_cent(there))
    state, line = name.split(" ", maxsplit=1)
    return PicturePart(f"{state} level of {line}", likeness, _volts(here), _volts(there))


def _sums(state: str, here: Mapping[str, float], there: Mapping[str, float]) -> Iterator[PicturePart]:
    for first, second in _PAIRS:
        both = (f"{state} {first}", f"{state} {second}")
        if all(name in levels for name in both for levels in (here, there)):
            ours, theirs = (levels[both[0]] + levels[both[1]] for levels in (here, there))
            likeness = measured_likeness(both[0], ours, theirs)
            yield PicturePart(f"sum of the {state} levels", likeness, _volts(ours), _volts(theirs), True)


def _words(ours: ReadingTrait, theirs: ReadingTrait) -> Iterator[PicturePart]:
    traffic = traffic_likeness(ours.traffic, theirs.traffic)
    if traffic is not None:
        driven = all(_is_driven(reading) for reading in (ours, theirs))
        yield PicturePart("traffic", traffic, str(ours.traffic), str(theirs.traffic), driven)
    looks = looks_likeness(ours.looks, theirs.looks, ())
    if looks is not None:
        yield PicturePart("looks", looks, " and ".join(ours.looks), " and ".join(theirs.looks))


def _is_driven(reading: ReadingTrait) -> bool:
    return any(name in LEVEL_NAMES["dominant"] for name, _ in reading.measured)


def _volts(volts: float) -> str:
    return f"{round(volts, 2) + 0.0:g} V"
