"""Trials as people write them, `swapped TCM, no change`, read one by one; `Trial.line` is read back as it was.

What a line says beyond action, part, place and outcome is kept: then the whole line is the trial's note.
"""

from __future__ import annotations

import re
from typing import Final

from casebase.errors import InputError
from casebase.intake.trial_words import (
    ACTIONS,
    CONFIGURED,
    KNOWN_GOOD,
    NEW,
    NOT_CONFIGURED,
    OF_A_TEST,
    OUTCOMES,
    USED,
    either,
)
from casebase.record.fields import LONGEST_NAME
from casebase.record.modules import module_key
from casebase.record.trial import FITTED, Outcome, Trial, TrialAction
from casebase.record.vocabulary import Line, YesNo

LONGEST_TRIAL: Final = 400
_EXAMPLE: Final = "such as 'swapped TCM: no change' or 'unplugged ABS: gone'"


_MOST_PARTS: Final = 20
_TESTS: Final = (TrialAction.BENCH_TESTED, TrialAction.LOADED)
_BLANK: Final = "|"
_DELIMITER: Final = re.compile(r"\s*(?:[|,:;()=.]|\s[-\u2013>]+\s|->)\s*")
_ENDS_THE_NAME: Final = either(
    r"with",
    r"for",
    r"from",
    r"using",
    r"but",
    r"when",
    r"while",
    r"to see",
    r"then",
    r"so",
    r"twice",
    r"again",
)
_FILLER: Final = either(
    r"the",
    r"an?",
    r"both",
    r"with",
    r"was",
    r"were",
    r"has been",
    r"have been",
    r"and",
    r"then",
    r"we",
    r"i",
    r"also",
    r"old",
    r"its?",
    r"one",
    r"on",
    r"of",
    r"in",
    r"after",
    r"is",
    r"now",
    r"another",
    r"my",
    r"our",
)
_AT: Final = re.compile(r"\bat (?:the )?(?P<place>\w[^|,:;()=]{0,80})", re.IGNORECASE)
_JOINED: Final = re.compile(r"\s+(?:and|\+|&)\s+", re.IGNORECASE)
_PART: Final = re.compile(
    r"\b(?:connector|plug|splice|joint|fuse|relay|ground|earth|battery|terminator|resistor|harness|loom|wire|strap|sensor)\b"
    r"|^[A-Z]{1,3}-?[0-9]{1,4}[A-Z]?$",
    re.IGNORECASE,
)


def read_trial(text: str) -> Trial:
    """Return the trial that one line tells; raises `InputError` where it does not say what was done to what.

    >>> read_trial("swapped TCM, no change").line()
    'swapped TCM: no change'
    >>> read_trial("used ABS module fitted, not coded: fault still there").line()
    'replaced ABS module (used part, not configured): no change'
    """
    typed = " ".join(text.split())
    if not typed or len(typed) > LONGEST_TRIAL:
        raise InputError(f"not a trial: expected what was done and what followed, {_EXAMPLE}")
    left, told = _said_of_the_part(typed)
    left, outcome = _outcome(left)
    did, before, after = _action(left, typed)
    if did in _TESTS and outcome is None:
        after, outcome = _first_of(OF_A_TEST, after)
    if did in FITTED:
        after, told = _configured_too(after, told)
    after, place = _place(after)
    what, rest = _what(before, after)
    if len(what) > _MOST_PARTS or any(len(name) > LONGEST_NAME for name in (*what, place or "")):
        raise InputError(
            f"names more than {_MOST_PARTS} parts, or one in more than {LONGEST_NAME} characters"
        )
    if not what:
        raise InputError(f"does not say what was {did}: expected what was done and what followed, {_EXAMPLE}")
    return Trial(
        did=did,
        what=what,
        at=place,
        outcome=outcome or Outcome.UNKNOWN,
        note=typed if rest else None,
        **(told if did in FITTED else {}),
    )


def read_trials(text: str) -> tuple[list[Trial], list[tuple[str, str]]]:
    """Return the trials in a text, one a line, and (line, what is wrong with it) of what cannot be read."""
    trials, wrong = [], []
    for line in filter(str.strip, re.split(r"[\n;]", text)):
        try:
            trials.append(read_trial(line))
        except InputError as error:
            wrong.append((line.strip(), str(error)))
    return trials, wrong


def _blanked(text: str, found: re.Match[str]) -> str:
    return f"{text[: found.start()]} {_BLANK} {text[found.end() :]}"


def _said_of_the_part(text: str) -> tuple[str, dict[str, YesNo]]:
    """Return the text without what it says of a part fitted, and that: used or new, configured or not."""
    told: dict[str, YesNo] = {}
    for key, said, pattern in (
        ("configured", YesNo.NO, NOT_CONFIGURED),
        ("used_part", YesNo.YES, USED),
        ("used_part", YesNo.NO, NEW),
    ):
        found = pattern.search(text)
        if found and key not in told:
            told[key] = said
            # A word before the name, as in "used ABS", is not the end of it.
            text = f"{text[: found.start()]} {text[found.end() :]}"
    return KNOWN_GOOD.sub(" ", text), told


def _configured_too(text: str, told: dict[str, YesNo]) -> tuple[str, dict[str, YesNo]]:
    found = CONFIGURED.search(text)
    if not found:
        return text, told
    return _blanked(text, found), {"configured": YesNo.YES} | told


def _outcome(text: str) -> tuple[str, Outcome | None]:
    """Return the text without what followed, and that; raises `InputError` where it says two things."""
    found: list[Outcome] = []
    for outcome, pattern in OUTCOMES:
        match = pattern.search(text)
        if match:
            found.append(outcome)
            text = _blanked(text, match)
    kinds = set(found) - ({Outcome.GONE} if Outcome.RESTORED in found else set())
    if len(kinds) > 1:
        raise InputError(
            f"says two things of what followed ({' and '.join(map(str, found))}): write each trial on a line of its own"
        )
    return text, next(iter(kinds), None)


def _first_of(table: tuple[tuple[Outcome, re.Pattern[str]], ...], text: str) -> tuple[str, Outcome | None]:
    for outcome, pattern in table:
        match = pattern.search(text)
        if match:
            return _blanked(text, match), outcome
    return text, None


def _action(text: str, typed: str) -> tuple[TrialAction, str, str]:
    """Return what was done, and the text before and after it."""
    done: list[tuple[TrialAction, int, int]] = []
    for action, pattern in ACTIONS:
        for match in pattern.finditer(text):
            if not any(start < match.end() and match.start() < end for _, start, end in done):
                done.append((action, *match.span()))
    actions: set[TrialAction] = {action for action, _, _ in done}
    # A part that was fitted and coded is a part fitted.
    actions -= {TrialAction.PROGRAMMED} if len(actions) > 1 else set()
    if not actions:
        listed = ", ".join(TrialAction)
        raise InputError(
            f"'{typed[:60]}' does not say what was done, in one of {listed}: expected {_EXAMPLE}"
        )
    if len(actions) > 1:
        said = " and ".join(sorted(map(str, actions)))
        raise InputError(
            f"says that several things were done ({said}): write each trial on a line of its own"
        )
    action, start, end = min((one for one in done if one[0] in actions), key=lambda one: one[1])
    return action, text[:start], text[end:]


def _place(text: str) -> tuple[str, str | None]:
    found = _AT.search(text)
    if not found:
        return text, None
    place = _ENDS_THE_NAME.split(found["place"], maxsplit=1)[0].strip()
    return _blanked(text, found) if place == found["place"].strip() else text, place or None


def _what(before: str, after: str) -> tuple[list[str], bool]:
    """Return the parts named, after the action or else before it, and whether anything else is said."""
    in_front = [segment for segment in _DELIMITER.split(before) if _bare(segment)]
    behind = [segment for segment in _DELIMITER.split(after) if _bare(segment)]
    follows = bool(_bare(_DELIMITER.split(after.strip(), maxsplit=1)[0]))
    named, rest = (behind, in_front) if follows else (in_front[::-1], behind)
    if not named:
        return [], bool(rest)
    first, *others = named
    name, more = _ended(first.strip()) if follows else (first, "")
    names = _names(name)
    while others and not more and all(map(is_part, _names(others[0]))):
        names += _names(others.pop(0))
    return names, bool(rest or others or more)


def _ended(segment: str) -> tuple[str, str]:
    """Return the name that a segment begins with, and what is said behind it."""
    ends = _ENDS_THE_NAME.search(segment)
    if not ends:
        return segment, ""
    return segment[: ends.start()], _bare(_ENDS_THE_NAME.sub(" ", segment[ends.start() :]))


def _names(segment: str) -> list[str]:
    parts = [name for name in map(_bare, _JOINED.split(segment)) if name]
    return parts if all(map(is_part, parts)) else [_bare(segment)]


def is_part(name: str) -> bool:
    """Return whether a name means a module, a line, or a part of the wiring."""
    known = module_key(name) is not None or _PART.search(name) is not None
    return known or any(name.casefold() == line.casefold() for line in Line)


def _bare(segment: str) -> str:
    """Return a segment without the small words at its ends."""
    words = segment.strip(" .-'\"").split()
    while words and _FILLER.fullmatch(words[0]):
        words.pop(0)
    while words and _FILLER.fullmatch(words[-1]):
        words.pop()
    return " ".join(words)
