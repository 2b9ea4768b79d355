"""A record in words: its title, cause, codes, readings, fix, proof and origin, each in one line."""

from __future__ import annotations

import math
from typing import Final

from casebase.record.case import Case, Cause, CodeEntry, Fix, Module, Verification
from casebase.record.codes import TroubleCode
from casebase.record.reading import Reading, Waveform
from casebase.record.vocabulary import (
    Answers,
    Battery,
    Fault,
    Kind,
    Line,
    Place,
    Quantity,
    Reached,
    Rescan,
    Stage,
    Status,
    Tester,
    YesNo,
)
from casebase.record.word_list import FAULT_LABELS

_LONGEST_TITLE: Final = 90

FAULT_WORDS: Final = {fault: FAULT_LABELS[fault] for fault in Fault}
"""Each fault in plain English; FlexRay's bus plus and bus minus are called high and low here."""


_PLACE_WORDS: Final = {
    Place.HARNESS: "in the harness",
    Place.CONNECTOR: "at a connector",
    Place.SPLICE: "at a splice",
    Place.MODULE: "in the module",
    Place.FUSE: "at a fuse",
    Place.BATTERY: "at the battery",
    Place.GROUND_POINT: "at a ground point",
    Place.PILLAR: "in a pillar",
    Place.OTHER: "elsewhere",
}


def title_of(case: Case) -> str:
    """Return the title: as typed, or the cause and its place, or the concern's first words."""
    if case.title:
        return case.title
    if case.kind is Kind.KNOWN_GOOD:
        named = ", ".join(network.name for network in case.networks)
        return _shortened(f"Known good: {named or f'{case.vehicle.make} {case.vehicle.model}'}")
    if case.cause:
        where = case.cause.where
        place = f": {where.text or _PLACE_WORDS[where.place]}" if where else ""
        return _shortened(capital(f"{_fault_and_module(case.cause)}{place}"))
    words = case.concern or next(iter(case.symptoms), None) or _what_stands_out(case)
    return _shortened(capital(" ".join(words.split())))


def cause_line(cause: Cause) -> str:
    """Return what was at fault, where and by what, in one line."""
    parts = [_fault_and_module(cause)]
    if cause.where:
        parts.append(
            f"{_PLACE_WORDS[cause.where.place]}{f' ({cause.where.text})' if cause.where.text else ''}"
        )
    if cause.mechanism:
        parts.append(f"by {cause.mechanism}")
    if cause.mechanism_text:
        parts.append(cause.mechanism_text)
    return ", ".join(parts)


def _fault_and_module(cause: Cause) -> str:
    return f"{FAULT_WORDS[cause.fault]}{f' ({cause.module})' if cause.module else ''}"


def reading_line(reading: Reading) -> str:
    """Return a reading in one line: what, value, state, what was not stated."""
    state = reading.state()
    stage = "" if reading.stage is Stage.AS_FOUND else f" [{reading.stage}]"
    unknown = reading.unknown_state
    marked = f"; {' and '.join(unknown)} not stated" if unknown else ""
    conditions = f" ({state}{marked})" if state else " (state not stated)" if unknown else ""
    return f"{reading.what()}: {value_words(reading)}{conditions}{stage}"


def value_words(reading: Reading) -> str:
    """Return what a reading showed: its value, or what was seen on the scope."""
    return str(reading.value) if reading.value is not None else waveform_words(reading)


def waveform_words(reading: Reading) -> str:
    """Return what a scope showed, in words."""
    seen = reading.waveform
    if seen is None:
        return "nothing noted"
    parts = [f"traffic {seen.traffic}"] if seen.traffic else []
    for name, levels in (("recessive", seen.recessive), ("dominant", seen.dominant)):
        if levels:
            parts.append(f"{name} " + ", ".join(f"{line} {levels[line]}" for line in Line if line in levels))
    parts += shares_in_words(seen)
    parts += [str(look) for look in seen.looks]
    parts += [seen.note] if seen.note else []
    return "; ".join(parts) or "nothing noted"


def shares_in_words(seen: Waveform) -> list[str]:
    """Return how long a scope showed the lines driven, and how many frames whole, as far as known.

    >>> shares_in_words(Waveform(dominant_share=0.214, whole_frames=0.99996))
    ['driven 21.4 % of the time', '99.99 % of frames whole']
    """
    driven, whole = seen.dominant_share, seen.whole_frames
    return [
        *([f"driven {per_cent(driven)} of the time"] if driven is not None else []),
        *([f"{per_cent(whole)} of frames whole"] if whole is not None else []),
    ]


def per_cent(share: float) -> str:
    """Return a share of 0 to 1 in per cent; cut off, not rounded, so that nearly all is not said to be all."""
    return f"{math.floor(share * 10_000 + 1e-6) / 100:g} %"


def code_line(entry: CodeEntry) -> str:
    """Return a stored code in one line: module, code, status."""
    return " ".join(
        part for part in (f"{entry.module}:" if entry.module else "", entry.code.text, entry.status) if part
    )


def codes_by_code(case: Case) -> list[tuple[TroubleCode, str]]:
    """Return each code once, with where it is stored in words: `in ECM and TCM (confirmed), BCM`."""
    stored: dict[TroubleCode, dict[str, list[str]]] = {}
    for entry in case.codes:
        by_status = stored.setdefault(entry.code, {})
        by_status.setdefault(entry.status or "", []).append(entry.module or "a module not stated")
    found = []
    for code, by_status in stored.items():
        places = (
            f"{', '.join(modules)}{f' ({status})' if status else ''}" for status, modules in by_status.items()
        )
        found.append((code, f"in {', '.join(places)}"))
    return found


def readings_in_short(case: Case) -> str:
    """Return the readings before the repair, grouped by place and state, as short as they can be."""
    grouped: dict[str, list[str]] = {}
    for reading in case.readings:
        if reading.stage is not Stage.AFTER_REPAIR:
            grouped.setdefault(_place_and_state(reading), []).append(_shortest(reading))
    return "; ".join(f"{where}: {', '.join(values)}" for where, values in grouped.items())


def _place_and_state(reading: Reading) -> str:
    off = reading.battery is Battery.DISCONNECTED
    parts = (
        reading.at,
        "battery off" if off else f"ignition {reading.ignition}" if reading.ignition else "state not stated",
        f"tester {reading.tester}" if reading.tester is Tester.TALKING else "",
        f"{', '.join(reading.unplugged)} unplugged" if reading.unplugged else "",
    )
    return ", ".join(part for part in parts if part)


def _shortest(reading: Reading) -> str:
    if reading.quantity is Quantity.WAVEFORM:
        return f"scope {value_words(reading)}"
    to_ground = reading.against in (None, Line.GROUND)
    between = str(reading.line) if to_ground else f"{reading.line} to {reading.against}"
    return f"{between} {value_words(reading)}"


def module_line(module: Module) -> str:
    """Return a module and whether it answers, in one line."""
    answer = {Answers.YES: "answers", Answers.NO: "does not answer", Answers.INTERMITTENT: "answers at times"}
    return f"{module.name} {answer[module.answers]}" if module.answers else module.name


def others_line(case: Case) -> str:
    """Return what is told of the modules that are not named; empty where nothing is."""
    return OTHERS_WORDS[case.others_answer] if case.others_answer else ""


OTHERS_WORDS: Final = {YesNo.YES: "all other modules answer", YesNo.NO: "no other module answers"}


def network_line(case: Case) -> str:
    """Return the networks of a record in one line."""
    described = []
    for network in case.networks:
        reached = (
            f", {network.reached}" if network.reached and network.reached is not Reached.DIRECTLY else ""
        )
        rate = f" {network.bit_rate}" if network.bit_rate else ""
        described.append(f"{network.name} ({network.medium}{rate}{reached})")
    return "; ".join(described)


def searchable_text(case: Case) -> str:
    """Return all free text of a record, for full-text search."""
    texts: list[str | None] = [case.title, case.concern, *case.symptoms, case.leftover, case.note]
    texts += [text for step in case.steps for text in (step.did, step.found)]
    texts += [text for trial in case.trials for text in (trial.line(), trial.note)]
    texts += [entry.text for entry in case.codes]
    texts += [reading.note for reading in case.readings]
    texts += [reading.waveform.note for reading in case.readings if reading.waveform]
    texts += [case.fix.done, *(part.name for part in case.fix.parts)] if case.fix else []
    for cause in (*([case.cause] if case.cause else ()), *case.more_causes):
        texts += [cause.proof, cause.mechanism_text, cause.where.text if cause.where else None]
    texts += [cause_line(cause) for cause in case.more_causes]
    texts += [case.verification.note, case.verification.behaviour] if case.verification else []
    texts += [case.why_normal]
    texts += [attachment.shows for attachment in case.attachments]
    return "\n".join(text for text in texts if text)


def _what_stands_out(case: Case) -> str:
    silent = case.silent_modules()
    if silent:
        return f"no answer from {', '.join(silent)}"
    if case.codes:
        return f"codes {', '.join(code.text for code, _ in codes_by_code(case))}"
    return reading_line(case.readings[0]) if case.readings else f"{case.vehicle.make} {case.vehicle.model}"


def capital(text: str) -> str:
    """Return a text with its first letter as a capital, the rest as it is."""
    return text[:1].upper() + text[1:]


def _shortened(text: str) -> str:
    if len(text) <= _LONGEST_TITLE:
        return text
    return text[: _LONGEST_TITLE - 3].rsplit(" ", 1)[0].rstrip(",;:") + "..."


def origin_words(case: Case) -> str:
    """Return who wrote a record, where and when, in one line."""
    origin = case.provenance
    when = " to ".join(str(day) for day in (origin.opened, origin.ended) if day)
    invented = "invented for teaching" if origin.invented == "yes" else None
    return ", ".join(part for part in (origin.author, origin.shop, when, invented) if part)


def fix_words(fix: Fix) -> str:
    """Return what was done, with parts, time and cost, in one line."""
    parts = ", ".join(f"{part.name}{f' ({part.cost})' if part.cost else ''}" for part in fix.parts)
    said = (
        fix.done.rstrip("."),
        f"parts: {parts}" if parts else "",
        f"{fix.minutes:g} min" if fix.minutes is not None else "",
        f"{fix.cost} in all" if fix.cost else "",
    )
    return "; ".join(part for part in said if part)


def verification_words(proof: Verification) -> str:
    """Return what shows that the fix worked, in one line."""
    said = (
        f"codes cleared: {proof.codes_cleared}" if proof.codes_cleared else "",
        f"rescan: {proof.rescan}" if proof.rescan else "",
        f"road test {proof.road_test}" if proof.road_test else "",
        f"{proof.days_without_return} days without return" if proof.days_without_return is not None else "",
        f"came back: {proof.came_back}" if proof.came_back else "",
        proof.behaviour or "",
        proof.note or "",
    )
    return "; ".join(part for part in said if part)


_RESCAN_WORDS: Final = {
    Rescan.CLEAN: "rescan clean",
    Rescan.ALL_ANSWER: "all modules answer again",
    Rescan.OTHER_CODES: "other codes remain",
    Rescan.SAME_CODES: "same codes back",
}


def proof_words(case: Case) -> str | None:
    """Return how a repair was proved, in a few words of the record: `stayed away 3 days, 40 km, rescan clean`.

    None where nobody wrote down anything that shows it.
    """
    told = case.verification or Verification()
    days = told.days_without_return
    stayed = f"stayed away {days} day{'' if days == 1 else 's'}" if days else ""
    said = (
        "came back" if told.came_back is YesNo.YES else stayed,
        str(told.road_test) if told.road_test else "",
        _RESCAN_WORDS.get(told.rescan, "") if told.rescan else "",
        next(
            (
                f"{value_words(one)} after the repair"
                for one in case.readings
                if one.stage is Stage.AFTER_REPAIR and one.value is not None
            ),
            "",
        ),
    )
    return ", ".join([part for part in said if part][:3]) or None


_NOT_PROVED: Final = {
    Status.OPEN: "not solved yet",
    Status.NOT_FIXED: "not repaired",
    Status.FIXED_NOT_PROVEN: "repaired, cause not proven",
    Status.FIXED_VERIFIED: "repaired and proven",
}
"""What is said of a case that does not tell how its repair was proved."""


def proved(status: str | None, proof: str | None) -> str:
    """Return how a repair was proved in the case's own words, or how far the case came where it says nothing of that.

    `status` is that of the case, None or another word for a known good record; `proof` is what `proof_words` says.
    """
    far = next((words for known, words in _NOT_PROVED.items() if known == status), "known good")
    return f"{proof}, cause not proven" if proof and status == Status.FIXED_NOT_PROVEN else proof or far
