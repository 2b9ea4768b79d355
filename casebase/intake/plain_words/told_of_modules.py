"""Which modules a message calls silent or answering.

A phrase such as "no comms with" speaks of the modules listed behind it, "not answering" of those in front of it. Behind
a code the same words are the code's own text, and say nothing of who is silent.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from casebase.intake.plain_words.lists_of_modules import (
    ANSWERING,
    ANSWERING_LIST,
    ANSWERS,
    BACKWARD,
    FORWARD,
    SILENT,
    listed_before,
    listed_behind,
)
from casebase.intake.plain_words.marks import Marks, last_before, within
from casebase.intake.plain_words.named_modules import Named
from casebase.intake.plain_words.said_in_passing import SPOKE_OF_TALKING, is_in_passing
from casebase.intake.plain_words.verdicts import verdicts_in
from casebase.intake.plain_words.written import Clause, Span, rule
from casebase.intake.scan_codes import FoundCode
from casebase.record.modules import module_identity

_IN_CONTRAST: Final = rule(r"(?:and|but) not|not even", re.IGNORECASE)
_DENIED_WORD: Final = rule(r"(?:\b(?:no|not|never|without|doesnt|dont)|n't)\s$", re.IGNORECASE)
_EVERYONE: Final = rule(
    r"\b(?:all|every|everything|everybody|nothing|nobody|none|anything|anybody|no) ?(?:other )?(?:modules?"
    r"|ecus?|units?|one|else)?\b",
    re.IGNORECASE,
)
_EXCEPT: Final = rule(r"\b(?:except(?: for)?|apart from|bar|besides|other than|only|but)\b", re.IGNORECASE)
_LAMP_BEHIND: Final = rule(
    r"\s(?:warning )?(?:lamps?|lights?|fuse|relay|telltale|pins?|wires?|wiring|cover|bracket|loom|harness)\b",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Said:
    """A module that the message calls silent or answering, and the words that say it."""

    name: str
    answers: str
    spans: tuple[Span, ...]


def modules_said(marks: Marks, codes: list[FoundCode]) -> list[Said]:
    """Return the modules that a message calls silent or answering, each once; the last word on a module counts."""
    found: dict[str, Said] = {}
    plainly = list(_all_said(marks, codes))
    for said in (*plainly, *_said_as_well(marks, plainly)):
        before = found.get(module_identity(said.name))
        if before is None or before.answers != said.answers:
            found[module_identity(said.name)] = said
    texts = {place for code in codes for place in range(*text_of_code(marks.message.text, code))}
    for one in verdicts_in(marks, texts, others_are_told=bool(found)):
        spans = (one.span, (one.name.start, one.name.end))
        found.setdefault(module_identity(one.name.name), Said(one.name.name, one.answers, spans))
    return sorted(found.values(), key=lambda said: said.spans[0])


_AS_WELL: Final = rule(
    r"\b(?:so (?:does|do|is|are|has|have|did)|(?:neither|nor) (?:does|do|is|are|has|have|did|will|can|would)"
    r"|same (?:for|with"
    r"|goes for))"
    r"(?= )",
    re.IGNORECASE,
)


_SAME_OF_IT: Final = rule(
    r"\s(?:is )?(?:the )?(?:same|likewise|too|as well|ditto|n?either)(?=\s*(?:[.,;\n]|$))", re.IGNORECASE
)
_NOT_ALONE: Final = rule(r"\s(?:not|no|nope)(?=\s*(?:[.,;\n]|$))", re.IGNORECASE)
_AND_THEN: Final = rule(r",? (?:and )?(?:then|followed by|and later) (?:the )?", re.IGNORECASE)


def _said_briefly(marks: Marks, plainly: list[Said]) -> Iterator[Said]:
    """Yield what is said of a module by a word behind its name: `ABS I have, gearbox not`, `TCM silent, ABS same`."""
    text = marks.message.text
    for name in marks.modules:
        start = marks.clause_at(name.start).sentence[0]
        before = [one for one in plainly if start <= one.spans[0][0] < name.start]
        same, no = _SAME_OF_IT.match(text, name.end), _NOT_ALONE.match(text, name.end)
        if before and same:
            yield Said(name.name, before[-1].answers, ((name.start, same.end()),))
        elif no and any(one.answers == ANSWERS for one in before):
            yield Said(name.name, SILENT, ((name.start, no.end()),))
    for said in plainly:
        then = _AND_THEN.match(text, said.spans[0][1])
        follows = within(marks.modules, then.end(), then.end() + 1) if then else ()
        if follows and re.match(r"\s*(?:[.,;\n]|$)", text[follows[0].end :][:4]):
            yield Said(follows[0].name, said.answers, ((follows[0].start, follows[0].end),))


def _said_as_well(marks: Marks, plainly: list[Said]) -> Iterator[Said]:
    """Yield what is said of more modules by pointing back: `TCM refuses to talk and so does the EPB`."""
    yield from _said_briefly(marks, sorted(plainly, key=lambda one: one.spans[0]))
    for match in _AS_WELL.finditer(marks.message.text):
        start = marks.clause_at(match.start()).sentence[0]
        before = [one for one in plainly if start <= one.spans[0][0] < match.start()]
        if before:
            last = max(before, key=lambda one: one.spans[0])
            for name in listed_behind(marks, match.end()):
                yield Said(name.name, last.answers, (*last.spans[:1], match.span(), (name.start, name.end)))


def _all_said(marks: Marks, codes: list[FoundCode]) -> Iterator[Said]:
    text = marks.message.text
    in_texts_of_codes = {place for code in codes for place in range(*text_of_code(text, code))}
    done: set[int] = set()
    for pattern, forward, answers in (
        (FORWARD, True, SILENT),
        (BACKWARD, False, SILENT),
        (ANSWERING_LIST, True, ANSWERS),
        (ANSWERING, False, ANSWERS),
    ):
        for match in pattern.finditer(text):
            overlaps = not done.isdisjoint(range(*match.span()))
            denied = answers == ANSWERS and _DENIED_WORD.search(
                text[max(0, match.start() - 12) : match.start()]
            )
            if overlaps or denied or match.start() in in_texts_of_codes or _is_other_contrast(marks, match):
                continue
            if _is_what_a_code_says(marks, codes, match):
                continue
            if answers == ANSWERS and _is_conditional(marks, match):
                continue
            said = list(_said(marks, match, answers, forward=forward))
            if said:
                done.update(range(*match.span()))
            yield from said


_REPORTS_THAT: Final = rule(
    r"\b(?:report|log|stor|flag|record|set|complain|throw|code|dtc|fault|error)\w*(?: for| of| a| the| about|:)* \Z",
    re.IGNORECASE,
)


def _is_what_a_code_says(marks: Marks, codes: list[FoundCode], match: re.Match[str]) -> bool:
    """Return whether `lost comms with` is what a module is said to store: `ECM reports lost comms with ABS, U0121`."""
    told = _REPORTS_THAT.search(marks.message.text, max(0, match.start() - 30), match.start())
    at = last_before(marks.modules, match.start())
    is_subject = (
        at >= 0 and match.start() - marks.modules[at].end == 1 and match[0].lower().startswith("lost")
    )
    return bool((told or is_subject) and within(codes, *marks.clause_at(match.start()).sentence))


_CONDITION: Final = rule(
    r"\s*(?:and |but |so )?(?:if|when|once|after|until|unless|as soon as)\b", re.IGNORECASE
)


_ONLY_THEN: Final = rule(
    r"[^,.;]{0,20}\b(?:only|just) (?:if|when|once|after|until|with|while|for)\b|[^,.;]{0,12}\b(?:if|until|unless)\b",
    re.IGNORECASE,
)


def _is_conditional(marks: Marks, match: re.Match[str]) -> bool:
    """Return whether a clause says what answers only then: `if I unplug the ABS the TCM answers`."""
    clause = marks.clause_at(match.start())
    text = marks.message.text
    return bool(_CONDITION.match(text, clause.start) or _ONLY_THEN.match(text[: clause.end], match.end()))


def _is_other_contrast(marks: Marks, match: re.Match[str]) -> bool:
    """Return whether `but not` or `not even` follows on nothing that was said of talking: `swapped ABS but not TCM`."""
    start = max(0, match.start() - _LONGEST_CONTRAST)
    return bool(
        _IN_CONTRAST.match(match[0]) and not SPOKE_OF_TALKING.search(marks.message.text, start, match.start())
    )


_LONGEST_CONTRAST: Final = 60


def text_of_code(text: str, code: FoundCode) -> Span:
    """Return the span behind a code in which "lost communication with" is the code's own text."""
    begins = _BEGINS_TEXT.match(text, code.end) or _EXPLAINS.match(text, code.end)
    if not begins:
        return code.end, code.end
    stop = _ENDS_TEXT.search(text, begins.end())
    return code.end, stop.start() if stop else len(text)


_BEGINS_TEXT: Final = rule(r"[ \-:,.(=\"]{1,4}(?:lost |loss of |no |invalid )", re.IGNORECASE)
_EXPLAINS: Final = rule(
    r"[^.;\n]{0,50}?(?:\b(?:which|that|it|this)? ?(?:is|means?|meaning|stands for|says|being|i\.?e\.?"
    r"|for)\s(?:the )?|code )"
    r"[\"(]?(?:lost|loss of|no comm?s?|no communication|invalid|missing)\b",
    re.IGNORECASE,
)
"""Behind a code that is explained in words: `U0164 in the BCM, which is lost communication with HVAC`."""
_ENDS_TEXT: Final = rule(r"\n|[,;.](?=\s)|[)\"]|\b(?:and|but) (?=(?:also )?(?:an? )?[UPCB][0-3])")


def _said(marks: Marks, match: re.Match[str], answers: str, *, forward: bool) -> Iterator[Said]:
    text = marks.message.text
    names = (
        listed_behind(marks, match.end())
        if forward
        else _without_holders(text, listed_before(marks, match.start()), match.start())
    )
    if not names and not forward:
        names = (_named_first(marks, match.start()) if answers == SILENT else []) or _meant(
            marks, match.start()
        )
    answers = _turned_in_front(text, names, answers) if not forward else answers
    if not names and not forward:
        names = (
            listed_behind(marks, match.end())
            if _SAID_OF_NEXT.match(text, match.end())
            or _ONLY_THAT.search(text[max(0, match.start() - 30) : match.start()])
            else []
        )
    span = match.span()
    if names:
        for name in names:
            if is_in_passing(text, match, names[0]):
                break
            if not _LAMP_BEHIND.match(text, name.end):
                yield Said(name.name, answers, (span, (name.start, name.end)))
    other = ANSWERS if answers == SILENT else SILENT
    for name in _excepted(marks, match):
        turned = _turned(marks, match, answers, other)
        yield Said(name.name, turned, (span, (name.start, name.end)))


_JOINED_LATER: Final = rule(
    r"(?:\bbut|\band|\byet|\bthough|,)\s(?:it |still |there is |there's |gives |just )*$", re.IGNORECASE
)
_BEGINS_SENTENCE: Final = rule(r"\s*(?:the |my |and |so |but |now |then )*$", re.IGNORECASE)
_HAS: Final = rule(r"(?: module| unit| ecu)?(?: (?:has|have|gets?|got|is|with|on)\b|\s?[:=])", re.IGNORECASE)
_MEANT: Final = rule(
    r"(?:^|[.,;:\n-])\s*(?:and |but |so |now |then |the )*(?P<noun>it|he|that one|this one|sensor|module|unit"
    r"|ecu|controller"
    r"|computer|control unit)(?: (?:still|now|also|just|then|only|never|again|itself|simply|really)){0,2}\s?$",
    re.IGNORECASE,
)
"""What points back, at the start of a clause, to the module a sentence or the one before it spoke of."""


def _meant(marks: Marks, place: int) -> list[Named]:
    """Return the one module that `it` or `the sensor` stands for: of its sentence, else of the one before it."""
    text = marks.message.text
    start, _ = marks.clause_at(place).sentence
    pointer = _MEANT.search(text[start:place])
    if not pointer:
        return []
    at = last_before(marks.clauses, start)
    for begin, end in (
        (start, start + pointer.start("noun")),
        marks.clauses[at].sentence if at >= 0 else (0, 0),
    ):
        noun = pointer["noun"].lower() if pointer["noun"].lower() in _SORTS else ""
        names = {
            module_identity(one.name): one
            for one in within(marks.modules, begin, end)
            if one.name.lower().endswith(noun)
        }
        if names:
            return list(names.values()) if len(names) == 1 else []
    return []


_SORTS: Final = ("sensor", "controller", "computer")
"""Words that stand only for a module whose name ends with them."""


def _named_first(marks: Marks, place: int) -> list[Named]:
    """Return the one module that a sentence speaks of from its start: `ABS has 12.6 at its plug but no answer`."""
    text = marks.message.text
    start, _ = marks.clause_at(place).sentence
    names = within(marks.modules, start, place)
    if not names or len({module_identity(one.name) for one in names}) > 1:
        return []
    first = names[0]
    begin = marks.clause_at(first.start).start
    told = _BEGINS_SENTENCE.fullmatch(text, begin, first.start) and _HAS.match(text, first.end)
    return [first] if told and _JOINED_LATER.search(text, first.end, place) else []


_NEITHER: Final = rule(
    r"\b(?:neither|nor|none|not (?:one|1|a single one))(?: of)? (?:the |my )?$", re.IGNORECASE
)
_NO_SUCH: Final = rule(r"\bno (?:other |single )?$", re.IGNORECASE)
"""Before a kind of module that does not answer: `no door module answers`."""
_ALL_BUT: Final = rule(
    r"\b(?P<who>everything|everyone|everybody|all(?: (?:the )?(?:modules|others?))?|nothing|nobody|no (?:module|one)"
    r"|none)"
    r" (?:else )?(?:but|except(?: for)?|bar|apart from|other than|save) (?:the |for the )?$",
    re.IGNORECASE,
)


def _turned_in_front(text: str, names: list[Named], answers: str) -> str:
    """Return what is said of a list that `neither` or `everything but` stands in front of: the other way round."""
    if not names:
        return answers
    window = text[max(0, names[0].start - 40) : names[0].start]
    other = ANSWERS if answers == SILENT else SILENT
    but = _ALL_BUT.search(window)
    if but:
        return answers if but["who"].lower().startswith("no") and answers == ANSWERS else other
    return SILENT if _NEITHER.search(window) or _NO_SUCH.search(window) else answers


_HOLDS_A_CODE: Final = rule(
    r"[0-9A-F]{4}(?:-[0-9A-F]{2})?(?: [a-z]{2,12}){0,3} (?:in|from|by) (?:the )?$", re.IGNORECASE
)


def _without_holders(text: str, names: list[Named], end: int) -> list[Named]:
    """Return a list of modules without those that hold a code: of `U0140 in ECM, BCM silent` BCM alone."""
    comma = max(text.rfind(stop, names[0].end, end) for stop in ",;") if names else -1
    if comma < 0 or not _HOLDS_A_CODE.search(text[: names[0].start][-60:]):
        return names
    return [name for name in names if name.start > comma]


_SAID_OF_NEXT: Final = rule(r"\"?(?:\s?:| (?:with|from|to|on|for) )")
_ONLY_THAT: Final = rule(r"\bonly (?:\w+ )?(?:that|which|who)(?: still)? $", re.IGNORECASE)


def _clause_of(marks: Marks, place: int) -> Clause | None:
    return marks.clause_at(place) if marks.clauses else None


def _turned(marks: Marks, match: re.Match[str], answers: str, other: str) -> str:
    """Return what is said of an exception: `nothing talks except ECM` means that ECM answers."""
    clause = _clause_of(marks, match.start())
    before = marks.message.text[clause.start if clause else 0 : match.start()]
    nobody = re.search(r"\b(?:nothing|nobody|none|no)\b", before, re.IGNORECASE)
    return answers if nobody and answers == ANSWERS else other


def _excepted(marks: Marks, match: re.Match[str]) -> list[Named]:
    """Return the modules named as exceptions right behind a phrase that speaks of everybody."""
    text = marks.message.text
    sentence = _clause_of(marks, match.start())
    if sentence is None or not _EVERYONE.search(text, sentence.start, match.end() + 24):
        return []
    told = _EXCEPT.search(text, match.end(), min(sentence.sentence[1], match.end() + 24))
    names = listed_behind(marks, told.end()) if told else []
    is_clause = told and told[0].lower() == "but" and names and not _ENDS.match(text, names[-1].end)
    return [] if is_clause else names


_ENDS: Final = rule(r"\s*(?:[.,;:\n]|$)")
