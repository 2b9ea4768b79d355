"""Records kept in a library: what comes back, what is listed, and under which ID."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.commands.filters import list_filters
from casebase.errors import CasebaseError, InputError, LibraryError
from casebase.library import records
from casebase.library.store import Library, Outcome
from casebase.record.case import Case
from casebase.record.json_form import canonical_json, id_from, plain_data, sha256_of
from tests.library.profiles_kept import profiles_in

MakeCase = Callable[..., Case]


def ids_listed(library: Library, **filters: str | None) -> list[str]:
    """Return the IDs of the cases listed with filters as the command line gives them."""
    return [row["id"] for row in library.summaries(**list_filters(**filters))]


def test_a_record_comes_back_as_it_was_logged(library: Library, demo_cases: list[Case]) -> None:
    """Nothing typed is lost or changed between the file and the page."""
    logged = library.log(demo_cases)
    assert [one.outcome for one in logged] == [Outcome.NEW] * len(demo_cases)
    for one, case in zip(logged, demo_cases, strict=True):
        assert library.get(one.case_id).case == case


def test_a_record_outlives_the_process_that_logged_it(tmp_path: Path, make_case: MakeCase) -> None:
    """The file is the library: closing and opening it again changes nothing."""
    with Library.create(tmp_path / "shop.db") as library:
        (logged,) = library.log([make_case()])
    with Library.open(tmp_path / "shop.db") as library:
        assert library.get(logged.case_id).case == make_case()


def test_the_id_follows_from_the_record_alone(library: Library, make_case: MakeCase) -> None:
    """Two shops that are given one record keep it under one ID."""
    (logged,) = library.log([make_case()])
    assert logged.case_id == id_from(sha256_of(canonical_json(make_case())))
    assert len(logged.case_id) == 8


def test_the_same_record_twice_is_one_case(library: Library, make_case: MakeCase) -> None:
    """A file logged again, in one go or later, adds nothing."""
    first, twin = library.log([make_case(), make_case()])
    (later,) = library.log([make_case()])
    assert (twin.outcome, later.outcome) == (Outcome.ALREADY_THERE, Outcome.ALREADY_THERE)
    assert {first.case_id, twin.case_id, later.case_id} == {first.case_id}
    assert library.count() == 1
    assert len(library.revisions(first.case_id)) == 1


def test_spaces_and_empty_lists_do_not_make_another_case(library: Library, make_case: MakeCase) -> None:
    """What was not said, and how it was indented, is no part of a record."""
    library.log([make_case()])
    (logged,) = library.log([make_case(concern="  ABS lamp on, speedometer dead. ", lamps=[], symptoms=[])])
    assert logged.outcome is Outcome.ALREADY_THERE


def test_several_records_are_kept_all_or_none(library: Library, make_case: MakeCase) -> None:
    """A file that does not fit, met half way through, leaves the library as it was."""

    def files() -> Any:
        yield make_case(concern="First of three.")
        yield make_case(concern="Second of three.")
        raise InputError("third.yaml: does not fit")

    with pytest.raises(InputError, match="third"):
        library.log(files())
    assert library.count() == 0
    assert library.summaries() == []
    assert library.faults() == []


def test_a_revision_that_cannot_be_kept_takes_the_others_of_its_log_with_it(
    library: Library, make_case: MakeCase
) -> None:
    """A stale revision among good new records refuses them all: the technician mends one file and logs once more."""
    (kept,) = library.log([make_case()])
    stale = make_case(concern="Changed.", id=kept.case_id, revision=7)
    with pytest.raises(LibraryError, match="made from revision 7"):
        library.log([make_case(concern="A good new one."), stale])
    assert library.count() == 1


def test_cases_are_listed_the_newest_first(
    library: Library, make_case: MakeCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was logged last is wanted first."""
    for day in ("2026-01-02", "2026-01-04", "2026-01-03"):
        monkeypatch.setattr("casebase.library.store.now_text", lambda day=day: f"{day}T12:00:00+00:00")
        library.log([make_case(concern=f"Logged on {day}.")])
    assert [row["title"][10:-1] for row in library.summaries()] == ["2026-01-04", "2026-01-03", "2026-01-02"]


def test_a_summary_holds_what_a_list_shows(library: Library, make_case: MakeCase) -> None:
    """One row per case: vehicle, cause in words, status, leftover, who and when."""
    library.log(
        [
            make_case(
                cause={
                    "fault": "low_open",
                    "module": "ABS",
                    "where": {"place": "harness"},
                    "mechanism": "chafing",
                },
                leftover="Clock still resets.",
                provenance={"author": "tova", "opened": "2024-02-19"},
            )
        ]
    )
    (row,) = library.summaries()
    assert row["cause"] == "CAN low open (ABS), in the harness, by chafing"
    assert (row["make"], row["model"], row["model_year"], row["platform"]) == (
        "Norrvik",
        "Fjellet",
        2015,
        "K4",
    )
    assert (row["leftover"], row["author"], row["opened"]) == ("Clock still resets.", "tova", "2024-02-19")
    assert (row["revision"], row["fault"], row["kind"]) == (1, "low_open", "fault case")


@pytest.mark.slow
@pytest.mark.parametrize(
    "filters",
    [
        {"make": "norrvik"},
        {"model": "FJELLET"},
        {"platform": "k4"},
        {"code": "u0121-87"},
        {"code": "U0121"},
        {"code": "C1 21 87"},  # SAE J2012: C1h 21h are the two bytes of U0121, 87h its failure type
        {"module": "abs"},
        {"module": "engine control module"},
        {"fault": "low_open"},
        {"status": "FIXED, cause not proven"},
        {"kind": "fault case"},
        {"make": "Norrvik", "code": "U0121", "module": "ABS"},
    ],
)
def test_a_list_is_narrowed_in_the_words_of_the_trade(
    library: Library, make_case: MakeCase, filters: dict[str, str]
) -> None:
    """Capitals do not count; a code finds its failure types, a module its other names; several must all fit."""
    done = {"cause": {"fault": "low_open"}, "fix": {"done": "Joined."}, "provenance": {"ended": "2024-02-20"}}
    other = make_case(
        kind="known good",
        vehicle={"make": "Thorne", "model": "Holt"},
        codes=[],
        modules=[{"name": "climate", "answers": "yes"}],
    )
    wanted, _ = library.log([make_case(**done), other])
    assert ids_listed(library, **filters) == [wanted.case_id]


def test_filters_that_nothing_fits_give_an_empty_list(library: Library, make_case: MakeCase) -> None:
    """No case of that make is an answer, not an error."""
    library.log([make_case()])
    assert ids_listed(library, make="Thorne") == []
    assert ids_listed(library, code="U0121-00") == []
    assert library.summaries(find="speedometer", make="Thorne") == []


def test_a_filter_word_that_no_list_has_is_refused_with_the_nearest() -> None:
    """A slip in a fixed word is told, with what was meant."""
    with pytest.raises(InputError, match=r"--fault 'low_opne'.*Did you mean 'low_open'"):
        list_filters(fault="low_opne")
    with pytest.raises(InputError, match="--code: "):
        list_filters(code="Z0121")


def test_a_case_is_found_by_the_beginning_of_its_id(library: Library, make_case: MakeCase) -> None:
    """As few characters as tell it apart, in any capitals, are enough."""
    (one,) = library.log([make_case()])
    for prefix in (one.case_id, one.case_id[:3], one.case_id[:1], f" {one.case_id.upper()} "):
        assert library.resolve(prefix) == one.case_id


def test_a_beginning_that_fits_several_ids_is_refused_with_them(
    library: Library, make_case: MakeCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody guesses which case was meant: the IDs are named, one character more decides."""
    given_ids = iter(["abcd0001", "abcd0002", "abce0003"])
    monkeypatch.setattr(records, "id_from", lambda _sha256, _length: next(given_ids))
    library.log([make_case(concern=f"Number {number}.") for number in range(3)])
    with pytest.raises(LibraryError, match=r"'abcd' begins several IDs .abcd0001, abcd0002.: type one"):
        library.get("abcd")
    assert library.get("abce").case_id == "abce0003"


def test_many_ids_with_one_beginning_are_not_all_listed(library: Library, make_case: MakeCase) -> None:
    """Five names are enough to show what is meant by ambiguous."""
    library.log([make_case(id=f"abcd000{number}", concern=f"Number {number}.") for number in range(7)])
    with pytest.raises(LibraryError, match="abcd0004 and more"):
        library.resolve("abcd")


def test_a_whole_id_wins_over_longer_ones_that_begin_with_it(library: Library, make_case: MakeCase) -> None:
    """An ID made longer because of a collision does not hide the shorter one."""
    library.log([make_case(id="abcd0001"), make_case(id="abcd00012", concern="The longer one.")])
    assert library.resolve("abcd0001") == "abcd0001"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("typed", "meant"), [("il0o", "1100"), ("ILOU", "110v"), ("u1o0", "v100"), ("1L0O", "1100")]
)
def test_letters_easily_misread_are_read_as_meant(
    library: Library, make_case: MakeCase, typed: str, meant: str
) -> None:
    """Crockford's base 32 has no i, l, o, u: they stand for 1, 1, 0; u is taken for v (from memory)."""
    library.log([make_case(id=f"{meant}abcd")])
    assert library.resolve(typed) == f"{meant}abcd"


@pytest.mark.slow
@pytest.mark.parametrize("typed", ["", " ", "abc-d", "abc%", "a_c", "ä", "'; DROP TABLE records; --"])
def test_what_can_be_no_id_is_refused(library: Library, make_case: MakeCase, typed: str) -> None:
    """Signs that no ID holds are told as such, and mean nothing to the database."""
    library.log([make_case()])
    with pytest.raises(LibraryError, match="is no case ID"):
        library.get(typed)


def test_an_unknown_id_is_refused_with_where_to_look(library: Library, make_case: MakeCase) -> None:
    """The sentence names what was typed and the command that lists the IDs."""
    library.log([make_case()])
    with pytest.raises(LibraryError, match="no case with an ID that begins with 'zzzz': casebase list"):
        library.get("zzzz")


def test_two_records_whose_ids_collide_get_different_ones(
    library: Library, make_case: MakeCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the first eight characters are taken, the second record takes one more of its digest."""
    monkeypatch.setattr(
        records, "id_from", lambda sha256, length: ("abcd0000" + id_from(sha256, 18))[:length]
    )
    first, second = library.log([make_case(), make_case(concern="Another record.")])
    assert first.case_id == "abcd0000"
    assert (
        second.case_id
        == "abcd0000" + id_from(sha256_of(canonical_json(make_case(concern="Another record."))))[:1]
    )
    assert library.get("abcd0000").case == make_case()
    assert library.faults() == []


def test_facts_about_the_library_are_kept(library: Library) -> None:
    """A library can say what it is for; what was never said is none."""
    assert library.fact("purpose") is None
    library.set_fact("purpose", "the night shift's cases")
    library.set_fact("purpose", "the whole shop's cases")
    assert library.fact("purpose") == "the whole shop's cases"


def test_profiles_are_those_of_the_records(library: Library, demo_cases: list[Case]) -> None:
    """What is compared comes back from the library as it was made from the records."""
    from casebase.match.profile_of_case import profile_of  # noqa: PLC0415

    logged = library.log(demo_cases)
    made = {one.case_id: profile_of(case, one.case_id) for one, case in zip(logged, demo_cases, strict=True)}
    assert {profile.case_id: profile for profile in profiles_in(library)} == made


@pytest.mark.slow
@given(concern=st.text(min_size=1, max_size=80))
def test_any_text_that_a_record_may_hold_comes_back(make_case: MakeCase, concern: str) -> None:
    """Whatever script or sign was typed, the canonical JSON holds it, and it reads back as the same record."""
    try:
        case = make_case(concern=concern)
    except (CasebaseError, ValueError):
        return
    again = Case.model_validate_json(canonical_json(case))
    assert again == case
    assert plain_data(again) == plain_data(case)


VIN = "1M8GDM9AXKP042788"
"""With its check digit X (from memory)."""


def test_an_id_does_not_tell_the_vin(library: Library, make_case: MakeCase) -> None:
    """Who knows the record and the beginning of the VIN finds no serial by trying: the ID is that of any serial."""
    vehicle = {"make": "Norrvik", "model": "Fjellet", "vin": VIN}
    (logged,) = library.log([make_case(vehicle=vehicle)])
    other = library.log([make_case(vehicle={**vehicle, "vin": f"{VIN[:11]}999999"}, concern="it rattles")])[0]
    assert other.case_id[:-1] == logged.case_id
    assert logged.case_id != id_from(sha256_of(canonical_json(make_case(vehicle=vehicle))))
    assert library.get(logged.case_id).case.vehicle.vin == VIN


def test_the_id_of_a_case_that_is_there_stays_when_a_vin_is_added(
    library: Library, make_case: MakeCase
) -> None:
    """What exists keeps its name."""
    (logged,) = library.log([make_case()])
    vehicle = {"make": "Norrvik", "model": "Fjellet", "vin": VIN}
    (again,) = library.log([make_case(vehicle=vehicle, id=logged.case_id)])
    assert (again.case_id, again.revision) == (logged.case_id, 2)
