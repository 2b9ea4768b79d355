"""What is compared of a case: small, plain, made once when a case is kept.

A `Profile` holds no text that is only read, and goes to and from plain JSON, so that ranking a library
needs none of its records.

Profiles as plain data for JSON, and back.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.traits import (
    DRIVEN_SHARE,
    MEASURED,
    OVER_LIMIT_OHMS,
    WHOLE_FRAMES,
    CodeTrait,
    NetworkTrait,
    ReadingTrait,
)
from casebase.record.case import Case, CodeEntry, status_of
from casebase.record.modules import module_identity, modules_named_in
from casebase.record.quantities import Comparison
from casebase.record.reading import Reading, Waveform, place_kind
from casebase.record.vocabulary import Answers, Kind, Medium, Reached, Stage
from casebase.record.words import FAULT_WORDS, title_of, value_words

PROFILE_VERSION: Final = 4
"""Raised whenever a profile of the same record would come out otherwise: libraries then make theirs again."""


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
    proven: bool = False
    settled_by: str | None = None
    """The last step of the search: what was done that settled it, and what it showed."""
    silent: dict[str, float] = field(default_factory=dict)
    answering: tuple[str, ...] = ()
    codes: tuple[CodeTrait, ...] = ()
    networks: tuple[NetworkTrait, ...] = ()
    readings: tuple[ReadingTrait, ...] = ()
    note: str | None = None
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
        """The fault in plain words, with its module."""
        if self.fault is None:
            return None
        words = next((words for fault, words in FAULT_WORDS.items() if fault == self.fault), self.fault)
        return f"{words} ({self.cause_module})" if self.cause_module else words


def profile_of(case: Case, case_id: str) -> Profile:
    """Return what is compared of `case`."""
    vehicle = case.vehicle
    return Profile(
        case_id=case_id,
        title=title_of(case),
        kind=str(case.kind),
        status=_text(status_of(case)),
        fault=_text(case.cause.fault) if case.cause else None,
        cause_module=case.cause.module if case.cause else None,
        make=vehicle.make,
        model=vehicle.model,
        platform=vehicle.platform,
        model_year=vehicle.model_year,
        lamps=tuple(str(lamp) for lamp in case.lamps),
        conditions=tuple(str(condition) for condition in case.conditions),
        story=_story_before_the_cause(case),
        shop=case.provenance.shop,
        dated=_text(case.provenance.ended or case.provenance.opened),
        cause_place=_text(case.cause.where.place) if case.cause and case.cause.where else None,
        proven=bool(case.cause and case.cause.proof),
        settled_by=_settled_by(case),
        silent={
            _key(module.name): _SILENCE[module.answers]
            for module in case.modules
            if module.answers in _SILENCE
        },
        answering=tuple(_key(module.name) for module in case.modules if module.answers is Answers.YES),
        codes=tuple(_code_trait(entry) for entry in case.codes),
        networks=tuple(_network_traits(case)),
        readings=tuple(_reading_trait(case, reading) for reading in case.readings),
        note=case.note,
    )


@lru_cache(maxsize=1024)
def words_of(text: str) -> tuple[str, ...]:
    """Return the telling words of a text, each once: no short or empty words, no plural endings.

    >>> words_of("Lamps on after rain, then the lamp again")
    ('lamp', 'rain')
    """
    found = (_singular(word) for word in _WORD.findall(text.casefold()))
    return tuple(dict.fromkeys(word for word in found if len(word) > 2 and word not in _EMPTY_WORDS))


_SILENCE: Final[dict[Answers | None, float]] = {Answers.NO: 1.0, Answers.INTERMITTENT: 0.75}
_WORD: Final = re.compile(r"[^\W\d_]+")
_EMPTY_WORDS: Final = frozenset(
    """the and for with was were are has had have not but that this then than when while from into its his her they them
    there here all any out off one two very also only just does did says said customer vehicle car after before come
    came goes went will again until now some time more""".split()  # noqa: SIM905
)


def _story_before_the_cause(case: Case) -> str:
    """A stuck job has no cause yet: comparing what was found out later would compare nothing with something."""
    return "\n".join(text for text in (case.concern, *case.symptoms, case.leftover) if text)


def _settled_by(case: Case) -> str | None:
    """The search ends with the step that settled it; without a cause nothing was settled."""
    if case.cause is None or not case.steps:
        return None
    last = case.steps[-1]
    return f"{last.did}: {last.found}" if last.found else last.did


def _singular(word: str) -> str:
    return word[:-1] if len(word) > 3 and word.endswith("s") and not word.endswith("ss") else word


def _text(word: object) -> str | None:
    return None if word is None else str(word)


def _key(name: str) -> str:
    return module_identity(name)


def _code_trait(entry: CodeEntry) -> CodeTrait:
    code = entry.code
    stored_in = _key(entry.module) if entry.module else None
    return CodeTrait(code.text, code.base, str(code.statement), code.about, code.bus, stored_in)


def _network_traits(case: Case) -> list[NetworkTrait]:
    touched = _touched_networks(case)
    return [
        NetworkTrait(
            medium=str(network.medium),
            bits_per_second=network.bit_rate.number if network.bit_rate else None,
            behind_gateway=None if network.reached is None else network.reached is not Reached.DIRECTLY,
            affected=network.name in touched or len(case.networks) == 1,
        )
        for network in case.networks
    ]


def _touched_networks(case: Case) -> set[str | None]:
    """Return the networks on which something was found: the cause's own, else those read or silent."""
    if case.cause and case.cause.network:
        return {case.cause.network}
    silent = {module.network for module in case.modules if module.answers in _SILENCE}
    return silent | {reading.network for reading in case.readings}


def _reading_trait(case: Case, reading: Reading) -> ReadingTrait:
    network = case.network_of(reading.network)
    seen = reading.waveform
    return ReadingTrait(
        quantity=str(reading.quantity),
        lines=_line_pair(reading),
        place=place_kind(reading.at),
        place_module=next((found.key for found in modules_named_in(reading.at, strict=False)), None),
        medium=str(network.medium) if network else _medium_by_line(reading),
        unplugged=None
        if reading.unplugged is None
        else tuple(sorted(_key(name) for name in reading.unplugged)),
        powered=_powered(reading),
        tester=_text(reading.tester),
        after_repair=reading.stage is Stage.AFTER_REPAIR,
        number=_finite(reading.number),
        word=str(reading.value) if isinstance(reading.value, Comparison) else None,
        traffic=_text(seen.traffic) if seen else None,
        looks=tuple(sorted(str(look) for look in seen.looks)) if seen else (),
        what=reading.what(),
        shown=value_words(reading),
        note=reading.note,
        measured=tuple(_measured(seen)) if seen else (),
    )


def _measured(seen: Waveform) -> Iterator[tuple[str, float]]:
    """Yield what a scope showed in numbers; what a supply or ground showed there is not compared."""
    levels = {
        f"{state} {line}": level.number
        for state, levels in (("recessive", seen.recessive), ("dominant", seen.dominant))
        for line, level in levels.items()
    }
    known = levels | {DRIVEN_SHARE: seen.dominant_share, WHOLE_FRAMES: seen.whole_frames}
    for name in MEASURED:
        number = known.get(name)
        if number is not None:
            yield name, number


def _finite(number: float | None) -> float | None:
    return None if number is None else min(number, OVER_LIMIT_OHMS)


def _line_pair(reading: Reading) -> tuple[str, ...]:
    """Ohms read the same either way round; volts do not."""
    pair = tuple(str(line) for line in (reading.line, reading.against) if line)
    return tuple(sorted(pair)) if reading.quantity == "resistance" else pair


def _medium_by_line(reading: Reading) -> str | None:
    """Lines that only one medium has tell it; CAN high and CAN low do not."""
    telling = {
        "LIN": Medium.LIN,
        "K-line": Medium.K_LINE,
        "bus plus": Medium.FLEXRAY,
        "CAN single wire": Medium.SINGLE_WIRE_CAN,
    }
    return next((str(telling[line]) for line in map(str, reading.lines) if line in telling), None)


def _powered(reading: Reading) -> bool | None:
    if reading.battery == "disconnected":
        return False
    if reading.ignition is not None:
        return reading.ignition != "off"
    return None


def is_known_good(profile: Profile) -> bool:
    """Return whether the profile is of a healthy vehicle."""
    return profile.kind == Kind.KNOWN_GOOD


def readings_compared(profile: Profile) -> list[ReadingTrait]:
    """Return the readings that speak of the fault: of a healthy vehicle all, else those before the repair."""
    healthy = is_known_good(profile)
    return [reading for reading in profile.readings if healthy or not reading.after_repair]


def to_data(profile: Profile) -> dict[str, Any]:
    """Return a profile as plain data for JSON."""
    # dataclasses.asdict copies every string deeply; a library of thousands feels it.
    data = {key: value for key, value in _fields_of(profile).items() if key not in _FILLED_IN}
    for key in ("codes", "networks", "readings"):
        data[key] = [_fields_of(trait) for trait in data[key]]
    return data


_FILLED_IN: Final = ("meaning", "host", "vector", "trust", "sent_by")


def _fields_of(instance: Any) -> dict[str, Any]:
    return {each.name: getattr(instance, each.name) for each in fields(instance)}


def from_data(data: dict[str, Any]) -> Profile:
    """Return the profile that `to_data` gave."""
    told: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in data.items()
    }
    told["codes"] = tuple(CodeTrait(**code) for code in data["codes"])
    told["networks"] = tuple(NetworkTrait(**network) for network in data["networks"])
    told["readings"] = tuple(_reading_from(reading) for reading in data["readings"])
    return Profile(**told)


def _reading_from(data: dict[str, Any]) -> ReadingTrait:
    unplugged = data["unplugged"]
    return ReadingTrait(
        **{
            **data,
            "lines": tuple(data["lines"]),
            "looks": tuple(data["looks"]),
            "measured": tuple((name, number) for name, number in data["measured"]),
            "unplugged": None if unplugged is None else tuple(unplugged),
        }
    )
