"""The record: one solved case, one job in progress, or the readings of one healthy vehicle; and its status.

Each part is checked on its own here; `checks` looks at how the parts fit together. What follows from a record is
never typed: its status is worked out here, so that nobody can tick `verified`; its title stands in `words`.
"""

from __future__ import annotations

from typing import Annotated, Any, Final

from pydantic import Field, model_validator

from casebase.record.fields import (
    AsList,
    BitRate,
    Code,
    Day,
    Distance,
    FileName,
    Identifier,
    Minutes,
    Money,
    Name,
    NotATruthValue,
    Part,
    Text,
    told_in_words,
)
from casebase.record.reading import Reading
from casebase.record.trial import Trial
from casebase.record.vehicle import Vehicle
from casebase.record.vocabulary import (
    Answers,
    Condition,
    Fault,
    Kind,
    Lamp,
    Mechanism,
    Medium,
    Place,
    Reached,
    Rescan,
    Review,
    Stage,
    Status,
    YesNo,
)

MOST_ENTRIES: Final = 2000
"""The longest list a record may hold: far above any job, low enough that a damaged file is refused."""

ID_PATTERN: Final = r"^[0-9a-hjkmnp-tv-z]{8,26}$"
"""Crockford's base 32 in small letters: no i, l, o, u to misread."""

SHA256_PATTERN: Final = r"^[0-9a-f]{64}$"


class Network(Part):
    """One network of the vehicle."""

    name: Name
    medium: Medium
    bit_rate: BitRate | None = None
    data_bit_rate: BitRate | None = Field(default=None, description="CAN FD: the rate of the data phase.")
    reached: Reached | None = Field(default=None, description="How the diagnostic connector sees it.")
    gateway: Name | None = Field(default=None, description="The module that stands between.")
    terminators_in: Annotated[list[Name], AsList] = Field(
        default_factory=list, description="The modules (or splices) that hold the terminators."
    )


class Module(Part):
    """One control module and whether it answers the tester."""

    name: Name
    network: Name | None = None
    answers: Answers | None = None
    identifiers: Annotated[list[Identifier], AsList, Field(max_length=MOST_ENTRIES)] = Field(
        default_factory=list,
        description="The CAN identifiers it sends, in hex: 1A0, 18FEF100.",
    )


class CodeEntry(Part):
    """One trouble code as the scan gave it."""

    module: Name | None = Field(default=None, description="The module that stores it.")
    code: Code
    status: Name | None = Field(default=None, description="As the scan says it: confirmed, pending, 0x2F ...")
    text: Text | None = Field(default=None, description="The scan's own text.")


class Step(Part):
    """One step tried: what was done, what it showed, how long it took."""

    did: Text
    found: Text | None = None
    minutes: Minutes | None = None


class Where(Part):
    """Where the cause was."""

    place: Place
    text: Text | None = Field(default=None, description="Which one, and where it is to be found.")


class Cause(Part):
    """What was at fault in the end. Without a proof it is the best guess, and the record says so."""

    fault: Fault
    network: Name | None = None
    where: Where | None = None
    module: Name | None = None
    mechanism: Mechanism | None = None
    mechanism_text: Text | None = Field(
        default=None, description="What brought it about, in words that the list lacks."
    )
    proof: Text | None = Field(default=None, description="How it was proven. Left out: not proven.")

    @model_validator(mode="before")
    @classmethod
    def _mechanism_in_words(cls, data: Any) -> Any:
        return told_in_words(data, "mechanism", Mechanism, "mechanism_text")


class PartUsed(Part):
    """One spare part."""

    name: Name
    cost: Money | None = None


class Fix(Part):
    """What was done about it."""

    done: Text
    parts: Annotated[list[PartUsed], Field(max_length=MOST_ENTRIES)] = Field(default_factory=list)
    minutes: Minutes | None = None
    cost: Money | None = Field(default=None, description="What the customer paid in all, with currency.")


class Verification(Part):
    """What shows that the fix worked; readings after the repair stand in `readings`, stage `after repair`."""

    codes_cleared: YesNo | None = None
    rescan: Rescan | None = None
    road_test: Distance | None = None
    days_without_return: Annotated[int, Field(ge=0, le=36_500), NotATruthValue] | None = None
    came_back: YesNo | None = Field(
        default=None, description="Whether the customer returned with the same complaint."
    )
    behaviour: Text | None = Field(
        default=None, description="How the vehicle behaves since, in words; no scan shows it."
    )
    note: Text | None = None

    @model_validator(mode="before")
    @classmethod
    def _rescan_told_as_behaviour(cls, data: Any) -> Any:
        return told_in_words(data, "rescan", Rescan, "behaviour")


class Attachment(Part):
    """A file that belongs to the case."""

    file: FileName
    shows: Text | None = None
    for_others: YesNo | None = Field(
        default=None, description="yes: it may leave the shop. Left out: it stays inside."
    )
    sha256: Annotated[str, Field(pattern=SHA256_PATTERN)] | None = Field(
        default=None, description="Of the file as it is kept; given by the library."
    )

    @property
    def goes_out(self) -> bool:
        """Whether it may leave the shop, and there is something that can."""
        return self.for_others is YesNo.YES and self.sha256 is not None


class Provenance(Part):
    """Who wrote it down, where and when."""

    author: Name | None = Field(default=None, description="A handle, not a full name.")
    shop: Name | None = None
    opened: Day | None = None
    ended: Day | None = Field(default=None, description="The day the job ended, fixed or not.")
    invented: YesNo | None = Field(
        default=None, description="yes: made up for teaching, not from a real vehicle."
    )


class ReviewState(Part):
    """What the shop lead said of the record."""

    state: Review = Review.NOT_READ
    by: Name | None = None
    on: Day | None = None


class Case(Part):
    """A whole record."""

    id: Annotated[str, Field(pattern=ID_PATTERN)] | None = Field(
        default=None, description="Given by the library; leave it out of a new record."
    )
    revision: Annotated[int, Field(ge=1), NotATruthValue] | None = Field(
        default=None, description="The revision this file was made from; leave it out of a new record."
    )
    kind: Kind
    title: Name | None = Field(
        default=None, description="Left out, it follows from the cause or the concern."
    )
    vehicle: Vehicle
    concern: Text | None = Field(default=None, description="The customer's words.")
    symptoms: Annotated[list[Text], AsList, Field(max_length=MOST_ENTRIES)] = Field(default_factory=list)
    lamps: Annotated[list[Lamp], AsList] = Field(default_factory=list)
    conditions: Annotated[list[Condition], AsList] = Field(default_factory=list)
    networks: Annotated[list[Network], Field(max_length=MOST_ENTRIES)] = Field(default_factory=list)
    modules: Annotated[list[Module], Field(max_length=MOST_ENTRIES)] = Field(default_factory=list)
    others_answer: YesNo | None = Field(
        default=None, description="Whether all modules that are not named answer; no: none does."
    )
    codes: Annotated[list[CodeEntry], Field(max_length=MOST_ENTRIES)] = Field(default_factory=list)
    readings: Annotated[list[Reading], Field(max_length=MOST_ENTRIES)] = Field(default_factory=list)
    steps: Annotated[list[Step], Field(max_length=MOST_ENTRIES)] = Field(default_factory=list)
    trials: Annotated[list[Trial], Field(max_length=MOST_ENTRIES)] = Field(
        default_factory=list, description="What was swapped, unplugged or tested on trial, and what followed."
    )
    cause: Cause | None = None
    more_causes: Annotated[list[Cause], Field(max_length=MOST_ENTRIES)] = Field(
        default_factory=list, description="What else was at fault on this job, beside the cause."
    )
    fix: Fix | None = None
    verification: Verification | None = None
    leftover: Text | None = Field(default=None, description="What still does not make sense after the fix.")
    note: Text | None = Field(default=None, description="Anything else worth knowing.")
    why_normal: Text | None = Field(
        default=None, description="What shows that the vehicle is healthy, or why a reading is normal on it."
    )
    attachments: Annotated[list[Attachment], Field(max_length=MOST_ENTRIES)] = Field(default_factory=list)
    provenance: Provenance = Provenance()
    review: ReviewState = ReviewState()

    def network_of(self, named: str | None) -> Network | None:
        """Return the network called `named`; the only one where none is named."""
        if named is None:
            return self.networks[0] if len(self.networks) == 1 else None
        return next((network for network in self.networks if network.name == named), None)

    def silent_modules(self) -> list[str]:
        """Return the modules that do not answer, or only at times."""
        return [
            module.name for module in self.modules if module.answers in (Answers.NO, Answers.INTERMITTENT)
        ]


def status_of(case: Case) -> Status | None:
    """Return the status of a fault case; None for a known good record."""
    if case.kind is Kind.KNOWN_GOOD:
        return None
    if case.fix is None or _repair_failed(case):
        return Status.NOT_FIXED if case.provenance.ended else Status.OPEN
    if not missing_for_verified(case):
        return Status.FIXED_VERIFIED
    told = case.cause or case.provenance.ended or case.verification or readings_after_repair(case)
    return Status.FIXED_NOT_PROVEN if told else Status.OPEN


def missing_for_verified(case: Case) -> list[str]:
    """Return what a fault case still needs to count as `fixed, verified`, each in words."""
    proof = case.verification
    shown_to_work = (
        proof is not None and proof.rescan in {Rescan.CLEAN, Rescan.ALL_ANSWER}
    ) or readings_after_repair(case)
    checks = (
        (case.cause is None, "a cause"),
        (case.cause is not None and case.cause.proof is None, "how the cause was proven (cause.proof)"),
        (case.fix is None, "a fix"),
        (not shown_to_work, "a clean rescan (verification.rescan) or a reading after repair"),
        (_repair_failed(case), "a repair that held: the same codes or the complaint came back"),
    )
    return [words for lacking, words in checks if lacking]


def readings_after_repair(case: Case) -> bool:
    """Return whether any reading was taken after the repair."""
    return any(reading.stage is Stage.AFTER_REPAIR for reading in case.readings)


def _repair_failed(case: Case) -> bool:
    proof = case.verification
    return proof is not None and (proof.rescan is Rescan.SAME_CODES or proof.came_back is YesNo.YES)
