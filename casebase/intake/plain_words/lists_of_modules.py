"""Lists of modules beside a phrase: `no comms with ABS, EPS and the TCM`, `ABS and TCM not answering`.

With the phrases that call a module silent or answering, since a name that has one of its own ends a list.
"""

from __future__ import annotations

import re
from typing import Final

from casebase.intake.plain_words.marks import Marks, last_before
from casebase.intake.plain_words.named_modules import Named
from casebase.intake.plain_words.written import Written, rule

SILENT: Final = "silent"
ANSWERS: Final = "answers"

_COMMS: Final = r"(?:comm?s?|communications?|contact|connection|talk|resp(?:onse)?|answers?|reply|replies)"
FORWARD: Final = rule(
    rf"\b(?:no|zero|0|nil|lost|loses?|losing|lost of|loss of|without) (?:all )?{_COMMS}(?: (?:with|to|from"
    rf"|out of|of|on"
    rf"|at))?(?=\W|$)"
    rf"|\b{_COMMS} (?:is |are )?(?:lost|gone|missing) (?:to|with|from)\b"
    r"|\b(?:unable to|can(?:not|'?t| not)|could(?: not|n'?t)|won'?t) (?:communicate|connect|talk|get"
    r"|reach|raise|see|find|ping|wake|open|access|enter|hear|pick up|contact|detect)(?: (?:with|to|into|in|from))?\b"
    r"|\b(?:(?:does|do|did)(?: not|n'?t)|not|never) (?:automatically |always |ever |even |really )?(?:communicates?"
    r"|connects?|talks?|reach(?:es)?|sees?|detects?"
    r"|finds?|hears?"
    r"|pings?|picks? up)(?: (?:with|to|into|from))?\b"
    r"|\b(?:tester|scanner|scan tool|tool|laptop|tablet|scan|i|we) (?:still |only )?(?:finds?|sees?|lists?"
    r"|gets?|shows?) no(?= )"
    r"|\bnot (?:finding|hearing|getting|detecting|reaching|seeing|picking up)(?: (?:anything )?(?:from|into|to))?\b"
    r"|\b(?:nobody|no one|nothing|none)(?: [a-z]+){0,4} (?:hears?|sees?|finds?|reaches|talks to|can (?:hear|see"
    r"|find|reach|talk to))\b"
    r"|\bnobody (?:hear|see|find|reach)\b|\b(?:and|but) not(?: (?:with|to))?(?= )|\bnot even(?= )"
    r"|\b(?:scanner|tester|scan tool|tool|scan|laptop|tablet) (?:hangs|sticks|stops|freezes|gives up|fails|errors)"
    r" (?:on|at|with)(?= )"
    r"|(?:(?<=, )|(?<=gateway )|(?<=scanner )|(?<=tester ))misses(?=\s)|\b(?:i|we) lose(?=\s)|\bsees? not(?=\s)"
    r"|\b(?:lost of|lost|nothing (?:from|out of)|not seeing"
    r"|modules? lost:)(?=\s)"
    r"|\b(?:not present|missing|silent|dead|lost|no answer|offline) ?:|(?:(?<=^)|(?<=[,.;:] ))dead(?= )",
    re.IGNORECASE,
)
BACKWARD: Final = rule(
    r"\b(?:(?:is|are|was|does|do|did|has|have|he|it|will|still) )?(?:not|n't|don'?t|doesn'?t|isn'?t|aren'?t"
    r"|won'?t|can'?t|couldn'?t|didn'?t|wouldn'?t|no longer|never) (?:want to |even |yet |be )?"
    r"(?:respond\w*|answer\w*|communicat\w*|repl\w+|reach\w*|talk\w*|speak\w*|there|online|seen|found|detected"
    r"|show(?:s|n|ing)? up|showing (?:on|in)|show(?:n)? (?:on|in) (?:the |my )?(?:scan|list|tree|tester"
    r"|scanner)|com(?:e|es|ing) (?:up|in|online|through|back)|wak(?:e|es"
    r"|ing)(?: up)?|listed|recognised"
    r"|(?:on|in) the (?:network|bus|list|scan|tree))(?=\W|$)"
    r"|\b(?:fail(?:s|ed|ing)?|refus(?:es?|ed|ing)) to (?:respond|answer|communicate|reply|talk|connect|wake"
    r"|appear|link|initiali[sz]e|boot|identify|check in|log on"
    r"|register|join|show up|speak|come (?:up|in|on|back|alive|on-?line))\b"
    r"|\bcomm?s?(?:unications?)? (?:error|failure|fault|failed|fail)(?=\s*(?:[.,;\n]|$))"
    r"|(?<!\w)(?P<listed>fail(?:ed)?|error|n/a|no|[\u2717\u2718\u274c])(?!\w)(?=\s*[;,\n]|\s*$)"
    r"|\b(?:has |have )?stop(?:s|ped|ping)? (?:responding|answering|communicating|replying|talking)\b"
    r"|\b(?:has |have )?lost (?:all )?(?:comm?s|communications?|contact|connection)(?=\s*(?:[.,;:!?\n]|$|and\b"
    r"|when\b|after\b|since\b|while\b))"
    r"|\b(?:keeps? |has |have )?(?:disappear(?:s|ed|ing)?|vanish(?:es|ed|ing)?|going off-?line)\b"
    r"|\b(?:is |are |has |have |gives? |gave |shows? )?no (?:talk|resp(?:onse)?|answer|reply|comm?s?|communications?"
    r"|contact|connection|data|link)\b(?! (?:with|to|from|of)\b)(?! on (?!(?:the )?(?:tester|scan"
    r"|network|bus)))"
    r"|\b(?:is |are |was |were |gets )?lost\b(?! (?:all |any |its |the )?(?:com|contact|conn|with|of|power"
    r"|drive|oil|water|coolant|fluid|charge"
    r"|pressure|ground|earth|supply|feed)| ?:)"
    r"|\b(?:is |are |was |were |stays? |goes |went |gone |(?:has |have )gone |all )?(?:still |now |also |very "
    r"|completely "
    r"|totally |both |all )?(?:silent|quiet|absent|dead(?! (?:simple|easy|flat|short|straight|on|level|right"
    r"|certain|sure|cent\w+|quiet)\b)|off-?line|off line|mute|unreachable|unresponsive"
    r"|missing)\b(?! ?:)"
    r"|(?<!it )(?<!ing )(?<!ing it )(?<!s it )\b(?:is |are |both |all |went |goes )*down(?=\s*[.,;:\n]|\s*$)"
    r"|\b(?:is |are )?gone(?=\s*[.,;]|$)"
    r"|\bare (?:both |all )?out(?=\s*[.;\n]|$)"
    r"|\b(?:has |have )?(?:drops?|dropp(?:ed|ing)|falls?) (?:off|out)\b"
    r"|\b(?:says?|said|does|gives?|sends?|tells?)(?: me)? nothing\b|(?:(?<=[a-z]):| -|=) ?nothing(?=\s*(?:[.,;\n]|$))"
    r"|\b(?:times|timed|timing) out\b|\btime-?out\b(?! (?:setting|value))|\b(?:is |are )?gr[ea]yed out\b"
    r"|\b(?:a )?no[ -]show\b|\bno go\b"
    r"|\b(?:won'?t|will not|does ?n[o']t|refuses to|cannot|can'?t) (?:open|load|link|wake|connect|identify"
    r"|register|boot|show(?= on"
    r"|\s*(?:[.,;\n]|$))|initiali[sz]e)\b"
    r"|\b(?:do|does|did|will)(?: not|n't|nt)(?=\s*(?:[.,;\n]|$))|\bquits? (?:talking|responding|answering"
    r"|communicating)\b"
    r"|\bunable to communicate\b|\bcannot be reached\b|\bcan(?:not|'?t) be reached\b",
    re.IGNORECASE,
)
ANSWERING: Final = rule(
    r"(?<=\w )[\u2713\u2714\u2705]|"
    r"(?<!non-)(?<!non )\b(?:answer|respond|repl(?:y|ie)|talk|communicate)(?:s|es|ed|ing)?(?: again)?\b"
    r"(?! (?:to|with|from)(?! (?:(?:the )?(?:tester|scan|scanner|me)\b|[pcbu][0-3][0-9a-f]{3})))|(?::"
    r"| is| are)? ?\bi (?:have|can (?:get(?: into| to)?|reach|see|read|talk to|connect to|open))\b(?= *[;,.\n]| *$)"
    r"|\b(?:comes?|came|is|shows?) (?:up |in )?(?:fine|ok|okay|good|normal(?:ly)?)(?: on (?:the |my )?(?:tester"
    r"|scanner|scan tool"
    r"|tool))?(?= *[;,.\n]| *$)|\b(?:fine|ok|good|there) on the (?:tester|scanner|scan tool|tool)\b|(?::"
    r"| is| are)? ?\b(?:online|alive|ok|reachable|(?P<listed>(?<![,;.] )(?:pass(?:es|ed)?|found"
    r"|yes)))\b(?= *[;,.\n]| *$"
    r"| (?:(?:[0-9]{1,2}|no) (?:codes?|dtcs?|faults?)|[PCBU][0-3][0-9A-F]{3}|except|but|bar|apart from"
    r"|other than|save)\b)",
    re.IGNORECASE,
)
ANSWERING_LIST: Final = rule(
    r"\b(?:answering|answers|online|talking|alive) ?:|\b(?:tester|scanner|scan tool|tool|laptop|tablet|gateway)"
    r" (?:still |only |can |now )?(?:sees?|finds?|reach(?:es)?|gets? (?:in)?to|links?(?: up)? (?:to|with)|talks? to"
    r"|communicates? with"
    r"|connects? (?:to|with))\b"
    r"|(?<!nobody )(?<!one )(?<!nothing )(?<!what )\bcan (?:still |only |also )?(?:get into|reach|talk to"
    r"|communicate with"
    r"|connect (?:to|with))\b|\bi (?:do |still |only )*(?:get into|reach|talk to|communicate with|connect to"
    r"|have comms? with)\b"
    r"|(?<=, )(?:finds?|sees|reaches)\b|\b(?:it|i|we) (?:only|just) (?:sees?|finds?|reach(?:es)?|connects? to)\b"
    r"|\bon (?:the |my )?(?:tester|scanner|scan tool|laptop) i (?:only |just |can )?(?:get|see|find|have)\b"
    r"|(?<!un)(?<!not )\bable to (?:get into|reach|talk to|communicate with|connect (?:to|with)|see|read)\b"
    r"|\bcomms? (?:is |are )?(?:fine|ok|okay|good|there) (?:with|to)\b",
    re.IGNORECASE,
)
_BETWEEN_NAMES: Final = rule(
    r"(?!\s{1,2}(?:the|his|its|a|my)\b)\s{0,2}(?:,|;|/|&|\+|\band\b|\bor\b|\bnor\b|\bas well as\b|\bplus\b|,\s?and\b"
    r"|\balso\b|\b(?:and|or) no\b|\bno comms\b){0,2}\s{0,2}(?:also |then )?(?:[0-9]{1,3} ?(?:x|times) )?(?:to "
    r"|with |from |in |by )?(?:the |his |its |a |my )?\s{0,2}(?:module |unit )?",
    re.IGNORECASE,
)
_LEADS_TO_NAME: Final = rule(
    r"\"?[\s:\-]{0,3}(?:(?:is|are|with|to|from|of|on|for|at|by|in|the|a|any|his|my|module|modules|unit|ecu|both"
    r"|either"
    r"|anything else|just|only)\b[\s:]{0,2}){0,4}",
    re.IGNORECASE,
)
_LEADS_FROM_NAME: Final = rule(
    r"[\s:,=>()-]{0,4}(?:(?:module|unit|ecu|itself|both|all|also|now|still|at random|sometimes|too|and it|he|it"
    r"|just|which|that|only)\b[\s,:=]{0,2}){0,3}",
    re.IGNORECASE,
)


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
        ANSWERING.match(message.text, end)
        or BACKWARD.match(message.text, end)
        or _STORES.match(message.text, name.end)
    )


_STORES: Final = rule(r" (?:also |only )?(?:stores?|stored|sets?|reports?|logs?|logged|has)\b", re.IGNORECASE)


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
        and (
            before[-1].is_clear
            or not _IN_FRONT.search(text, marks.clause_at(before[-1].start).start, before[-1].start)
        )
    ):
        names.insert(0, before.pop())
    return _after_other_phrase(marks, names)


_IN_FRONT: Final = rule(
    r"(?<![\w'])(?!(?:the|my|his|both|and|or|nor|but|not|so|now|then|also|neither|either|with|from|all|any|no"
    r"|for|to|on|in|of"
    r"|is|are|module|modules|unit|comms|that|if|when|since|because|left|right|front|rear|old|its"
    r"|our)\b)[A-Za-z]\w* \Z",
    re.IGNORECASE,
)
"""A word in front of an everyday name, which then may name something else: `MX engine, AdBlue unit offline`."""
_IT: Final = rule(r"\bit (?:still |now |also |just )?$", re.IGNORECASE)


def _after_other_phrase(marks: Marks, names: list[Named]) -> list[Named]:
    """Return the names of a list from the last that no phrase in front of it already speaks of."""
    first = marks.message.text[max(0, names[0].start - 24) : names[0].start]
    of_first = list(FORWARD.finditer(first))
    comma = marks.message.text.rfind(",", names[0].end, names[-1].start)
    if of_first and _LEADS_TO_NAME.fullmatch(first, of_first[-1].end()) and comma > 0:
        names = [one for one in names if one.start > comma]
    for index in range(len(names) - 1, 0, -1):
        window = marks.message.text[max(0, names[index].start - 24) : names[index].start]
        told = list(FORWARD.finditer(window))
        if told and _LEADS_TO_NAME.fullmatch(window, told[-1].end()):
            return names[index:]
    return names
