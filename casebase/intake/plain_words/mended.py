"""A message set right before rules read it: words of the trade misspelt, and what its writer took back.

What is shown of a correction is all that was typed of it, `2.4, no wait, 2.6 not 2.4`. Words that mean taking back are
common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import cache
from itertools import pairwise
from typing import Final

from casebase.intake.plain_words.written import Edit, Written, rule
from casebase.places import read_table
from casebase.record.modules import module_key, modules_named_in


def mended(message: Written) -> Written:
    """Return a message with its misspelt words spelled right, then without what was taken back."""
    message = message.edited([(*gap.span(), " ") for gap in _GAP.finditer(message.text)])
    spelled = message.edited(
        list(_apart(sorted((*_respelled(message.text), *_said_otherwise(message.text)))))
    )
    return spelled.edited(list(_apart(sorted(_taken_back(spelled.text)))))


_GAP: Final = rule(r"(?<=\S) {2,}(?=\S)")
"""Between the columns of a table."""

# --- misspelt words ---------------------------------------------------------------------------------------------------


@cache
def _trade_words() -> tuple[dict[str, list[str]], frozenset[str]]:
    """Return the words that are known misspelt, by their first letter, and all that are never respelled.

    The first name modules or say what was found, and are long enough to be known by most of their letters; the others
    differ from one of them by a letter or two and are words of their own (from a list of English words).
    """
    rows = read_table("trade_words")
    known: dict[str, list[str]] = {}
    for row in rows:
        if row["known_misspelt"] == "yes":
            known.setdefault(row["word"][0], []).append(row["word"])
    return known, frozenset(row["word"] for row in rows)


_WORD: Final = rule(r"(?<![\w-])[A-Za-z]{5,16}(?![\w-])")
_SHORTEST_WITH_TWO_SLIPS: Final = 9


def _respelled(text: str) -> Iterator[Edit]:
    for word in _WORD.finditer(text):
        right = _right_spelling(word[0].lower())
        if right:
            yield word.start(), word.end(), right


def _spelled_out(match: re.Match[str]) -> str:
    """Return a module's abbreviation spelled out, `a b s`, as it is written; other letters as they are."""
    letters = match[0].replace(" ", "").upper()
    return letters if module_key(letters) else match[0]


_ZERO: Final = rule(r"oh|o|zero|nought", re.IGNORECASE)


def _dictated(match: re.Match[str]) -> str:
    """Return a code said digit by digit, `u oh 1 0 1`, as it is written; what is no whole code as it is."""
    digits = "".join(_ZERO.sub("0", match[2]).split())
    return match[1].upper() + digits if re.fullmatch(r"[0-3][0-9]{3}", digits) else match[0]


def _turned_round(match: re.Match[str]) -> str:
    """Return `the computer of the engine` as `engine computer`, where that names a module; else as it is."""
    head = "computer" if match["head"].lower() == "calculator" else match["head"]
    name = f"{'engine' if match['of'].lower() == 'motor' else match['of']} {head}"
    return name if module_key(name) else match[0]


_SAID_OTHERWISE: Final[tuple[tuple[re.Pattern[str], str | Callable[[re.Match[str]], str]], ...]] = (
    (
        rule(
            r"(?<![\w.,'])([0-9]{1,2})'([0-9]{1,3})(?= ?(?:[kKM]?(?:ohms?|\u03a9)|v(?:olts?)?)\b)",
            re.IGNORECASE,
        ),
        r"\1.\2",
    ),
    (
        rule(
            r"(?<=[a-z])\? (?=(?:silent|dead|mute|nothing|no (?:answer|response|reply|comms)|answers|responds"
            r"|replies|ok"
            r"|fine|there|not there)\b)",
            re.IGNORECASE,
        ),
        ": ",
    ),
    (
        rule(
            r"\b(?P<name>(?:door|seat|mirror|headlamp|headlight|wheel|window)(?: (?:control )?(?:module|unit"
            r"|ecu|controller"
            r"|motor))?) on the (?P<side>left|right)\b",
            re.IGNORECASE,
        ),
        r"\g<side> \g<name>",
    ),
    (
        rule(
            r"\bbetween (?!(?:6|14|4|5|16) )([0-9]{1,4}(?:[.,][0-9]+)?) and (?!(?:6|14|4|5"
            r"|16)\b)([0-9]{1,4}(?:[.,][0-9]+)?)"
            r"(?= ?(?:k?ohms?|\u03a9|v|volts?)\b)",
            re.IGNORECASE,
        ),
        r"\1 to \2",
    ),
    (rule(r"(?<![\w.,])([0-9]{1,3}) point ([0-9]{1,2})\b", re.IGNORECASE), r"\1.\2"),
    (
        rule(
            r"\b(?P<side>left|right|front|rear)(?P<name>(?: (?:front|rear|left|right))? (?:door|seat|mirror|headlamp"
            r"|headlight|wheel)(?: (?:control )?(?:module|unit|ecu|controller))?)\b(?P<between>[^.;\n]{1,60}?)"
            r"\b(?P<other>left|right|front|rear) one\b",
            re.IGNORECASE,
        ),
        r"\g<side>\g<name>\g<between>\g<other>\g<name>",
    ),
    (rule(r"(?<=[0-9]) of an? (?=(?:k|kilo)?ohm|volt)", re.IGNORECASE), " "),
    (rule(r"\bhalf an? (?=ohm|volt|kilo|meg)", re.IGNORECASE), "0.5 "),
    (
        rule(
            r"(?<![\w'])([PCBU]) ?([0-3][0-9A-F]{3}) (?:dash|hyphen|minus) ([0-9A-F]) ?([0-9A-F])(?!\w)",
            re.IGNORECASE,
        ),
        r"\1\2-\3\4",
    ),
    (rule(r"(?<![\w.,])([0-9]+) and a half\b", re.IGNORECASE), r"\1.5"),
    (rule(r"\bgear box\b", re.IGNORECASE), "gearbox"),
    (
        rule(
            r"(?<=[0-9]), (?=(?:ohms?|volts?)\b(?! ?[:=])(?! (?:at|on|in|of|is|are|from|[0-9])))",
            re.IGNORECASE,
        ),
        " ",
    ),
    (
        rule(
            r"\b(?P<head>calculator|computer|module|control unit|controller|ecu|sensor) (?:of|for) (?:the )?"
            r"(?P<of>[a-z]{3,12}(?: angle)?)(?!\w)",
            re.IGNORECASE,
        ),
        _turned_round,
    ),
    (rule(r"(?<=[0-9]) n (?=[0-9]|ground|gnd|earth)", re.IGNORECASE), " and "),
    (rule(r"\b(?:dos'?n'?t|dosent|doesent|doens'?t|dose?nt)\b", re.IGNORECASE), "doesn't"),
    (rule(r"(?<![\w'-])([PCBU])-([0-3][0-9A-F]{3})(?!\w)", re.IGNORECASE), r"\1\2"),
    (rule(r"(?<=\bcode )(?:you|ewe) (?=[0-3][0-9]{3}\b)", re.IGNORECASE), "U"),
    (rule(r"\b(approx|appr|ca|abt|incl|excl|max|min|resp)\.(?= )", re.IGNORECASE), r"\1 "),
    (
        rule(
            r"([.,][0-9]{1,3}|\b[1-4][0-9]) ?voltage\b(?! (?:drop|range|is|was|normal|ok|good))",
            re.IGNORECASE,
        ),
        r"\1 V",
    ),
    (
        rule(r"\b([PCBU][0-3][0-9A-F]{3})(?:: ?|:? (?=0))([0-9A-F]{2})(?![\w.])", re.IGNORECASE),
        r"\1-\2",
    ),
    (rule(r"(?<=[0-9])[ -]?ish\b", re.IGNORECASE), ""),
    (rule(r"(?<=[0-9])( ?[kKM]?)(?:omhs?|ohns?|homs?|oms|hms)\b", re.IGNORECASE), r"\1ohm"),
    (rule(r"(?<![\w/])w/o\b", re.IGNORECASE), "without"),
    (rule(r"(?<![\w/])w/ ?(?=[a-z])", re.IGNORECASE), "with "),
    (rule(r"(?<![\w'])[a-z](?: [a-z]){2}(?![\w'])", re.IGNORECASE), _spelled_out),
    (
        rule(
            r"(?<![\w'])([PCBU])((?: (?:oh|o|zero|nought|[0-9]{1,4})){2,5})\b(?! ?(?:ohms?|v|volts?)\b)",
            re.IGNORECASE,
        ),
        _dictated,
    ),
    (
        rule(
            r"(?<![\w'])([PpUu]) ([0-3][0-9]{3})\b(?! (?:dash|hyphen|minus) )(?! ?(?:ohms?|v|volts?|rpm|km|mi"
            r"|miles|bar)\b)"
        ),
        r"\1\2",
    ),
    (
        rule(
            r"(?<![\w'])([PpUu]) ([1-9][0-9]{2})(?![\w.,]*[0-9])(?! ?(?:ohms?|v|volts?|rpm|km|mi|miles|bar|w|k)\b)"
        ),
        r"\g<1>0\2",
    ),
)
"""Dictated codes, halves, units misspelt, and a module spelled out, with how they are written."""


def _said_otherwise(text: str) -> Iterator[Edit]:
    for pattern, instead in _SAID_OTHERWISE:
        for match in pattern.finditer(text):
            yield *match.span(), match.expand(instead) if isinstance(instead, str) else instead(match)


def _right_spelling(word: str) -> str | None:
    """Return the word that was meant by a misspelt one: the only one nearest to it; None where none is near."""
    by_first_letter, never = _trade_words()
    if word in never:
        return None
    near = [
        (slips, known)
        for known in by_first_letter.get(word[0], ())
        if abs(len(known) - len(word)) <= _slips_allowed(known)
        and (slips := slips_between(word, known)) <= _slips_allowed(known)
    ]
    nearest = sorted(near)[:2]
    return nearest[0][1] if len(nearest) == 1 or (nearest and nearest[0][0] < nearest[1][0]) else None


def _slips_allowed(word: str) -> int:
    return 2 if len(word) >= _SHORTEST_WITH_TWO_SLIPS else 1


def slips_between(first: str, second: str) -> int:
    """Return how many letters were left out, added, changed or swapped with the next between two words.

    >>> slips_between("insturment", "instrument"), slips_between("tranmision", "transmission")
    (1, 2)
    """
    before: list[int] = []
    row = list(range(len(second) + 1))
    for index, letter in enumerate(first, 1):
        older, before, row = before, row, [index]
        for at, other in enumerate(second, 1):
            best = min(before[at] + 1, row[at - 1] + 1, before[at - 1] + (letter != other))
            swapped = index > 1 and at > 1 and letter == second[at - 2] and first[index - 2] == other
            row.append(min(best, older[at - 2] + 1) if swapped else best)
    return row[-1]


# --- words taken back -------------------------------------------------------------------------------------------------

_UNIT: Final = r"(?: ?(?:(?-i:[kKM])|kilo|meg)? ?(?:ohms?|\u03a9|volts?|mv|v)(?!\w)| ?(?-i:[kKMR])(?!\w))"
_STOP: Final = r"[\s,.;:!?()-]{1,5}"
_BACK: Final = (
    rf"{_STOP}(?:(?:no|nope|oh|er|ah|oops|sorry|wait|hang on|hold on|correction|i meant?|make that|make it"
    rf"|scratch that"
    rf"|or rather|actually|typo|wrong){_STOP}){{1,4}}"
)
_IT_IS: Final = r"(?:(?:it'?s|it is|it was|that'?s|that is|is|was|should be|should read|make it)\s){0,1}"
_STRONG: Final = rule(
    r"\b(?:sorry|wait|hang on|hold on|correction|meant?|make (?:that|it)|scratch that|rather|actually|typo|oops"
    r"|wrong)\b|[,.;]\s?no\s?[,.;]",
    re.IGNORECASE,
)
_LINE: Final = r"(?:the )?(?:can[ -]?)?(?:high|low|hi|lo|h|l)\b(?: is| was| at|:|=)?\s?"
_NUMBER_BACK: Final = rule(
    rf"(?<![\w.,/-])(?P<old>[0-9]+(?:[.,][0-9]+)?)(?P<unit>{_UNIT})?(?P<back>{_BACK}){_IT_IS}(?P<line>{_LINE})?"
    rf"(?P<new>[0-9]+(?:[.,][0-9]+)?)(?P<new_unit>{_UNIT})?(?![\w%/]|[.,][0-9])"
    r"(?!\s?(?:to|and|&|-)\s?[0-9])(?!\s(?:is|has|was|reads?)\b)"
    rf"(?:,?\s(?:and )?(?:not|instead of|rather than)\s[0-9]+(?:[.,][0-9]+)?(?:{_UNIT})?(?![\w]))?",
    re.IGNORECASE,
)
_NOT_THE_OTHER: Final = rule(
    rf"(?<![\w.,/-])(?P<new>[0-9]+(?:[.,][0-9]+)?)(?P<new_unit>{_UNIT})?,?\s(?:and )?(?:not|instead of|rather than)\s"
    rf"(?P<old>[0-9]+(?:[.,][0-9]+)?)(?P<unit>{_UNIT})?(?![\w%/]|[.,][0-9])",
    re.IGNORECASE,
)
_NOT_BUT: Final = rule(
    rf"\bnot (?P<old>[0-9]+(?:[.,][0-9]+)?)(?P<unit>{_UNIT})?,? but "
    rf"(?P<new>[0-9]+(?:[.,][0-9]+)?)(?P<new_unit>{_UNIT})?(?![\w%/]|[.,][0-9])",
    re.IGNORECASE,
)
_CODE_BACK: Final = rule(
    rf"\b(?P<old>[PCBU][0-3][0-9A-F]{{3}}(?:-[0-9A-F]{{2}})?)(?P<back>{_BACK}){_IT_IS}"
    r"(?P<new>[PCBU][0-3][0-9A-F]{3}(?:-[0-9A-F]{2})?)(?![\w-])",
    re.IGNORECASE,
)
_NAME_BACK: Final = rule(
    rf"(?P<back>{_BACK}){_IT_IS}(?:(?:in|from|with|to|on|of|the) ){{0,2}}", re.IGNORECASE
)


def _taken_back(text: str) -> Iterator[Edit]:
    """Yield what was said and taken back, with what was said instead."""
    if _ANOTHER.search(text):
        for pattern in (_NOT_BUT, _NOT_THE_OTHER):
            yield from ((*match.span(), _with_unit(match)) for match in pattern.finditer(text))
    if _STRONG.search(text):
        yield from _plainly_taken_back(text)


_ANOTHER: Final = rule(r"\b(?:not|instead|rather) ", re.IGNORECASE)


def _plainly_taken_back(text: str) -> Iterator[Edit]:
    """Yield the numbers, codes and names that a word such as `sorry` takes back; most messages hold none."""
    for match in _NUMBER_BACK.finditer(text):
        if _STRONG.search(match["back"]) and _same_line(text, match):
            yield *match.span(), _with_unit(match)
    for match in _CODE_BACK.finditer(text):
        if _STRONG.search(match["back"]):
            yield *match.span(), match["new"]
    for first, second in pairwise(modules_named_in(text, strict=False)):
        between = _NAME_BACK.fullmatch(text, first.end, second.start)
        if between and _STRONG.search(between["back"]):
            yield first.start, second.end, text[second.start : second.end]


def _with_unit(match: re.Match[str]) -> str:
    """Return the number that counts, with the unit of the other where it has none of its own."""
    return match["new"] + (match["new_unit"] or match["unit"] or "")


def _same_line(text: str, match: re.Match[str]) -> bool:
    """Return whether the number said instead is of no other line than the one taken back."""
    if not match["line"]:
        return True
    line = match["line"].strip(" :=").casefold().split(" ")[0]
    return text[max(0, match.start() - 16) : match.start()].casefold().strip(" :=").endswith(line)


def _apart(edits: list[Edit]) -> Iterator[Edit]:
    """Yield the edits that overlap none before them."""
    done = 0
    for edit in edits:
        if edit[0] >= done:
            yield edit
            done = edit[1]
