"""What a scope showed, in the interview: traffic, levels, looks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from casebase.errors import InputError
from casebase.intake.answers import check_field, field_reader, word_list_reader, word_reader
from casebase.intake.question import Asked, Question, put
from casebase.record.vocabulary import Line, Look, YesNo

Data = dict[str, Any]

_WHEN = {"recessive": "at rest", "dominant": "while a module drives it"}


def ask_waveform(question: Callable[..., Question], lines: tuple[Line, ...]) -> Asked:
    """Ask what the scope showed on `lines`; `question` makes a question of the reading. Returns the waveform."""
    seen: Data = {}
    answers, looks = tuple(YesNo), tuple(Look)
    yield from put(seen, "traffic", question("traffic", "Traffic seen", word_reader(answers), words=answers))
    for level in ("recessive", "dominant"):
        yield from put(seen, level, _level_question(question, level, lines))
    yield from put(
        seen,
        "looks",
        question("looks", "How it looks (several: with ,)", word_list_reader(looks), words=looks),
    )
    note = field_reader("readings[0].waveform.note")
    yield from put(seen, "note", question("waveform_note", "Anything else on it", note))
    return seen


def _level_question(question: Callable[..., Question], level: str, lines: tuple[Line, ...]) -> Question:
    order = f": {'; '.join(lines)}" if lines else ", each with its line"
    return question(
        level,
        f"{level.capitalize()} level in volt{order}",
        _levels_reader(level, lines),
        example="2.5; 2.5" if len(lines) == 2 else "2.5" if lines else "CAN high 2.5; CAN low 2.5",
        help=f"The level of each line {_WHEN[level]}, parted by ;  A - stands for a line not seen.",
    )


def _levels_reader(level: str, lines: tuple[Line, ...]) -> Callable[[str], dict[str, str]]:
    """Return a reader of levels parted by semicolons, in the order of `lines` or each with its line before it."""

    def read(text: str) -> dict[str, str]:
        entries = [entry.strip() for entry in text.split(";")]
        if lines and len(entries) > len(lines):
            raise InputError(f"{len(entries)} levels for {len(lines)} lines: expected {'; '.join(lines)}")
        levels = dict(
            _level(entry, lines[index] if lines else None)
            for index, entry in enumerate(entries)
            if entry != "-"
        )
        check_field(f"readings[0].waveform.{level}", levels)
        return levels

    return read


def _level(entry: str, line: Line | None) -> tuple[str, str]:
    if line is not None:
        return str(line), entry
    named, _, value = entry.removesuffix(" V").rpartition(" ")
    return word_reader(tuple(Line))(named or entry), value
