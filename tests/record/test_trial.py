"""One trial: what was done to what on the vehicle, and what followed."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from casebase.record.case import Case
from casebase.record.cautions import RESTRAINTS, cautions_of
from casebase.record.checks import inconsistencies, remarks_on
from casebase.record.trial import Outcome, Trial, TrialAction
from casebase.record.words import searchable_text

SWAP = {"did": "swapped", "what": "TCM", "outcome": "no change"}
JOB = {"kind": "fault case", "vehicle": {"make": "Norrvik", "model": "Skarn"}, "concern": "no drive"}


def trial(**keys: Any) -> Trial:
    """Return a trial as a file gives it."""
    return Trial.model_validate(SWAP | keys)


def test_a_trial_says_what_was_done_to_what_and_what_followed() -> None:
    """One part may be typed as a single text."""
    swap = trial()
    assert (swap.did, swap.what, swap.outcome) == (TrialAction.SWAPPED, ["TCM"], Outcome.NO_CHANGE)
    assert swap.line() == "swapped TCM: no change"


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ({"did": "by-passed"}, TrialAction.BYPASSED),
        ({"did": "bench_tested"}, TrialAction.BENCH_TESTED),
        ({"did": "Bench Tested"}, TrialAction.BENCH_TESTED),
        ({"did": "replace"}, TrialAction.REPLACED),
        ({"did": "swap"}, TrialAction.SWAPPED),
        ({"did": "disconnected"}, TrialAction.UNPLUGGED),
        ({"did": "bridged"}, TrialAction.BYPASSED),
    ],
)
def test_the_usual_spellings_of_an_action_are_taken(typed: dict[str, str], meant: TrialAction) -> None:
    """Hyphen, underscore, capitals, and the trade's other words for the same act (common practice, no source)."""
    assert trial(**typed).did is meant


def test_no_change_may_be_written_with_an_underscore() -> None:
    """As programs write it."""
    assert trial(outcome="no_change").outcome is Outcome.NO_CHANGE


def test_a_used_part_that_was_not_configured_is_said_so() -> None:
    """It may be the reason why nothing changed."""
    assert (
        trial(used_part="yes", configured="no").line() == "swapped TCM (used part, not configured): no change"
    )


@pytest.mark.parametrize("key", ["used_part", "configured"])
def test_only_a_part_that_was_fitted_is_used_or_configured(key: str) -> None:
    """Unplugging fits nothing."""
    with pytest.raises(ValidationError, match="expected did: replaced or swapped"):
        trial(did="unplugged", **{key: "yes"})


def test_a_trial_needs_a_part() -> None:
    """Something was swapped: an empty list is refused."""
    with pytest.raises(ValidationError, match="what"):
        trial(what=[])


def test_a_trial_without_outcome_is_kept_and_marked() -> None:
    """The record takes it, and says that it counts for nothing."""
    case = Case.model_validate(JOB | {"trials": [{"did": "unplugged", "what": ["ABS"]}]})
    assert inconsistencies(case) == []
    assert "trials[0]: outcome not stated (unplugged ABS); kept, and counts for nothing" in remarks_on(case)


def test_a_healthy_vehicle_has_no_trials() -> None:
    """Known good readings are of a vehicle on which nothing was tried."""
    healthy = Case.model_validate(
        {
            "kind": "known good",
            "vehicle": JOB["vehicle"],
            "readings": [{"quantity": "voltage", "line": "CAN high", "value": "2.6 V"}],
            "trials": [SWAP],
        }
    )
    assert [problem.field for problem in inconsistencies(healthy)] == ["trials"]


def test_trials_can_be_searched_for() -> None:
    """Full text holds what was done and the note."""
    case = Case.model_validate(JOB | {"trials": [SWAP | {"note": "from the yard's van"}]})
    assert "swapped TCM: no change" in searchable_text(case)
    assert "yard's van" in searchable_text(case)


def test_an_airbag_module_on_trial_brings_its_caution() -> None:
    """Whoever repeats the trial unplugs a module that fires."""
    case = Case.model_validate(JOB | {"trials": [{"did": "unplugged", "what": ["airbag module"]}]})
    assert RESTRAINTS in cautions_of(case)
