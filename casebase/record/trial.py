"""A trial: something was done to one part of the vehicle to see whether the fault follows, and what followed.

What changed nothing rules a cause out, what made the fault go away points at one; both with a doubt, since a used or
unconfigured part may be bad itself.
"""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import Field, model_validator

from casebase.errors import InputError
from casebase.record.fields import AsList, Minutes, Name, Part, Text
from casebase.record.vocabulary import YesNo
from casebase.record.word_list import Word


class TrialAction(Word):
    """What was done (the trade's own words; common practice, no source)."""

    REPLACED = "replaced"
    SWAPPED = "swapped"
    """A known good one fitted on trial, or two of a kind exchanged."""
    UNPLUGGED = "unplugged"
    BENCH_TESTED = "bench-tested"
    WIGGLED = "wiggled"
    BYPASSED = "bypassed"
    """Bridged, or a wire laid beside it."""
    CLEANED = "cleaned"
    RESEATED = "reseated"
    TIGHTENED = "tightened"
    LOADED = "loaded"
    """A lamp or other load drew current through it."""
    PROGRAMMED = "programmed"
    """Software or configuration written anew."""
    RESET = "reset"
    """Without supply for a while, then on again."""


class Outcome(Word):
    """What followed."""

    NO_CHANGE = "no change"
    GONE = "gone"
    """The fault does not show any more."""
    RESTORED = "restored"
    """What was lost, such as the network, works again."""
    CAME_BACK = "came back"
    """Gone at first, then there again."""
    WORSE = "worse"
    PASSED = "passed"
    """The part itself was tested and is good."""
    FAILED = "failed"
    UNKNOWN = "unknown"


FITTED: Final = (TrialAction.REPLACED, TrialAction.SWAPPED)
"""Actions after which another part is in the vehicle."""


class Trial(Part):
    """One trial. Steps told in words stay under `steps`; what is told here can be compared."""

    did: TrialAction
    what: Annotated[list[Name], AsList, Field(min_length=1, max_length=20)] = Field(
        description="What it was done to: ABS, connector C204, CAN high, splice S204, battery, ground strap ..."
    )
    at: Name | None = Field(default=None, description="Where, if `what` does not say it: connector of ABS.")
    used_part: YesNo | None = Field(
        default=None, description="Replaced or swapped: whether the part fitted was a used one."
    )
    configured: YesNo | None = Field(
        default=None,
        description="Replaced or swapped: whether the part fitted was configured to the vehicle.",
    )
    outcome: Outcome = Field(default=Outcome.UNKNOWN, description="What followed; unknown where left out.")
    minutes: Minutes | None = None
    note: Text | None = None

    @model_validator(mode="after")
    def _only_a_fitted_part_is_used_or_configured(self) -> Trial:
        for key in ("used_part", "configured"):
            if getattr(self, key) is not None and self.did not in FITTED:
                raise InputError(
                    f"{key} tells of a part that was fitted: expected did: replaced or swapped, or leave it out"
                )
        return self

    def line(self) -> str:
        """Return the trial in one line, without its note: `swapped TCM (used part, not configured): no change`."""
        fitted = [
            {YesNo.YES: yes, YesNo.NO: no}[said]
            for said, yes, no in (
                (self.used_part, "used part", "new part"),
                (self.configured, "configured", "not configured"),
            )
            if said
        ]
        parts = [
            f"{self.did} {', '.join(self.what)}",
            f"at {self.at}" if self.at else "",
            f"({', '.join(fitted)})" if fitted else "",
        ]
        followed = "" if self.outcome is Outcome.UNKNOWN else f": {self.outcome}"
        return " ".join(part for part in parts if part) + followed
