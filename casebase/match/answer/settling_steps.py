"""The steps that settled it in the cases behind the likely causes: what to do here as it was done there."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final

from casebase.match.answer.answer import DecidingTest, LikelyCause
from casebase.match.facets.base import Match
from casebase.record.cautions import BRAKES_OR_STEERING, HIGH_VOLTAGE, MAKER_FIRST, RESTRAINTS

SETTLED_FROM: Final = 0.05
"""Below this probability of a cause, how it was settled elsewhere does not matter (judged)."""

_REPAIR: Final = re.compile(
    r"\b(replac|renew|repair|remade|fitted|refitted|changed|clean|tighten|taped|sleeve|solder|splic|crimp|insulat"
    r"|re-?rout|put back|back (on|in)\b|cod(ed|ing)|learn|taught|programm|clear|advis|offer|declin|custom|cust\b|quot"
    r"|pric|new\b)",
    re.IGNORECASE,
)
"""Words of a repair or of talk about it: such a step ended the job and settled nothing (judged)."""

_HAZARDS: Final = (
    (re.compile(r"air ?bag|restraint|\bsrs\b|squib|pretension|curtain", re.IGNORECASE), RESTRAINTS),
    (re.compile(r"high.voltage|\bhv\b|traction|orange cable|inverter", re.IGNORECASE), HIGH_VOLTAGE),
    (re.compile(r"\babs\b|\besc\b|\beps\b|brak|steer", re.IGNORECASE), BRAKES_OR_STEERING),
)


def steps_that_settled_it(causes: Sequence[LikelyCause], matches: Sequence[Match]) -> Iterator[DecidingTest]:
    """Yield what settled it in the cases behind the causes, the likeliest first; a repair is no test."""
    settled_by = {match.profile.case_id: match.profile.settled_by for match in matches}
    for cause in causes:
        for behind in cause.cases if cause.probability >= SETTLED_FROM else ():
            step = settled_by[behind.case_id]
            if step and not _REPAIR.search(step):
                yield DecidingTest(
                    words=f"What settled it there: {step}",
                    source=f"from cases {behind.case_id}",
                    tells=[f"it was {cause.words}"],
                    outcomes=[f"the same here: {cause.words}"],
                    cautions=[*_hazards(f"{step} {cause.words}"), MAKER_FIRST],
                    cases=[behind.case_id],
                )


def _hazards(text: str) -> list[str]:
    return [caution for pattern, caution in _HAZARDS if pattern.search(text)]
