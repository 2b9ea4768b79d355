"""Editions: numbered, signed, told apart from the one before, shown at once, and gone back to."""

import hashlib
import os
import sqlite3
import subprocess

import pytest

from casebase.errors import EditionError
from casebase.library.derived import StoredRecord
from casebase.library.matching import Means
from casebase.publish.changes import Changed, read_changes
from casebase.publish.edition import editions_in, numbers_in, open_frozen, show_edition, shown_path
from casebase.publish.publication import Imprint, RecordsWithInitials, counted, publish, with_initials

IMPRINT = Imprint("2026-11-25", "ingrid", "Cases of the three shops", "CC BY 4.0")


@pytest.fixture
def kept(make_case):
    """A maker of kept records by a short name and their symptom."""

    def make(**told):
        return [
            StoredRecord(case_id, 1, f"2026-11-25T09:00:0{place}+00:00", make_case(symptoms=[text]))
            for place, (case_id, text) in enumerate(told.items())
        ]

    return make


def publish_to(folder, records, imprint=IMPRINT):
    """Publish without simulated buses or text model."""
    return publish(records, folder, imprint, Means())


def test_first_edition_has_number_one_and_everything_is_new(kept, tmp_path):
    """Number, day, signature, name and licence stand in the file."""
    made = publish_to(tmp_path / "editions", kept(aaaaaaaa="no start", bbbbbbbb="lamps"))
    assert (made.number, made.records, counted(made.changes)) == (1, 2, {"new": 2})
    facts = dict(open_frozen(made.path).execute("SELECT name, value FROM facts"))
    assert facts["number"] == "1"
    assert facts["signed off by"] == "ingrid"
    assert facts["licence"] == "CC BY 4.0"


def test_a_new_folder_of_editions_reaches_the_disk(kept, tmp_path, monkeypatch):
    """A name in a folder is there after a loss of power once the folder is flushed (fsync(2), "NOTES")."""
    flushed, flush = set(), os.fsync

    def noted(descriptor):
        flushed.add(os.fstat(descriptor).st_ino)
        flush(descriptor)

    monkeypatch.setattr(os, "fsync", noted)
    made = publish_to(tmp_path / "editions", kept(aaaaaaaa="no start"))
    assert {tmp_path.stat().st_ino, (tmp_path / "editions").stat().st_ino, made.path.stat().st_ino} <= flushed


@pytest.mark.slow
def test_next_edition_tells_what_is_new_revised_and_withdrawn(kept, tmp_path):
    """Against the edition before, by the public fields."""
    publish_to(tmp_path, kept(aaaaaaaa="no start", bbbbbbbb="lamps", cccccccc="dead"))
    made = publish_to(tmp_path, kept(aaaaaaaa="no start", bbbbbbbb="lamps and a chime", dddddddd="new"))
    told = {change.case_id: change.changed for change in made.changes}
    assert told == {"bbbbbbbb": Changed.REVISED, "cccccccc": Changed.WITHDRAWN, "dddddddd": Changed.NEW}
    assert {change.case_id for change in read_changes(open_frozen(made.path))} == set(told)


@pytest.mark.slow
def test_a_withdrawn_title_is_in_no_page_and_no_table_of_the_next_edition(kept, tmp_path):
    """It may be what the case was withdrawn for: who has read it knows the ID."""
    publish_to(tmp_path, kept(aaaaaaaa="no start", bbbbbbbb="rang Mrs Oddleif, 0151 23456789"))
    made = publish_to(tmp_path, kept(aaaaaaaa="no start"))
    assert [change.title for change in made.changes] == ["Rang Mrs Oddleif, 0151 23456789"]
    assert b"Oddleif" not in made.path.read_bytes()
    assert [change.title for change in read_changes(open_frozen(made.path))] == [""]


def test_what_stays_inside_does_not_make_an_edition(kept, tmp_path, make_case):
    """A changed concern changes nothing that anybody would see."""
    publish_to(tmp_path, kept(aaaaaaaa="no start"))
    other = StoredRecord(
        "aaaaaaaa", 2, "2026-11-26", make_case(symptoms=["no start"], concern="the customer rang again")
    )
    with pytest.raises(EditionError, match="nothing changed since edition 1"):
        publish_to(tmp_path, [other])
    assert numbers_in(tmp_path) == [1]


@pytest.mark.slow
def test_same_records_give_the_same_bytes_whatever_the_library(kept, tmp_path):
    """Two libraries logged them at different times."""
    records = kept(aaaaaaaa="no start", bbbbbbbb="lamps")
    later = [
        StoredRecord(one.case_id, one.revision, "2027-01-01T00:00:00+00:00", one.case) for one in records
    ]
    one, other = publish_to(tmp_path / "one", records), publish_to(tmp_path / "other", later[::-1])
    assert one.path.read_bytes() == other.path.read_bytes()
    assert one.sha256 == other.sha256 == hashlib.sha256(one.path.read_bytes()).hexdigest()


def test_sha256sum_checks_the_edition(kept, tmp_path):
    """The line beside the file is what GNU coreutils reads."""
    made = publish_to(tmp_path, kept(aaaaaaaa="no start"))
    done = subprocess.run(
        ["sha256sum", "-c", f"{made.path.name}.sha256"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout == f"{made.path.name}: OK\n"


@pytest.mark.slow
def test_an_earlier_edition_can_be_shown_again(kept, tmp_path):
    """Nothing is lost; the line that says which one is shown moves."""
    first = publish_to(tmp_path, kept(aaaaaaaa="no start"))
    second = publish_to(tmp_path, kept(aaaaaaaa="no start", bbbbbbbb="lamps"))
    assert shown_path(tmp_path) == second.path
    show_edition(tmp_path, 1)
    assert shown_path(tmp_path) == first.path
    assert [(one.number, one.is_shown, one.records) for one in editions_in(tmp_path)] == [
        (2, False, 2),
        (1, True, 1),
    ]
    with pytest.raises(EditionError, match="no edition 7: expected one of 1, 2"):
        show_edition(tmp_path, 7)


def test_a_failed_publication_leaves_the_edition_before(kept, tmp_path, monkeypatch):
    """No half file, no number used up."""
    first = publish_to(tmp_path, kept(aaaaaaaa="no start"))
    there = sorted(path.name for path in tmp_path.iterdir())

    def full(*_):
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr("casebase.publish.frozen.write_derived", full)
    with pytest.raises(EditionError, match="cannot be written"):
        publish_to(tmp_path, kept(aaaaaaaa="no start", bbbbbbbb="lamps"))
    assert sorted(path.name for path in tmp_path.iterdir()) == there
    assert shown_path(tmp_path) == first.path


def test_nothing_read_and_agreed_is_said(tmp_path):
    """An empty edition would help nobody, and would take the cases away from who reads them."""
    with pytest.raises(EditionError, match="no record is agreed to"):
        publish_to(tmp_path, [])
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
def test_an_edition_that_was_not_finished_does_not_count(kept, tmp_path):
    """Killed before its SHA-256 was written: its number is used again, its file is gone."""
    made = publish_to(tmp_path, kept(aaaaaaaa="no start"))
    (tmp_path / "edition-2.db").write_bytes(made.path.read_bytes())
    second = publish_to(tmp_path, kept(aaaaaaaa="no start", bbbbbbbb="lamps"))
    assert second.number == 2
    assert counted(second.changes) == {"new": 1}


@pytest.mark.slow
def test_publishing_the_same_again_shows_the_last_edition(kept, tmp_path):
    """After going back, or killed before it was shown."""
    publish_to(tmp_path, kept(aaaaaaaa="no start"))
    publish_to(tmp_path, kept(aaaaaaaa="no start", bbbbbbbb="lamps"))
    show_edition(tmp_path, 1)
    again = publish_to(tmp_path, kept(aaaaaaaa="no start", bbbbbbbb="lamps"))
    assert again.number == 2
    assert shown_path(tmp_path) == again.path
    assert numbers_in(tmp_path) == [1, 2]


def test_a_folder_without_editions_is_told(tmp_path):
    """What to do stands in the sentence."""
    with pytest.raises(EditionError, match="casebase publish"):
        shown_path(tmp_path)


def test_handles_may_be_replaced_by_the_shops_initials(make_case):
    """`tova` of Verkstad Nordlia becomes VN."""
    kept = StoredRecord(
        "aaaaaaaa", 1, "", make_case(provenance={"author": "tova", "shop": "Verkstad Nordlia"})
    )
    assert with_initials(kept).case.provenance.author == "VN"
    alone = StoredRecord("aaaaaaaa", 1, "", make_case(provenance={"author": "tova"}))
    assert with_initials(alone).case.provenance.author is None


def test_records_with_initials_are_changed_one_by_one(make_case):
    """Of a hundred thousand none is held that nobody looks at."""
    looked = []

    class Records(list):
        def __iter__(self):
            for one in super().__iter__():
                looked.append(one.case_id)
                yield one

    told = {"author": "tova", "shop": "Verkstad Nordlia"}
    records = RecordsWithInitials(
        Records(StoredRecord(f"{number:08}", 1, "", make_case(provenance=told)) for number in range(4))
    )
    assert len(records) == 4
    first = next(iter(records))
    assert (first.case_id, first.case.provenance.author, looked) == ("00000000", "VN", ["00000000"])
    assert [one.case.provenance.author for one in records] == ["VN"] * 4
    assert records[2].case.provenance.author == records[1:][1].case.provenance.author == "VN"
