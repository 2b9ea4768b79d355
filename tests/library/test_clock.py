"""A clock set back, by a flat battery or before the network tells the time: what is kept stays readable."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest

from casebase.errors import EditionError, RecordError
from casebase.library.matching import Means
from casebase.library.reviews import Said, say
from casebase.library.store import Library
from casebase.match.evaluation.asking import as_stuck_job
from casebase.publish.bundle import export_bundle
from casebase.publish.bundle_checks import checked_bundle
from casebase.publish.public_fields import public_case
from casebase.publish.publication import Imprint, publish
from casebase.publish.taking_in import take_in
from casebase.record.case import Case
from casebase.record.loading import case_from_data

MakeCase = Callable[..., Case]

TODAY = date.today()


@pytest.fixture
def set_back(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    """Return a function that sets the clock of record checks back by so many days."""

    def to(days: int) -> None:
        class AnyDate(type):
            def __instancecheck__(cls, it: object) -> bool:
                return isinstance(it, date)

        class Behind(metaclass=AnyDate):
            @classmethod
            def today(cls) -> date:
                return TODAY - timedelta(days=days)

        monkeypatch.setattr("casebase.record.fields.date", Behind)
        monkeypatch.setattr("casebase.record.vehicle.date", Behind)

    return to


@pytest.fixture
def of_today(library: Library, make_case: MakeCase) -> list[str]:
    """Return the IDs of three agreed jobs: of today, of a week ago, and on a vehicle of next model year."""
    newest = {"make": "Norrvik", "model": "Fjellet", "model_year": TODAY.year + 2}
    logged = library.log(
        [
            make_case(provenance={"opened": str(TODAY), "ended": str(TODAY)}),
            make_case(provenance={"ended": str(TODAY - timedelta(days=7))}, symptoms=["no start"]),
            make_case(vehicle=newest, provenance={"ended": "2026-03-02"}, symptoms=["lamps on"]),
        ]
    )
    for one in logged:
        say(library, one.case_id, Said.AGREED, "ingrid")
    return sorted(one.case_id for one in logged)


@pytest.mark.slow
@pytest.mark.parametrize("days", [3, 400, 20_000])
def test_what_is_kept_is_shown_and_rebuilt_under_a_clock_set_back(
    library: Library, of_today: list[str], set_back: Callable[[int], None], days: int
) -> None:
    """Shown, checked, listed, rebuilt, compared and asked again: not one record less than before."""
    set_back(days)
    assert [library.get(case_id).case_id for case_id in of_today] == of_today
    assert library.faults() == []
    assert library.rebuild() == 3
    assert sorted(row["id"] for row in library.summaries()) == of_today
    assert sorted(one.case_id for one in library.read_and_agreed()) == of_today
    assert len(library.collection().index) == 3
    assert all(
        as_stuck_job(one.case).provenance.opened == one.case.provenance.opened for one in library.records()
    )
    with Library.open(library.place) as again:
        assert again.count() == 3


@pytest.mark.slow
def test_nothing_is_withdrawn_from_an_edition_by_a_clock_set_back(
    library: Library, of_today: list[str], set_back: Callable[[int], None], tmp_path: Path
) -> None:
    """The second edition of the same cases changes nothing, whatever the day is believed to be."""
    publish(library.read_and_agreed(), tmp_path / "editions", Imprint(str(TODAY), "ingrid"), Means())
    set_back(3)
    with pytest.raises(EditionError, match="nothing changed since edition 1"):
        publish(library.read_and_agreed(), tmp_path / "editions", Imprint(str(TODAY), "ingrid"), Means())


def test_a_bundle_goes_out_under_a_clock_set_back_and_is_refused_on_the_way_in(
    library: Library, of_today: list[str], set_back: Callable[[int], None], tmp_path: Path
) -> None:
    """Sending reads what is kept; taking in is entry, and says what the clock of this machine shows."""
    set_back(3)
    made = export_bundle(library, library.read_and_agreed(), tmp_path / "out.zip", "North", str(TODAY))
    assert made.cases == 3
    with pytest.raises(RecordError, match="by this machine's clock"):
        checked_bundle(tmp_path / "out.zip", public_case)


def test_a_revision_taken_in_is_laid_over_one_of_a_day_yet_to_come(
    library: Library, of_today: list[str], set_back: Callable[[int], None], tmp_path: Path
) -> None:
    """A bundle checked under the right clock is kept although the clock has gone back since."""
    export_bundle(library, library.records(), tmp_path / "out.zip", "North", str(TODAY))
    bundle = checked_bundle(tmp_path / "out.zip", public_case)
    set_back(3)
    with Library.create(tmp_path / "south.db") as south:
        assert take_in(south, bundle).counted()["new"] == 3
        assert south.faults() == []


def test_entry_is_held_to_the_clock(set_back: Callable[[int], None]) -> None:
    """A record typed with tomorrow's year is a slip; the sentence names the day that this machine believes in."""
    data = {
        "kind": "fault case",
        "vehicle": {"make": "Norrvik", "model": "Fjellet"},
        "concern": "lamps on",
        "provenance": {"opened": str(TODAY)},
    }
    assert case_from_data(data, "a file").provenance.opened == TODAY
    set_back(3)
    with pytest.raises(RecordError, match=str(TODAY - timedelta(days=3))):
        case_from_data(data, "a file")
