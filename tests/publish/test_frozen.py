"""Freezing: one new file of public fields, replaced at once or not at all, and read only."""

import sqlite3

import numpy as np
import pytest

from casebase import places
from casebase.errors import EditionError
from casebase.library.derived import StoredRecord
from casebase.library.matching import Means
from casebase.match.answer.working_out import answer_to
from casebase.match.index.match_index import ATOM_LISTS, COLUMNS
from casebase.publish import frozen as frozen_files
from casebase.publish.edition import Edition, is_frozen, open_frozen
from casebase.publish.frozen import freeze, pack_index, unpack_index

FACTS = {"frozen on": "2026-11-25", "cases from": "a test"}


@pytest.fixture
def kept(make_case):
    """Three records as a library keeps them."""
    cases = [
        make_case(
            symptoms=["no start"], codes=[{"module": "ECM", "code": "U0121-87"}], concern="Olga is cross"
        ),
        make_case(symptoms=["lamps on"], cause={"fault": "low_open"}, concern="Olga again"),
        make_case(
            kind="known good",
            concern=None,
            readings=[
                {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": "60 ohm"}
            ],
        ),
    ]
    return [
        StoredRecord(f"case{place}aaa", 1, "2026-11-25T09:00:00+00:00", case)
        for place, case in enumerate(cases, 1)
    ]


@pytest.fixture
def frozen(kept, tmp_path):
    """The three frozen, without simulated buses or text model."""
    path = tmp_path / "cases.db"
    freeze(kept, path, FACTS, Means())
    return path


@pytest.mark.slow
def test_the_file_tells_what_it_is_and_holds(frozen):
    """Facts, records, and the mark of a frozen file."""
    with open_frozen(frozen) as connection:
        edition = Edition(connection)
        assert is_frozen(frozen)
        assert edition.facts() == FACTS
        assert edition.count() == 3
        assert edition.get("case1aaa").case.symptoms == ["no start"]
        assert edition.found("u0121 start") == ["case1aaa"]


@pytest.mark.slow
def test_private_words_are_not_in_the_bytes_of_the_file(frozen):
    """Nor in its free pages: the file is written new, not emptied."""
    assert b"Olga" not in frozen.read_bytes()


def test_nothing_can_be_written_through_it(frozen):
    """The connection is to an immutable file."""
    with open_frozen(frozen) as connection, pytest.raises(sqlite3.OperationalError, match="readonly"):
        connection.execute("DELETE FROM cases")


def test_same_records_give_the_same_bytes(kept, frozen, tmp_path):
    """In whatever order they come."""
    again = tmp_path / "again.db"
    freeze(kept[::-1], again, FACTS, Means())
    assert again.read_bytes() == frozen.read_bytes()


def test_a_file_that_stands_there_stays_when_freezing_fails(kept, frozen, monkeypatch):
    """A reader sees the old file or the new one."""
    before = frozen.read_bytes()

    def full(*_):
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr("casebase.publish.frozen.pack_index", full)
    with pytest.raises(EditionError, match="cannot be written"):
        freeze(kept[:2], frozen, FACTS, Means())
    assert frozen.read_bytes() == before
    assert [path.name for path in frozen.parent.iterdir()] == [frozen.name]


def test_another_file_is_refused(tmp_path):
    """A library, or anything else, is not a frozen file."""
    path = tmp_path / "other.db"
    sqlite3.connect(path).execute("CREATE TABLE cases (id)").connection.close()
    with pytest.raises(EditionError, match="not a file of frozen records"):
        open_frozen(path)


def test_index_comes_back_as_it_was_packed(frozen, monkeypatch, tmp_path):
    """Arrays, atoms and vectors, also in several pieces."""
    monkeypatch.setattr(frozen_files, "PIECE_BYTES", 7)
    with open_frozen(frozen) as connection:
        index = unpack_index(connection)
    with sqlite3.connect(tmp_path / "pieces.db") as other:
        pack_index(other, index)
        again = unpack_index(other)
    for name in COLUMNS:
        assert np.array_equal(index.arrays[name], again.arrays[name])
    for name in ATOM_LISTS:
        assert index.atoms[name] == again.atoms[name]
    assert np.array_equal(index.vectors, again.vectors)


def test_index_of_another_version_is_not_taken(frozen, monkeypatch):
    """Its arrays would mean something else."""
    monkeypatch.setattr(frozen_files, "INDEX_VERSION", "0.0")
    with open_frozen(frozen) as connection:
        assert unpack_index(connection) is None


@pytest.mark.slow
def test_a_stuck_job_finds_its_case_in_the_frozen_demonstration(demo_cases, demo_jobs, embedder, tmp_path):
    """Posteriors and story vectors lie ready in the file."""
    records = [
        StoredRecord(f"{place:08}", 1, "2026-11-25", case) for place, case in enumerate(demo_cases.values())
    ]
    buses = places.simulation_folder()
    freeze(records, tmp_path / "cases.db", FACTS, Means(buses, embedder))
    with open_frozen(tmp_path / "cases.db") as connection:
        collection = Edition(connection).collection(unpack_index(connection))
        answer = answer_to(demo_jobs["k4-fjellet-abs-silent.yaml"], collection, 1, buses, embedder)
    first = answer.similar[0].match
    assert first.profile.cause is not None
    assert "supply or ground of the module lost (ABS)" in first.profile.cause
    assert first.facets["meaning"].likeness is not None
    assert first.facets["symptoms"].likeness is not None
