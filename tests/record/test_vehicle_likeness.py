"""Two vehicles are alike as far as they share harness and network; all makes and models here are invented."""

import dataclasses
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.match.facets.vehicle import (
    Likeness,
    VehicleIdentity,
    make_likeness,
    model_likeness,
    platform_likeness,
    vehicle_likeness,
    year_likeness,
)

SKARN = VehicleIdentity("Norrvik", "Skarn", "K4", 2014)
UNKNOWN = VehicleIdentity()
NOTHING_IN_COMMON: dict[str, tuple[Any, Any]] = {
    "make": ("Norrvik", "Tessaro"),
    "model": ("Skarn", "Velin"),
    "platform": ("K4", "V1"),
    "model_year": (1990, 2020),
}

names = st.none() | st.sampled_from(
    [
        "Norrvik",
        "norvik",
        "Tessaro",
        "Skarn",
        "Skarn 2",
        "Skarne",
        "Velin",
        "Q-5",
        "q5",
        "K4",
        "--",
        "",
    ]
)
free_names = names | st.text(max_size=12)
identities = st.builds(VehicleIdentity, names, names, names, st.none() | st.integers(1985, 2030))
free_identities = st.builds(VehicleIdentity, free_names, free_names, free_names, st.none() | st.integers())


def value_of(a: VehicleIdentity, b: VehicleIdentity) -> float:
    """Return the likeness of two vehicles of which something is known."""
    value = vehicle_likeness(a, b).value
    assert value is not None
    return value


def test_names_are_one_whatever_their_case_spaces_punctuation_and_accents() -> None:
    """A name typed on a phone is the name on the tailgate."""
    assert model_likeness("Q-5", "q5") == 1.0
    assert make_likeness(" NORR VIK", "norrvik") == 1.0
    assert make_likeness("Värmdö", "VARMDO") == 1.0
    assert platform_likeness("K-4", "k4") == 1.0


def test_near_spelling_of_a_name_counts_as_near() -> None:
    """One slip of the finger in a name still means that make or model."""
    assert make_likeness("Norrvik", "Norvik") == 0.8
    assert model_likeness("Skarn", "Skarns") == 0.8


def test_near_spelling_of_a_platform_code_is_another_platform() -> None:
    """Platform codes are short: one character is another platform, even in a longer code."""
    assert platform_likeness("MK4-ALPHA2", "MK4-ALPHA3") == 0.0


def test_another_number_in_a_name_is_another_model() -> None:
    """Numbers tell models apart however alike the rest is."""
    assert model_likeness("Skarn 200", "Skarn 300") == 0.0


@pytest.mark.parametrize("nothing", [None, "", "  ", "--"])
def test_name_that_says_nothing_is_unknown(nothing: str | None) -> None:
    """An empty field or a dash is no name, and cannot differ from one."""
    assert make_likeness("Norrvik", nothing) is None
    assert platform_likeness(nothing, "K4") is None


def test_years_fall_to_half_in_four_years_and_to_nothing_beyond_twelve() -> None:
    """Wiring of one model changes little within two years and entirely within a dozen."""
    assert year_likeness(2014, 2014) == 1.0
    assert year_likeness(2014, 2018) == pytest.approx(0.5)
    assert year_likeness(2014, 2026) == pytest.approx(0.0, abs=0.01)
    assert year_likeness(2014, 2027) == 0.0
    assert year_likeness(None, 2014) is None


def test_same_platform_under_another_name_is_worth_nearly_as_much_as_the_same_model() -> None:
    """A sister model of another make has the same harness and network."""
    sister = value_of(SKARN, VehicleIdentity("Tessaro", "Velin", "K4", 2014))
    same_model = value_of(SKARN, VehicleIdentity("Norrvik", "Skarn", None, 2014))
    assert 0.8 < sister < same_model


def test_same_platform_under_another_name_beats_the_same_name_on_another_platform() -> None:
    """A model name kept over a change of platform promises less than the platform itself."""
    sister = value_of(SKARN, VehicleIdentity("Tessaro", "Velin", "K4", 2014))
    successor = value_of(SKARN, VehicleIdentity("Norrvik", "Skarn", "K5", 2014))
    assert sister > successor > value_of(SKARN, VehicleIdentity("Norrvik", "Velin", "K5", 2014))


def test_same_make_alone_is_worth_little() -> None:
    """Another model of the same make, ten years later, is nearly a stranger."""
    assert value_of(SKARN, VehicleIdentity("Norrvik", "Petrel", "P1", 2024)) < 0.2


def test_same_model_name_of_another_make_is_worth_less_than_of_the_same_make() -> None:
    """Unrelated makes use the same short names and numbers, so the name alone proves little."""
    mine = VehicleIdentity("Norrvik", "3", None, 2014)
    theirs = VehicleIdentity("Tessaro", "3", None, 2014)
    assert value_of(mine, theirs) < 0.5
    assert value_of(mine, mine) == 1.0


def test_nothing_known_is_unknown_and_not_unlike() -> None:
    """With nothing to compare there is no value, neither zero nor one."""
    assert vehicle_likeness(SKARN, UNKNOWN) == Likeness(None, [], [], 0.0)


def test_share_known_tells_a_whole_match_from_a_match_of_the_make_only() -> None:
    """A match of all that is known says little if little is known."""
    make_only = VehicleIdentity(make="Norrvik")
    assert vehicle_likeness(SKARN, SKARN).share_known == 1.0
    assert vehicle_likeness(make_only, make_only) == Likeness(1.0, ["same make Norrvik"], [], 0.1)


def test_likeness_says_in_words_what_agreed_and_what_differed() -> None:
    """Every known aspect stands once, on the side it belongs to."""
    likeness = vehicle_likeness(SKARN, VehicleIdentity("Norvik", "Velin", "k-4", 2019))
    assert likeness.agree == ["same platform K4", "nearly the same make: Norrvik and Norvik"]
    assert likeness.differ == ["models Skarn and Velin", "5 years apart"]


def test_years_are_worded_in_the_singular_and_when_equal() -> None:
    """One year is a year, and equal years are named."""
    assert vehicle_likeness(SKARN, VehicleIdentity(model_year=2015)).differ == ["1 year apart"]
    assert vehicle_likeness(SKARN, VehicleIdentity(model_year=2014)).agree == ["same model year 2014"]


@pytest.mark.slow
@given(free_identities, free_identities)
def test_likeness_does_not_depend_on_which_vehicle_comes_first(
    a: VehicleIdentity, b: VehicleIdentity
) -> None:
    """Value and words are the same both ways."""
    assert vehicle_likeness(a, b) == vehicle_likeness(b, a)


@pytest.mark.slow
@given(free_identities, free_identities)
def test_likeness_stays_between_nothing_and_the_same(a: VehicleIdentity, b: VehicleIdentity) -> None:
    """The value is in 0..1, and there is one as soon as anything is known on both sides."""
    likeness = vehicle_likeness(a, b)
    assert likeness.value is None or 0.0 <= likeness.value <= 1.0
    assert (
        (likeness.value is None)
        == (not likeness.agree and not likeness.differ)
        == (likeness.share_known == 0)
    )


@pytest.mark.slow
@given(free_identities, st.sets(st.sampled_from(sorted(NOTHING_IN_COMMON))))
def test_vehicle_is_wholly_like_itself_whatever_is_left_out(a: VehicleIdentity, left_out: set[str]) -> None:
    """A vehicle compared with a record that says less about it is still the same vehicle."""
    less = dataclasses.replace(a, **dict.fromkeys(left_out))
    assert vehicle_likeness(a, less).value in {1.0, None}
    assert not vehicle_likeness(a, less).differ


@pytest.mark.slow
@given(identities, identities, st.sampled_from(sorted(NOTHING_IN_COMMON)))
def test_unknown_aspect_never_counts_against(a: VehicleIdentity, b: VehicleIdentity, aspect: str) -> None:
    """Leaving out an aspect that has nothing in common never lowers the likeness."""
    mine, theirs = NOTHING_IN_COMMON[aspect]
    a, b = dataclasses.replace(a, **{aspect: mine}), dataclasses.replace(b, **{aspect: theirs})
    without_aspect = vehicle_likeness(a, dataclasses.replace(b, **{aspect: None})).value
    assert without_aspect is None or without_aspect >= value_of(a, b)
