"""A record's life: its last revision taken back by who made it, the record removed and brought back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from casebase.errors import LibraryError
from casebase.library.authorship import Authorship, Made
from casebase.library.mending import bring_back, remove, take_back
from casebase.library.store import Library, Outcome
from casebase.match.index.search import nearest
from casebase.match.profile import Profile
from casebase.match.profile_of_case import profile_of
from casebase.record.case import Case

MakeCase = Callable[..., Case]


@pytest.fixture
def case_id(library: Library, make_case: MakeCase) -> str:
    """A case of tova's in three revisions, the notes One, Two and Three."""
    told = {"provenance": {"author": "tova", "ended": "2026-11-20"}}
    (logged,) = library.log([make_case(note="One.", **told)])
    for note in ("Two.", "Three."):
        library.log([make_case(note=note, id=logged.case_id, **told)], Authorship(Made.EDITED, "tova"))
    return logged.case_id


def note(library: Library, case_id: str) -> str | None:
    """Return the note of a case."""
    return library.get(case_id).case.note


def test_the_last_revision_is_taken_back_by_one_more(library: Library, case_id: str) -> None:
    """Nothing goes: the text before stands there as revision 4, by whom is known, and the tables follow."""
    kept = take_back(library, case_id, "tova")
    assert (kept.revision, kept.case.note) == (4, "Two.")
    told = [(row["revision"], row["made"], row["by"], row["text_of"]) for row in library.revisions(case_id)]
    assert told[1:] == [
        (2, "edited", "tova", None),
        (3, "edited", "tova", None),
        (4, "taken back", "tova", 2),
    ]
    assert library.faults() == []
    assert [row["revision"] for row in library.summaries()] == [4]


def test_taking_back_goes_on_to_the_first_revision(library: Library, case_id: str) -> None:
    """Each time one revision further; before the first there is nothing."""
    take_back(library, case_id, "tova")
    take_back(library, case_id, "tova")
    assert note(library, case_id) == "One."
    with pytest.raises(LibraryError, match=r"nothing before this revision.*casebase remove"):
        take_back(library, case_id, "tova")


def test_what_was_taken_back_can_be_had_again(library: Library, case_id: str) -> None:
    """By the number of its revision."""
    take_back(library, case_id, "tova")
    assert take_back(library, case_id, "tova", to=3).case.note == "Three."
    for there_is_none in (0, 5, 9):
        with pytest.raises(LibraryError, match="expected 1 to 4"):
            take_back(library, case_id, "tova", to=there_is_none)


def test_only_who_made_a_revision_takes_it_back(library: Library, case_id: str) -> None:
    """Another's work stays, and so does one's own below it; capitals of a handle do not matter."""
    with pytest.raises(LibraryError, match=r"revision 3 is tova's.*casebase edit"):
        take_back(library, case_id, "bo")
    with pytest.raises(LibraryError, match="say who you are"):
        take_back(library, case_id, " ")
    assert take_back(library, case_id, "Tova").revision == 4


@pytest.mark.slow
def test_a_removed_case_is_in_no_list_no_ranking_and_no_search(library: Library, case_id: str) -> None:
    """And is found by its ID alone, whole."""
    job = profile_of(library.get(case_id).case.model_copy(update={"cause": None}), "")
    (other,) = library.log([library.get(case_id).case.model_copy(update={"note": "Another one."})])
    assert ranked(library, job) == {case_id, other.case_id}
    remove(library, case_id, "tova", "told twice")
    assert [row["id"] for row in library.summaries()] == [other.case_id]
    assert library.summaries(find="Three") == []
    assert [kept.case_id for kept in library.records()] == [other.case_id]
    assert ranked(library, job) == {other.case_id}
    assert library.get(case_id).case.note == "Three."
    assert library.faults() == []


def ranked(library: Library, job: Profile) -> set[str]:
    """Return the IDs of the fault cases most like a job."""
    return {match.profile.case_id for match in nearest(job, library.collection()).matches}


def test_a_removed_case_stays_removed_through_a_rebuild(library: Library, case_id: str) -> None:
    """It is the records that tell it, not the tables."""
    remove(library, case_id, "tova")
    assert library.rebuild() == 0
    assert library.faults() == []


def test_a_row_of_a_removed_case_is_named(library: Library, case_id: str) -> None:
    """The tables hold what is there, and nothing else."""
    remove(library, case_id, "tova")
    library._db.execute("INSERT INTO steps (case_id, position, did) VALUES (?, 0, 'x')", [case_id])
    assert any("not in step with its record: steps" in fault for fault in library.faults())


def test_a_removed_case_comes_back_as_it_was(library: Library, case_id: str) -> None:
    """By bringing it back, or by taking the removal back; the same files logged again are known meanwhile."""
    before = library.get(case_id).case
    remove(library, case_id, "tova")
    with pytest.raises(LibraryError, match="was removed: bring it back with casebase remove"):
        library.log([before])
    bring_back(library, case_id, "bo")
    remove(library, case_id, "tova")
    take_back(library, case_id, "tova")
    assert library.get(case_id).case == before
    assert [row["made"] for row in library.revisions(case_id)][3:] == [
        "removed", "brought back", "removed", "brought back",
    ]  # fmt: skip
    assert library.log([before])[0].outcome is Outcome.ALREADY_THERE
    assert library.faults() == []


def test_what_makes_no_sense_is_refused(library: Library, case_id: str) -> None:
    """Removing another's record, or one that is removed; bringing one back that is there."""
    with pytest.raises(LibraryError, match=r"tova wrote it.*--withdraw"):
        remove(library, case_id, "bo")
    with pytest.raises(LibraryError, match="was not removed"):
        bring_back(library, case_id, "bo")
    remove(library, case_id, "tova")
    with pytest.raises(LibraryError, match="removed already"):
        remove(library, case_id, "tova")


def test_two_who_take_back_at_once_do_not_both(tmp_path: Path, make_case: MakeCase) -> None:
    """Two open libraries: an edit from the revision that was taken back is told."""
    with Library.create(tmp_path / "shop.db") as one, Library.open(tmp_path / "shop.db") as other:
        (logged,) = one.log([make_case(note="One.")])
        one.log([make_case(note="Two.", id=logged.case_id)])
        take_back(other, logged.case_id, "tova")
        with pytest.raises(LibraryError, match="revision 3 is kept by now"):
            one.log([make_case(note="Three.", id=logged.case_id, revision=2)])
