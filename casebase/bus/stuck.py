"""Where a job stands when the next test is asked for, and a test in words that no simulated bus rates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from casebase.bus.diagnose import Diagnosis
from casebase.bus.feed import Feed
from casebase.bus.feed_evidence import DLC_NAME
from casebase.record.modules import family_of
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState, Medium

NOBODY_AT_FAULT: Final = (BusState.HEALTHY, BusState.BUS_QUIET, BusState.BUS_ASLEEP)
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

    `silent` are the modules that do not answer and whose feed nobody has loaded; `drains` tells whether the fault comes
    with standing or a low battery.
    """

    readings: Sequence[Reading] = ()
    diagnoses: Sequence[Diagnosis] = ()
    feeds: Sequence[Feed] = ()
    silent: Sequence[str] = ()
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
        return all(
            sum(share for state, share in diagnosis.ranked() if state in NOBODY_AT_FAULT) >= SOUND_FROM
            for diagnosis in self.read
        )
