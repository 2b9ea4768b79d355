"""The profile of a case, made once when the case is kept, and its plain data for JSON, there and back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from typing import Any, Final

from casebase.match.profile import (
    DRIVEN_SHARE,
    MEASURED,
    OVER_LIMIT_OHMS,
    WHOLE_FRAMES,
    CodeTrait,
    NetworkTrait,
    Profile,
    ReadingTrait,
)
from casebase.record.case import Case, CodeEntry, status_of
from casebase.record.inference import with_networks
from casebase.record.modules import module_identity, modules_named_in
from casebase.record.reading import Reading, Waveform, place_kind
from casebase.record.vocabulary import Answers, Into, Medium, Reached, Stage
from casebase.record.words import proof_words, title_of, value_words

PROFILE_VERSION: Final = 11
"""Raised whenever a profile of the same record would come out otherwise: libraries then make theirs again."""


def profile_of(case: Case, case_id: str) -> Profile:
    """Return what is compared of `case`; networks that only the readings tell are taken as such."""
    case = with_networks(case)
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
        more_faults=tuple((str(cause.fault), cause.module) for cause in case.more_causes if cause.fault),
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
        proof=proof_words(case),
        minutes_to_find=_minutes_to_find(case),
        minutes_to_mend=case.fix.minutes if case.fix else None,
        parts=tuple(part.name for part in case.fix.parts) if case.fix else (),
    )


_SILENCE: Final[dict[Answers | None, float]] = {Answers.NO: 1.0, Answers.INTERMITTENT: 0.75}


def _minutes_to_find(case: Case) -> float | None:
    """Return the minutes of the search, as far as its steps tell them; None while it goes on."""
    told = [step.minutes for step in case.steps if step.minutes is not None]
    return sum(told) if told and case.cause else None


def _story_before_the_cause(case: Case) -> str:
    """A stuck job has no cause yet: comparing what was found out later would compare nothing with something."""
    return "\n".join(text for text in (case.concern, *case.symptoms, case.leftover) if text)


def _settled_by(case: Case) -> str | None:
    """The search ends with the step that settled it; without a cause nothing was settled."""
    if case.cause is None or not case.steps:
        return None
    last = case.steps[-1]
    return f"{last.did}: {last.found}" if last.found else last.did


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
        quantity=str(reading.quantity)
        if reading.into is not Into.MODULE
        else f"{reading.quantity} of a bare module",
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
        number=None if reading.number is None else min(reading.number, OVER_LIMIT_OHMS),
        word=str(reading.value) if reading.value is not None and reading.number is None else None,
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
    told["more_faults"] = tuple((fault, module) for fault, module in data.get("more_faults", ()))
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
