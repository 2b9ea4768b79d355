"""The second half of the interview: trials, steps, cause, fix, what shows that it worked, who wrote it down."""

from __future__ import annotations

from datetime import date
from typing import Any, Final

from casebase.intake.answers import Reader, day_reader, field_reader, word_or_words_reader, word_reader
from casebase.intake.question import Asked, Data, Question, Script, put
from casebase.intake.review import cautions_so_far
from casebase.intake.script_readings import ask_readings
from casebase.intake.trial_text import read_trial
from casebase.record.cautions import BRAKES_OR_STEERING
from casebase.record.trial import Trial
from casebase.record.vocabulary import Fault, Mechanism, Place, Rescan, Stage, YesNo
from casebase.record.words import FAULT_WORDS

FAULTS: Final = tuple(Fault)
_SHORTENED: Final = {Fault.GATEWAY_ISOLATION_NORMAL: "no fault: behind the gateway"}
FAULT_CHOICES: Final = tuple({**FAULT_WORDS, **_SHORTENED}[fault] for fault in Fault)


def ask_trials(data: Data) -> Script:
    """Ask what was swapped, unplugged or tested on trial, each in one line, with what followed."""
    trials: list[Data] = data.setdefault("trials", [])
    first = len(trials)
    while True:
        more = len(trials) > first
        told: Trial | None = yield Question(
            f"trials[{len(trials)}]",
            "trials",
            "Another trial (Enter: no more)"
            if more
            else "Swapped, unplugged or tested on trial (Enter: nothing)",
            lambda text: None if text.casefold() in {"n", "no", "none"} else read_trial(text),
            example="swapped TCM: no change",
            help="What was done, to what, and what followed; say if the part was used or not configured.",
            so_far=len(trials) - first,
        )
        if told is None:
            return
        trials.append(told.model_dump(mode="json", exclude_defaults=True))


def ask_steps(data: Data) -> Script:
    """Ask what was tried, step by step."""
    steps: list[Data] = data.setdefault("steps", [])
    first = len(steps)
    while True:
        step: Data = {}
        for field, prompt, example in (
            (
                "did",
                "Another step (Enter: no more)" if len(steps) > first else "A step you tried (Enter: none)",
                "unplugged ABS",
            ),
            ("found", "What it showed", "network back at once"),
            ("minutes", "How long it took", "15 min"),
        ):
            key = f"steps[{len(steps)}].{field}"
            read = field_reader(f"steps[0].{field}")
            question = Question(key, "steps", prompt, read, example=example, so_far=len(steps) - first)
            yield from put(step, field, question)
            if not step:
                return
        steps.append(step)


def ask_cause(data: Data) -> Asked:
    """Ask for the cause; return whether one was named. What an open record guessed is offered."""
    guessed: Data = data.pop("cause", None) or {}
    cause: Data = {}

    def ask(field: str, prompt: str, read: Reader | None = None, **more: Any) -> Asked:
        read = read or field_reader(f"cause.{field}")
        return put(
            cause,
            field,
            Question(f"cause.{field}", "cause", prompt, read, default=guessed.get(field), **more),
        )

    yield from ask(
        "fault",
        "What was the cause? (Enter: not known yet, the job stays open)",
        word_reader(FAULTS, FAULT_CHOICES),
        example="11, or a terminator missing",
        help="Your best guess counts too: leave the proof empty, and the record says that it is not proven.",
        words=FAULT_CHOICES,
    )
    if not cause:
        return False
    names = tuple(network["name"] for network in data.get("networks", ()))
    if len(names) > 1:
        yield from ask("network", "On which network", word_reader(names), words=names)
    yield from _ask_where(cause, guessed.get("where") or {})
    yield from ask("module", "Module concerned", example="ABS")
    yield from ask(
        "mechanism",
        "What brought it about (a word of the list, or in words)",
        word_or_words_reader(tuple(Mechanism)),
        words=tuple(Mechanism),
    )
    yield from ask(
        "proof",
        "How it was proven (Enter: not proven)",
        example="61 ohm with the splice bridged, 122 ohm without",
        help="The test that came out one way with the fault and the other way without it.",
    )
    data["cause"] = cause
    return True


def _ask_where(cause: Data, guessed: Data) -> Script:
    places = tuple(Place)
    where: Data = {}
    yield from put(
        where,
        "place",
        Question(
            "cause.where.place",
            "cause",
            "Where it was",
            word_reader(places),
            words=places,
            default=guessed.get("place"),
        ),
    )
    if not where:
        return
    yield from put(
        where,
        "text",
        Question(
            "cause.where.text",
            "cause",
            "Which one, and where to find it",
            field_reader("cause.where.text"),
            example="S204, under the left carpet",
            default=guessed.get("text"),
        ),
    )
    cause["where"] = where


def ask_fix(data: Data) -> Asked:
    """Ask what was done about it; return whether anything was."""
    earlier: Data = data.pop("fix", None) or {}
    fix: Data = {}

    def ask(field: str, prompt: str, **more: Any) -> Asked:
        default = None if earlier.get(field) is None else str(earlier[field])
        question = Question(
            f"fix.{field}", "fix", prompt, field_reader(f"fix.{field}"), default=default, **more
        )
        return put(fix, field, question)

    yield from ask("done", "What was done (Enter: not fixed yet)", example="new splice, soldered and sealed")
    if not fix:
        return False
    fix["parts"] = list(earlier.get("parts", ()))
    yield from _ask_parts(fix["parts"])
    yield from ask("minutes", "Working time in all", example="90 min or 1.5 h")
    yield from ask("cost", "What the customer paid, with currency", example="184.50 EUR")
    data["fix"] = fix
    return True


def _ask_parts(parts: list[Data]) -> Script:
    while True:
        used: Data = {}
        for field, prompt, example in (
            (
                "name",
                "Another part (Enter: no more)" if parts else "A part that was fitted (Enter: none)",
                "splice sleeve",
            ),
            ("cost", "Its cost, with currency", "12.00 EUR"),
        ):
            read = field_reader(f"fix.parts[0].{field}")
            key = f"fix.parts[{len(parts)}].{field}"
            yield from put(used, field, Question(key, "fix", prompt, read, example=example))
            if not used:
                return
        parts.append(used)


def ask_verification(data: Data) -> Script:
    """Ask what shows that the fix worked, readings after the repair included."""
    earlier: Data = data.pop("verification", None) or {}
    shown: Data = {}

    def ask(field: str, prompt: str, read: Reader | None = None, **more: Any) -> Asked:
        read = read or field_reader(f"verification.{field}")
        key = f"verification.{field}"
        return put(
            shown, field, Question(key, "verification", prompt, read, default=earlier.get(field), **more)
        )

    words = tuple(YesNo)
    yield from ask("codes_cleared", "Codes cleared", word_reader(words), words=words)
    rescans = tuple(Rescan)
    yield from ask(
        "rescan",
        "Scan afterwards (or how it behaves, in words)",
        word_or_words_reader(rescans),
        words=rescans,
    )
    cautions = cautions_so_far({**data, "verification": shown}, BRAKES_OR_STEERING)
    yield from ask("road_test", "Road test, how far (Enter: none)", example="12 km", notes=cautions)
    not_asked = {
        key: earlier[key]
        for key in ("days_without_return", "came_back", "behaviour", "note")
        if key in earlier and (key != "behaviour" or "rescan" not in shown)
    }
    if shown or not_asked:
        data["verification"] = {**shown, **not_asked}
    yield from ask_readings(data, "verification", Stage.AFTER_REPAIR)


def ask_leftover(data: Data) -> Script:
    """Ask what still does not make sense, and for anything that no other question asked."""
    for key, prompt, example, help_text in (
        (
            "leftover",
            "What still does not make sense (Enter: nothing)",
            "U0155 came back once in the cold",
            "It can be searched for, and is shown again when a later case explains it.",
        ),
        ("note", "Anything else worth knowing (Enter: nothing)", "same harness as in the estate model", ""),
    ):
        default = data.pop(key, None)
        read = field_reader(key)
        question = Question(key, "leftover", prompt, read, example=example, help=help_text, default=default)
        yield from put(data, key, question)


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
    said: Data = {
        key: value for key, value in provenance.items() if key not in {"author", "shop", "opened", "ended"}
    }
    for field, prompt, example in (
        ("author", "Your handle", "lead.tech"),
        ("shop", "Shop", "Quay Street Garage"),
    ):
        key = f"provenance.{field}"
        read = field_reader(key)
        question = Question(key, "who and when", prompt, read, example=example, default=provenance.get(field))
        yield from put(said, field, question)
    yield from put(said, "opened", _day_question("opened", "Job opened on", provenance.get("opened"), today))
    prompt = "Job ended on" if fixed else "Job ended unfixed on (Enter: still open)"
    ended = provenance.get("ended") or (today.isoformat() if fixed else None)
    yield from put(said, "ended", _day_question("ended", prompt, ended, today, said.get("opened")))
    data["provenance"] = said


def _day_question(
    field: str, prompt: str, default: str | None, today: date, not_before: str | None = None
) -> Question:
    key = f"provenance.{field}"
    read = day_reader(key, today, not_before)
    return Question(
        key, "who and when", prompt, read, example="2026-03-02, today or yesterday", default=default
    )
