"""The words in which a trial is told: what was done, what followed, what is said of a part fitted.

All of them are the trade's own (common practice, no source).
"""

from __future__ import annotations

import re
from typing import Final

from casebase.record.trial import Outcome, TrialAction


def either(*patterns: str) -> re.Pattern[str]:
    """Return a pattern of whole words that takes any of `patterns`, in capitals or not."""
    return re.compile(rf"\b(?:{'|'.join(patterns)})(?!\w)", re.IGNORECASE)


ACTIONS: Final[tuple[tuple[TrialAction, re.Pattern[str]], ...]] = (
    (
        TrialAction.BENCH_TESTED,
        either(
            r"bench[- ]?test(?:ed)?",
            r"tested on (?:the|a) bench",
            r"sent (?:away|out|in) for (?:a )?test(?:ing)?",
        ),
    ),
    (TrialAction.LOADED, either(r"load[- ]?test(?:ed)?(?: of| on)?", r"loaded", r"load on")),
    (
        TrialAction.RESEATED,
        either(r"re-?seat(?:ed)?", r"unplugged and (?:re)?plugged(?: back)?(?: in)?", r"re-?plugged"),
    ),
    (
        TrialAction.RESET,
        either(r"reset", r"power[- ]cycled", r"(?:taken |switched )?off and on(?: again)?"),
    ),
    (
        TrialAction.BYPASSED,
        either(
            r"by-?pass(?:ed)?",
            r"bridged",
            r"overlaid",
            r"ran an? (?:temporary |new )?wire (?:past|beside|for|round)",
        ),
    ),
    (TrialAction.CLEANED, either(r"clean(?:ed)?(?: up)?")),
    (TrialAction.TIGHTENED, either(r"(?:re-?)?tightened")),
    (
        TrialAction.WIGGLED,
        either(
            r"wiggl(?:ed|ing)",
            r"wiggle[- ]test(?:ed)?(?: of| on)?",
            r"shook",
            r"shaken",
            r"flexed",
            r"tapped",
        ),
    ),
    (
        TrialAction.PROGRAMMED,
        either(r"(?:re-?)?programmed", r"(?:re-?)?flashed", r"(?:re-?)?coded", r"configured", r"updated"),
    ),
    (
        TrialAction.SWAPPED,
        either(
            r"swap(?:ped)?(?: in| out| over)?", r"tried (?:another|an?|a second|a different)", r"substituted"
        ),
    ),
    (
        TrialAction.REPLACED,
        either(
            r"replaced", r"renewed", r"exchanged", r"changed", r"fitted (?:an? |the )?(?=new|used)", r"fitted"
        ),
    ),
    (
        TrialAction.UNPLUGGED,
        either(r"unplug(?:ged)?", r"disconnected", r"isolated", r"pulled(?: off| out)?", r"taken off"),
    ),
)
"""What is looked for, in this order: a longer wording stands before the one it contains."""

NOT_CONFIGURED: Final = either(
    r"not (?:yet )?(?:configured|coded|programmed)", r"un(?:configured|coded|programmed)"
)
CONFIGURED: Final = either(r"(?:and )?(?:configured|coded|programmed)")
USED: Final = either(
    r"used(?: part| one)?", r"second[- ]?hand", r"from a (?:donor|breaker|scrap(?:yard)?|wreck)"
)
NEW: Final = either(r"(?:brand[- ])?new(?: part| one)?")
KNOWN_GOOD: Final = either(r"known[- ]good(?: one| part)?")

_LOST: Final = r"(?:network|bus|comms?|communication|traffic|modules?|lines?|they|it|all|everything)"
OUTCOMES: Final = (
    (
        Outcome.CAME_BACK,
        either(
            r"(?:gone|fixed|fine|good|ok|cured|restored|worked|back)\b[^.;]{0,40}\b(?:then|but|later)\b[^.;]{0,30}\b(?:back|returned|again)",
            r"gone for (?:a|an|some|two|three|[0-9]+) \w+",
            r"(?:fault|codes?|problem) (?:came back|returned|are back|is back)(?: after \w+ \w+)?",
        ),
    ),
    (
        Outcome.NO_CHANGE,
        either(
            r"(?:made |makes |with )?no (?:change|difference|effect|improvement|better|help|luck)",
            r"did(?: not|n['\u2019]t) (?:help|change|cure|fix)(?: it| anything)?",
            r"not (?:gone|cured|fixed|better|restored)",
            r"(?:fault |problem |codes? )?(?:(?:is|are|was|were) )?still"
            r" (?:there|the same|silent|dead|no comms|no communication|present|down|faulty)",
            r"unchanged",
            r"nothing (?:changed|happened|different)",
            r"(?:has |have )?not changed",
            r"did nothing",
            r"same(?: fault| as before| codes?| again)?",
            r"(?:fault|problem|symptom) (?:remains|stays|persists|remained|stayed)",
        ),
    ),
    (Outcome.WORSE, either(r"(?:got |much |even |made it )?worse")),
    (
        Outcome.RESTORED,
        either(
            rf"{_LOST} (?:(?:is|are|was|were|came|comes) )?(?:straight |right )?(?:back|alive|up)"
            r"(?: again| at once| up| to normal)?",
            rf"(?:{_LOST} )?(?:back to normal|restored|works? again|worked again|answers? again|talks? again)",
        ),
    ),
    (Outcome.CAME_BACK, either(r"came back", r"returned")),
    (
        Outcome.GONE,
        either(
            r"(?:fault |problem |symptom |codes? )?(?:is |was |are |were |went |all )?(?:gone|away)",
            r"cured(?: it)?",
            r"fixed(?: it)?",
            r"(?:fault |problem )?(?:disappear(?:s|ed)|stopped|cleared)",
            r"(?:all |now )(?:good|ok|fine)",
            r"(?:good|ok|fine) now",
        ),
    ),
    (Outcome.PASSED, either(r"(?:and )?passed", r"no fault found", r"tested good", r"tests good")),
    (Outcome.FAILED, either(r"(?:and )?failed", r"tested bad", r"tests bad")),
    (Outcome.UNKNOWN, either(r"(?:outcome )?unknown")),
)
"""What followed, in the order in which it is looked for."""

OF_A_TEST: Final = (
    (
        Outcome.PASSED,
        either(r"(?:is |was |held |all |found )?(?:good|ok|okay|fine|in order)", r"held", r"bright"),
    ),
    (Outcome.FAILED, either(r"(?:is |was |found )?(?:bad|faulty|defective)", r"dim|dull")),
)
"""Said of a part that was tested itself; of anything else it could mean the part or the fault."""
