"""How far a fault case has come follows from what its record holds."""

from __future__ import annotations

from itertools import product
from typing import Any

import pytest

from casebase.record.case import Case, missing_for_verified, readings_after_repair, status_of
from casebase.record.vocabulary import Status

GUESSED = {"cause": {"fault": "low_open"}}
PROVEN = {"cause": {"fault": "low_open", "proof": "wire parted by eye, OL before, 60.4 ohm after"}}
FIXED = {"fix": {"done": "two wires joined, branch clipped away"}}
ENDED = {"provenance": {"ended": "2024-02-20"}}
CLEAN = {"verification": {"rescan": "clean"}}
SAME_CODES = {"verification": {"rescan": "same codes back"}}
CAME_BACK = {"verification": {"rescan": "clean", "came_back": "yes"}}
OTHER_CODES = {"verification": {"rescan": "other codes remain"}}
NOT_SCANNED = {"verification": {"rescan": "not done", "road_test": "18 km"}}
AFTER_REPAIR = {
    "readings": [{"quantity": "voltage", "line": "LIN", "value": "12 V", "stage": "after repair"}]
}
AS_FOUND = {"readings": [{"quantity": "voltage", "line": "LIN", "value": "0 V"}]}


def case(*parts: dict[str, Any], kind: str = "fault case") -> Case:
    """Return a record made of `parts`."""
    vehicle = {"make": "Norrvik", "model": "Skarn"}
    data: dict[str, Any] = {"kind": kind, "vehicle": vehicle, "concern": "no crank"}
    for part in parts:
        data |= part
    return Case.model_validate(data)


@pytest.mark.parametrize(
    ("parts", "status"),
    [
        ((), Status.OPEN),
        ((AS_FOUND,), Status.OPEN),
        ((GUESSED,), Status.OPEN),
        ((PROVEN,), Status.OPEN),
        ((PROVEN, CLEAN), Status.OPEN),
        ((ENDED,), Status.NOT_FIXED),
        ((PROVEN, ENDED), Status.NOT_FIXED),
        ((PROVEN, CLEAN, ENDED), Status.NOT_FIXED),
        ((FIXED,), Status.OPEN),
        ((PROVEN, FIXED), Status.FIXED_NOT_PROVEN),
        ((GUESSED, FIXED), Status.FIXED_NOT_PROVEN),
        ((PROVEN, FIXED, ENDED), Status.FIXED_NOT_PROVEN),
        ((FIXED, ENDED), Status.FIXED_NOT_PROVEN),
        ((FIXED, CLEAN), Status.FIXED_NOT_PROVEN),
        ((GUESSED, FIXED, CLEAN), Status.FIXED_NOT_PROVEN),
        ((GUESSED, FIXED, AFTER_REPAIR), Status.FIXED_NOT_PROVEN),
        ((PROVEN, FIXED, NOT_SCANNED), Status.FIXED_NOT_PROVEN),
        ((PROVEN, FIXED, OTHER_CODES), Status.FIXED_NOT_PROVEN),
        ((PROVEN, FIXED, AS_FOUND, ENDED), Status.FIXED_NOT_PROVEN),
        ((PROVEN, FIXED, CLEAN), Status.FIXED_VERIFIED),
        ((PROVEN, FIXED, AFTER_REPAIR), Status.FIXED_VERIFIED),
        ((PROVEN, FIXED, AFTER_REPAIR, OTHER_CODES), Status.FIXED_VERIFIED),
        ((PROVEN, FIXED, CLEAN, ENDED), Status.FIXED_VERIFIED),
        ((PROVEN, FIXED, SAME_CODES), Status.OPEN),
        ((PROVEN, FIXED, SAME_CODES, ENDED), Status.NOT_FIXED),
        ((PROVEN, FIXED, AFTER_REPAIR, SAME_CODES, ENDED), Status.NOT_FIXED),
        ((PROVEN, FIXED, CAME_BACK), Status.OPEN),
        ((PROVEN, FIXED, CAME_BACK, ENDED), Status.NOT_FIXED),
    ],
)
def test_the_status_follows_from_the_record(parts: tuple[dict[str, Any], ...], status: Status) -> None:
    """The whole table: cause, proof, fix, what shows that it worked, whether the job has ended."""
    assert status_of(case(*parts)) is status


def test_verified_needs_a_proven_cause_a_fix_and_something_that_shows_it() -> None:
    """Over all combinations: verified exactly where all three are there and nothing came back."""
    causes, fixes = ((), (GUESSED,), (PROVEN,)), ((), (FIXED,))
    shown = ((), (CLEAN,), (AFTER_REPAIR,), (SAME_CODES,), (CAME_BACK,), (OTHER_CODES,), (NOT_SCANNED,))
    for cause, fix, proof, end in product(causes, fixes, shown, ((), (ENDED,))):
        told = case(*cause, *fix, *proof, *end)
        is_verified = cause == (PROVEN,) and fix == (FIXED,) and proof in ((CLEAN,), (AFTER_REPAIR,))
        assert (status_of(told) is Status.FIXED_VERIFIED) is is_verified
        assert (missing_for_verified(told) == []) is is_verified


def test_a_job_that_ended_without_a_fix_is_not_fixed() -> None:
    """The vehicle left the shop as it came, however well the cause is known."""
    assert status_of(case(PROVEN, ENDED)) is Status.NOT_FIXED


def test_the_same_codes_back_are_no_fix() -> None:
    """A repair after which the same codes return is open until the job ends, then not fixed."""
    assert missing_for_verified(case(PROVEN, FIXED, AFTER_REPAIR, SAME_CODES)) == [
        "a repair that held: the same codes or the complaint came back"
    ]


def test_a_known_good_record_has_no_status() -> None:
    """Readings of a healthy vehicle are no job."""
    assert status_of(case(AS_FOUND, kind="known good")) is None


@pytest.mark.parametrize(
    ("parts", "missing"),
    [
        ((), ["a cause", "a fix", "a clean rescan"]),
        ((GUESSED, FIXED, CLEAN), ["how the cause was proven"]),
        ((PROVEN, FIXED), ["a clean rescan"]),
        ((PROVEN, CLEAN), ["a fix"]),
        ((FIXED, CAME_BACK), ["a cause", "a repair that held"]),
    ],
)
def test_what_is_still_missing_is_told_in_words(
    parts: tuple[dict[str, Any], ...], missing: list[str]
) -> None:
    """Each gap once, in the order of the work."""
    told = missing_for_verified(case(*parts))
    assert len(told) == len(missing)
    assert all(words.startswith(start) for words, start in zip(told, missing, strict=True))


def test_only_readings_after_the_repair_count_as_such() -> None:
    """A reading as found shows the fault, not the repair."""
    assert readings_after_repair(case(AFTER_REPAIR))
    assert not readings_after_repair(case(AS_FOUND))
