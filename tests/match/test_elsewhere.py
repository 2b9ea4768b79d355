"""What a cause took in like cases, so that the customer can be told (arithmetic: medians by hand)."""

from dataclasses import replace

import pytest

from casebase.match.answer.elsewhere import Spread, elsewhere_words, what_it_took
from casebase.match.answer.working_out import answer_to
from casebase.match.profile_of_case import profile_of
from casebase.record.case import Case

FUSE = {
    "kind": "fault case",
    "vehicle": {"make": "Norrvik", "model": "Fjellet"},
    "steps": [
        {"did": "read codes", "minutes": 20},
        {"did": "measured the supply", "minutes": 15},
        {"did": "asked"},
    ],
    "cause": {"fault": "module_supply_or_ground", "module": "ABS", "proof": "0.2 V at the plug"},
    "fix": {"done": "fuse and its holder", "minutes": 40, "parts": [{"name": "fuse holder"}]},
}


def test_the_minutes_of_the_search_are_those_of_its_steps():
    """Steps that tell no time count for none; a case without any tells nothing, not zero."""
    told = profile_of(Case.model_validate(FUSE), "fuse0001")
    silent = profile_of(Case.model_validate(FUSE | {"steps": [], "fix": {"done": "cleaned"}}), "fuse0002")
    assert (told.minutes_to_find, told.minutes_to_mend, told.parts) == (35, 40, ("fuse holder",))
    assert (silent.minutes_to_find, silent.minutes_to_mend, silent.parts) == (None, None, ())


def test_several_cases_give_the_range_and_the_median():
    """20, 35 and 120 minutes: the middle one is told, with the least and the most, and how many told it."""
    one = profile_of(Case.model_validate(FUSE), "fuse0001")
    cases = [one, replace(one, minutes_to_find=120.0, parts=()), replace(one, minutes_to_find=20.0)]
    took = what_it_took([*cases, replace(one, minutes_to_find=None, minutes_to_mend=None, parts=())])
    assert took is not None
    assert took.to_find == Spread(3, 20, 35, 120)
    assert took.parts == (("fuse holder", 2),)
    assert elsewhere_words(took) == (
        "found in 20 to 120 min (median 35, 3 cases); mended in 40 min (3 cases); parts: fuse holder (2 of 4)"
    )


def test_cases_that_tell_no_effort_say_nothing():
    """No line is printed of what nobody wrote down."""
    bare = replace(
        profile_of(Case.model_validate(FUSE), "fuse0001"),
        minutes_to_find=None,
        minutes_to_mend=None,
        parts=(),
    )
    assert what_it_took([bare]) is None
    assert elsewhere_words(None) == ""


@pytest.mark.slow
def test_a_cause_tells_what_it_took_elsewhere(demo_jobs, collection):
    """The demonstration's first job: its cause was found and mended before, and how long that took is known."""
    answer = answer_to(demo_jobs["k4-fjellet-abs-silent.yaml"], collection)
    took = answer.causes[0].took
    assert took is not None
    assert took.to_find is not None
    assert answer.similar[0].match.kinds_compared > 3
