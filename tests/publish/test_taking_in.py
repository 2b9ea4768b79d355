"""Between shops: what is new comes in, what is older is revised, what both edited stands side by side."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from exchanged_bundles import sent, taken

from casebase.errors import BundleError, LibraryError
from casebase.library.matching import Means
from casebase.library.near_duplicates import near_duplicates
from casebase.library.reviews import Said, say, standings
from casebase.library.sources import set_weight, sources_in, taken_from, taken_from_of
from casebase.library.store import Library
from casebase.publish.taking_in import Became
from casebase.record.loading import case_from_data

pytestmark = pytest.mark.slow

VIN = "1M8GDM9AXKP042788"
"""The example of 49 CFR 565.15 (c)."""


@pytest.fixture
def shops(tmp_path):
    """Two libraries, and the place where bundles lie."""
    with Library.create(tmp_path / "north.db") as north, Library.create(tmp_path / "south.db") as south:
        yield north, south, tmp_path


def a_case(text="stays dark", **keys):
    """Return a fault case with what stays inside: a VIN and the customer's words."""
    vehicle = {"make": "Norrvik", "model": "Fjellet", "model_year": 2018, "vin": VIN, "odometer": "84100 km"}
    data = {"kind": "fault case", "vehicle": vehicle, "symptoms": [text], "concern": "Mrs. Lund: no start"}
    return case_from_data(data | keys, "a test")


def revised(library, case_id, **changes):
    """Log a new revision of a case."""
    kept = library.get(case_id)
    library.log([kept.case.model_copy(update={"id": kept.case_id, "revision": kept.revision, **changes})])


def test_a_case_from_another_shop_keeps_its_id_and_comes_without_what_stays_inside(shops):
    """Neither VIN nor the customer's words arrive; whose it is does."""
    north, south, place = shops
    (logged,) = north.log([a_case()])
    came = taken(south, sent(north, place / "a.zip"))
    assert came.counted() == {"new": 1, "revised": 0, "kept beside": 0, "already there": 0, "removed here": 0}
    kept = south.get(logged.case_id)
    assert (kept.case.vehicle.vin, kept.case.concern) == (None, None)
    assert kept.case.symptoms == ["stays dark"]
    told = taken_from_of(south, logged.case_id)
    assert told.words() == "from Workshop North, revision 1 there"
    assert taken_from_of(north, logged.case_id) is None


def test_taking_in_twice_changes_no_byte_of_any_table(shops):
    """The second time everything is there already."""
    north, south, place = shops
    north.log([a_case(), a_case("chimes")])
    bundle = sent(north, place / "a.zip")
    taken(south, bundle)
    before = list(south._db.conn.iterdump())
    assert {one.became for one in taken(south, bundle).cases} == {Became.ALREADY_THERE}
    assert list(south._db.conn.iterdump()) == before


def test_a_later_revision_from_the_sender_revises_the_case(shops):
    """The revision before stays in the library."""
    north, south, place = shops
    (logged,) = north.log([a_case()])
    taken(south, sent(north, place / "a.zip"))
    revised(north, logged.case_id, symptoms=["stays dark in rain"])
    assert [one.became for one in taken(south, sent(north, place / "b.zip")).cases] == [Became.REVISED]
    assert south.get(logged.case_id).case.symptoms == ["stays dark in rain"]
    assert [row["json"]["symptoms"] for row in south.revisions(logged.case_id)] == [
        ["stays dark"],
        ["stays dark in rain"],
    ]


def test_an_older_bundle_that_comes_late_changes_nothing(shops):
    """What it tells is known to go before."""
    north, south, place = shops
    (logged,) = north.log([a_case()])
    old = sent(north, place / "old.zip")
    revised(north, logged.case_id, symptoms=["stays dark in rain"])
    taken(south, sent(north, place / "new.zip"))
    assert [one.became for one in taken(south, old).cases] == [Became.ALREADY_THERE]
    assert south.get(logged.case_id).case.symptoms == ["stays dark in rain"]


def test_a_case_edited_on_both_sides_stands_beside_the_own_one(shops):
    """Nothing that was written here is replaced; both are kept, and it is said."""
    north, south, place = shops
    (logged,) = north.log([a_case()])
    taken(south, sent(north, place / "a.zip"))
    revised(south, logged.case_id, symptoms=["our words"])
    revised(north, logged.case_id, symptoms=["their words"])
    (came,) = taken(south, sent(north, place / "b.zip")).cases
    assert (came.became, came.told_id) == (Became.BESIDE, logged.case_id)
    assert south.get(logged.case_id).case.symptoms == ["our words"]
    assert south.get(came.case_id).case.symptoms == ["their words"]
    assert f"stands beside {logged.case_id}" in taken_from(south)[came.case_id].words()
    assert south.faults() == []


def test_what_the_shop_kept_inside_of_its_own_case_outlives_a_revision_from_elsewhere(shops):
    """North's case goes south, comes back edited there: the VIN and the customer's words are still north's."""
    north, south, place = shops
    (logged,) = north.log([a_case()])
    taken(south, sent(north, place / "a.zip"))
    revised(south, logged.case_id, symptoms=["stays dark, fuse F31 hot"])
    assert [one.became for one in taken(north, sent(south, place / "b.zip", "South")).cases] == [
        Became.REVISED
    ]
    here = north.get(logged.case_id).case
    assert here.symptoms == ["stays dark, fuse F31 hot"]
    assert (here.vehicle.vin, here.concern) == (VIN, "Mrs. Lund: no start")


def test_what_came_in_waits_to_be_read_though_the_sender_agreed(shops):
    """Another shop's word is not the lead's; a revision that comes in waits again too."""
    north, south, place = shops
    ended = {"cause": {"fault": "low_open", "proof": "seen"}, "fix": {"done": "joined"}}
    ended["verification"] = {"rescan": "clean"}
    agreed = {"state": "read and agreed", "by": "ingrid"}
    (logged,) = north.log([a_case(**ended, review=agreed)])
    taken(south, sent(north, place / "a.zip"))

    def said():
        there = south.records()
        with south.reading() as db:
            return standings(db, there)[logged.case_id].said

    assert said() is Said.WAITS
    say(south, logged.case_id, Said.AGREED, "tova")
    assert said() is Said.AGREED
    revised(north, logged.case_id, symptoms=["stays dark in rain"])
    taken(south, sent(north, place / "b.zip"))
    assert said() is Said.WAITS


def test_the_weight_of_a_source_is_the_owners_and_stays_when_more_comes(shops):
    """A bundle without a word on weight does not undo what was set."""
    north, south, place = shops
    north.log([a_case()])
    taken(south, sent(north, place / "a.zip"), weight=0.4)
    north.log([a_case("chimes")])
    taken(south, sent(north, place / "b.zip"))
    (source,) = sources_in(south)
    assert (source.name, source.weight, source.cases) == ("Workshop North", 0.4, 2)
    set_weight(south, "Workshop North", 0.0)
    assert sources_in(south)[0].weight == 0.0


@pytest.mark.parametrize("weight", [-0.1, 1.5, float("nan"), float("inf")])
def test_a_weight_outside_0_to_1_is_refused_and_nothing_comes_in(shops, weight):
    """Before anything is kept."""
    north, south, place = shops
    north.log([a_case()])
    bundle = sent(north, place / "a.zip")
    with pytest.raises(LibraryError, match="expected a number from 0 to 1"):
        taken(south, bundle, weight=weight)
    assert (south.count(), sources_in(south)) == (0, [])


def test_a_shops_own_cases_that_come_back_are_its_own(shops):
    """The sender is no source of them."""
    north, south, place = shops
    north.log([a_case()])
    taken(south, sent(north, place / "a.zip"))
    taken(north, sent(south, place / "b.zip", "South"))
    assert (sources_in(north), taken_from(north)) == ([], {})


def test_two_shops_that_tell_one_job_are_flagged_with_the_reason(shops):
    """The same vehicle went to both: other IDs, other words, the same codes and nearly the same odometer."""
    north, south, place = shops
    told = {
        "networks": [{"name": "powertrain CAN", "medium": "high-speed CAN"}],
        "modules": [{"name": "ABS", "answers": "no"}],
        "codes": [{"module": "ECM", "code": "U0121-87"}, {"module": "EPS", "code": "U0415-81"}],
        "lamps": ["ABS", "airbag"],
        "readings": [
            {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": "60.2 ohm"}
            | {"battery": "disconnected", "ignition": "off", "unplugged": "nothing"}
        ],
        "cause": {"fault": "module_supply_or_ground", "module": "ABS", "proof": "seen"},
        "fix": {"done": "ground point cleaned"},
        "verification": {"rescan": "clean"},
        "provenance": {"ended": "2026-11-20"},
    }
    north.log([a_case("ABS does not answer", **told)])
    south.log([a_case("ABS does not answer.", **told), a_case("radio hums")])
    (one,) = [one.case_id for one in taken(south, sent(north, place / "a.zip")).of(Became.NEW)]
    (flagged,) = near_duplicates(south, [one], Means())
    assert flagged.case_id == one
    assert flagged.why == "same codes, same model, near odometer"


def test_a_case_told_by_the_customers_words_alone_is_not_sent(shops):
    """What is left of it would be refused where it arrives."""
    north, _, place = shops
    (logged,) = north.log([a_case().model_copy(update={"symptoms": []})])
    with pytest.raises(
        BundleError, match=f"case {logged.case_id}: what may leave the shop is no whole record"
    ):
        sent(north, place / "a.zip")
    assert list(place.glob("*.zip")) == []


def test_nothing_to_send_is_said(shops):
    """An empty bundle helps nobody."""
    north, _, place = shops
    with pytest.raises(BundleError, match="no record is agreed to"):
        sent(north, place / "a.zip")
    assert list(place.glob("*.zip")) == []


def test_the_same_records_and_day_make_the_same_bytes(shops):
    """So that two shops can compare what they were sent."""
    north, _, place = shops
    north.log([a_case(), a_case("chimes")])
    assert sent(north, place / "a.zip").read_bytes() == sent(north, place / "b.zip").read_bytes()


def test_the_weight_of_a_source_reaches_the_cases_that_are_compared(shops):
    """Theirs weigh what the owner says, the shop's own in full; a change counts from the next question on."""
    north, south, place = shops
    (theirs,) = north.log([a_case()])
    (own,) = south.log([a_case("radio hums")])
    taken(south, sent(north, place / "a.zip"), weight=0.25)

    def weighed():
        collection = south.collection(Means())
        return {
            profile.case_id: (profile.sent_by, profile.trust)
            for case_id in (theirs.case_id, own.case_id)
            for profile in collection.profiles(collection.rows_of_case(case_id)[-1:])
        }

    assert weighed() == {theirs.case_id: ("Workshop North", 0.25), own.case_id: ("", 1.0)}
    set_weight(south, "Workshop North", 1.0)
    assert weighed() == {theirs.case_id: ("Workshop North", 1.0), own.case_id: ("", 1.0)}
