"""Numbers that nobody read on this vehicle: what should be, what was asked or thought of, what another vehicle showed.

All of the words are common practice, no source. In doubt a number stays in the story.
"""

from __future__ import annotations

import re
from typing import Final

from casebase.intake.plain_words.amounts import Measured
from casebase.intake.plain_words.written import LONGEST_CLAUSE, Clause, rule

NOMINAL_OHMS: Final = ("60", "120")
"""Ohms of a pair that is in order, and of one terminator (ISO 11898-2)."""


def is_not_read_here(text: str, clause: Clause, amount: Measured) -> bool:
    """Return whether an amount is what should be, what was asked or thought of, or what another vehicle showed."""
    before = text[max(_begin(text, clause, amount), amount.start - LONGEST_CLAUSE) : amount.start]
    return (
        _is_wished_or_thought_of(text, amount, before)
        or _is_of_another_vehicle(text, clause, amount, before)
        or _is_asked(text, clause, amount)
    )


_WHICH_IS: Final = rule(r"\s*(?:which|that) (?:is|are|was|means)\b", re.IGNORECASE)


def _begin(text: str, clause: Clause, amount: Measured) -> int:
    """Return where the words begin that an amount stands in: its clause, its parenthesis, what `which is` speaks of."""
    opened = text.rfind("(", clause.sentence[0], amount.start)
    if opened >= 0 and ")" not in text[opened : amount.start]:
        return max(clause.sentence[0], *(text.rfind(stop, clause.sentence[0], opened) + 1 for stop in ",;"))
    return clause.sentence[0] if _WHICH_IS.match(text, clause.start) else clause.start


# --- what should be, what was hoped for, what was thought -------------------------------------------------------------

_WISHED: Final = rule(
    r"\b(?:(?:should|shall|must|ought|supposed|meant)(?:n't| not)?"
    r"|(?:would|could|might|may)(?:n't| not)? (?:be|read|expect|see|show|give|get|have|mean|drop|measure|sit"
    r"|need|like"
    r"|want|make|put)|(?:(?:i|you|we|they)'d|(?:i|you|we) would) (?:expect|want|like|say|look|need|see|get)"
    r"|expect(?:ed|ing|s|ation)?|(?<!out of )(?<!within )(?<!to )(?<!in )spec(?:s|ification|ified)?|thought"
    r"|assum(?:e|ed|ing)|imagin\w+|pretend\w*|to (?:achieve|reach|obtain|make|get to|end up (?:with|at))"
    r"|(?:manual|book|handbook|data ?sheet|diagram|drawing|literature|internet|guide|tech line|bulletin|notes?"
    r"|he) (?:says?"
    r"|talks? (?:about|of)|speaks? of|mentions?|quotes?|states?|specif(?:y|ies)"
    r"|said|wants?"
    r"|gives?|shows?|asks? for|calls? for)|(?:if|unless|in case|whether) (?:it|that|they|you|this|the \w+) (?:is|was"
    r"|were|reads?|shows?|measures?|gives?|gets?|has|have|see|sees|find)|(?:normal|usual|healthy|good|acceptable"
    r"|typical"
    r"|allowed) (?:ranges?|values?|levels?)|usually|generally|commonly|maybe|perhaps|possibly|impedance"
    r"|works? (?:with"
    r"|at)|result(?:s|ing) in|soll(?:wert)?|nominal(?:ly)?|ideal(?:ly)?|typical(?:ly)?|in theory|theoretical(?:ly)?"
    r"|rated|target|limit|tolerance|(?:max(?:imum)?|min(?:imum)?) (?:allowed|permitted|is)|according to|as per"
    r"|per the"
    r"|by the book|look(?:ed)? for)\b",
    re.IGNORECASE,
)
_GOES_WITH_IT: Final = rule(
    r"(?:\s(?:to|not|only|be|been|have|has|read|see|is|are|was|show|get|give|measure|find|sit|say|says|of|at|about"
    r"|around"
    r"|it|that|there|i|you|we|the|a|an|something|like|roughly|approx(?:imately)?|between|for|least|most|this"
    r"|they|both"
    r"|reading|found)\b){0,7}",
    re.IGNORECASE,
)
"""Words behind a wish that are part of it, though alone they could say that something was read."""
_WISHED_RIGHT_BEFORE: Final = rule(
    r"\b(?:(?:instead of (?:an? |the |2 |3 )?|(?:book|manual) (?:value )?|makes?|make up|adds? up to|sums? up to"
    r"|equals?"
    r"|half of|twice|double)\s?$|(?:needs?|needed|wants?|wanted|requires?|required|looking for|look for"
    r"|aim(?:ing)? for"
    r"|hoping for|hoped for)\b(?:\s(?:to|be|see|have|read|measure|get|find|about|around|a|an|the|at|least|under|over"
    r"|you)\b){0,5}\s?$|(?:us(?:e|es|ed|ing)|fit|fitted|install(?:ed)?|add(?:ed)?|solder(?:ed)?|order(?:ed)?|choose"
    r"|powered|supplied|fed)\b(?:\s(?:it|directly|from|with|by|off|at|in|an?|the|only|one|1|2|another))*\s?$)",
    re.IGNORECASE,
)
_NOT_THIS: Final = rule(
    r"(?:\b(?:not|never|no longer|isnt|wasnt|dont|doesnt|didnt)|n't)\s(?:(?:get|got|have|had|see|saw|read|show"
    r"|measure|find|went|goes"
    r"|quite|the|a|any|be|at|exactly)\s)*$",
    re.IGNORECASE,
)
_AS_WISHED: Final = rule(
    r"\b(?:got|get|have|had|reads?|measured?|is|shows?|see|saw|found) (?:the |my )?(?:expected|nominal|specified"
    r"|typical|usual) $",
    re.IGNORECASE,
)
SAID_OF_THIS: Final = rule(
    r"\b(?:got|gets?|getting|i have|i've|we have|i had|measured?|measures|measuring|found|finds?|mine|ours"
    r"|my (?:meter|own)?|reads"
    r"|reading|shows|showing|showed|saw|i see|we see|i read|but|instead|actual(?:ly)?|now|currently|goes|going|went"
    r"|drops|dropped"
    r"|this (?:one|car|truck|van|vehicle)|here|still|(?:and|yet|though|while|it) (?:is|was|has|sits|stays)|today)\b",
    re.IGNORECASE,
)
_WISHED_BEHIND: Final = rule(
    r"\s?(?:ohms?|volts?|v)?(?: resistance| termination)?\)?,? (?:(?:is|are|was|were|being|which is what is"
    r"|is what(?: i| you| it"
    r"| they)?) )?(?:expected"
    r"|nominal|the spec|specified|by the book|required|needed|necessary|enough|to be expected|it should be"
    r"|should be there)\b",
    re.IGNORECASE,
)
_MODAL_BEHIND: Final = rule(
    r"\s?(?:resistance |ohms? |volts? |v )?(?:(?:will|would|could|might|may)\b|should (?:work|do|always|also"
    r"|be (?:fine|ok|enough|good"
    r"|used|plenty)))|\s?(?:is|are) (?:a|an|the) (?:mistake|standard|norm|common|usual|typical)\b",
    re.IGNORECASE,
)
_NORM_BEHIND: Final = rule(
    r"\s?(?:ohms?|volts?|v)? (?:is|are|would be|being) (?:the )?(?:normal|correct|right|standard|healthy|norm|usual"
    r"|ideal)\b",
    re.IGNORECASE,
)
_WORD: Final = rule(r"[^\W\d_]{2}")
_BEGINS_RULE: Final = rule(r"\s*(?:and |but |so |where |since |because |around |about )*")


def _is_wished_or_thought_of(text: str, amount: Measured, before: str) -> bool:
    """Return whether an amount is what should be or was thought of: `should be 60`, `need 60`, `spec 2.5`."""
    cues = list(_WISHED.finditer(before)) if _WORD.search(before) else []
    goes_on = _GOES_WITH_IT.match(before, cues[-1].end()) if cues else None
    if goes_on and not (SAID_OF_THIS.search(before, goes_on.end()) or _AS_WISHED.search(before)):
        return True
    if _WISHED_RIGHT_BEFORE.search(before) and not _AS_WISHED.search(before):
        return True
    if _NOT_THIS.search(before):
        return True
    if _WISHED_BEHIND.match(text, amount.end) or _MODAL_BEHIND.match(text, amount.end):
        return True
    return bool(_NORM_BEHIND.match(text, amount.end) and _BEGINS_RULE.fullmatch(before))


# --- another vehicle --------------------------------------------------------------------------------------------------

_VEHICLE: Final = r"(?:one|1|car|vehicle|truck|van|lorry|tractor|machine|pickup|trailer|model)"
_OTHER: Final = (
    rf"(?:(?:the|a|an|my|his|our|some|that)\s)?(?:(?:known[- ])?good|healthy|working|other|another|sister|identical"
    rf"|donor"
    rf"|similar|spare|second|normal) (?:working )?{_VEHICLE}"
)
_OTHER_VEHICLE: Final = rule(
    rf"\b(?:{_OTHER}|next door|(?:in the )?next bay|a (?:colleague|mate|friend|customer) (?:had|has)|(?:a"
    rf"|my) (?:colleague|mate"
    r"|friend)'?s|(?:my|his|her) (?:own|old|other|wife's) (?:car|van|truck)|same model|another of the same|donor"
    r"|someone (?:had|has|measured|got)|another (?:customer|job|shop))\b",
    re.IGNORECASE,
)
_THIS_VEHICLE: Final = rule(
    rf"\b(?:mine|ours|this (?:{_VEHICLE})|here|still|now|my (?:car|truck|van|{_VEHICLE})|on it|same|swapp?ed"
    rf"|replaced|fitted)\b",
    re.IGNORECASE,
)
_SAID_BY_OTHERS: Final = rule(
    r"\b(?:dealers?|customers?|owner|garage|workshop|seller|he|she|they) (?:said|says?|claims?|claimed|told (?:me|us"
    r"|him|her)|wrote|reckons?)\b",
    re.IGNORECASE,
)
"""Before what somebody else says to have read: nobody here did."""
_OTHER_BEHIND: Final = rule(
    rf"[^,.;:?!\n0-9]{{0,24}}\b(?:(?:on|in|from|with|for) {_OTHER}|next door|in the next bay|on (?:a"
    rf"|the) (?:colleague|mate)'?s)\b",
    re.IGNORECASE,
)


def _is_of_another_vehicle(text: str, clause: Clause, amount: Measured, before: str) -> bool:
    """Return whether an amount was read on another vehicle: `a good one next door reads 60`."""
    other = list(_OTHER_VEHICLE.finditer(before)) if _WORD.search(before) else []
    if other and not (_SWAPPED.search(before) or _THIS_VEHICLE.search(before, other[-1].end())):
        return True
    said = list(_SAID_BY_OTHERS.finditer(text, clause.sentence[0], amount.start))
    if said and not SAID_OF_THIS.search(text, said[-1].end(), amount.start):
        return True
    return bool(_OTHER_BEHIND.match(text[: clause.end], amount.end) and not _SWAPPED.search(before))


_SWAPPED: Final = rule(
    r"\b(?:swapp?(?:ed|ing)?|replac(?:ed|ing)|fitt(?:ed|ing)|tried|put in)\b", re.IGNORECASE
)


# --- questions --------------------------------------------------------------------------------------------------------

_ASKS: Final = rule(
    r"\s*(?:so |and |but |or |well |ok |then )*(?:(?:do|does|did) (?:you|i|we|they|it|anyone|anybody|the|that)"
    r"|should|would"
    r"|could|shall|might|can|may|will|have you|has anyone|is there|are there|what if|did you|somewhere)\b",
    re.IGNORECASE,
)


def _is_asked(text: str, clause: Clause, amount: Measured) -> bool:
    """Return whether an amount is only asked for: `120 ohms?`, `do you have 60 ohm between the lines?`."""
    start, end = clause.sentence
    if text[end : end + 1] != "?" or text[end : end + 2] == "?!":
        return False
    alone = not any(map(str.isalnum, text[start : amount.start] + text[amount.end : end]))
    return (alone and (start > 0 or amount.number in NOMINAL_OHMS)) or (
        _ASKS.match(text, clause.start) is not None
    )
