"""Where a job stands when the next test is asked for, and a test in words that no simulated bus rates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from casebase.bus.diagnose import Diagnosis
from casebase.bus.feed import Feed
from casebase.bus.feed_evidence import DLC_NAME
from casebase.bus.measured import side_of
from casebase.record.modules import family_of, modules_named_in
from casebase.record.reading import Reading, place_kind
from casebase.record.vocabulary import BusState, Into, Medium, Quantity, Stage

NOBODY_AT_FAULT: Final = (BusState.HEALTHY, BusState.BUS_QUIET, BusState.BUS_ASLEEP)
SOUND_ALONE_FROM: Final = 0.2
"""The same from which the one silent module is looked at first where all others answer (judged)."""

SOUND_FROM: Final = 0.4
"""Probability of sound or quiet wires from which the lines are watched while a tester asks (judged)."""


@dataclass(frozen=True)
class PlainTest:
    """A test in words, its minutes, what must hold before it, what each outcome means, what to mind."""

    words: str
    minutes: float
    precondition: str
    outcomes: tuple[str, ...]
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Stuck:
    """What is known where somebody asks for the next test.

    `silent` are the modules that do not answer and whose feed nobody has loaded; `served` those that do not answer
    although all they need was found at their plug.
    `alone` tells whether all others answer, `drains` whether the fault comes with standing or a low battery.
    """

    readings: Sequence[Reading] = ()
    diagnoses: Sequence[Diagnosis] = ()
    feeds: Sequence[Feed] = ()
    silent: Sequence[str] = ()
    served: Sequence[str] = ()
    alone: bool = False
    media: Sequence[Medium] = ()
    comes_and_goes: bool = False
    drains: bool = False

    @property
    def read(self) -> list[Diagnosis]:
        """The networks of which anything is known by readings."""
        return [diagnosis for diagnosis in self.diagnoses if diagnosis.observations]

    def feed_of(self, module: str) -> Feed | None:
        """Return the feed read at a module's plug, None where none was."""
        family = DLC_NAME if module == DLC_NAME else family_of(module)
        return next((feed for feed in self.feeds if feed.family == family), None)

    @property
    def looks_sound(self) -> bool:
        """Whether no network that was read speaks against its wires."""
        return self._sound >= SOUND_FROM

    @property
    def is_about_one_module(self) -> bool:
        """Whether all others answer and what was read of the wires does not make that the smaller matter."""
        return self.alone and self._sound >= SOUND_ALONE_FROM

    @property
    def _sound(self) -> float:
        """The probability of sound wires on the network where it is least; 1 where none was read."""
        shares = (
            sum(share for state, share in diagnosis.ranked() if state in NOBODY_AT_FAULT)
            for diagnosis in self.read
        )
        return min(shares, default=1.0)


def served_modules(
    silent: Sequence[str], readings: Sequence[Reading], feeds: Sequence[Feed]
) -> dict[str, float]:
    """Return the silent modules at whose plug the feed is likely sound and the bus lines were read, with how likely.

    Whether the lines are sound is left to the computation of the bus.
    """
    sound = {feed.family: feed.sound for feed in feeds}
    found = {name: sound.get(family_of(name), 0.0) for name in silent}
    return {
        name: share
        for name, share in found.items()
        if share >= FEED_SOUND_FROM and _lines_read_at(family_of(name), readings) in _ALL_LINES
    }


FEED_SOUND_FROM: Final = 0.5
_PAIR: Final = frozenset({"high", "low"})
_ALL_LINES: Final = (_PAIR, frozenset({"line"}))


def _lines_read_at(family: str, readings: Sequence[Reading]) -> set[str]:
    """Return the bus lines known to reach the plug of a module, as simulated quantities call them."""
    there = [
        reading for reading in readings if _is_from_harness(reading) and family in _families_at(reading.at)
    ]
    return {side for reading in there for side in _sides_shown(reading)}


def _sides_shown(reading: Reading) -> set[str]:
    """Return the lines that a reading shows to be there; ohms of one line to ground tell nothing of its other end."""
    sides = {side for line in reading.lines if (side := side_of(line))}
    if reading.quantity is Quantity.RESISTANCE and len(sides) < len(_PAIR):
        return set()
    return set(_PAIR) if reading.quantity is Quantity.WAVEFORM and reading.line is None else sides


def _is_from_harness(reading: Reading) -> bool:
    at_a_plug = place_kind(reading.at) == "connector"
    return at_a_plug and reading.into is not Into.MODULE and reading.stage is not Stage.AFTER_REPAIR


def _families_at(at: str) -> set[str]:
    return {family_of(named.key) for named in modules_named_in(at, strict=False)}
