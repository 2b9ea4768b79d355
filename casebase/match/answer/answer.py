"""The answer to a stuck job as one object: everything that is said, worked out once; screens and JSON only read it."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from typing import Final

from casebase.bus.feed import Feed
from casebase.bus.who_answers import WhoAnswers
from casebase.match.answer.elsewhere import Elsewhere
from casebase.match.facets.base import Match
from casebase.match.meaning import Meaning
from casebase.match.profile import Profile
from casebase.record.case import Case
from casebase.record.local_fault import LocalFault
from casebase.record.stored_codes import Blame, CodeSetApart

SOMETHING_ELSE: Final = "something_else"
"""The fault of the remainder."""


SOMETHING_ELSE_WORDS: Final = "something that none of these cases had"


@dataclass(frozen=True, slots=True)
class CaseBehind:
    """A past case that speaks for a cause; `weight` is what it adds to the probability of the cause.

    `module` is the one that its own fault went with, where the cause here is taken to go with another.
    """

    case_id: str
    score: float
    verified: bool
    weight: float
    module: str | None = None


@dataclass(frozen=True, slots=True)
class LikelyCause:
    """A cause, the kind of place and the module it goes with, its probability, the cases behind it.

    `from_readings` is the probability that the job's readings alone give the bus state that goes with the cause; None
    without readings, and for a cause that may do anything to the wires. `took` is what it took in the cases behind it.
    """

    fault: str
    words: str
    place: str | None
    module: str | None
    probability: float
    cases: list[CaseBehind]
    from_readings: float | None
    took: Elsewhere | None = None

    @property
    def is_something_else(self) -> bool:
        """Whether this is the remainder: none of the causes listed."""
        return self.fault == SOMETHING_ELSE


def something_else(causes: Iterable[LikelyCause]) -> float:
    """Return the probability of the remainder."""
    return math.fsum(cause.probability for cause in causes if cause.is_something_else)


@dataclass(frozen=True, slots=True)
class DecidingTest:
    """A test that tells the first causes apart: what to do, who says so, what it tells, what to mind.

    `outcomes` is what each outcome means, as far as that is known: `about 60 ohm: a healthy bus`.

    `source` is `computed`, `from cases ...` or both. `bits` is what it is expected to tell, where that can be reckoned;
    `minutes` are for each module where one is unplugged after the other; `cases` are the IDs of those it comes from.
    """

    words: str
    source: str
    tells: list[str]
    needs: str | None = None
    minutes: float | None = None
    bits: float | None = None
    cautions: list[str] = field(default_factory=list)
    cases: list[str] = field(default_factory=list)
    in_turn: bool = False
    """Whether it is done with one module after the other."""
    outcomes: list[str] = field(default_factory=list)

    @property
    def bits_per_minute(self) -> float:
        """What tests are ranked by; 0 where it cannot be reckoned."""
        return self.bits / self.minutes if self.bits and self.minutes else 0.0


@dataclass(frozen=True, slots=True)
class ReadingBeside:
    """A reading of the job beside the like reading of a healthy vehicle; `fits` is None between yes and no."""

    what: str
    here: str
    there: str
    note: str | None
    fits: bool | None


@dataclass(frozen=True, slots=True)
class SimilarCase:
    """A past case like the job; `would_settle` is the reading, or else the step, that tells whether it is that."""

    match: Match
    would_settle: str | None


@dataclass(frozen=True, slots=True)
class HealthyVehicle:
    """A known good record, with the job's readings beside its own."""

    match: Match
    readings: list[ReadingBeside]


@dataclass(frozen=True, slots=True)
class Answer:
    """Everything that is said to a stuck job. `meanings` are by network, `compared_with` is a number of records.

    `feeds` are the supplies and grounds that were read, `local_faults` the circuits whose codes the job holds.
    `reads_normal` tells whether a healthy vehicle of the same build reads like this one in all that can be compared and
    no feed looks bad, `looks_normal` whether besides nothing is silent, missed or at fault by its own code. `served`
    are the families of silent modules that have all they need at their plug, `others` is who answers beside them.
    `taken_as` says what was inferred of the job's networks, `weights_origin` where the weights of the facets come from.
    Lists are best or likeliest first.
    """

    job: Case
    profile: Profile
    meanings: list[Meaning]
    feeds: list[Feed]
    local_faults: list[LocalFault]
    causes: list[LikelyCause]
    similar: list[SimilarCase]
    healthy: list[HealthyVehicle]
    compared_with: int
    reads_normal: bool
    looks_normal: bool
    tests: list[DecidingTest]
    blames: list[Blame]
    set_apart: list[CodeSetApart]
    codes_note: str | None
    cautions: list[str]
    weights_origin: str
    served: Collection[str] = ()
    others: WhoAnswers | None = None
    taken_as: list[str] = field(default_factory=list)
