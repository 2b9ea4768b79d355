"""Computed tests of one kind with one module unplugged after the other are one test to a technician."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from casebase.bus.candidates import Candidate
from casebase.bus.explain import split_words
from casebase.bus.nexttest import NextTest
from casebase.bus.observe import DLC
from casebase.bus.words import state_words
from casebase.match.traits import ReadingTrait
from casebase.record.modules import module_family, module_identity

MOST_IN_TURN: Final = 3


@dataclass(frozen=True)
class InTurn:
    """One test, or several that differ only in the module unplugged; the one to begin with comes first."""

    tests: list[NextTest]

    @property
    def best(self) -> NextTest:
        """The test that tells most per minute."""
        return max(self.tests, key=lambda test: test.bits_per_minute)

    def words(self) -> str:
        """Return what to do."""
        first = self.tests[0].candidate
        if len(self.tests) == 1:
            return first.words()
        modules = ", then ".join(test.candidate.unplugged for test in self.tests)
        return f"{first.kind.words} at {first.place}, one module unplugged at a time: {modules}"

    def told(self) -> set[str]:
        """Return everything that its tests tell, each in words of its own."""
        return {words for test in self.tests for words in split_words(test)}

    def tells(self) -> list[str]:
        """Return what it tells apart."""
        if len(self.tests) == 1:
            return split_words(self.tests[0])
        splits = dict.fromkeys(split for test in self.tests for split in test.splits)
        told = [f"{state_words(one)} from {state_words(other)}" for one, other in splits]
        where = any(test.tells_where for test in self.tests)
        return [*told, "in which of these modules it lies"] if where else told


def tests_in_turn(tests: Sequence[NextTest], suspected: Sequence[str]) -> Iterator[InTurn]:
    """Yield the tests, those that differ only in the module unplugged as one; families `suspected` come first in it."""
    groups: dict[tuple[str, str, bool], list[NextTest]] = {}
    for test in tests:
        candidate = test.candidate
        key = (candidate.kind.words, candidate.place, bool(candidate.unplugged))
        groups.setdefault(key, []).append(test)
    for group in groups.values():
        ordered = sorted(group, key=lambda test: _place_in(suspected, test.candidate.unplugged))
        yield InTurn(ordered[:MOST_IN_TURN])


def family_of(name: str | None) -> str:
    """Return the family of a module, however it is called; empty for none."""
    return module_family(module_identity(name)) if name else ""


def _place_in(suspected: Sequence[str], name: str) -> int:
    family = family_of(name)
    return suspected.index(family) if family in suspected else len(suspected)


_QUANTITY_READ: Final = {"ohms": "resistance", "volts": "voltage", "traffic": "waveform", "asked": "waveform"}
_SUPPLY: Final = frozenset({"supply", "battery +", "battery -"})


def is_same_reading(candidate: Candidate, reading: ReadingTrait) -> bool:
    """Return whether a computed test and a reading of a past case are the same thing to do."""
    first = candidate.kind.quantities[0]
    if _QUANTITY_READ[first.split("_")[0]] != reading.quantity or _SUPPLY & set(reading.lines):
        return False
    if reading.quantity == "resistance" and first.endswith("ground") != ("ground" in reading.lines):
        return False
    if reading.quantity == "waveform" and (first == "asked") != (reading.tester == "talking"):
        return False
    unplugged = {module_family(name) for name in reading.unplugged or ()}
    off = {family_of(candidate.unplugged)} if candidate.unplugged else set()
    return unplugged == off and _same_place(candidate, reading)


def _same_place(candidate: Candidate, reading: ReadingTrait) -> bool:
    if candidate.view.place == DLC:
        return reading.place == "DLC"
    return reading.place_module == family_of(candidate.unplugged)
