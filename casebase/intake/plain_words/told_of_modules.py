"""Which modules a message calls silent or answering.

A phrase such as "no comms with" speaks of the modules listed behind it, "not answering" of those in front of it. Behind
a code the same words are the code's own text, and say nothing of who is silent.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from casebase.intake.plain_words.marks import Marks, last_before
from casebase.intake.plain_words.states import Named
from casebase.intake.plain_words.written import Clause, Span, Written
from casebase.intake.scan_codes import FoundCode
from casebase.record.modules import module_identity

SILENT: Final = "silent"
ANSWERS: Final = "answers"

_COMMS: Final = r"(?:comm?s?|communications?|contact|connection|response|answers?|reply|replies)"
_FORWARD: Final = re.compile(
    rf"\b(?:no|lost|loses?|losing|lost of|loss of|without) (?:all )?{_COMMS}(?: (?:with|to|from|of|on|at))?(?=\W|$)"
    rf"|\b{_COMMS} (?:is |are )?(?:lost|gone|missing) (?:to|with|from)\b"
    r"|\b(?:unable to|can(?:not|'?t| not)|could(?: not|n'?t)|won'?t) (?:communicate|connect|talk|get"
    r"|reach|raise|see|find)(?: (?:with|to|into|in))?\b|\b(?:(?:does|do|did)(?: not|n'?t)|not) (?:communicate|connect"
    r"|talk|reach"
    r"|see|detect)(?: (?:with|to|into))?\b|\b(?:and|but) not(?: (?:with|to))?(?= )|\bnot even(?= )"
    r"|\b(?:lost of|lost|nothing from|not seeing|modules? lost:)(?=\s)"
    r"|\b(?:not present|missing|silent|dead|lost|no answer|offline) ?:|(?:(?<=^)|(?<=[,.;:] ))dead(?= )",
    re.IGNORECASE,
)
_BACKWARD: Final = re.compile(
    r"\b(?:(?:is|are|was|does|do|did|has|have|he|it|will|still) )?(?:not|n't|don'?t|doesn'?t|isn'?t|aren'?t"
    r"|won'?t|can'?t|couldn'?t|didn'?t|wouldn'?t|no longer|never) (?:want to |even |yet |be )?"
    r"(?:respond\w*|answer\w*|communicat\w*|repl\w+|reach\w*|talk\w*|there|online|seen|found|detected"
    r"|show(?:s|n|ing)? up|showing (?:on|in)|com(?:e|es|ing) (?:up|in|online|through|back)|wak(?:e|es"
    r"|ing)(?: up)?|listed|recognised"
    r"|(?:on|in) the (?:network|bus|list|scan|tree))(?=\W|$)"
    r"|\b(?:fail(?:s|ed|ing)?|refus(?:es|ed|ing)) to (?:respond|answer|communicate|reply|talk|connect|wake|come up)\b"
    r"|\b(?:has |have )?stop(?:s|ped|ping)? (?:responding|answering|communicating|replying|talking)\b"
    r"|\b(?:has |have )?lost (?:all )?(?:comm?s|communications?|contact|connection)(?=\s*(?:[.,;:!?\n]|$|and\b"
    r"|when\b|after\b|since\b|while\b))"
    r"|\b(?:keeps? |has |have )?(?:disappear(?:s|ed|ing)?|vanish(?:es|ed|ing)?|going off-?line)\b"
    r"|\b(?:is |are |has |have |gives? |gave |shows? )?no (?:response|answer|reply|comm?s|communications?"
    r"|contact|connection|data|link)\b(?! (?:with|to|from|of)\b)(?! on (?!(?:the )?(?:tester|scan"
    r"|network|bus)))"
    r"|\b(?:is |are |was |were |gets )?lost\b(?! (?:all |any )?(?:com|contact|conn|with|of)| ?:)"
    r"|\b(?:is |are |stays? |goes |went |gone |(?:has |have )gone |all )?(?:still |now |also |very |completely "
    r"|totally |both |all )?(?:silent|quiet|absent|dead|off-?line|off line|mute|unreachable|unresponsive"
    r"|missing)\b(?! ?:)"
    r"|\b(?:is |are )?gone(?=\s*[.,;]|$)"
    r"|\b(?:has |have )?(?:drops?|dropp(?:ed|ing)|falls?) (?:off|out)\b"
    r"|\bunable to communicate\b|\bcannot be reached\b|\bcan(?:not|'?t) be reached\b",
    re.IGNORECASE,
)
_ANSWERING: Final = re.compile(
    r"\b(?:answer|respond|repl(?:y|ie)|talk|communicate)(?:s|es|ed|ing)?(?: again)?\b"
    r"(?! (?:to|with|from)(?! (?:the )?(?:tester|scan|scanner|me)\b))|(?::"
    r"| is| are)? ?\b(?:online|alive|ok|reachable|(?P<listed>(?<![,;.] )(?:pass(?:es|ed)?|found)))\b(?= *[;,.\n]| *$)",
    re.IGNORECASE,
)
_ANSWERING_LIST: Final = re.compile(
    r"\b(?:answering|answers|online|talking|alive) ?:|\b(?:tester|scanner|scan tool|tool|laptop|tablet)"
    r" (?:still |only |can )?(?:sees?|finds?|reach(?:es)?|gets? into|talks? to|communicates? with"
    r"|connects? (?:to|with))\b"
    r"|\bi can (?:still |only )?(?:get into|reach|talk to|communicate with)\b",
    re.IGNORECASE,
)
_IN_CONTRAST: Final = re.compile(r"(?:and|but) not|not even", re.IGNORECASE)
_SPOKE_OF_TALKING: Final = re.compile(
    rf"{_ANSWERING.pattern.replace('?P<listed>', '?:')}|{_ANSWERING_LIST.pattern}|\b(?:nothing|nobody|none)\b",
    re.IGNORECASE,
)
"""What stands before `but not the BCM`, `not even the engine`, where these speak of modules that do not answer."""
_DENIED_WORD: Final = re.compile(r"(?:\b(?:no|not|never|without|doesnt|dont)|n't)\s$", re.IGNORECASE)
_EVERYONE: Final = re.compile(
    r"\b(?:all|every|everything|everybody|nothing|nobody|none|anything|anybody|no) ?(?:other )?(?:modules?"
    r"|ecus?|units?|one|else)?\b",
    re.IGNORECASE,
)
_EXCEPT: Final = re.compile(r"\b(?:except(?: for)?|apart from|bar|besides|other than|only)\b", re.IGNORECASE)
_BETWEEN_NAMES: Final = re.compile(
    r"\s{0,2}(?:,|;|/|&|\+|\band\b|\bor\b|\bnor\b|\bas well as\b|\bplus\b|,\s?and\b|\balso\b|\bno comms\b){0,2}\s{0,2}(?:also |then )?(?:to "
    r"|with |from |in |by )?(?:the |his |its |a |my )?\s{0,2}(?:module |unit )?",
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


def modules_said(marks: Marks, codes: list[FoundCode]) -> list[Said]:
    """Return the modules that a message calls silent or answering, each once; the last word on a module counts."""
    found: dict[str, Said] = {}
    plainly = list(_all_said(marks, codes))
    for said in (*plainly, *_said_as_well(marks, plainly)):
        before = found.get(module_identity(said.name))
        if before is None or before.answers != said.answers:
            found[module_identity(said.name)] = said
    return sorted(found.values(), key=lambda said: said.spans[0])


_AS_WELL: Final = re.compile(
    r"\b(?:so (?:does|do|is|are|has|have|did)|(?:neither|nor) (?:does|do|is|are|has|have|did)|same (?:for|with"
    r"|goes for))"
    r"(?= )",
    re.IGNORECASE,
)


def _said_as_well(marks: Marks, plainly: list[Said]) -> Iterator[Said]:
    """Yield what is said of more modules by pointing back: `TCM refuses to talk and so does the EPB`."""
    for match in _AS_WELL.finditer(marks.message.text):
        start = marks.clause_at(match.start()).sentence[0]
        before = [one for one in plainly if start <= one.spans[0][0] < match.start()]
        if before:
            last = max(before, key=lambda one: one.spans[0])
            for name in listed_behind(marks, match.end()):
                yield Said(name.name, last.answers, (*last.spans[:1], match.span(), (name.start, name.end)))


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
            if overlaps or denied or match.start() in in_text_of_code or _is_other_contrast(marks, match):
                continue
            said = list(_said(marks, match, answers, forward=forward))
            if said:
                done.update(range(*match.span()))
            yield from said


def _is_other_contrast(marks: Marks, match: re.Match[str]) -> bool:
    """Return whether `but not` or `not even` follows on nothing that was said of talking: `swapped ABS but not TCM`."""
    start = max(0, match.start() - _LONGEST_CONTRAST)
    return bool(
        _IN_CONTRAST.match(match[0])
        and not _SPOKE_OF_TALKING.search(marks.message.text, start, match.start())
    )


_LONGEST_CONTRAST: Final = 60


def _text_of_code(text: str, code: FoundCode) -> Span:
    """Return the span behind a code in which "lost communication with" is the code's own text."""
    begins = _BEGINS_TEXT.match(text, code.end) or _EXPLAINS.match(text, code.end)
    if not begins:
        return code.end, code.end
    stop = _ENDS_TEXT.search(text, begins.end())
    return code.end, stop.start() if stop else len(text)


_BEGINS_TEXT: Final = re.compile(r"[ \-:,.(=\"]{1,4}(?:lost |loss of |no |invalid )", re.IGNORECASE)
_EXPLAINS: Final = re.compile(
    r"[^.;\n]{0,50}?(?:\b(?:which|that|it|this)? ?(?:is|means?|meaning|stands for|says|being|i\.?e\.?|for)\s(?:the )?|code )"
    r"[\"(]?(?:lost|loss of|no comm?s?|no communication|invalid|missing)\b",
    re.IGNORECASE,
)
"""Behind a code that is explained in words: `U0164 in the BCM, which is lost communication with HVAC`."""
_ENDS_TEXT: Final = re.compile(r"\n|[,;.](?=\s)|[)\"]|\b(?:and|but) (?=(?:also )?(?:an? )?[UPCB][0-3])")


def _said(marks: Marks, match: re.Match[str], answers: str, *, forward: bool) -> Iterator[Said]:
    text = marks.message.text
    names = (
        listed_behind(marks, match.end())
        if forward
        else _without_holders(text, listed_before(marks, match.start()), match.start())
    )
    if not names and not forward:
        names = (
            listed_behind(marks, match.end())
            if text[match.end() : match.end() + 5].startswith((" with", " from", " to", ":", " :"))
            else []
        )
    span = match.span()
    if names:
        for name in names:
            if _is_in_passing(text, match, names[0]):
                break
            if not _LAMP_BEHIND.match(text, name.end):
                yield Said(name.name, answers, (span, (name.start, name.end)))
    other = ANSWERS if answers == SILENT else SILENT
    for name in _excepted(marks, match):
        turned = _turned(marks, match, answers, other)
        yield Said(name.name, turned, (span, (name.start, name.end)))


_HOLDS_A_CODE: Final = re.compile(r"[0-9A-F]{4}(?:-[0-9A-F]{2})? (?:in|from|by) (?:the )?$", re.IGNORECASE)


def _without_holders(text: str, names: list[Named], end: int) -> list[Named]:
    """Return a list of modules without those that hold a code: of `U0140 in ECM, BCM silent` BCM alone."""
    comma = text.rfind(",", names[0].end, end) if names else -1
    if comma < 0 or not _HOLDS_A_CODE.search(text[: names[0].start][-20:]):
        return names
    return [name for name in names if name.start > comma]


_BEGINS_ENTRY: Final = re.compile(r"(?:^|[,;:.\n])\s*(?:and )?(?:the )?$", re.IGNORECASE)
_CODE_OF: Final = re.compile(r"\b(?:in|from|by) (?:the )?$", re.IGNORECASE)
_GOES_AWAY: Final = re.compile(r"\b(?:disappear|vanish)", re.IGNORECASE)


def _is_in_passing(text: str, match: re.Match[str], first: Named) -> bool:
    """Return whether words said of a module mean something else: `water in ABS found`, `U0121 in ABS disappears`."""
    before = text[max(0, first.start - 12) : first.start]
    if match.re is _ANSWERING and match["listed"]:
        return not _BEGINS_ENTRY.search(before)
    return bool(_GOES_AWAY.search(match[0]) and _CODE_OF.search(before))


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
    return listed_behind(marks, told.end()) if told else []


def listed_behind(marks: Marks, place: int) -> list[Named]:
    """Return the modules that a list right behind a place names."""
    text = marks.message.text
    leads = _LEADS_TO_NAME.match(text, place)
    index = last_before(marks.modules, place) + 1
    if index == len(marks.modules) or leads is None or marks.modules[index].start > leads.end():
        return []
    names = [marks.modules[index]]
    for one in marks.modules[index + 1 : index + MOST_LISTED]:
        if not _BETWEEN_NAMES.fullmatch(text, names[-1].end, one.start):
            break
        names.append(one)
    return _until_other_word(marks, names)


MOST_LISTED: Final = 60
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
    return bool(
        _ANSWERING.match(message.text, end)
        or _BACKWARD.match(message.text, end)
        or _STORES.match(message.text, name.end)
    )


_STORES: Final = re.compile(
    r" (?:also |only )?(?:stores?|stored|sets?|reports?|logs?|logged|has)\b", re.IGNORECASE
)


def listed_before(marks: Marks, place: int) -> list[Named]:
    """Return the modules that a list right in front of a place names; of `it` the last named in its sentence."""
    text = marks.message.text
    at = last_before(marks.modules, place) + 1
    if at and _IT.search(text, marks.modules[at - 1].end, place):
        same_sentence = marks.clause_at(place).sentence[0] <= marks.modules[at - 1].start
        return [marks.modules[at - 1]] if same_sentence else []
    before = marks.modules[max(0, at - MOST_LISTED) : at]
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


_IT: Final = re.compile(r"\bit (?:still |now |also |just )?$", re.IGNORECASE)


def _after_other_phrase(marks: Marks, names: list[Named]) -> list[Named]:
    """Return the names of a list from the last that no phrase in front of it already speaks of."""
    for index in range(len(names) - 1, 0, -1):
        window = marks.message.text[max(0, names[index].start - 24) : names[index].start]
        told = list(_FORWARD.finditer(window))
        if told and _LEADS_TO_NAME.fullmatch(window, told[-1].end()):
            return names[index:]
    return names
