"""Which modules a message calls silent or answering, and which module stores each of its codes.

A phrase such as "no comms with" speaks of the modules listed behind it, "not answering" of those in front of it. Behind
a code the same words are the code's own text, and say nothing of who is silent.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from casebase.intake.plain_words.marks import Marks, last_before, within
from casebase.intake.plain_words.states import Named
from casebase.intake.plain_words.written import Clause, Span, Written
from casebase.intake.scan_codes import FoundCode, codes_in_line
from casebase.record.modules import module_identity

SILENT: Final = "silent"
ANSWERS: Final = "answers"

_COMMS: Final = r"(?:comm?s?|communications?|contact|connection|response|answers?|reply|replies)"
_FORWARD: Final = re.compile(
    rf"\b(?:no|lost|loses?|losing|lost of|loss of|without) (?:all )?{_COMMS}(?: (?:with|to|from|of|on|at))?(?=\W|$)"
    rf"|\b{_COMMS} (?:is |are )?(?:lost|gone|missing) (?:to|with|from)\b"
    r"|\b(?:unable to|can(?:not|'?t| not)|could(?: not|n'?t)|won'?t) (?:communicate|connect|talk|get|reach|see"
    r"|find)(?: (?:with|to|into|in))?\b"
    r"|\b(?:lost of|lost|nothing from|not seeing|modules? lost:)(?=\s)"
    r"|\b(?:not present|missing|silent|dead|lost|no answer|offline) ?:|(?:(?<=^)|(?<=[,.;:] ))dead(?= )",
    re.IGNORECASE,
)
_BACKWARD: Final = re.compile(
    r"\b(?:(?:is|are|was|does|do|did|has|have|he|it|will|still) )?(?:not|n't|don'?t|doesn'?t|isn'?t|aren'?t"
    r"|no longer|never) "
    r"(?:respond\w*|answer\w*|communicat\w*|repl\w+|reach\w*|talk\w*|there|online|seen|found|showing up)"
    r"|\b(?:is |are |has |have |gives? )?no (?:response|answer|reply|comm?s|communications?"
    r"|contact)\b(?! (?:with|to|from|of|on)\b)"
    r"|\b(?:is |are |was |were |gets )?lost\b(?! (?:all |any )?(?:com|contact|conn|with|of)| ?:)"
    r"|\b(?:is |are |stays? |goes |went |all )?(?:silent|dead|offline|mute|unreachable|missing)\b(?! ?:)"
    r"|\b(?:drops?|dropp(?:ed|ing)|falls?) (?:off|out)\b"
    r"|\bunable to communicate\b|\bcannot be reached\b|\bcan(?:not|'?t) be reached\b",
    re.IGNORECASE,
)
_ANSWERING: Final = re.compile(
    r"\b(?:answer|respond|repl(?:y|ie)|talk|communicate)(?:s|es|ed|ing)?(?: again)?\b(?! (?:to|with|from))|(?::"
    r"| is| are)? ?\b(?:online|alive|ok)\b(?= *[;,.\n]| *$)",
    re.IGNORECASE,
)
_ANSWERING_LIST: Final = re.compile(r"\b(?:answering|answers|online|talking|alive) ?:", re.IGNORECASE)
_DENIED_WORD: Final = re.compile(r"(?:\b(?:no|not|never|without|doesnt|dont)|n't)\s$", re.IGNORECASE)
_EVERYONE: Final = re.compile(
    r"\b(?:all|every|everything|everybody|nothing|nobody|none|anything|anybody|no) ?(?:other )?(?:modules?"
    r"|ecus?|units?|one|else)?\b",
    re.IGNORECASE,
)
_EXCEPT: Final = re.compile(r"\b(?:except(?: for)?|apart from|bar|besides|other than|only)\b", re.IGNORECASE)
_BETWEEN_NAMES: Final = re.compile(
    r"\s{0,2}(?:,|;|/|&|\+|\band\b|\bor\b|,\s?and\b|\balso\b|\bno comms\b){0,2}\s{0,2}(?:also |then )?(?:to "
    r"|with |from )?(?:the |his |its |a |my )?\s{0,2}(?:module |unit )?",
    re.IGNORECASE,
)
_LEADS_TO_NAME: Final = re.compile(
    r"[\s:\-]{0,3}(?:(?:with|to|from|of|on|at|by|in|the|a|any|his|my|module|modules|unit|ecu|both|either"
    r"|anything else|just|only)\b[\s:]{0,2}){0,4}",
    re.IGNORECASE,
)
_LEADS_FROM_NAME: Final = re.compile(
    r"[\s:,=>()-]{0,4}(?:(?:module|unit|ecu|itself|both|all|also|now|still|at random|sometimes|too|and it|he|it"
    r"|just|which|that|only)\b[\s,]{0,2}){0,3}",
    re.IGNORECASE,
)


_LAMP_BEHIND: Final = re.compile(r"\s(?:warning )?(?:lamps?|lights?|fuse|relay|telltale)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Said:
    """A module that the message calls silent or answering, and the words that say it."""

    name: str
    answers: str
    spans: tuple[Span, ...]


@dataclass(frozen=True)
class ToldCode:
    """A code, the module storing it as written, and the words used; `is_denied` where it is said not to be there."""

    found: FoundCode
    module: str | None
    spans: tuple[Span, ...]
    is_denied: bool = False


def modules_said(marks: Marks, codes: list[FoundCode]) -> list[Said]:
    """Return the modules that a message calls silent or answering, each once; the last word on a module counts."""
    found: dict[str, Said] = {}
    for said in _all_said(marks, codes):
        before = found.get(module_identity(said.name))
        if before is None or before.answers != said.answers:
            found[module_identity(said.name)] = said
    return sorted(found.values(), key=lambda said: said.spans[0])


def _all_said(marks: Marks, codes: list[FoundCode]) -> Iterator[Said]:
    text = marks.message.text
    in_text_of_code = {place for code in codes for place in range(*_text_of_code(text, code))}
    done: set[int] = set()
    for pattern, forward, answers in (
        (_FORWARD, True, SILENT),
        (_BACKWARD, False, SILENT),
        (_ANSWERING_LIST, True, ANSWERS),
        (_ANSWERING, False, ANSWERS),
    ):
        for match in pattern.finditer(text):
            overlaps = not done.isdisjoint(range(*match.span()))
            denied = answers == ANSWERS and _DENIED_WORD.search(
                text[max(0, match.start() - 12) : match.start()]
            )
            if overlaps or denied or match.start() in in_text_of_code:
                continue
            said = list(_said(marks, match, answers, forward=forward))
            if said:
                done.update(range(*match.span()))
            yield from said


def _text_of_code(text: str, code: FoundCode) -> Span:
    """Return the span behind a code in which "lost communication with" is the code's own text."""
    if not _BEGINS_TEXT.match(text, code.end):
        return code.end, code.end
    stop = _ENDS_TEXT.search(text, code.end)
    return code.end, stop.start() if stop else len(text)


_BEGINS_TEXT: Final = re.compile(r"[ \-:,.]{1,4}(?:lost |loss of |no |invalid )", re.IGNORECASE)
_ENDS_TEXT: Final = re.compile(r"\n|[,;.](?=\s)")


def _said(marks: Marks, match: re.Match[str], answers: str, *, forward: bool) -> Iterator[Said]:
    text = marks.message.text
    names = _listed_behind(marks, match.end()) if forward else _listed_before(marks, match.start())
    if not names and not forward:
        names = (
            _listed_behind(marks, match.end())
            if text[match.end() : match.end() + 5].startswith((" with", " from", " to", ":", " :"))
            else []
        )
    span = match.span()
    if names:
        for name in names:
            if not _LAMP_BEHIND.match(text, name.end):
                yield Said(name.name, answers, (span, (name.start, name.end)))
    other = ANSWERS if answers == SILENT else SILENT
    for name in _excepted(marks, match):
        turned = _turned(marks, match, answers, other)
        yield Said(name.name, turned, (span, (name.start, name.end)))


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
    return _listed_behind(marks, told.end()) if told else []


def _listed_behind(marks: Marks, place: int) -> list[Named]:
    text = marks.message.text
    leads = _LEADS_TO_NAME.match(text, place)
    index = last_before(marks.modules, place) + 1
    if index == len(marks.modules) or leads is None or marks.modules[index].start > leads.end():
        return []
    names = [marks.modules[index]]
    for one in marks.modules[index + 1 : index + _MOST_LISTED]:
        if not _BETWEEN_NAMES.fullmatch(text, names[-1].end, one.start):
            break
        names.append(one)
    return _until_other_word(marks, names)


_MOST_LISTED: Final = 60
"""Modules in one list: more than a vehicle has on one bus."""


def _until_other_word(marks: Marks, names: list[Named]) -> list[Named]:
    """Return the names of a list but those that a word of their own stands behind: `no comms ABS, EPS answers`."""
    kept = names[:1]
    for one in names[1:]:
        if _own_word(marks.message, one):
            break
        kept.append(one)
    return kept


def _own_word(message: Written, name: Named) -> bool:
    leads = _LEADS_FROM_NAME.match(message.text, name.end)
    end = leads.end() if leads else name.end
    return bool(_ANSWERING.match(message.text, end) or _BACKWARD.match(message.text, end))


def _listed_before(marks: Marks, place: int) -> list[Named]:
    text = marks.message.text
    at = last_before(marks.modules, place) + 1
    before = marks.modules[max(0, at - _MOST_LISTED) : at]
    if not before or before[-1].end > place or not _LEADS_FROM_NAME.fullmatch(text, before[-1].end, place):
        return []
    names = [before.pop()]
    while (
        before
        and _BETWEEN_NAMES.fullmatch(text, before[-1].end, names[0].start)
        and not _own_word(marks.message, before[-1])
    ):
        names.insert(0, before.pop())
    return _after_other_phrase(marks, names)


def _after_other_phrase(marks: Marks, names: list[Named]) -> list[Named]:
    """Return the names of a list from the last that no phrase in front of it already speaks of."""
    for index in range(len(names) - 1, 0, -1):
        window = marks.message.text[max(0, names[index].start - 24) : names[index].start]
        told = list(_FORWARD.finditer(window))
        if told and _LEADS_TO_NAME.fullmatch(window, told[-1].end()):
            return names[index:]
    return names


# --- codes ------------------------------------------------------------------------------------------------------------

_STORED_BY: Final = re.compile(
    r"[\s,;()]{0,3}(?:(?:and|is|are|was|were|both|all|set|stored|reported|logged|history|active|pending|confirmed|intermittent|present)[\s,]{1,2}){0,4}"
    r"(?:in|from|by|at|on|of|@)\s(?:the |my )?",
    re.IGNORECASE,
)
_RIGHT_BEHIND: Final = re.compile(r"\s{1,2}(?:->\s|in\s|\([a-z ]{4,16}\)\s)?")
_BETWEEN_CODES: Final = re.compile(r"[\s,;/&+]{0,3}(?:and\s|also\s|[0-9]x\s){0,2}", re.IGNORECASE)
_STORES: Final = re.compile(
    r"\s{0,2}(?:module |unit |ecu |itself )?(?:\([^()\n]{0,20}\))?\s{0,2}(?:(?:also |only |just )?(?:stores?"
    r"|has|have|had|reports?|logs?|sets?|shows?|says|with|got|gives)(?: codes?)?\s|[:=(]\s?|codes?\s"
    r"|-\s)\s{0,2}(?:codes? )?",
    re.IGNORECASE,
)
_DENIED_BEFORE: Final = re.compile(
    r"\b(?:no|not|without|never|nor|cleared)\s(?:a |any |more |the )?$", re.IGNORECASE
)
_DENIED_BEHIND: Final = re.compile(
    r"\s?\??,?\s{0,2}(?:(?:is |was )?(?:not present|not there|not stored|not set)|no(?= sorry|\b(?! (?:comm?s"
    r"|communication|response|answer|reply|contact|change))))",
    re.IGNORECASE,
)
_SAME_MODULE: Final = re.compile(r"\s(?:in the )?same module\b", re.IGNORECASE)


def codes_found(message: Written) -> list[FoundCode]:
    """Return the codes of the message, in order, with their places in its text."""
    found: list[FoundCode] = []
    start = 0
    for stop in (*_STOPS.finditer(message.text), None):
        end = stop.start() if stop else len(message.text)
        codes = codes_in_line(message.text[start:end])
        found += [FoundCode(start + one.start, start + one.end, one.code) for one in codes]
        start = stop.end() if stop else end
    return found


_STOPS: Final = re.compile(r"\n|[.!?]\s")


def codes_said(marks: Marks, codes: list[FoundCode]) -> list[ToldCode]:
    """Return each code with the modules storing it: listed behind it, else named in front of it."""
    text = marks.message.text
    found: list[ToldCode] = []
    heading: str | None = None
    for index, code in enumerate(codes):
        span = (code.start, code.end)
        if _DENIED_BEFORE.search(text[max(0, code.start - 16) : code.start]) or _DENIED_BEHIND.match(
            text, code.end
        ):
            found.append(ToldCode(code, None, (span,), is_denied=True))
            continue
        names = _storing_behind(marks, codes, index)
        in_front = _storing_in_front(marks, code)
        joined = bool(index) and _BETWEEN_CODES.fullmatch(text, codes[index - 1].end, code.start) is not None
        heading = in_front.name if in_front else heading if joined else None
        if _SAME_MODULE.match(text, code.end) and found:
            found.append(ToldCode(code, found[-1].module, (span,)))
        elif in_front or (heading and not names):
            spans = (span, (in_front.start, in_front.end)) if in_front else (span,)
            found.append(ToldCode(code, heading, spans))
        elif names:
            found += [ToldCode(code, name.name, (span, (name.start, name.end))) for name in names]
        else:
            beside = _beside_in_front(marks, codes, code)
            found.append(ToldCode(code, beside.name if beside else None, (span,)))
    return found


def _beside_in_front(marks: Marks, codes: list[FoundCode], code: FoundCode) -> Named | None:
    """Return the module right in front of a code, where no other code stands right in front of that: `BCM B1234`."""
    text = marks.message.text
    at = last_before(marks.modules, code.start)
    name = marks.modules[at] if at >= 0 else None
    if not name or text[name.end : code.start].strip(" ") or not name.is_clear:
        return None
    other = last_before(codes, name.start)
    behind_code = other >= 0 and not text[codes[other].end : name.start].strip(" ")
    return None if behind_code else name


def _storing_behind(marks: Marks, codes: list[FoundCode], index: int) -> list[Named]:
    """Return the modules behind a code, or behind the list of codes that it stands in."""
    text = marks.message.text
    last = index
    while last + 1 < min(len(codes), index + _MOST_LISTED) and _BETWEEN_CODES.fullmatch(
        text, codes[last].end, codes[last + 1].start
    ):
        last += 1
    for at in dict.fromkeys((index, last)):
        end = codes[at].end
        told = _STORED_BY.match(text, end)
        leads = told or _RIGHT_BEHIND.match(text, end)
        names = within(marks.modules, leads.end(), leads.end() + 1) if leads else ()
        if not names:
            continue
        name = names[0]
        if not told and _STORES.match(text, name.end) and _code_follows(codes, text, name):
            continue
        corrected = _CORRECTED.match(text, name.end)
        listed = _listed_behind(marks, corrected.end() if corrected else name.start)
        return _without_the_next_clause(text, listed) if told else [name]
    return []


_CORRECTED: Final = re.compile(r"\s?\??,? (?:no|sorry|i mean),? (?:in |from )?(?:the )?", re.IGNORECASE)
_ENDS_LIST: Final = re.compile(
    r"\s{0,2}(?:$|[.,;:?!)\n(-]|(?:and|or|only|too|all|history|stored|active|as)\b)", re.IGNORECASE
)


def _without_the_next_clause(text: str, names: list[Named]) -> list[Named]:
    """Return a list of modules without a last one that begins a clause of its own: `in ECM, cluster flickers`."""
    if (
        len(names) > 1
        and "," in text[names[-2].end : names[-1].start]
        and not _ENDS_LIST.match(text, names[-1].end)
    ):
        return names[:-1]
    return names


def _code_follows(codes: list[FoundCode], text: str, name: Named) -> bool:
    stores = _STORES.match(text, name.end)
    return bool(stores and within(codes, stores.end(), stores.end() + 1))


def _storing_in_front(marks: Marks, code: FoundCode) -> Named | None:
    """Return the module in front of a code that is said to store it: `gateway has U0140`, `ABS: U0416`."""
    text = marks.message.text
    at = last_before(marks.modules, code.start)
    if at < 0 or "\n" in text[marks.modules[at].end : code.start]:
        return None
    name = marks.modules[at]
    stores = _STORES.match(text, name.end)
    behind_other = _STORED_BY.search(text[max(0, name.start - 12) : name.start])
    if not stores or stores.end() != code.start or (behind_other and text[name.end : name.end + 1] == " "):
        return None
    return name
