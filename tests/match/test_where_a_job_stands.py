"""What a record tells of the next test by common practice: conditions, silent modules, trials."""

from casebase.match.meaning import stuck_at


def test_what_a_trial_did_is_not_proposed_again(make_case):
    """A lamp stood on the feed of ABS, and the harness was moved."""
    job = {
        "conditions": ["intermittent", "low battery"],
        "modules": [{"name": "ABS", "answers": "no"}, {"name": "SAS", "answers": "no"}],
    }
    trials = [
        {"did": "loaded", "what": ["supply"], "at": "connector of ABS", "outcome": "passed"},
        {"did": "wiggled", "what": ["harness"], "outcome": "no change"},
    ]
    before, after = (make_case(**job, trials=done) for done in ([], trials))

    untouched, tried = (stuck_at(case.readings, [], [], case) for case in (before, after))
    assert (untouched.silent, untouched.comes_and_goes, untouched.drains) == (("ABS", "SAS"), True, True)
    assert (tried.silent, tried.comes_and_goes, tried.drains) == (("SAS",), False, True)
