"""Trials as technicians write them to one another; the lines here are invented."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebase.errors import InputError
from casebase.intake.trial_text import LONGEST_TRIAL, read_trial, read_trials
from casebase.record.trial import FITTED, Outcome, Trial, TrialAction
from casebase.record.vocabulary import YesNo


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("swapped TCM no change", "swapped TCM: no change"),
        ("TCM swapped, no change", "swapped TCM: no change"),
        ("Swap TCM - still the same", "swapped TCM: no change"),
        ("tried a known good EPS, still no comms", "swapped EPS: no change"),
        ("swapped BCM from a donor, didn't help", "swapped BCM (used part): no change"),
        ("used ABS fitted, not coded: fault still there", "replaced ABS (used part, not configured): no change"),
        ("new ECM fitted and coded: worse", "replaced ECM (new part, configured): worse"),
        ("replaced battery, fixed it for two days then came back", "replaced battery: came back"),
        ("changed the TCM. Same.", "replaced TCM: no change"),
        ("unplugged ABS: bus back", "unplugged ABS: restored"),
        ("ABS and EPS unplugged, network came back", "unplugged ABS, EPS: restored"),
        ("unplugged ABS, EPS and BCM: no change", "unplugged ABS, EPS, BCM: no change"),
        ("unplugged DLC splitter -> back to normal", "unplugged DLC splitter: restored"),
        ("bypassed splice S204: restored", "bypassed splice S204: restored"),
        ("bridged CAN high at splice S204, network restored", "bypassed CAN high at splice S204: restored"),
        ("bench tested ABS: good", "bench-tested ABS: passed"),
        ("ABS tested on the bench, faulty", "bench-tested ABS: failed"),
        ("load tested the ground strap: dim", "loaded ground strap: failed"),
        ("cleaned ground strap at left headlamp: gone", "cleaned ground strap at left headlamp: gone"),
        ("reprogrammed the BCM: no change", "programmed BCM: no change"),
        ("battery off and on: no change", "reset battery: no change"),
        ("wiggled plug C204", "wiggled plug C204"),
        ("swapped left and right headlamp modules: fault gone", "swapped left and right headlamp modules: gone"),
    ],
)  # fmt: skip
def test_a_line_to_a_colleague_is_read_as_a_trial(written: str, meant: str) -> None:
    """Whichever word comes first; the words are the trade's (common practice, no source)."""
    assert read_trial(written).line() == meant


def test_what_has_no_field_stays_as_a_note() -> None:
    """While held, after a week: told word for word, so that nothing is lost."""
    wiggled = read_trial("wiggled plug C204: gone while held")
    assert (wiggled.line(), wiggled.note) == ("wiggled plug C204: gone", "wiggled plug C204: gone while held")


def test_not_gone_is_no_change() -> None:
    """A negation is not its opposite."""
    for told in ("not gone", "did not help", "not fixed", "made no difference"):
        assert read_trial(f"replaced ABS, {told}").outcome is Outcome.NO_CHANGE


def test_good_of_a_part_that_was_only_fitted_is_no_outcome() -> None:
    """Good may mean the part or the vehicle: left open, and kept in words."""
    fitted = read_trial("replaced ABS: good")
    assert (fitted.outcome, fitted.note) == (Outcome.UNKNOWN, "replaced ABS: good")


@pytest.mark.parametrize(
    ("written", "why"),
    [
        ("no change", "does not say what was done"),
        ("swapped: no change", "does not say what was swapped"),
        ("unplugged ABS and replaced BCM: gone", "several things were done"),
        ("replaced ABS: no change, worse in wet", "says two things of what followed"),
        ("   ", "not a trial"),
        ("swapped " + "x" * LONGEST_TRIAL, "not a trial"),
    ],
)
def test_a_line_that_is_no_single_trial_is_refused_with_an_example(written: str, why: str) -> None:
    """One sentence, and nothing guessed."""
    with pytest.raises(InputError, match=why):
        read_trial(written)


def test_many_lines_are_read_one_by_one() -> None:
    """One that cannot be read does not lose the others."""
    trials, wrong = read_trials("swapped TCM: no change\n\nthe customer called\nunplugged ABS: gone")
    assert [trial.line() for trial in trials] == ["swapped TCM: no change", "unplugged ABS: gone"]
    assert [line for line, _ in wrong] == ["the customer called"]


PARTS = st.sampled_from(
    [
        "ABS",
        "TCM",
        "engine control module",
        "battery",
        "splice S204",
        "connector C204",
        "ground strap",
        "CAN high",
        "F12",
    ]
)
PLACES = st.none() | st.sampled_from(["left headlamp", "connector of ABS", "DLC"])


@st.composite
def told_trials(draw: st.DrawFn) -> Trial:
    """Draw a trial that has no note."""
    did = draw(st.sampled_from(TrialAction))
    fitted = did in FITTED
    return Trial(
        did=did,
        what=draw(st.lists(PARTS, min_size=1, max_size=3, unique=True)),
        at=draw(PLACES),
        outcome=draw(st.sampled_from(Outcome)),
        used_part=draw(st.none() | st.sampled_from(YesNo)) if fitted else None,
        configured=draw(st.none() | st.sampled_from(YesNo)) if fitted else None,
    )


@pytest.mark.slow
@given(told_trials())
def test_the_line_that_is_shown_is_read_back_as_the_same_trial(trial: Trial) -> None:
    """What a page prints can be typed in again."""
    assert read_trial(trial.line()) == trial


@pytest.mark.slow
@settings(max_examples=200)
@given(
    st.text(max_size=120)
    | st.lists(
        st.sampled_from(["swapped", "ABS", "no change", "(", ":", "at", "used", "and", "gone", ",", "|"]),
        max_size=12,
    ).map(" ".join)
)
def test_any_text_gives_a_trial_or_one_sentence(text: str) -> None:
    """Nothing but the refusal is raised, and a trial always names a part."""
    try:
        read = read_trial(text)
    except InputError:
        return
    assert read.what
    assert all(name.strip() for name in read.what)


def test_a_name_that_no_part_can_have_is_refused_in_a_sentence():
    """A line of one word said over and over names no part; it used to be an error of the program."""
    with pytest.raises(InputError, match="more than 200 characters"):
        read_trial("unplugged " * 30)
