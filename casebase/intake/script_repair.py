"""The second half of the interview: trials, steps, cause, fix, what shows that it worked, who wrote it down."""

from __future__ import annotations

from datetime import date
from typing import Final

from casebase.errors import InputError
from casebase.intake.answers import Reader, field_reader, word_or_words_reader
from casebase.intake.question import Asked, Data, Question, Script, put
from casebase.intake.repair_lines import (
    module_concerned,
    proof_reader,
    read_fix,
    read_tried,
    where_reader,
    who_reader,
)
from casebase.intake.review import cautions_so_far
from casebase.intake.script_readings import readings_reader
from casebase.record.cautions import BRAKES_OR_STEERING
from casebase.record.vocabulary import Fault, Stage
from casebase.record.words import FAULT_WORDS

OTHER: Final = "other"
FAULTS: Final = tuple(Fault)
_SHORTENED: Final = {
    Fault.GATEWAY_ISOLATION_NORMAL: "no fault: behind the gateway",
    Fault.LINES_SHORTED_TOGETHER: "both lines shorted together",
    Fault.MODULE_LOADS_LINES: "a module without supply loads the lines",
}
"""Two columns of choices fit 80 characters."""
FAULT_CHOICES: Final = tuple({**FAULT_WORDS, **_SHORTENED}[fault] for fault in Fault)


def ask_tried(data: Data) -> Script:
    """Ask what was swapped, unplugged, tested or searched, all in one line, with what followed."""
    tried: Data | None = yield Question(
        "tried",
        "tried",
        "What was tried, and what followed (several: with ;)",
        read_tried,
        example="swapped TCM: no change; load test of the ground: 1 V drop, 15 min",
        help="What was done, to what, and what followed; say if a part was used or not configured.",
    )
    for key, entries in (tried or {}).items():
        data.setdefault(key, []).extend(entries)


def ask_cause(data: Data) -> Asked:
    """Ask for the cause; return whether one was named. What an open record guessed is offered."""
    guessed: Data = data.pop("cause", None) or {}
    fault: str | None = yield Question(
        "cause.fault",
        "cause",
        "What was the cause? (Enter: not known yet)",
        _fault_or_words(),
        example="11, or a terminator missing; other, in words",
        help="Your best guess counts too: leave the proof empty, and the record says that it is not proven."
        " What is none of the list is told in two words or more, and kept in the note.",
        words=(*FAULT_CHOICES, OTHER),
        default=guessed.get("fault"),
    )
    if fault is None:
        return False
    if fault not in FAULTS:
        data["note"] = "; ".join(filter(None, (data.get("note"), f"Cause, in words: {fault}")))
        return True
    cause: Data = {key: guessed[key] for key in ("network", "where", "module", "mechanism") if key in guessed}
    names = [network["name"] for network in data.get("networks", ())]
    where: Data | None = yield Question(
        "cause.where",
        "cause",
        "Where it was; what brought it about",
        where_reader(names),
        example="splice S204 under the left carpet; water",
        help="The place first (harness, connector, splice, module, fuse, battery, ground point, pillar or any other),"
        " then what brought it about: a usual word or your own. Of several networks name the one.",
    )
    cause |= where or {}
    module = module_concerned(cause.get("where", {}))
    cause |= {"module": module} if module else {}
    yield from put(
        cause,
        "proof",
        Question(
            "cause.proof",
            "cause",
            "How it was proven (Enter: not proven)",
            field_reader("cause.proof"),
            example="61 ohm with the splice bridged, 122 ohm without",
            help="The test that came out one way with the fault and the other way without it.",
            default=guessed.get("proof"),
        ),
    )
    data["cause"] = {"fault": fault, **cause}
    return True


def _fault_or_words() -> Reader:
    read_word = word_or_words_reader(FAULTS, FAULT_CHOICES)

    def read(text: str) -> str:
        words = text.removeprefix(OTHER).lstrip(" :,")
        if text.startswith(OTHER) and len(words.split()) > 1:
            return words
        if text in {OTHER, str(len(FAULTS) + 1)}:
            raise InputError("say it in words: expected such as 'other: heater plug wired to the bus'")
        return str(read_word(text))

    return read


def ask_fix(data: Data) -> Asked:
    """Ask what was done about it; return whether anything was."""
    earlier: Data = data.pop("fix", None) or {}
    fix: Data | None = yield Question(
        "fix",
        "fix",
        "What was done; parts, time, price (Enter: not fixed yet)",
        read_fix,
        example="new splice, soldered; splice sleeve 12.00 EUR; 90 min; 184.50 EUR",
        help="What was done comes first. A part has its name and its cost; a price alone is what the customer paid.",
        default=_fix_typed(earlier),
    )
    if fix is None:
        return False
    data["fix"] = fix
    return True


def _fix_typed(fix: Data) -> str | None:
    """Return a fix as it would be typed; None where there is none."""
    parts = [
        f"part {' '.join(filter(None, (part['name'], part.get('cost'))))}" for part in fix.get("parts", ())
    ]
    minutes = f"{fix['minutes']:g} min" if fix.get("minutes") is not None else None
    return "; ".join(filter(None, (fix.get("done"), *parts, minutes, fix.get("cost")))) or None


def ask_verification(data: Data) -> Script:
    """Ask what shows that the fix worked, readings after the repair included."""
    told: tuple[Data, list[Data]] | None = yield Question(
        "verification",
        "verification",
        "What shows that it worked (several: with ,)",
        proof_reader(readings_reader(data, Stage.AFTER_REPAIR)),
        example="cleared, scan clean, 12 km, 3 days, 6 to 14 60.4 ohm",
        help="Codes cleared, the scan afterwards, the road test, days since, readings after the repair, or in words"
        " how it behaves.",
        notes=cautions_so_far(data, BRAKES_OR_STEERING),
    )
    shown, readings = told or ({}, [])
    if shown or data.get("verification"):
        data["verification"] = {**(data.get("verification") or {}), **shown}
    names = [network["name"] for network in data.get("networks", ())]
    for reading in readings:
        if len(names) > 1:  # a network of its medium, or none: asking would cost a question for each
            reading.setdefault("network", data.get("cause", {}).get("network", names[0]))
    data.setdefault("readings", []).extend(readings)


def ask_leftover(data: Data) -> Script:
    """Ask what still does not make sense, and for anything that no other question asked."""
    question = Question(
        "leftover",
        "leftover",
        "What still does not make sense (Enter: nothing)",
        field_reader("leftover"),
        example="U0155 came back once in the cold",
        help="It can be searched for, and is shown again when a later case explains it. After 'note:' anything else"
        " worth knowing is kept as the note.",
        default=data.get("leftover"),
    )
    text: str | None = yield question
    if text is None:
        data.pop("leftover", None)
    elif text.casefold().startswith("note:"):
        data["note"] = "; ".join(filter(None, (data.get("note"), text[5:].strip())))
    else:
        data["leftover"] = text


def ask_why_normal(data: Data) -> Script:
    """Ask what shows that a known good vehicle is healthy."""
    yield from put(
        data,
        "why_normal",
        Question(
            "why_normal",
            "readings",
            "What shows that it is healthy, or why it reads so (Enter: nothing)",
            field_reader("why_normal"),
            example="no codes, all modules answer; quiet at the DLC until asked",
            default=data.pop("why_normal", None),
        ),
    )


def ask_provenance(data: Data, offered: Data, today: date, *, fixed: bool) -> Script:
    """Ask who wrote it down, where and when; `offered` holds author, shop and the day the job was opened."""
    provenance: Data = {**offered, **data.pop("provenance", {})}
    ended = provenance.get("ended") or (today.isoformat() if fixed else None)
    dated = [f"{key} {day}" for key, day in (("opened", provenance.get("opened")), ("ended", ended)) if day]
    named = [provenance[key] for key in ("author", "shop") if provenance.get(key)]
    told: Data | None = yield Question(
        "provenance",
        "who and when",
        "Your handle; shop; opened; ended",
        who_reader(today),
        example="lead.tech; Quay Street Garage; opened yesterday; ended today",
        help="A day is typed as 2026-03-02, today or yesterday. What you leave out stays as it stands in [ ]. A job"
        " without a day of ending stays open: 'not ended'.",
        default="; ".join((*named, *dated)) or None,
    )
    kept = {} if told is None else {**provenance, "ended": ended, **told}
    if "invented" in provenance:
        kept["invented"] = provenance["invented"]
    data["provenance"] = {key: value for key, value in kept.items() if value is not None}
