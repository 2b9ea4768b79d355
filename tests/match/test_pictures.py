"""Two pictures of a scope: levels, time driven and whole frames count where both tell them."""

from __future__ import annotations

from collections import Counter

import pytest

from casebase.match.facets.base import Rarity
from casebase.match.facets.measure import FAULTS
from casebase.match.facets.readings import compare_readings
from casebase.match.facets.waveform import TOLD_BY_LEVELS
from casebase.match.index.query import Query, facet_answers
from casebase.match.profile import Profile
from casebase.match.profile_of_case import from_data, profile_of, to_data
from casebase.record.vocabulary import Look
from tests.match.in_memory import index_of

NOTHING_COUNTED = Rarity(10, Counter())
REST = {"CAN high": "2.5 V", "CAN low": "2.5 V"}
SOUND = {"traffic": "yes", "recessive": REST, "dominant": {"CAN high": "3.5 V", "CAN low": "1.5 V"}}
SHIFTED = {"traffic": "yes", "recessive": REST, "dominant": {"CAN high": "4.5 V", "CAN low": "2.5 V"}}
"""A module whose ground lies 1 V too high sends both levels 1 V too high (ohm's law)."""


@pytest.fixture
def seen(make_case):
    """Make the profile of a record with one picture of a scope on a pair."""

    def profile(waveform: dict, **reading: object) -> Profile:
        state = {"quantity": "waveform", "ignition": "on", "unplugged": "nothing"}
        networks = [{"name": "bus", "medium": "high-speed CAN"}]
        return profile_of(
            make_case(networks=networks, readings=[{**state, **reading, "waveform": waveform}]), "a"
        )

    return profile


def compared(job: Profile, past: Profile):
    """Return the facet of readings of two profiles."""
    return compare_readings(job, past, NOTHING_COUNTED)


def test_a_module_with_an_offset_ground_is_unlike_a_sound_one(seen):
    """Both pictures show traffic, and nobody wrote a word on how they look: the levels tell them apart."""
    job = seen(SHIFTED)
    assert compared(job, seen(SHIFTED)).likeness == pytest.approx(1.0)
    assert compared(job, seen(SOUND)).likeness < 0.7


def test_levels_within_a_tolerance_are_alike(seen):
    """What two people read off two screens differs by a tenth of a volt."""
    other = {**SOUND, "dominant": {"CAN high": "3.4 V", "CAN low": "1.6 V"}}
    assert compared(seen(SOUND), seen(other)).likeness > 0.95


@pytest.mark.parametrize(
    "told",
    [
        {"traffic": "yes"},
        {"traffic": "yes", "looks": "too tall"},
        {"traffic": "yes", "recessive": REST},
        {"traffic": "yes", "dominant_share": 0.3},
        {"traffic": "yes", "whole_frames": 0.9},
    ],
)
def test_what_one_picture_does_not_tell_never_counts_against_it(seen, told):
    """Of a picture without levels, shares or words only the traffic is compared, and agrees."""
    full = {**SHIFTED, "looks": "too tall", "dominant_share": 0.3, "whole_frames": 0.9}
    assert compared(seen(told), seen({"traffic": "yes"})).likeness == pytest.approx(1.0)
    assert compared(seen(told), seen(full)).likeness == pytest.approx(1.0)
    assert compared(seen(full), seen(told)).likeness == pytest.approx(1.0)


def test_half_the_frames_broken_is_unlike_all_whole(seen):
    """A bus with every second frame broken and one without, levels alike."""
    broken, few, whole = (seen({**SOUND, "whole_frames": share}) for share in (0.5, 0.999, 1.0))
    assert compared(whole, broken).likeness < 0.8
    assert compared(whole, few).likeness > 0.95


def test_a_line_driven_all_the_time_is_unlike_one_with_little_traffic(seen):
    """The share of time counts, in steps of what differs from vehicle to vehicle."""
    little, more, always = (seen({**SOUND, "dominant_share": share}) for share in (0.1, 0.2, 0.9))
    assert compared(little, always).likeness < 0.8
    assert compared(little, more).likeness > 0.9


def test_words_that_levels_tell_do_not_count_a_second_time(seen):
    """Too tall beside 4.2 V and 0.8 V says the same twice; ringing does not."""
    tall = {**SOUND, "dominant": {"CAN high": "4.2 V", "CAN low": "0.8 V"}}
    plain = compared(seen(tall), seen(SOUND)).likeness
    worded = compared(seen({**tall, "looks": "too tall"}), seen({**SOUND, "looks": "clean"})).likeness
    assert worded == pytest.approx(plain)
    ringing = compared(seen({**tall, "looks": "ringing"}), seen({**SOUND, "looks": "clean"})).likeness
    assert ringing < plain


def test_without_levels_the_words_count(seen):
    """Somebody who wrote too tall and no volt is compared by it."""
    assert compared(
        seen({"traffic": "yes", "looks": "too tall"}), seen({"traffic": "yes", "looks": "clean"})
    ).likeness == pytest.approx(0.5)


def test_every_word_of_size_is_told_by_levels_and_none_of_shape():
    """Which words levels make superfluous: a decision for every word there is."""
    told = frozenset().union(*TOLD_BY_LEVELS.values())
    assert set(map(str, Look)) - told == {"clean", "slow edges", "ringing", "noise"}


def test_no_traffic_here_and_none_there_counts_once(seen):
    """That nobody drove the lines follows from there being no traffic."""
    quiet = {"traffic": "no", "recessive": REST}
    stuck = {"traffic": "no", "recessive": {"CAN high": "3.5 V", "CAN low": "1.5 V"}}
    plain = compared(seen(quiet), seen(stuck)).likeness
    told = compared(seen({**quiet, "dominant_share": 0.0}), seen({**stuck, "dominant_share": 0.0})).likeness
    assert told == pytest.approx(plain)


def test_levels_are_told_in_words_with_the_sum_of_both_lines(seen):
    """Somebody who reads why must find the figures of both sides."""
    found = compared(seen({**SHIFTED, "dominant_share": 0.21}), seen({**SOUND, "dominant_share": 0.24}))
    (agree,), (differ,) = found.agree, found.differ
    assert agree.startswith("scope at DLC, recessive level of CAN high: here 2.5 V, there 2.5 V; ")
    assert "time driven: here 21 %, there 24 %" in agree
    assert "sum of the recessive" not in agree
    assert "traffic" not in agree
    assert "dominant level of CAN high: here 4.5 V, there 3.5 V" in differ
    assert "sum of the dominant levels: here 7 V, there 5 V" in differ


def test_traffic_is_told_where_no_level_tells_it(seen):
    """Two pictures with levels at rest alone: that both saw traffic is worth a word."""
    rest = {"traffic": "yes", "recessive": REST}
    assert "traffic: here yes, there yes" in compared(seen(rest), seen(rest)).agree[0]


def test_a_picture_of_another_pair_is_not_compared(seen):
    """Levels of a connector say nothing of levels at the diagnostic socket."""
    assert compared(seen(SOUND), seen(SOUND, at="connector of ABS")).likeness is None


def test_a_profile_keeps_what_was_measured(seen):
    """It goes to plain data and back."""
    profile = seen({**SHIFTED, "dominant_share": 0.21, "whole_frames": 0.97})
    assert from_data(to_data(profile)) == profile
    assert dict(profile.readings[0].measured) == {
        "recessive CAN high": 2.5,
        "recessive CAN low": 2.5,
        "dominant CAN high": 4.5,
        "dominant CAN low": 2.5,
        "driven share": 0.21,
        "whole frames": 0.97,
    }


def test_an_index_tells_the_levels_of_a_case_with_several_pictures(seen, make_case):
    """Of two pictures of one kind the more alike one is compared, by the arrays as by the records."""
    state = {"quantity": "waveform", "ignition": "on", "unplugged": "nothing"}
    two = profile_of(
        make_case(
            readings=[{**state, "waveform": SOUND}, {**state, "waveform": {**SHIFTED, "looks": "noise"}}]
        ),
        "two",
    )
    pasts = [seen(SOUND), two, seen({"traffic": "yes"}), seen({**SHIFTED, "whole_frames": 0.4})]
    index = index_of(pasts)
    for job in (*pasts, seen({"dominant": {"CAN high": "4 V"}}), seen({**SOUND, "whole_frames": 1})):
        answers = facet_answers(Query(index, job, FAULTS), index.arrays["numbers"])["readings"][0]
        expected = [compare_readings(job, past, index.rarity).likeness for past in pasts]
        assert list(answers) == pytest.approx(expected, abs=1e-9)
