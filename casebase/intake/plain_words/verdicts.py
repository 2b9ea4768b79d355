"""Who answers and who is silent, read from clauses all of whose words are known, in whatever order they stand.

Such a clause is modules, a word of a small vocabulary that says how these fare, perhaps a no, and words that tell
nothing (`still`, `to the scanner`). A clause with any other word in it says something else and is left alone. The words
are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from casebase.intake.plain_words.lists_of_modules import ANSWERS, SILENT
from casebase.intake.plain_words.marks import Marks, within
from casebase.intake.plain_words.named_modules import Named
from casebase.intake.plain_words.written import Span, rule

_NO: Final = (
    r"no longer|not (?:one|1) of|not a single one of|no|not|never|none|neither|nor|without|zero|nil|unable|impossible"
    r"|cannot|nobody|nothing"
    r"|(?:ca|wo|is|are|was|were|do|does|did|has|have|had|could|would)n'?t|no longer"
    r"|(?:refus|fail|stop|ceas|declin)(?:e?s|e?d|ped|ping|ing|e)?|quits?|gave up|gives up"
)
SILENT_WORDS: Final = (
    r"non-? ?(?:respon(?:ding|sive)|answering|communicating|talking)|(?:loss of|lost) comm?(?:s|unications?)?"
    r"|comm?(?:s|unications?)? (?:fault|errors?|failures?|fail(?:ed|s)?|loss|lost|down)|mia|play(?:s|ing)? dead"
    r"|not among (?:them|those)|"
    r"silent|mute|dead|deaf|absent|missing|invisible|unreachable|unresponsive|inaccessible|off-?line|off line|gone"
    r"|lost|quiet|down|awol|blank|gr[ae]yed out|(?:drop(?:s|ped)?|fallen|falls?|fell|went|gone|goes|is|are|knocked)"
    r" (?:right |clean )?(?:off|out of) the (?:network|bus|air|scan|list|map)"
    r"|drop(?:s|ped)? (?:off|out)|tim(?:es?|ed|ing) ?-?out|vanish(?:es|ed)|disappear(?:s|ed)|stone dead|no[ -]shows?"
)
ANSWERING_WORDS: Final = (
    r"answer(?:s|ed|ing)?|respon(?:d|ds|ded|ding|se|ses|sive)|repl(?:y|ies|ied|ying)|talk(?:s|ed|ing|s back)?"
    r"|speak(?:s|ing)?|communicat(?:e|es|ed|ing|ion|ions)|comm?s?|contact(?:s|ed|able)?|connect(?:s|ed|ing|ion|ions)?"
    r"|link(?:s|ed|ing)?|on-?line|alive|awake|reach(?:es|ed|able)?|rais(?:e|es|ed)|visible|access(?:ed|ible)?"
    r"|detect(?:s|ed|able)?|hear(?:s|d)?|ping(?:s|ed)?|identif(?:y|ies|ied)|handshakes?|peep|squeak|life|signs?|trace|sees?"
    r"|finds?|wakes?(?: up)?|comes? (?:up|in|through|alive)|came (?:up|in|through|alive)|shows? up"
    r"|picks? up|logs? on|checks? in|opens?|enter|g[eo]t(?:s|ting)? (?:in)?to"
)
FAIR_WORDS: Final = r"ok|okay|fine|good|there|present|up|(?:found|seen)(?! in)|listed|yes|healthy|happy|well"
"""Words that say of a module that it answers only where others are said to answer or not."""
_EVERYBODY: Final = r"all|every(?:thing|one|body)?|any(?:thing|one|body)?|whole|rest|others?"
SAVE_WORDS: Final = (
    r"except(?:ing)?(?: for)?|apart from|aside from|bar|save(?: for)?|other than|excluding|besides|minus"
)
_STOPS: Final = r"but|so|however|whereas|while|yet|though"
_TELLS_NOTHING: Final = (
    r"the|an?|my|this|that|these|those|it|its|he|she|they|we|i|you|there's|that's|it's|and|or|also|both|each|now|again"
    r"|completely|totally|just|only|simply|really|either|too|even|ever|then|is|are|was|were|be|been|being|has|have|had"
    r"|do|does|did|can|could|will|would|to|with|from|of|on|in|at|by|for|into|out|off|through|back|more|much|as|still"
    r"|modules?|units?|ecus?|controllers?|computers?|control|ones?|else|nodes?|tool|scanner|scan|tester|testers|laptop"
    r"|tablet|diagnostics?|obd|network|bus|can|lin|lists?|tree|page|screen|session|says?|said|shows?|showing|showed|gives?"
    r"|gave|gets?|got|getting|come|coming|stays?|remains?|seems?|looks?|appears?|want(?:s|ed)?|possible|get|machine"
    r"|any more|anymore|asleep|establish(?:es|ed)?|made|make|set up|goes|went|going|fell|fallen|falls|turned"
    r"|whatsoever|at all"
    r"|of them|those|same|likewise|ditto|which|what|who"
    r"|further|than|alone|well"
)
_LATER: Final = r"after|ever since|since|because|due to|following|straight after"
"""What tells when or why ends what is said of a module."""
_NEXT_STOP: Final = rule(r"[,:;()]|\bbut\b", re.IGNORECASE)
_TOKEN: Final = rule(
    rf"(?P<save>\b(?:{SAVE_WORDS})\b)|(?P<silent>\b(?:{SILENT_WORDS})\b)|(?P<no>\b(?:{_NO})\b)|(?P<answers>\b(?:{ANSWERING_WORDS})\b)"
    rf"|(?P<fair>\b(?:{FAIR_WORDS})\b)|(?P<everybody>\b(?:{_EVERYBODY})\b)|(?P<stop>\b(?:{_STOPS})\b|[,:;=>()/-])"
    rf"|(?P<later>\b(?:{_LATER})\b)|(?P<known>\b(?:{_TELLS_NOTHING})\b)|(?P<other>[^\W_][\w'.]*|[^\w\s.\"'])",
    re.IGNORECASE,
)
_CONDITION: Final = rule(
    r"\b(?:if|when|once|after|until|unless|as soon as|without|unplug\w*|disconnect\w*|pull(?:ed|ing)?)\b",
    re.IGNORECASE,
)
"""What a module that answers under it need not do now."""
_AS_WELL: Final = rule(r"\b(?:too|also|as well|same|likewise|ditto|with it|either)\b", re.IGNORECASE)
_OF_TALKING: Final = rule(
    r"\b(?:scan\w*|test\w*|tool|laptop|tablet|network|bus|diagnos\w*|comm\w*|answer\w*|respon\w*|list|reach\w*|talk\w*)\b",
    re.IGNORECASE,
)
"""Beside one of these words an everyday name that is dead is a module, not what it drives: `horn dead`."""

_Token = tuple[str, int, int]
"""Its kind, a group of `_TOKEN` or `name`, and its span."""


@dataclass(frozen=True)
class Verdict:
    """A module that is said to be silent or to answer, and the words that say it."""

    name: Named
    answers: str
    span: Span
    is_fair: bool = False
    """Whether it is only called fine, which says that it answers where others are said to answer or not."""


@dataclass
class _Part:
    """A piece of a sentence between stops, as its tokens tell it."""

    stop: str
    tokens: list[_Token] = field(default_factory=list)
    names: list[Named] = field(default_factory=list)
    is_known: bool = True

    @property
    def kinds(self) -> str:
        """The tokens that tell something, a letter each: names, no, silent, answers, fair, everybody, save."""
        letters = {
            "name": "m",
            "no": "n",
            "silent": "s",
            "answers": "a",
            "fair": "f",
            "everybody": "e",
            "save": "x",
        }
        return "".join(letters.get(kind, "") for kind, _, _ in self.tokens)

    @property
    def span(self) -> Span:
        return self.tokens[0][1], self.tokens[-1][2]


def verdicts_in(marks: Marks, texts_of_codes: Container[int], *, others_are_told: bool) -> list[Verdict]:
    """Return who is said to be silent or to answer in clauses of known words alone, sentence by sentence.

    `others_are_told` says whether the message tells of another module that it is silent or answers.
    """
    text = marks.message.text
    found: list[Verdict] = []
    for start, end in dict.fromkeys(clause.sentence for clause in marks.clauses):
        names = within(marks.modules, start, end)
        if names and text[end : end + 1] != "?" and not _OF_A_CODE.match(text[:end], start):
            parts = list(_parts(text, start, end, names, texts_of_codes))
            found += _of_parts(text, parts, is_conditional=bool(_CONDITION.search(text, start, end)))
    return found if others_are_told or not all(one.is_fair for one in found) else []


def _parts(
    text: str, start: int, end: int, names: Sequence[Named], texts_of_codes: Container[int]
) -> Iterator[_Part]:
    """Yield the pieces of a sentence; those that hold a word of no known kind are marked so."""
    part = _Part("")
    at = 0
    place = start
    while place < end:
        if at < len(names) and place >= names[at].start:
            part.tokens.append(("name", names[at].start, names[at].end))
            part.names.append(names[at])
            part.is_known &= names[at].start not in texts_of_codes
            place = max(place, names[at].end)
            at += 1
            continue
        until = names[at].start if at < len(names) else end
        token = _TOKEN.search(text, place, until)
        if token is None:
            place = until
            continue
        place = token.end()
        kind = str(token.lastgroup)
        if kind == "later":
            place = next((stop.start() for stop in _NEXT_STOP.finditer(text, place, until)), until)
            continue
        if kind == "stop" and not (token[0].lower() == "but" and part.kinds[-1:] in ("e", "n")):
            yield part
            part = _Part(
                token[0].lower(),
                is_known=not _CODE_LAST.search(text, max(start, token.start() - 16), token.start()),
            )
            continue
        part.is_known &= kind != "other" and token.start() not in texts_of_codes
        part.tokens.append(("save" if kind == "stop" else kind, *token.span()))
    yield part


_OF_A_CODE: Final = rule(
    r"[^.;\n]{0,24}\b[PCBU][0-3][0-9A-F]{3}(?:-[0-9A-F]{2})? ?:[^.;\n]{0,60}\b(?:yes|no)\s*(?:,|$)",
    re.IGNORECASE,
)
"""A list of who has a code: `U0155: ECM yes, TCM no`."""
_CODE_LAST: Final = rule(r"\b[PCBU][0-3][0-9A-F]{3}(?:-[0-9A-F]{2})?\W*\Z", re.IGNORECASE)
"""Before a stop behind which the code's own text may stand."""


def _verdict(kinds: str) -> str | None:
    """Return what a run of verdict words says: `na` that nobody answers; None where it says nothing, or two things."""
    if "s" in kinds:
        return None if "n" in kinds else SILENT
    if "n" in kinds:
        return SILENT if "a" in kinds or "f" in kinds else None
    return ANSWERS if kinds.strip("e") else None


_OTHER_WAY: Final = {SILENT: ANSWERS, ANSWERS: SILENT}
_BEHIND: Final = rule(r"e?(?P<names>m+)(?P<told>[nsafe]+)")
_IN_FRONT: Final = rule(r"(?P<told>[nsaf][nsafe]*)(?P<names>m+)")
_NONE_OF: Final = rule(r"n(?:m+n?)*m[af]+|[af]+m+n")
_ALL_SAVE: Final = rule(r"(?P<told>[nsafe]*)x(?P<names>m+)(?P<later>[nsaf]*)")
_LETTERS: Final = frozenset("mnsafex")


def _pairs(part: _Part) -> list[Verdict] | None:
    """Return the modules of one piece with what is said of each; None where nothing is, or in no clear order."""
    kinds = part.kinds
    save = _ALL_SAVE.fullmatch(kinds)
    if save:
        said = _verdict(save["told"].replace("e", "") + save["later"])
        said = SILENT if said is None and save["told"].strip("e") == "n" else said
        everybody = "e" in save["told"] or "n" in save["told"]
        if not (said and everybody):
            return None
        return _told(part, save.start("names"), save.end("names"), _OTHER_WAY[said], "")
    none_of = _NONE_OF.fullmatch(kinds)
    if none_of:
        return _told(part, 0, len(kinds), SILENT, "")
    for form in (_BEHIND, _IN_FRONT):
        pairs = list(form.finditer(kinds))
        if pairs and "".join(one[0] for one in pairs) == kinds:
            found: list[Verdict] = []
            for one in pairs:
                said = _verdict(one["told"])
                if said is None:
                    return None
                found += _told(part, *one.span("names"), said, one["told"])
            return found
    return None


def _told(part: _Part, first: int, last: int, answers: str, told: str) -> list[Verdict]:
    """Return the modules among some tokens that tell something with one verdict."""
    telling = [token for token in part.tokens if token[0] not in ("known", "stop", "other")]
    starts = {token[1] for token in telling[first:last]}
    is_fair = bool(told) and set(told) == {"f"}
    return [Verdict(name, answers, part.span, is_fair) for name in part.names if name.start in starts]


def _of_parts(text: str, parts: Sequence[_Part], *, is_conditional: bool) -> Iterator[Verdict]:
    """Yield the verdicts of a sentence: of each piece, of lists that go on in the next, of pieces parted by a stop."""
    sentence = _Sentence(text)
    for part in parts:
        for one in sentence.told_in(part):
            is_at_times = is_conditional and one.answers == ANSWERS
            if not is_at_times and not _is_of_what_it_drives(text, one):
                yield one


@dataclass
class _Sentence:
    """What was said so far in a sentence: names that wait for a verdict, the last verdicts, in which order."""

    text: str
    waiting: list[_Part] = field(default_factory=list)
    last: list[Verdict] = field(default_factory=list)
    form: str = ""

    def told_in(self, part: _Part) -> list[Verdict]:
        """Return the verdicts of the next piece."""
        if not part.is_known:
            self.waiting, self.last, self.form = [], [], ""
            return []
        kinds = part.kinds
        if re.fullmatch("[nsaf]+", kinds) and not self.waiting and _verdict(kinds):
            self.form = "in front"
            self.last = [_of_nobody(part, kinds, is_fair=set(kinds) <= {"f"})]
            return []
        told = self._pairs_in(part)
        if told:
            self.last = told
        elif "e" in kinds and _verdict(kinds.replace("e", "")):
            self.last = [_of_nobody(part, kinds.replace("e", ""))]
        return told

    def _pairs_in(self, part: _Part) -> list[Verdict]:
        kinds = part.kinds
        if pairs := _pairs(part):
            return self._with_those_waiting(part, pairs)
        if self.last and re.fullmatch("m+n?", kinds) and _ENDS_WITH_VERB.search(self.text, *part.span):
            return _each(part.names, part, SILENT if "n" in kinds else ANSWERS)
        if kinds and set(kinds) <= {"m"}:
            goes_on = _goes_on(self.text, part, self.last, self.form)
            before = self.waiting if part.stop in (",", "/") else []
            self.waiting = [] if goes_on else [*before, part]
            return goes_on
        if self.waiting and "m" not in kinds and (said := _verdict(kinds)):
            return _each(self._names_waiting(), part, said, is_fair=set(kinds) <= {"f"})
        if kinds.strip("e") == "n" or re.fullmatch("nm+", kinds):
            is_other = self.last and (self.waiting or self.last[0].answers == ANSWERS)
            waiting = self._names_waiting()
            return _each(part.names or waiting, part, SILENT) if is_other else []
        return []

    def _with_those_waiting(self, part: _Part, pairs: list[Verdict]) -> list[Verdict]:
        """Return the verdicts of a piece, its first one also said of the names of a list in front of it."""
        self.form = "behind" if part.kinds.lstrip("e").startswith("m") else "in front"
        names = self._names_waiting()
        if self.form == "in front" or part.stop not in (",", "/"):
            return pairs
        return [*_each(names, part, pairs[0].answers, is_fair=pairs[0].is_fair), *pairs]

    def _names_waiting(self) -> list[Named]:
        """Return the names that wait for a verdict; they wait no longer."""
        names = [name for one in self.waiting for name in one.names]
        self.waiting = []
        return names


def _each(names: Sequence[Named], part: _Part, answers: str, *, is_fair: bool = False) -> list[Verdict]:
    return [Verdict(name, answers, part.span, is_fair) for name in names]


def _of_nobody(part: _Part, kinds: str, *, is_fair: bool = False) -> Verdict:
    """Return a verdict that waits for its names."""
    return Verdict(Named(0, 0, "", is_clear=False), str(_verdict(kinds)), part.span, is_fair)


def _goes_on(text: str, part: _Part, last: list[Verdict], form: str) -> list[Verdict]:
    """Return modules alone in a piece as those that a list before goes on with."""
    as_well = _AS_WELL.search(text, *part.span)
    if last and (as_well or (form == "in front" and part.stop in (",", "/", ":", "-", "="))):
        return [Verdict(name, last[-1].answers, part.span, last[-1].is_fair) for name in part.names]
    return []


_ENDS_WITH_VERB: Final = rule(r"\b(?:does|do|did|will|can|is|are|has|have)(?:n'?t| not)?\Z", re.IGNORECASE)
"""What is left of a verdict told before: `radio doesn't wake up, HVAC does`."""
_MOST_AROUND: Final = 60


def _is_of_what_it_drives(text: str, told: Verdict) -> bool:
    """Return whether it may be what a module drives that is dead, not the module: `radio dead`, `engine gone`."""
    if told.answers != SILENT or told.name.is_clear:
        return False
    around = text[max(0, told.span[0] - _MOST_AROUND) : told.span[1] + _MOST_AROUND]
    return not _OF_TALKING.search(around)
