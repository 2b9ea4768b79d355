"""A record changed and logged again: the new revision is current, the earlier ones stay."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from casebase.errors import LibraryError
from casebase.library.store import Library, Outcome
from casebase.record.case import Case
from casebase.record.json_form import canonical_json, plain_data, sha256_of
from casebase.record.loading import load_text
from casebase.record.yaml_form import record_yaml

MakeCase = Callable[..., Case]


def test_a_revision_becomes_current_and_keeps_the_earlier_one(library: Library, make_case: MakeCase) -> None:
    """What was known at first can always be looked up again, byte for byte."""
    first = make_case()
    (logged,) = library.log([first])
    (revised,) = library.log([make_case(leftover="Clock still resets.", id=logged.case_id, revision=1)])
    assert (revised.case_id, revised.revision, revised.outcome) == (logged.case_id, 2, Outcome.REVISED)
    assert library.get(logged.case_id).case.leftover == "Clock still resets."
    assert library.get(logged.case_id).revision == 2
    history = library.revisions(logged.case_id)
    assert [(row["revision"], row["json"]) for row in history] == [
        (1, plain_data(first)),
        (2, plain_data(make_case(leftover="Clock still resets."))),
    ]
    assert history[0]["sha256"] == sha256_of(canonical_json(first))
    assert library.count() == 1


def test_only_the_current_revision_is_listed(library: Library, make_case: MakeCase) -> None:
    """A code struck out in the second revision no longer finds the case."""
    (logged,) = library.log([make_case()])
    library.log([make_case(codes=[{"code": "U0100"}], id=logged.case_id, revision=1)])
    assert library.summaries(code="U0121") == []
    assert [row["revision"] for row in library.summaries(code="U0100")] == [2]
    assert library.faults() == []


def test_a_stale_revision_is_refused_and_nothing_is_stored(library: Library, make_case: MakeCase) -> None:
    """Two people edit one case: who comes second is told to start from what the first one wrote."""
    (logged,) = library.log([make_case()])
    library.log([make_case(note="By the first.", id=logged.case_id, revision=1)])
    with pytest.raises(LibraryError, match=r"from revision 1, and revision 2 is kept by now.*casebase edit"):
        library.log([make_case(note="By the second.", id=logged.case_id, revision=1)])
    assert library.get(logged.case_id).case.note == "By the first."
    assert len(library.revisions(logged.case_id)) == 2
    assert library.faults() == []


def test_a_revision_number_from_the_future_is_refused(library: Library, make_case: MakeCase) -> None:
    """A file made from a revision that this library never had belongs to another library."""
    (logged,) = library.log([make_case()])
    with pytest.raises(LibraryError, match="from revision 3"):
        library.log([make_case(note="Elsewhere.", id=logged.case_id, revision=3)])


def test_the_same_revision_twice_in_one_log_is_refused(library: Library, make_case: MakeCase) -> None:
    """Two files that change one case from the same revision cannot both be right."""
    (logged,) = library.log([make_case()])
    both = [make_case(note=note, id=logged.case_id, revision=1) for note in ("One.", "Other.")]
    with pytest.raises(LibraryError, match="from revision 1"):
        library.log(both)
    assert library.get(logged.case_id).revision == 1


def test_an_unchanged_file_makes_no_revision(library: Library, make_case: MakeCase) -> None:
    """Shown as a file and logged again without an edit, a case stays as it is."""
    (logged,) = library.log([make_case()])
    kept = library.get(logged.case_id)
    shown = load_text(record_yaml(kept.case, kept.case_id, kept.revision), "shown.yaml")
    (again,) = library.log(shown)
    assert (again.case_id, again.revision, again.outcome) == (logged.case_id, 1, Outcome.ALREADY_THERE)


def test_an_id_without_a_revision_number_revises_the_current_one(
    library: Library, make_case: MakeCase
) -> None:
    """Who leaves the number out takes the risk of writing over the current revision; none is lost."""
    (logged,) = library.log([make_case()])
    for number in (2, 3):
        (revised,) = library.log([make_case(note=f"Note {number}.", id=logged.case_id)])
        assert revised.revision == number
    assert len(library.revisions(logged.case_id)) == 3


def test_going_back_to_an_earlier_text_is_a_revision_too(library: Library, make_case: MakeCase) -> None:
    """What was struck out may turn out to be right: the third revision equals the first."""
    (logged,) = library.log([make_case()])
    library.log([make_case(note="A wrong turn.", id=logged.case_id, revision=1)])
    (back,) = library.log([make_case(id=logged.case_id, revision=2)])
    assert (back.revision, back.outcome) == (3, Outcome.REVISED)
    shas = [row["sha256"] for row in library.revisions(logged.case_id)]
    assert shas[0] == shas[2] != shas[1]


def test_an_earlier_revision_logged_as_a_new_record_is_known(library: Library, make_case: MakeCase) -> None:
    """The old file, logged again without its ID, is not taken for another case."""
    (logged,) = library.log([make_case()])
    library.log([make_case(note="Changed.", id=logged.case_id, revision=1)])
    (again,) = library.log([make_case()])
    assert (again.case_id, again.outcome) == (logged.case_id, Outcome.ALREADY_THERE)


def test_a_case_of_another_library_keeps_its_id(
    tmp_path: Path, library: Library, make_case: MakeCase
) -> None:
    """A file shown by one shop and logged by another is the same case in both."""
    (logged,) = library.log([make_case()])
    library.log([make_case(note="Second.", id=logged.case_id, revision=1)])
    kept = library.get(logged.case_id)
    with Library.create(tmp_path / "other.db") as other:
        (there,) = other.log([kept.case.model_copy(update={"id": kept.case_id, "revision": kept.revision})])
        assert (there.case_id, there.outcome) == (logged.case_id, Outcome.NEW)
        assert other.get(logged.case_id).case == kept.case
        assert other.faults() == []
