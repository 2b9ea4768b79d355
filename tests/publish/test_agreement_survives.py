"""An edition holds what was agreed to: before and after an edit, a photo, a removal, an import."""

import sys
from pathlib import Path

import pytest

from casebase.errors import LibraryError
from casebase.library.attachments import attach
from casebase.library.authorship import Authorship, Made
from casebase.library.matching import Means
from casebase.library.mending import bring_back, remove, take_back
from casebase.library.reviews import Said, say, standings
from casebase.library.store import Library
from casebase.publish.bundle import export_bundle
from casebase.publish.bundle_checks import checked_bundle
from casebase.publish.public_fields import public_case
from casebase.publish.publication import Imprint, counted, leaving, newer_than_agreed, publish
from casebase.publish.taking_in import Became, take_in

sys.path.insert(0, str(Path(__file__).parents[1] / "library"))

from pictures_given import jpeg_of_a_telephone

pytestmark = pytest.mark.slow

TOLD = {
    "cause": {"fault": "low_open", "proof": "seen"},
    "provenance": {"ended": "2026-11-20", "author": "tova"},
}


@pytest.fixture
def library(tmp_path, make_case):
    """Three cases of tova's, agreed to by ingrid, and an edition of them."""
    with Library.create(tmp_path / "shop.db") as made:
        for one in made.log([make_case(symptoms=[text], **TOLD) for text in ("no start", "lamps", "chimes")]):
            say(made, one.case_id, Said.AGREED, "ingrid")
        edition(made)
        yield made


def edition(library):
    """Publish and return the edition."""
    folder = library.path.with_name("editions")
    return publish(library.read_and_agreed(), folder, Imprint("2026-11-25", "ingrid"), Means())


def next_counts(library):
    """Return how many cases the next edition holds, and how many of the last one it would not."""
    records = library.read_and_agreed()
    return len(records), len(leaving(library, library.path.with_name("editions"), records))


def edited(library, case_id, **changes):
    """Change fields of a case as its author does."""
    kept = library.get(case_id)
    case = kept.case.model_copy(update={"id": case_id, "revision": kept.revision, **changes})
    return library.log([case], Authorship(Made.EDITED, "tova"))[0]


def first(library):
    """Return the ID of one of the cases."""
    return library.summaries(find="chimes")[0]["id"]


def test_an_edit_takes_nothing_out_of_the_edition(library):
    """Three before, three after; the edit goes out once it is agreed to."""
    case_id = first(library)
    edited(library, case_id, leftover="radio code lost")
    assert next_counts(library) == (3, 0)
    (newer,) = newer_than_agreed(library)
    assert (newer.kept.revision, newer.standing.agreed, newer.standing.said) == (2, 1, Said.WAITS)
    assert [one.words() for one in newer.differences] == ["leftover: added radio code lost"]
    say(library, case_id, Said.AGREED, "ingrid")
    assert counted(edition(library).changes) == {"revised": 1}
    assert newer_than_agreed(library) == []


def test_a_photo_takes_nothing_out_of_the_edition(library, tmp_path):
    """And goes into it when the lead has looked at it."""
    (tmp_path / "splice.jpg").write_bytes(jpeg_of_a_telephone())
    attach(library, first(library), [tmp_path / "splice.jpg"], for_others=True, by="tova")
    assert next_counts(library) == (3, 0)
    assert not any(one.case.attachments for one in library.read_and_agreed())
    say(library, first(library), Said.AGREED, "ingrid")
    assert sum(len(one.case.attachments) for one in library.read_and_agreed()) == 1


def test_an_import_takes_nothing_out_of_the_edition(library, tmp_path, make_case):
    """Another shop edits our case and sends it back: theirs waits, ours stays published."""
    export_bundle(library, library.read_and_agreed(), tmp_path / "north.zip", "North", "2026-11-25")
    with Library.create(tmp_path / "south.db") as south:
        take_in(south, checked_bundle(tmp_path / "north.zip", public_case))
        edited(south, first(library), leftover="seen here too")
        export_bundle(south, south.records(), tmp_path / "south.zip", "South", "2026-11-26")
    came = take_in(library, checked_bundle(tmp_path / "south.zip", public_case))
    assert len(came.of(Became.REVISED)) == 1
    assert library.get(first(library)).case.leftover == "seen here too"
    assert next_counts(library) == (3, 0)
    assert library.revisions(first(library))[-1]["by"] == "South"


def test_what_its_author_removes_leaves_the_edition_and_comes_back(library):
    """Counted and named with its reason; brought back, it needs no second agreement."""
    case_id = first(library)
    remove(library, case_id, "tova", "told twice")
    folder, records = library.path.with_name("editions"), library.read_and_agreed()
    (gone,) = leaving(library, folder, records)
    assert gone.case_id == case_id
    assert gone.why.startswith("removed by tova on ")
    assert gone.why.endswith(": told twice")
    assert counted(edition(library).changes) == {"withdrawn": 1}
    bring_back(library, case_id, "tova")
    assert counted(edition(library).changes) == {"new": 1}


@pytest.mark.parametrize(("said", "remark"), [(Said.WITHDRAWN, "wrong vehicle"), (Said.INSIDE, None)])
def test_what_the_lead_takes_out_leaves_whichever_revision_was_agreed(library, said, remark):
    """Also where it is said of a later revision."""
    edited(library, first(library), leftover="radio code lost")
    say(library, first(library), said, "ingrid", remark)
    assert next_counts(library) == (2, 1)


def test_a_later_revision_that_is_returned_leaves_the_agreed_one(library):
    """The author has work to do; what was agreed to holds."""
    edited(library, first(library), leftover="?")
    say(library, first(library), Said.RETURNED, "ingrid", "what is left over?")
    assert next_counts(library) == (3, 0)
    edited(library, first(library), leftover="radio code")
    assert next_counts(library) == (3, 0)


def test_an_agreement_that_is_taken_back_falls_to_the_one_before(library):
    """Returned after all: the last word on a revision counts, and the earlier agreed one is published again."""
    edited(library, first(library), leftover="radio code lost")
    say(library, first(library), Said.AGREED, "ingrid")
    say(library, first(library), Said.RETURNED, "ingrid", "which code?")
    assert {one.revision for one in library.read_and_agreed()} == {1}
    assert next_counts(library) == (3, 0)


def test_withdrawn_and_then_returned_is_not_published_again(library):
    """A word on what is to be done brings nothing back that was taken out."""
    edited(library, first(library), leftover="radio code lost")
    say(library, first(library), Said.WITHDRAWN, "ingrid", "the customer asked for it")
    say(library, first(library), Said.RETURNED, "ingrid", "leave his name out")
    edited(library, first(library), leftover=None)
    assert next_counts(library) == (2, 1)


def test_what_is_taken_back_stands_as_it_did(library):
    """The text that was agreed to stands there again: nobody reads it twice."""
    case_id = first(library)
    edited(library, case_id, leftover="radio code lost")
    take_back(library, case_id, "tova")
    kept = library.get(case_id)
    with library.reading() as db:
        standing = standings(db, [kept])[case_id]
    assert (kept.revision, standing.said, standing.agreed) == (3, Said.AGREED, 3)
    with pytest.raises(Exception, match="nothing changed since edition 1"):
        edition(library)


def test_a_withdrawn_text_does_not_come_back_by_taking_back(library):
    """The last word on that text was that it does not go out."""
    case_id = first(library)
    say(library, case_id, Said.WITHDRAWN, "ingrid", "wrong vehicle")
    edited(library, case_id, leftover="radio code lost")
    take_back(library, case_id, "tova")
    assert next_counts(library) == (2, 1)


def test_a_case_that_others_were_merged_into_is_not_removed(library, make_case):
    """What they told would be nowhere."""
    (again,) = library.log([make_case(symptoms=["told again"], **TOLD)])
    say(library, again.case_id, Said.MERGED, "ingrid", other=first(library))
    with pytest.raises(LibraryError, match="was merged into it"):
        remove(library, first(library), "tova")


def test_what_a_file_says_counts_until_a_later_revision(tmp_path, make_case):
    """A record that came with `read and agreed` stays published when it is edited."""
    with Library.create(tmp_path / "files.db") as library:
        (one,) = library.log([make_case(review={"state": "read and agreed", "by": "tova"}, **TOLD)])
        edited(library, one.case_id, note="more", review=make_case().review)
        assert [kept.revision for kept in library.read_and_agreed()] == [1]
        say(library, one.case_id, Said.RETURNED, "ingrid", "which?")
        assert [kept.revision for kept in library.read_and_agreed()] == [1]
