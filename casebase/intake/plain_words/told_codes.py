"""The codes of a message, and which module stores each: listed behind it, or named in front of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

from casebase.intake.plain_words.holders import having_it, leading_clause, lying_in, reporting
from casebase.intake.plain_words.lists_of_modules import MOST_LISTED, listed_before, listed_behind
from casebase.intake.plain_words.marks import Marks, last_before, within
from casebase.intake.plain_words.named_modules import Named
from casebase.intake.plain_words.told_of_modules import text_of_code
from casebase.intake.plain_words.written import Span, Written, rule
from casebase.intake.scan_codes import FoundCode, codes_in_line
from casebase.record.codes import TroubleCode, parse_code
from casebase.record.modules import module_identity

Data = dict[str, Any]


@dataclass(frozen=True)
class ToldCode:
    """A code, the module storing it as written, and the words used; `is_denied` where it is said not to be there."""

    found: FoundCode
    module: str | None
    spans: tuple[Span, ...]
    is_denied: bool = False


_STORED_BY: Final = rule(
    r"[\s,;:()]{0,3}(?:(?:and|is|are|was|were|both|all|still|only|also|now|set|stored|reported|logged|history"
    r"|active|pending|confirmed|intermittent|present|shown|seen|held|flagged|kept|recorded|saved|found|again|back"
    r"|straight|right|stands?|appears?|appeared|liv(?:es|ing)|lies|lying|sitting|[0-9]{1,3} ?(?:x|times)"
    r"|turns? up|pops? up"
    r"|shows?(?: up)?|exists?"
    r"|sits?|comes?|coming|came|out|[a-z]{3,8}s up|up)[\s,]{1,2}){0,4}"
    r"(?:\([^()\n]{2,24}\) )?(?:(?:x ?[0-9]{1,2} |in [0-9]{1,2} )modules?:?(?= )"
    r"|\b(?:in (?:the )?(?:fault )?memory of|belongs? to|in|from|by|at|on|out of|of|under|inside|against)|@)(?:\s"
    r"|:\s?)(?:the |my )?(?:(?:[0-9]+ |all |these "
    r"|several )?modules?:? )?",
    re.IGNORECASE,
)
_RIGHT_BEHIND: Final = rule(
    r"(?: x ?[0-9]{1,3})?\s{0,2}\((?=[^()\n]{2,30}\))|\s{1,2}(?:->\s|in\s|\([a-z ]{4,16}\)\s)?"
)
_STATUS: Final = (
    r"(?:pending|confirmed|stored|active|current|history|historic|permanent|intermittent|present)"
)
_BETWEEN_CODES: Final = rule(
    rf"(?: \(?{_STATUS}\)?)?[\s,;/&+]{{0,3}}(?:(?:and|also|an?|the|[0-9]x|{_STATUS})\s){{0,3}}", re.IGNORECASE
)
_STORES: Final = rule(
    r"\s{0,2}(?:module |unit |ecu |itself |that |which |\]){0,2}(?:\([^()\n]{0,20}\))?\s{0,2}(?:(?:also |only |just "
    r"|both |all "
    r"|each ){0,2}(?:stores?|stored|logged|reported|showed|set"
    r"|has|have|had|reports?|logs?|sets?|shows?|says|with|got|gives|flags?|throws?|holds?|keeps?"
    r"|complains (?:of|about)"
    r"|(?:is |are |keeps? )?(?:storing|logging|reporting|setting|showing|flagging|throwing|giving|holding)"
    r"|broadcasts?|(?!(?:codes|faults|lamps|lights|misses|loses|lacks|minus|plus|versus|whose|needs|controls"
    r"|powers|feeds|modules|units|pins|times"
    r"|is|was)\b)[a-z]{3,11}(?<!s)s"
    r"|(?P<lies>(?:there )?(?:is|are)|(?:i|we|you) (?:also |only )?(?:find|found|see|saw|have|get|got"
    r"|read)))(?: codes?)?[:\s]|(?<=\])\s?|(?:ok|okay|fine|alive|online),?\s|[:=(]\s?(?:[0-9]{1,2} (?:stored "
    r"|active )?(?:faults?|codes?"
    r"|dtcs?)\s?[:,(=]\s?)?|codes?\s"
    r"|[0-9]{1,2} (?:stored |active )?(?:faults?|codes?|dtcs?)\s?[:(=]?\s?"
    r"|[->]\s)\s{0,2}(?:(?:all|both|each|an?|the|these|this|those|following|fault|trouble|error|stored|active|pending|codes?"
    r"|dtcs?)[\s:]{1,2}){0,4}",
    re.IGNORECASE,
)
_SUPPOSED: Final = rule(
    r"\b(?:would|should|might|could)(?:n't| not)? (?:be|have|see|get|store|set|expect)(?: an?)? $",
    re.IGNORECASE,
)
"""Before a code that is only thought of: `there would be U0121`."""
_DENIED_BEFORE: Final = rule(
    r"\b(?:no|not|without|never|nor|cleared)\s(?:a |any |more |the )?$", re.IGNORECASE
)
_DENIED_BEHIND: Final = rule(
    r"\s?\?{0,3},?\s{0,2}(?:but )?(?:that one |this one |it |they )?(?:has been |have been |(?:is|was|are"
    r"|were) (?=cleared|deleted"
    r"|gone))?(?:now )?(?:(?:is |was )?(?:not present|not there|not stored|not set)|(?:is |was )?(?:gone|went away"
    r"|cleared|(?:did|has) ?n[o']t (?:come|came) back|did ?n[o']t return)\b|no(?= sorry|\b(?! (?:comm?s"
    r"|communication|response|answer|reply|contact|change))))",
    re.IGNORECASE,
)
_SAME_MODULE: Final = rule(r"\s(?:in the )?same module\b", re.IGNORECASE)


def codes_found(message: Written) -> list[FoundCode]:
    """Return the codes of the message, in order, with their places in its text."""
    found: list[FoundCode] = []
    start = 0
    for stop in (*_STOPS.finditer(message.text), None):
        end = stop.start() if stop else len(message.text)
        codes = codes_in_line(message.text[start:end])
        found += [FoundCode(start + one.start, start + one.end, one.code) for one in codes]
        if codes and isinstance(codes[-1].code, TroubleCode):
            found += _halves(message.text, found[-1], end)
        start = stop.end() if stop else end
    return found


_HALF: Final = rule(
    r"\s?(?:,|/|&|\+|\band\b)\s?(?:and )?(0[0-9A-F]{3}(?:-[0-9A-F]{2})?)(?![\w.,]*[0-9])", re.IGNORECASE
)


def _halves(text: str, code: FoundCode, end: int) -> Iterator[FoundCode]:
    """Yield the codes behind one that are told without its letter: `U0100, 0121 and 0155`."""
    letter = code.code.text[:1]
    at = code.end
    while letter in "PCBU" and (half := _HALF.match(text, at, end)):
        yield FoundCode(half.start(1), half.end(1), parse_code(letter + half[1]))
        at = half.end()


_STOPS: Final = rule(r"\n|[.!?]\s")


def codes_said(marks: Marks, codes: list[FoundCode]) -> list[ToldCode]:
    """Return each code with the modules storing it: listed behind it, else named in front of it."""
    text = marks.message.text
    found: list[ToldCode] = []
    headings: list[Named] = []
    for index, code in enumerate(codes):
        span = (code.start, code.end)
        if _SUPPOSED.search(text, max(0, code.start - 30), code.start):
            continue
        if _is_of_another_day(marks, code):
            continue
        if _is_denied(marks, code):
            found.append(ToldCode(code, None, (span,), is_denied=True))
            continue
        leading = leading_clause(marks, codes, code)
        names = [] if leading else _storing_behind(marks, codes, index)
        in_front = leading or _storing_in_front(marks, codes, code)
        joined = bool(index) and _goes_on(text, codes[index - 1], code)
        headings = in_front or (headings if joined else [])
        if _SAME_MODULE.match(text, code.end) and found:
            found.append(ToldCode(code, found[-1].module, (span,)))
        elif in_front or (headings and not names):
            for name in headings:
                spans = (span, (name.start, name.end)) if in_front else (span,)
                found.append(ToldCode(code, name.name, spans))
        elif names:
            found += [ToldCode(code, name.name, (span, (name.start, name.end))) for name in names]
        else:
            beside = _beside_in_front(marks, codes, code)
            headings = [beside] if beside else _told_later(marks, codes, index)
            headings = (
                headings
                or lying_in(marks, codes, code)
                or having_it(marks, codes, code)
                or reporting(marks, code)
            )
            later = (span, *((one.start, one.end) for one in headings))
            found += [ToldCode(code, name.name, later) for name in headings] or [
                ToldCode(code, None, (span,))
            ]
            headings = headings if headings and headings[-1].end <= code.start else []
    return _each_once(_without_those_told_better([_not_about_itself(text, one) for one in found]))


_EARLIER: Final = rule(
    r"\b(?:last (?:week|month|year|winter|summer)|used to|previously|before the (?:repair|crash|accident))\b",
    re.IGNORECASE,
)
_CAME_BACK: Final = rule(
    r"\b(?:came|comes|coming|was|is|are) (?:straight |right )?back\b|\breturn(?:s|ed)\b", re.IGNORECASE
)


def _is_of_another_day(marks: Marks, code: FoundCode) -> bool:
    """Return whether a code was stored before all this: `had a U0101 last week`."""
    clause = marks.clause_at(code.start)
    return _EARLIER.search(marks.message.text, clause.start, clause.end) is not None


_OTHER_CODE: Final = rule(r"\b[PCBU][0-3][0-9A-F]{3}\b", re.IGNORECASE)


def _is_denied(marks: Marks, code: FoundCode) -> bool:
    """Return whether a code is said not to be there, or cleared and not back."""
    text = marks.message.text
    before = _DENIED_BEFORE.search(text[max(0, code.start - 16) : code.start])
    if not (before or _DENIED_BEHIND.match(text, code.end)):
        return False
    end = min(marks.clause_at(code.start).sentence[1], code.end + _FARTHEST_HOLDER)
    other = _OTHER_CODE.search(text, code.end, end)
    back = _CAME_BACK.search(text, code.end, other.start() if other else end)
    return not (back and "clear" in text[max(0, code.start - 16) : code.end + _FARTHEST_HOLDER].lower())


_SAYS_WHERE: Final = rule(r"[A-Za-z:=@>|]")


def _not_about_itself(text: str, told: ToldCode) -> ToldCode:
    """Return a code without a module beside it that it is about: by no word between them, it need not store it."""
    if not told.module or told.found.code.about != module_identity(told.module):
        return told
    (_, first), (second, _) = sorted(told.spans)[0], sorted(told.spans)[-1]
    beside = len(told.spans) > 1 and not _SAYS_WHERE.search(text, first, second)
    return replace(told, module=None, spans=told.spans[:1]) if beside else told


_HELD_LATER: Final = rule(
    r"\b(?:stored|set|logged|reported|shown|held|kept|recorded|flagged|seen|saved|present|stands|sits|comes|coming"
    r"|pending"
    r"|active)(?: up| out| again| only| both| also){0,2} (?:in|by|from|on|inside|at) (?:the |my )?"
    r"|\b(?:stored|set|logged|reported|seen) (?=[a-z]+ side\b)"
    r"|(?<=\)) (?:is |was |are )?(?:in|from|by) (?:the |my )?"
    r"|\b(?:control unit|module|ecu|system|unit|location|source)\s?[:=]\s?",
    re.IGNORECASE,
)
"""What leads to the module that stores a code, though more stands between: `U0129 again after clearing, set in ECM`."""
_FARTHEST_HOLDER: Final = 80


def _told_later(marks: Marks, codes: list[FoundCode], index: int) -> list[Named]:
    """Return the modules that are said to store a code further behind it in its sentence."""
    start = codes[index].end
    end = min(marks.clause_at(start - 1).sentence[1], start + _FARTHEST_HOLDER)
    if index + 1 < len(codes):
        end = min(end, codes[index + 1].start)
    for told in _HELD_LATER.finditer(marks.message.text, start, end):
        if within(marks.modules, told.end(), told.end() + 1):
            return listed_behind(marks, told.end())
    following = marks.clause_at(min(marks.clause_at(start - 1).sentence[1] + 1, len(marks.message.text)))
    begins = _BEGINS_HELD.match(marks.message.text, following.start)
    is_last = index + 1 == len(codes) or codes[index + 1].start > following.sentence[1]
    return listed_behind(marks, begins.end()) if begins and is_last and following.start >= start else []


_BEGINS_HELD: Final = rule(
    r"\s*(?:it is |it's |is |both |all |they are )?(?:stored|found|set|logged|present|held|reported"
    r"|sits?) (?:in|by|from)\b:?\s",
    re.IGNORECASE,
)


def _each_once(told: list[ToldCode]) -> list[ToldCode]:
    """Return each code of a module once, however often it is told."""
    kept: dict[tuple[str, str | None, bool], ToldCode] = {}
    for one in told:
        holder = module_identity(one.module) if one.module else None
        kept.setdefault((one.found.code.text, holder, one.is_denied), one)
    return list(kept.values())


def _goes_on(text: str, before: FoundCode, code: FoundCode) -> bool:
    """Return whether a code is the next of a list, the words that explain the one before left out."""
    return bool(
        _BETWEEN_CODES.fullmatch(text, before.end, code.start)
        or _BETWEEN_CODES.fullmatch(text, min(text_of_code(text, before)[1], code.start), code.start)
    )


def _without_those_told_better(told: list[ToldCode]) -> list[ToldCode]:
    """Return the codes without those of no module that stand elsewhere with one: a list, then who stores what."""
    with_module = {one.found.code.text for one in told if one.module}
    return [one for one in told if one.module or one.found.code.text not in with_module]


def _beside_in_front(marks: Marks, codes: list[FoundCode], code: FoundCode) -> Named | None:
    """Return the module right in front of a code, where no other code stands right in front of that: `BCM B1234`."""
    text = marks.message.text
    at = last_before(marks.modules, code.start)
    name = marks.modules[at] if at >= 0 else None
    if not name or text[name.end : code.start].strip(" "):
        return None
    if not name.is_clear and not _BEGINS_CLAUSE.fullmatch(
        text, marks.clause_at(name.start).start, name.start
    ):
        return None
    other = last_before(codes, name.start)
    behind_code = other >= 0 and not text[codes[other].end : name.start].strip(" ")
    return None if behind_code else name


_LIES_IN: Final = rule(r"\b(?:in|from) (?:the |my )?$", re.IGNORECASE)
_BEGINS_CLAUSE: Final = rule(
    r"\s*(?:[^:\d]{1,24}: )?(?:and )?(?:(?:codes?|dtcs?|faults?|stored|is) ){0,2}(?:in )?(?:the |my )?",
    re.IGNORECASE,
)


def _storing_behind(marks: Marks, codes: list[FoundCode], index: int) -> list[Named]:
    """Return the modules behind a code, or behind the list of codes that it stands in."""
    text = marks.message.text
    last = index
    while last + 1 < min(len(codes), index + MOST_LISTED) and _BETWEEN_CODES.fullmatch(
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
        if leads and "(" in leads[0] and module_identity(name.name) == codes[at].code.about:
            continue  # what the code is about, not who stores it
        corrected = _CORRECTED.match(text, name.end)
        listed = listed_behind(marks, corrected.end() if corrected else name.start)
        in_brackets = leads and leads[0].endswith("(") and text[listed[-1].end : listed[-1].end + 1] == ")"
        return _without_the_next_clause(text, listed) if told else listed if in_brackets else [name]
    return []


_CORRECTED: Final = rule(r"\s?\??,? (?:no|sorry|i mean),? (?:in |from )?(?:the )?", re.IGNORECASE)
_ENDS_LIST: Final = rule(
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


_ABOUT: Final = rule(
    r"\b(?:about|against|blam(?:es|ed|ing)|accus(?:es|ed|ing)|miss(?:es|ed|ing)) (?:the |my )?\Z",
    re.IGNORECASE,
)
"""Before a module that a code is told of by another: `BCM complains about the ABS with a U0121`."""
_TOGETHER: Final = rule(r"\s{1,2}(?:both|all|each)\b", re.IGNORECASE)


def _storing_in_front(marks: Marks, codes: list[FoundCode], code: FoundCode) -> list[Named]:
    """Return the modules in front of a code that are said to store it: `gateway has U0140`, `ECM and TCM both do`."""
    text = marks.message.text
    at = last_before(marks.modules, code.start)
    if at < 0 or "\n" in text[marks.modules[at].end : code.start]:
        return []
    name = marks.modules[at]
    stores = _STORES.match(text, name.end)
    if _ABOUT.search(text, max(0, name.start - 24), name.start):
        return []
    if stores and stores["lies"] and not _LIES_IN.search(text, max(0, name.start - 10), name.start):
        return []
    clause = marks.clause_at(name.start)
    behind_other = within(codes, clause.sentence[0], name.start) and _STORED_BY.search(
        text[max(0, name.start - 12) : name.start]
    )
    if not stores or stores.end() != code.start or (behind_other and text[name.end : name.end + 1] == " "):
        return []
    if _TOGETHER.match(text, name.end) or _is_of_all(text, name, stores[0], code):
        return listed_before(marks, name.end)
    return [name]


_PLURAL: Final = rule(
    r"\s(?:also |only |both |all |each )*(?:store|have|report|log|set|show|throw|flag|give|hold)\s|\s?:\s",
    re.IGNORECASE,
)
_AND_BEFORE: Final = rule(r"(?:\band|&|\+|\bor) (?:the |my )?$", re.IGNORECASE)


def _is_of_all(text: str, name: Named, stores: str, code: FoundCode) -> bool:
    """Return whether a code is of a whole list of modules: `ECM and TCM log U0121`, `ECM, TCM: U0121 each`."""
    each = re.match(r"[^.;\n]{0,20}\b(?:each|in (?:all|both))\b", text[code.end :][:32])
    each = each or re.search(r":\s{0,2}(?:all|both|each)\b", stores)
    joined = _AND_BEFORE.search(text[max(0, name.start - 8) : name.start])
    return bool(each or (joined and _PLURAL.match(stores)))


def code_entry(module: str | None, code: TroubleCode) -> Data:
    """Return a code as an entry of a record."""
    spelled = code.text if code.occurrences is None else f"{code.text} OC {code.occurrences}"
    return ({"module": module} if module else {}) | {"code": spelled}
