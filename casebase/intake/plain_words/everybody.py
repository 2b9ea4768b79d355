"""Whether all modules that are not named are said to answer, or none: `everything else talks`, `nothing answers`."""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from casebase.intake.plain_words.verdicts import ANSWERING_WORDS, FAIR_WORDS, SAVE_WORDS, SILENT_WORDS
from casebase.intake.plain_words.written import Span, Written, rule
from casebase.record.vocabulary import YesNo

_MODULES: Final = (
    r"(?:modules?|ecus?|control(?:ler)?s?(?: units?)?|units?|computers?|nodes?|box(?:es)?|ones?)"
)
_TALKS: Final = rf"(?:{ANSWERING_WORDS}|on the (?:bus|network|scan)|scans?)"
_WELL: Final = rf"(?:{_TALKS}|{FAIR_WORDS})"
_NO_CONTACT: Final = r"no (?:comm?s?|communication|answer|response|reply)"
_GONE: Final = rf"(?:{SILENT_WORDS}|{_NO_CONTACT})"
_NOT: Final = r"(?:(?:do|does|did|is|are|was|were|wo|ca|could)n'?t|not|never|no longer|cannot)"
_VERB: Final = (
    r"(?:(?:is|are|was|were|do|does|did|all|still|shows?|showing|reads?|says?|listed|just|seems?) )*"
)
_OF_THEM: Final = rf"(?: of (?:them|the (?:car|truck|vehicle|bus|network|{_MODULES})))?"
_OTHERS: Final = (
    rf"(?:every(?:thing|body|one) else|every other(?: {_MODULES})?|all (?:the )?(?:others?|rest)(?: {_MODULES})?"
    rf"|(?:the )?others?(?: {_MODULES})?|(?:the )?rest{_OF_THEM})"
)
_ALL: Final = rf"(?:all (?:the )?{_MODULES}|every(?:thing| {_MODULES})|the whole (?:bus|car|truck|network))"
_SAVE: Final = rf"(?:{SAVE_WORDS}|but)"

_OTHERS_WELL: Final = rule(rf"\b{_OTHERS}:? {_VERB}(?:{_WELL}|do|does)\b", re.IGNORECASE)
_OTHERS_TALK: Final = rule(rf"\b{_OTHERS}:? {_VERB}{_TALKS}\b", re.IGNORECASE)
_OTHERS_GONE: Final = rule(rf"\b{_OTHERS}:? {_VERB}(?:{_GONE}|{_NOT} {_VERB}{_TALKS})\b", re.IGNORECASE)
_ALL_SAVE: Final = rule(
    rf"\b(?:{_ALL}|all|everyone) {_VERB}"
    rf"(?:{_WELL} (?:[\w,]+ ){{0,2}}?{_SAVE}\b|{_SAVE} [\w ]{{1,40}}? {_VERB}{_WELL}\b)",
    re.IGNORECASE,
)
_ALL_TALK: Final = rule(rf"\b{_ALL} {_VERB}{_TALKS}\b", re.IGNORECASE)
_ALL_GONE: Final = rule(
    rf"\b{_ALL} {_VERB}(?:{_GONE}|{_NOT} {_VERB}{_TALKS})\b"
    rf"|\b(?:nothing|nobody|none of (?:them|the {_MODULES})|no(?: single| other)? {_MODULES}) (?:at all )?"
    rf"{_VERB}{_TALKS}\b"
    rf"|\b(?:{_NO_CONTACT}|(?:can't|cannot|unable to|won't) {_TALKS}) (?:\w+ )?(?:with|to|from) "
    rf"(?:any(?:thing|body| {_MODULES})?|all {_MODULES}|a single {_MODULES})\b"
    r"|\b(?:scanner|scan tool|tester|tool) (?:finds?|sees?|gets?|hears?|reaches) "
    r"(?:nobody|nothing|no (?:one|module)s?)\b",
    re.IGNORECASE,
)
_ONLY: Final = rule(
    rf"\bonly (?:the )?[\w -]{{2,30}}? {_VERB}(?:{_GONE}|{_NOT} {_VERB}{_TALKS})\b", re.IGNORECASE
)
_DENIED: Final = rule(r"\b(?:not|isn't|aren't|if|when|once|until|should) $", re.IGNORECASE)


class Everybody(NamedTuple):
    """What is said of all modules that are not named, and where."""

    answer: YesNo
    span: Span


def others_in(message: Written, names_a_silent: bool) -> Everybody | None:
    """Return whether all others answer, or none does; None where nothing is said of them.

    That all others are well, and no more, is said of their answers only beside a module that is silent.
    """
    well = (_OTHERS_WELL, _ONLY) if names_a_silent else ()
    said = (
        *((each, YesNo.NO) for each in (_ALL_GONE, _OTHERS_GONE)),
        *((each, YesNo.YES) for each in (_OTHERS_TALK, _ALL_SAVE, _ALL_TALK, *well)),
    )
    for each, answer in said:
        for found in each.finditer(message.text):
            if not _DENIED.search(message.text, max(0, found.start() - 12), found.start()):
                return Everybody(answer, found.span())
    return None
