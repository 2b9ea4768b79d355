"""What a message says was tried and what followed, what is not so, and how many words of it nothing was made of."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Final

from casebase.errors import InputError
from casebase.intake.plain_words.circumstances import Told
from casebase.intake.plain_words.marks import Marks, within
from casebase.intake.plain_words.written import Clause, Span, Written, rule
from casebase.intake.trial_text import LONGEST_TRIAL, is_part, read_trial
from casebase.intake.trial_words import ACTIONS
from casebase.record.trial import FITTED, Outcome, Trial

# --- what was tried ---------------------------------------------------------------------------------------------------

_AS_DONE: Final = {
    "change": "changed", "disconnect": "disconnected", "pull": "pulled", "bridge": "bridged", "replace": "replaced",
    "remove": "unplugged", "removed": "unplugged", "wiggle": "wiggled",
    "unplugging": "unplugged", "wiggling": "wiggled",
}  # fmt: skip
_DOING: Final = rule(rf"(?<!no )\b(?:{'|'.join(_AS_DONE)})\b", re.IGNORECASE)
_IS_SEQUEL: Final = rule(
    r"\s*(?:then |no |restored|(?:a )?(?:new|used) (?:part|one)|(?:and )?(?:programmed|coded)\b"
    r"|(?:unit |module |part |it )?not (?:coded|calibrated|configured)"
    r"|the (?:fault|problem|same)|same|still|fault|all "
    r"|network|comes?|came|gone|fixed|cured|did|didn|worse|coded|not coded|back)",
    re.IGNORECASE,
)
_SEQUEL_OF_ITS_OWN: Final = rule(
    r"\s*(?:and |but |then |so |now |this |that |it |which |well )*(?:(?:the )?(?:network|bus|comms?|communication"
    r"|traffic|modules?|fault|problem|codes?|all(?: (?:the )?modules?)?|everything|nothing) )?(?:still |again )?"
    r"(?:no (?:change|difference|effect|improvement|better|luck|comms?|communication)|made no difference"
    r"|(?:has |have )?(?:not )?changed|did(?: not|n't) (?:help|change|cure|fix)(?: it| anything)?"
    r"|did nothing|unchanged|the same|same|remains?|stays?|silent|dead"
    r"|(?:is |are |was |were |came |comes |went )?(?:straight |right )?(?:back|alive|gone|away|restored|cured|fixed)"
    r"|works? again|worked|answers? again|talks? again|got worse|worse)\b",
    re.IGNORECASE,
)
"""What a sentence begins with that tells what followed on what was done in the one before."""


_MOST_TRIALS: Final = 40
"""More than anybody tries on one job; it bounds the work on a text of any length."""


def trials_in(marks: Marks) -> Iterator[Told]:
    """Yield what the message says was tried and what followed; what was only unplugged for a reading is none."""
    text = marks.message.text
    done = tried = 0
    for index, clause in enumerate(marks.clauses):
        if tried == _MOST_TRIALS or clause.start < done or not _names_action(text[clause.start : clause.end]):
            continue
        if text[clause.sentence[1] : clause.sentence[1] + 1] == "?":
            continue
        tried += 1
        for end in _ends(marks, index):
            measured = within(marks.amounts, clause.start, end)
            trial = None if measured else _trial(text[clause.start : end])
            if trial:
                done = end
                yield Told(trial, ((clause.start, end),))
                break


def _ends(marks: Marks, index: int) -> Iterable[int]:
    """Return where a trial that begins with a clause may end, the longest first."""
    clause, following = marks.clauses[index], marks.clauses[index + 1 : index + 4]
    ends = [clause.end]
    for one in following:
        begins = _IS_SEQUEL if one.sentence == clause.sentence else _SEQUEL_OF_ITS_OWN
        told = begins.match(marks.message.text, one.start)
        if not told:
            break
        if begins is _SEQUEL_OF_ITS_OWN:
            ends.append(told.end())
            break
        ends.append(one.end)
    return reversed(ends)


def _names_action(text: str) -> bool:
    done = _DOING.sub(lambda word: _AS_DONE[word[0].lower()], text)
    return any(pattern.search(done) for _, pattern in ACTIONS)


_NOT_A_PART: Final = rule(
    r"\b(?:yesterday|today|last|ago|since|weeks?|months?|days?|(?:mon|tues|wednes|thurs|fri|satur|sun)day|no"
    r"|not|it|did|that)\b|(?:\S+ ){5}",
    re.IGNORECASE,
)
"""What stands in no name of a part: such a trial was read wrongly."""


_WHEN_AND_PRICE: Final = rule(
    r"\b(?:[0-9]+|a|a few|some|last|this|the other) (?:days?|weeks?|months?|years?|winter|summer|morning)(?: ago)?\b"
    r"|\b(?:yesterday|today|already)\b|\bfor (?:\u20ac ?|eur )?[0-9]+(?:[.,][0-9]+)? ?(?:euros?|eur|pounds?"
    r"|dollars?)?"
    r"(?=[ ,.;]|$)",
    re.IGNORECASE,
)
"""When a part was fitted and what it cost: no part of its name."""


_ADDED: Final = rule(
    r"\b(?:fitted|installed|added) (?:an?|the|my|his) (?!(?:brand[- ])?new\b|used\b|second|replacement\b"
    r"|another\b|known)",
    re.IGNORECASE,
)
"""What was put in beside all else: nothing was replaced."""


def _trial(text: str) -> Trial | None:
    told, beside = _WHEN_AND_PRICE.subn(" ", _DOING.sub(lambda word: _AS_DONE[word[0].lower()], text))
    told = re.sub(r"\s+(?=[,.;:])", "", " ".join(told.split()))
    if len(told) > LONGEST_TRIAL:
        return None
    try:
        trial = read_trial(told)
    except InputError:
        return None
    if any(_NOT_A_PART.search(name) for name in trial.what):
        return None
    says_enough = trial.outcome is not Outcome.UNKNOWN or (
        trial.did in FITTED and all(map(is_part, trial.what)) and not beside and not _ADDED.search(told)
    )
    return trial if says_enough and all(len(name) < 60 for name in trial.what) else None


# --- what is not so ---------------------------------------------------------------------------------------------------

_NOT_SO: Final = rule(
    r"\b(?:not|isn't|aren't|wasn't|neither) (?:even )?(?:short(?:ed)?|open|broken|wet|corroded|grounded"
    r"|chafed)\b[^,.;:?!\n]{0,40}"
    r"|\bno (?:sign of (?:a )?)?(?:shorts?|opens?|breaks?|corrosion|water|damage|chafing)\b[^,.;:?!\n]{0,40}"
    r"|\b(?:no|without) (?:u |b |c |p |other |more |stored |fault |trouble |current ){0,3}(?:codes?|dtcs?"
    r"|faults?)\b(?: at all)?",
    re.IGNORECASE,
)


def not_so_in(message: Written) -> list[Span]:
    """Return the phrases that say what is not so; they are no findings."""
    return [match.span() for match in _NOT_SO.finditer(message.text)]


def clause_words(message: Written, clause: Clause, taken: set[int]) -> int:
    """Return how many words of a clause nothing was made of, those left out that tell nothing alone."""
    words = _WORD.finditer(message.text, clause.start, clause.end)
    return sum(word.start() not in taken and word[0].lower() not in _TELLS_NOTHING for word in words)


_WORD: Final = rule(r"[^\W_]{2,}")
_TELLS_NOTHING: Final = frozenset(
    {
        *(
            "the",
            "an",
            "and",
            "or",
            "is",
            "it",
            "its",
            "are",
            "was",
            "were",
            "with",
            "in",
            "on",
            "at",
            "of",
            "from",
            "to",
        ),
        *(
            "by",
            "codes",
            "code",
            "dtcs",
            "dtc",
            "have",
            "has",
            "had",
            "got",
            "get",
            "there",
            "both",
            "then",
            "now",
            "also",
        ),
        *(
            "so",
            "all",
            "here",
            "that",
            "this",
            "my",
            "we",
            "between",
            "steady",
            "still",
            "key",
            "ignition",
            "too",
        ),
    }
)
