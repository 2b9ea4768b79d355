"""Which module stores a code, by the part that each module of its sentence plays: who reports, who is reported lost.

Used where no fixed phrase beside the code says it. The words are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from casebase.intake.plain_words.lists_of_modules import BACKWARD, listed_before, listed_behind
from casebase.intake.plain_words.marks import Marks, within
from casebase.intake.plain_words.named_modules import Named
from casebase.intake.plain_words.written import rule
from casebase.intake.scan_codes import FoundCode
from casebase.record.modules import module_identity

_STATUS: Final = (
    r"pending|confirmed|stored|active|current|currently|history|historic|past|permanent|intermittent|present|logged"
    r"|set|old|fresh|new|again|still|also|only|both|just"
)
_STORES: Final = (
    r"stor(?:es?|ed|ing)|logs?|logged|logging|report(?:s|ed|ing)?|record(?:s|ed|ing)?|set(?:s|ting)?|thr(?:ows?|ew"
    r"|owing|own)|flag(?:s|ged|ging)?|holds?|held|keeps?|kept|complain(?:s|ed|ing)?|moan(?:s|ed|ing)?|whin(?:es|ing)"
    r"|carr(?:y|ies|ied|ying)|list(?:s|ed|ing)?|contains?|post(?:s|ed|ing)?|register(?:s|ed)?|return(?:s|ed)?"
    r"|codes?|faults?|dtcs?|errors?|memory|spits?|spat|accus(?:es|ed|ing)|blam(?:es|ed|ing)"
)
_REPORTS: Final = rule(rf"\b(?:{_STORES})\b", re.IGNORECASE)
_MAY_REPORT: Final = rule(
    rf"\b(?:{_STORES}|ha(?:s|ve|d)|got|gets?|gives?|gave|giving|shows?|showed|showing|with|says?|said|displays?|sees"
    r"|brings?|brought|sits? (?:there )?with|comes up with|came up with)\b",
    re.IGNORECASE,
)
_FAULTS_IN: Final = rule(
    r"\b(?:codes?|faults?|dtcs?|errors?|entries) (?:in|from|on|by) (?:the |my )?\Z", re.IGNORECASE
)
_STATUS_ALONE: Final = rule(rf"(?:[\s,:;(/-]|\b(?:{_STATUS}|and|an?|the)\b)*", re.IGNORECASE)
_OBJECT: Final = rule(
    r"\b(?:about|with|to|against|for|towards|of|lost|lose|loses|miss(?:es|ed|ing)?|hears?|sees?|no|off|than|between"
    r"|(?:comm?s?|communications?|contact|connection|messages?|frames?|data|signals?|response|answer|reply|info) from"
    r"|swap\w*|replac\w*|chang\w*|unplug\w*|pull\w*|clean\w*|fitt?\w*|reset\w*|cod(?:ed|ing)|program\w*)"
    r" (?:to |the |my |its |a |an |any |new )*\Z",
    re.IGNORECASE,
)
"""Before a module that something is said or done about: it stores nothing by that."""
_HOLDER: Final = rule(r"\b(?:in|from|by|inside|within|out of|at|on|reading) (?:the |my )?\Z", re.IGNORECASE)
_LEADS_CLAUSE: Final = rule(
    r"\W*(?:and |but |then |also |so )?(?:in|from|by|inside|within|out of|on|at) (?:the |my )?", re.IGNORECASE
)
_LIES: Final = rule(
    rf"(?:[\s,(]|\b(?:{_STATUS}|{_STORES}|is|are|was|were|has|have|been|being|it|which|that|i|we|can|be|found|find"
    r"|finds|read|reads|shown|shows?|showing|seen|sits?|sitting|sat|lives?|living|lurking|hiding|there|up|turn(?:s|ed)?"
    r"|pop(?:s|ped)?|appear(?:s|ed)?|com(?:es?|ing)|came|saved|to be|and|an?|the|code|in the memory of)\b)*",
    re.IGNORECASE,
)
_IS_WHAT: Final = rule(
    r"\s(?:is|are|was) (?:what|the (?:code|fault|one)(?: that)?) (?:the |my )?", re.IGNORECASE
)
_EXPLAINED: Final = rule(
    r"(?: (?!(?:water|damage|corrosion|short|broken|wires?|wiring|pins?|plug|moisture|after|when|if|since|with|no|not"
    r"|cleared|for|to)\b)[a-z]{2,12}){1,4} (?:in|by) (?:the |my )?",
    re.IGNORECASE,
)


def _is_explained(text: str, code: FoundCode, name: Named) -> bool:
    """Return whether what stands between is the text of a code: `P0562 low voltage in ECM`."""
    ends = re.match(r"\s*(?:[.,;\n]|$|and\b|but\b)", text[name.end : name.end + 8])
    return bool(code.code.about is None and ends and _EXPLAINED.fullmatch(text, code.end, name.start))


_ENDS: Final = rule(r"(?: (?:only|alone|too|as well|again|both))?\s*(?:[.,;\n]|$)", re.IGNORECASE)
_THING_OF_IT: Final = rule(
    r"\s(?:warning )?(?:lamps?|lights?|fuse|relay|telltale|pins?|wires?|wiring|plug|connector|loom|harness|pump|motor"
    r"|sensor|side|ground|earth|supply)\b",
    re.IGNORECASE,
)


def leading_clause(marks: Marks, codes: Sequence[FoundCode], code: FoundCode) -> list[Named]:
    """Return the modules that the clause of a code begins with: `from the TCM I read U0100, from the BCM U0140`."""
    clause = marks.clause_at(code.start)
    return _leading_from(marks, codes, code, clause.start) or _leading_from(
        marks, codes, code, clause.sentence[0]
    )


def _leading_from(marks: Marks, codes: Sequence[FoundCode], code: FoundCode, start: int) -> list[Named]:
    text = marks.message.text
    names = within(marks.modules, start, code.start)
    leads = names and _LEADS_CLAUSE.fullmatch(text, start, names[0].start)
    if not leads or within(codes, start, code.start):
        return []
    listed = listed_behind(marks, names[0].start)
    between = text[listed[-1].end : code.start] if listed else ""
    clear = listed and not within(marks.modules, listed[-1].end, code.start) and not BACKWARD.search(between)
    return listed if clear and not _THING_OF_IT.match(text, listed[-1].end) else []


_IT_HAS: Final = rule(r"\s*(?:and |but )?(?:it|he|that one|which|this one)\b", re.IGNORECASE)


def reporting(marks: Marks, code: FoundCode) -> list[Named]:
    """Return the modules in front of a code in its sentence that are said to report it, not those it is about."""
    text = marks.message.text
    clause = marks.clause_at(code.start)
    for name in reversed(within(marks.modules, clause.sentence[0], code.start)):
        before = text[max(0, name.start - 40) : name.start]
        if _OBJECT.search(before):
            continue
        between = text[name.end : code.start]
        own = name.start >= clause.start or _IT_HAS.match(text, clause.start) is not None
        if code.code.about == module_identity(name.name):
            continue
        told = (
            _FAULTS_IN.search(before)
            or (_MAY_REPORT if own else _REPORTS).search(between)
            or (own and _STATUS_ALONE.fullmatch(between))
        )
        if not told or BACKWARD.search(between) or _THING_OF_IT.match(text, name.end):
            return []
        return listed_before(marks, name.end) or [name]
    return []


_HAVE_IT: Final = rule(
    r" (?:module |unit )?(?:both |all |each |also |too ){0,2}(?:ha(?:s|ve)|got|stores?|holds?|sets?|logs?"
    r"|shows?|reports?"
    r"|complains? of) (?:it|them|that(?: one)?|the same(?: one| code)?|this(?: one)?|(?:one )?too)\b",
    re.IGNORECASE,
)


def having_it(marks: Marks, codes: Sequence[FoundCode], code: FoundCode) -> list[Named]:
    """Return the modules that are said to have a code told in front of them: `U0073: ECM, TCM and BCM all have it`."""
    sentence = marks.clause_at(code.start).sentence
    for name in within(marks.modules, code.end, sentence[1]):
        if within(codes, code.end, name.start):
            return []
        has = _HAVE_IT.match(marks.message.text, name.end)
        if has:
            return listed_before(marks, name.end)
    return []


def lying_in(marks: Marks, codes: Sequence[FoundCode], code: FoundCode) -> list[Named]:
    """Return the modules behind a code in its clause that it is said to lie in: `a U0121 sitting in the gateway`."""
    text = marks.message.text
    clause = marks.clause_at(code.start)
    for name in within(marks.modules, code.end, clause.end):
        if within(codes, code.end, name.start):
            return []
        if _THING_OF_IT.match(text, name.end):
            return []
        holder = _HOLDER.search(text, max(code.end, name.start - 16), name.start)
        what = _IS_WHAT.fullmatch(text, code.end, name.start)
        if what or (
            holder and (_LIES.fullmatch(text, code.end, holder.start()) or _is_explained(text, code, name))
        ):
            return listed_behind(marks, name.start)
        colon = re.fullmatch(r"\s?(?:[:=]|->?|(?<= )/(?= ))\s?(?:the )?", text[code.end : name.start])
        listed = listed_behind(marks, name.start) if colon else []
        if listed and _ENDS.match(text, listed[-1].end) and code.code.about != module_identity(name.name):
            return listed
    return _in_next_clause(marks, codes, code)


_NEXT_IN: Final = rule(
    r",? ?(?:and |both |all |only |it is |stored |set |found |logged )*(?:in|by|from) (?:the |my )?",
    re.IGNORECASE,
)


def _in_next_clause(marks: Marks, codes: Sequence[FoundCode], code: FoundCode) -> list[Named]:
    """Return the modules that the clause behind a code is made of: `U0001-88 bus off, in ECM and TCM`."""
    clause = marks.clause_at(code.start)
    leads = _NEXT_IN.match(marks.message.text, clause.end)
    names = within(marks.modules, leads.end(), leads.end() + 1) if leads else ()
    between = within(marks.modules, code.end, clause.end)
    if not names or between:
        return []
    if within(codes, code.end, names[0].start):
        return []
    listed = listed_behind(marks, names[0].start)
    return listed if listed and _ENDS.match(marks.message.text, listed[-1].end) else []
