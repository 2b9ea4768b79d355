"""Words that elsewhere say who answers, said of something else: `water in ABS found`, `rear wiper dead`."""

from __future__ import annotations

import re
from typing import Final

from casebase.intake.plain_words.lists_of_modules import ANSWERING, ANSWERING_LIST
from casebase.intake.plain_words.named_modules import Named
from casebase.intake.plain_words.written import rule

SPOKE_OF_TALKING: Final = rule(
    rf"{ANSWERING.pattern.replace('?P<listed>', '?:')}|{ANSWERING_LIST.pattern}|\b(?:nothing|nobody|none)\b",
    re.IGNORECASE,
)
"""What stands before `but not the BCM`, `not even the engine`, where these speak of modules that do not answer."""
_BEGINS_ENTRY: Final = rule(r"(?:^|[,;:.\n])\s*(?:and )?(?:the )?$", re.IGNORECASE)
_OF_A_CODE: Final = rule(r"\b[PCBU][0-3][0-9A-F]{3}(?:-[0-9A-F]{2})? ?:[^.;\n]*\Z", re.IGNORECASE)
"""Before the list of who has a code: `U0155: ECM yes, TCM no`."""
_PASSES: Final = rule(r"(?:\b(?:ok|yes|pass(?:ed)?)|[\u2713\u2714\u2705])\s*(?:[;,\n]|$)", re.IGNORECASE)
"""An entry of a list of modules that answered; beside it one that failed did not."""
_CODE_OF: Final = rule(r"\b(?:in|from|by) (?:the )?$", re.IGNORECASE)
_LEFT_OUT: Final = rule(r"(?:do|does|did|will)(?: not|n't|nt)", re.IGNORECASE)
"""What is left of a sentence on who talks, or on something else: `the ABS has a resistor, the radio doesn't`."""
_IS_DEAD: Final = rule(r"\bdead\b", re.IGNORECASE)
_DRIVEN: Final = rule(
    r"\b(?:wipers?|horn|lights?|windows?|mirrors?|pump|blower|fan|motor|starter|locks?|washers?|sunroof"
    r"|engine)\b(?! \w)",
    re.IGNORECASE,
)
"""What is dead may be the thing that moves, not its module."""
_IS_FAIR: Final = rule(r"\b(?:ok|okay|fine|good)$", re.IGNORECASE)
"""Said of a brake as of its module, where nothing else in the message speaks of who answers."""
_MOST_AROUND: Final = 80
_OF_TALKING: Final = rule(
    r"\b(?:scan\w*|test\w*|tool|laptop|tablet|network|diagnos\w*|comm\w*|answer\w*|respon\w*|list|reach\w*|talk\w*"
    r"|[PCBU][0-3][0-9A-F]{3})\b",
    re.IGNORECASE,
)
"""Without one of these near it an everyday name that is dead may be what a module drives: `rear wiper dead`."""
_DOES_NOTHING: Final = rule(r"\b(?:does|did) nothing$", re.IGNORECASE)
_ACTED_ON: Final = rule(
    r"\b(?:replac|swap|unplug|chang|clean|reset|pull|wiggl|reseat|disconnect|cod|program|updat)\w* (?:the |my "
    r"|its )?$",
    re.IGNORECASE,
)
"""It is what was done that did nothing."""
_OPENS: Final = rule(r"\b(?:open|load)$", re.IGNORECASE)
_IN_LIST: Final = rule(r"\b(?:list|tree|menu|tool|scanner|tester|session|scan)\b", re.IGNORECASE)
"""Without one of these it is a tailgate or a window that does not open."""
_GOES_AWAY: Final = rule(r"\b(?:disappear|vanish)", re.IGNORECASE)


def is_in_passing(text: str, match: re.Match[str], first: Named) -> bool:
    """Return whether words said of a module mean something else: `water in ABS found`, `U0121 in ABS disappears`."""
    before_all = text[max(0, first.start - 30) : first.start]
    before = before_all[-12:]
    if match.groupdict().get("listed"):
        if _OF_A_CODE.search(text, max(0, first.start - 60), first.start):
            return True
        failed = match[0].lower().startswith(("fail", "err", "n", "\u2717", "\u2718", "\u274c"))
        return not _BEGINS_ENTRY.search(before) or (failed and not _PASSES.search(text))
    if _is_of_something_else(text, match, first):
        return True
    if _DOES_NOTHING.search(match[0]):
        return bool(_ACTED_ON.search(before_all))
    if _OPENS.search(match[0]):
        return not _IN_LIST.search(text[max(0, first.start - 60) : match.start()])
    return bool(_GOES_AWAY.search(match[0]) and _CODE_OF.search(before))


def _is_of_something_else(text: str, match: re.Match[str], first: Named) -> bool:
    """Return whether a word is said of what a module drives or holds: `rear wiper dead`, `brakes ok`."""
    told_before = text[max(0, first.start - 120) : first.start]
    if _LEFT_OUT.fullmatch(match[0]):
        return any(map(str.isalnum, told_before)) and not SPOKE_OF_TALKING.search(told_before)
    if _IS_DEAD.search(match[0]) and _DRIVEN.search(first.name):
        around = text[max(0, first.start - _MOST_AROUND) : match.end() + _MOST_AROUND]
        return not _OF_TALKING.search(around)
    return bool(_IS_FAIR.search(match[0]) and not first.is_clear and not _OF_TALKING.search(text))
