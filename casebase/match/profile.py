"""What is compared of a case: plain traits, on scales on which like is near like.

A `Profile` holds no text that is only read, so that ranking a library needs none of its records. Ohms and volts stand
on a scale whose unit is one tolerance, in whole steps.

A tolerance of resistance is 8 % near the terminators' values and 50 % among the modules' inputs, which scatter so much
(9 to 28 kohm per line, NXP TJA1051 table 7); contact resistance blurs the lowest values. A tolerance of voltage is
0.12 V and 3 % of the value: averages move with the traffic by about that much (common practice, no source).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.record.vocabulary import LINES_OF_MEDIUM, Kind, Line
from casebase.record.words import FAULT_WORDS

OVER_LIMIT_OHMS: Final = 20e6
"""What `OL` is taken as: the top of a hand-held meter (common practice, no source)."""

STEPS_PER_TOLERANCE: Final = 40
NUMBER_STEPS: Final = 8000
"""Steps of the whole scale, from 0: 72 tolerances of ohms, or 185 of volts from -60 to 60 V."""

_CONTACT_OHMS: Final = 10.0
_FINE, _COARSE = math.log(1.08), math.log(1.5)
_FINE_UP_TO, _COARSE_FROM = 200.0, 1000.0
_RISE: Final = (_COARSE - _FINE) / math.log(_COARSE_FROM / _FINE_UP_TO)
_VOLTS, _VOLTS_SHARE = 0.12, 0.03
_SYSTEM_VOLTS, _TWO_BATTERIES_FROM = 12.0, 16.0
_SUPPLY_GOOD, _SUPPLY_BAD = 0.97, 0.17
_SUPPLY_STEEP, _SUPPLY_FLAT = 35.0, 2.0
"""A module's supply should be battery voltage: 0.2 V short is one tolerance, 2 V short are six, and beyond that how
much is missing says little about where it went (common practice, no source)."""

_MIDDLE: Final = NUMBER_STEPS // 2


@lru_cache(maxsize=4096)  # the same values are compared with one another, over and over
def number_step(quantity: str, number: float, *, of_supply: bool = False) -> int:
    """Return the step of a resistance in ohms or a voltage in volts, 0..`NUMBER_STEPS` - 1.

    `of_supply` is a module's supply: any that is far too low is as bad as another.
    """
    if quantity.startswith("resistance"):
        step = round(_ohms_scale(number) * STEPS_PER_TOLERANCE)
    elif of_supply:
        step = _MIDDLE + round(_supply_scale(number) * STEPS_PER_TOLERANCE)
    else:
        step = _MIDDLE + round(_volts_scale(number) * STEPS_PER_TOLERANCE)
    return min(max(step, 0), NUMBER_STEPS - 1)


def _ohms_scale(ohms: float) -> float:
    """Return the integral of d(log ohms) / tolerance, from no resistance up: fine, then rising, then coarse."""
    value = min(max(ohms, 0.0), OVER_LIMIT_OHMS) + _CONTACT_OHMS
    fine = math.log(min(value, _FINE_UP_TO) / _CONTACT_OHMS) / _FINE
    rising = math.log(min(max(value, _FINE_UP_TO), _COARSE_FROM) / _FINE_UP_TO)
    coarse = math.log(max(value, _COARSE_FROM) / _COARSE_FROM) / _COARSE
    return fine + math.log1p(_RISE * rising / _FINE) / _RISE + coarse


def _supply_scale(volts: float) -> float:
    """Return 0 for a supply as it should be, rising as it falls short; what is well short differs little further."""
    system = _SYSTEM_VOLTS if abs(volts) < _TWO_BATTERIES_FROM else 2 * _SYSTEM_VOLTS
    short = max(0.0, _SUPPLY_GOOD - abs(volts) / system)
    return -(_SUPPLY_STEEP * min(short, _SUPPLY_BAD) + _SUPPLY_FLAT * max(0.0, short - _SUPPLY_BAD))


def _volts_scale(volts: float) -> float:
    return math.copysign(math.log1p(_VOLTS_SHARE * abs(volts) / _VOLTS) / _VOLTS_SHARE, volts)


SUPPLY: Final = str(Line.SUPPLY)

STEPS_PER_BUCKET: Final = 3 * STEPS_PER_TOLERANCE
"""Values within three tolerances are counted as one usual value."""

LEVEL_STATES: Final = ("recessive", "dominant")
SIGNAL_LINES: Final = tuple(dict.fromkeys(str(line) for lines in LINES_OF_MEDIUM.values() for line in lines))
LEVEL_NAMES: Final = {state: tuple(f"{state} {line}" for line in SIGNAL_LINES) for state in LEVEL_STATES}
DRIVEN_SHARE: Final = "driven share"
WHOLE_FRAMES: Final = "whole frames"
SHARES: Final = (DRIVEN_SHARE, WHOLE_FRAMES)
MEASURED: Final = (*LEVEL_NAMES["recessive"], *LEVEL_NAMES["dominant"], *SHARES)
"""What is measured on a picture of a scope, by name: levels in volts, shares of 0 to 1."""

ReadingKind = tuple[str, tuple[str, ...], str, str | None, tuple[str, ...] | None, bool | None, str | None]
"""Quantity, lines, kind of place, medium, what was unplugged, powered, tester talking."""


@dataclass(frozen=True, slots=True)
class CodeTrait:
    """One stored code: what it says and of whom."""

    text: str
    base: str
    statement: str
    about: str | None
    bus: str | None
    stored_in: str | None


@dataclass(frozen=True, slots=True)
class NetworkTrait:
    """One network and whether the fault shows on it."""

    medium: str
    bits_per_second: float | None
    behind_gateway: bool | None
    affected: bool


@dataclass(frozen=True, slots=True)
class ReadingTrait:
    """One reading in a form in which like can be found for it; `number` is ohms or volts.

    `measured` is of a picture of a scope: (name in `MEASURED`, number), in that order.
    """

    quantity: str
    lines: tuple[str, ...]
    place: str
    place_module: str | None
    medium: str | None
    unplugged: tuple[str, ...] | None
    powered: bool | None
    tester: str | None
    after_repair: bool
    number: float | None
    word: str | None
    traffic: str | None
    looks: tuple[str, ...]
    what: str
    shown: str
    note: str | None
    measured: tuple[tuple[str, float], ...] = ()

    @property
    def kind(self) -> ReadingKind:
        """What must agree before two readings can be compared."""
        return (
            self.quantity,
            self.lines,
            self.place,
            self.medium,
            self.unplugged,
            self.powered,
            self.tester,
        )

    @property
    def step(self) -> int | None:
        """The number on the scale of tolerances; None for a word or a picture."""
        if self.number is None:
            return None
        return number_step(self.quantity, self.number, of_supply=SUPPLY in self.lines)

    @property
    def bucket(self) -> str:
        """A name shared by readings of one kind with nearly the same value, to count how usual it is."""
        step = self.step
        value = self.word or (self.seen if step is None else str(step // STEPS_PER_BUCKET))
        return " ".join((self.quantity, *self.lines, self.place, value))

    @property
    def seen(self) -> str:
        """What a scope showed, in fixed words."""
        return ", ".join((f"traffic {self.traffic}", *self.looks))


Vector = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Profile:
    """What is compared of one case."""

    case_id: str
    title: str
    kind: str
    status: str | None
    fault: str | None
    cause_module: str | None
    make: str
    model: str
    platform: str | None
    model_year: int | None
    lamps: tuple[str, ...]
    conditions: tuple[str, ...]
    story: str = ""
    """The concern and symptoms in somebody's words, as they stood before the cause was known."""
    shop: str | None = None
    dated: str | None = None
    """The day on which the job ended, or else was opened (ISO 8601)."""
    cause_place: str | None = None
    more_faults: tuple[tuple[str, str | None], ...] = ()
    """What else was at fault in the same job: fault, and the module it went with."""
    proven: bool = False
    settled_by: str | None = None
    """The last step of the search: what was done that settled it, and what it showed."""
    silent: dict[str, float] = field(default_factory=dict)
    answering: tuple[str, ...] = ()
    codes: tuple[CodeTrait, ...] = ()
    networks: tuple[NetworkTrait, ...] = ()
    readings: tuple[ReadingTrait, ...] = ()
    note: str | None = None
    proof: str | None = None
    """How the repair was proved, in the case's own words: `stayed away 3 days, 40 km, rescan clean`."""
    minutes_to_find: float | None = None
    """The minutes of all steps of the search that tell theirs."""
    minutes_to_mend: float | None = None
    parts: tuple[str, ...] = ()
    """The spare parts that the repair took."""
    meaning: dict[str, dict[str, float]] = field(default_factory=dict)
    """By medium, the probability of each bus state that the readings give. Filled in to compare; not kept as JSON."""
    host: tuple[str, float] | None = None
    """The module in which the readings place the fault, with the probability. Filled in to compare."""
    vector: Vector | None = field(default=None, compare=False)
    """What the story means, as a vector of length 1. Filled in to compare."""
    trust: float = 1.0
    """What the case weighs beside the shop's own, by who told it: 0 to 1. Filled in to compare."""
    sent_by: str = ""
    """The other shop that sent the case; empty for the shop's own. Filled in to compare."""

    @property
    def words(self) -> tuple[str, ...]:
        """The telling words of the story."""
        return words_of(self.story)

    @property
    def cause(self) -> str | None:
        """The fault in plain words, with its module; where there were several, all of them."""
        return "; and ".join(_fault_words(*fault) for fault in self.faults) or None

    @property
    def faults(self) -> tuple[tuple[str, str | None], ...]:
        """Every fault of the case with the module it went with, the main one first; empty while none is known."""
        return () if self.fault is None else ((self.fault, self.cause_module), *self.more_faults)


def _fault_words(fault: str, module: str | None) -> str:
    words = next((words for known, words in FAULT_WORDS.items() if known == fault), fault)
    return f"{words} ({module})" if module else words


@lru_cache(maxsize=1024)
def words_of(text: str) -> tuple[str, ...]:
    """Return the telling words of a text, each once: no short or empty words, no plural endings.

    >>> words_of("Lamps on after rain, then the lamp again")
    ('lamp', 'rain')
    """
    found = (_singular(word) for word in _WORD.findall(text.casefold()))
    return tuple(dict.fromkeys(word for word in found if len(word) > 2 and word not in _EMPTY_WORDS))


_WORD: Final = re.compile(r"[^\W\d_]+")


_EMPTY_WORDS: Final = frozenset(
    """the and for with was were are has had have not but that this then than when while from into its his her they them
    there here all any out off one two very also only just does did says said customer vehicle car after before come
    came goes went will again until now some time more""".split()  # noqa: SIM905
)


def _singular(word: str) -> str:
    return word[:-1] if len(word) > 3 and word.endswith("s") and not word.endswith("ss") else word


def is_known_good(profile: Profile) -> bool:
    """Return whether the profile is of a healthy vehicle."""
    return profile.kind == Kind.KNOWN_GOOD


def readings_compared(profile: Profile) -> list[ReadingTrait]:
    """Return the readings that speak of the fault: of a healthy vehicle all, else those before the repair."""
    healthy = is_known_good(profile)
    return [reading for reading in profile.readings if healthy or not reading.after_repair]


def affected_networks(profile: Profile) -> list[NetworkTrait]:
    """Return the networks on which the fault shows; all of them where none is told."""
    return [network for network in profile.networks if network.affected] or list(profile.networks)
