"""The library's match index: beside the file, always as the records are, never in the way."""

import os
from dataclasses import dataclass

import numpy as np
import pytest

from casebase.library.matching import Means, index_folder
from casebase.library.store import Library
from casebase.match.index.files import read_index
from casebase.match.index.match_index import SUPERSEDED
from casebase.match.index.search import nearest
from casebase.match.profile_of_case import profile_of

pytestmark = pytest.mark.slow


@dataclass
class CountingEmbedder:
    """Gives every text a vector of its letters, and counts how many texts it was given."""

    identity: str = "letters"
    dimensions: int = 26
    given: int = 0

    def vectors(self, texts):
        """Return counts of letters as unit vectors."""
        self.given += len(texts)
        counts = np.array(
            [[text.casefold().count(letter) for letter in "abcdefghijklmnopqrstuvwxyz"] for text in texts]
        )
        lengths = np.linalg.norm(counts, axis=1, keepdims=True)
        return (counts / np.where(lengths, lengths, 1)).astype(np.float32)


@pytest.fixture
def shop(tmp_path, demo_cases):
    """A library of the demo records."""
    with Library.create(tmp_path / "shop.db") as library:
        library.log(demo_cases)
        yield library


@pytest.fixture
def a_job(make_case):
    """A stuck job."""
    return make_case(concern="ABS lamp on after rain, speedometer dead")


def order(library, job, means=None):
    """Return the case IDs nearest to a job."""
    ranking = nearest(profile_of(job, "job"), library.collection(means), 10)
    return [match.profile.case_id for match in ranking.matches]


def test_the_index_is_kept_and_read_again(shop, a_job):
    """A second question does no work twice, and has the same answer."""
    embedder = CountingEmbedder()
    first = order(shop, a_job, Means(embedder=embedder))
    assert embedder.given == shop.count()
    assert order(shop, a_job, Means(embedder=embedder)) == first
    assert embedder.given == shop.count()


def test_only_what_is_new_is_added(shop, make_case):
    """One case logged later is one case added."""
    embedder = CountingEmbedder()
    shop.collection(Means(embedder=embedder))
    before = embedder.given
    shop.log([make_case(concern="wipers run by themselves")])
    index = shop.collection(Means(embedder=embedder)).index
    assert embedder.given == before + 1
    assert len(index) == shop.count()


def test_a_revised_case_is_compared_as_it_stands_now(shop, make_case):
    """After a revision the case is found by what it says now, once."""
    logged = shop.log([make_case(concern="x", codes=[{"module": "ABS", "code": "U0121"}])])[0]
    shop.collection()
    kept = shop.get(logged.case_id)
    told = kept.case.model_copy(update={"id": logged.case_id, "concern": "wipers run", "revision": 1})
    shop.log([told])
    collection = shop.collection()
    rows = collection.rows_of_case(logged.case_id)
    standing = rows[collection.index.statuses[rows] != SUPERSEDED]
    assert len(rows) == 2
    assert [profile.story for profile in collection.profiles(standing)] == ["wipers run"]


def test_a_library_restored_from_an_older_copy_gets_an_index_of_its_own(tmp_path, shop, make_case):
    """The index beside the file must be of the records in it, whatever was copied there."""
    shop.collection()
    folder = index_folder(shop.path)
    with Library.create(tmp_path / "other.db") as other:
        other.log([make_case(concern="wipers")])
        os.rename(folder, index_folder(other.path))
        assert len(other.collection().index) == 1


def test_a_model_that_was_not_at_hand_is_made_up_for(shop):
    """Stories added while there was no text model get their vectors when there is one."""
    without = shop.collection().index
    assert not without.vectors.any()
    embedder = CountingEmbedder()
    assert shop.collection(Means(embedder=embedder)).index.vectors.any()
    # And without a model at hand, the vectors that are there stay.
    assert shop.collection().index.text == "letters"


def test_another_model_makes_other_vectors(shop):
    """Vectors of two models cannot be compared: with another model all are made again."""
    shop.collection(Means(embedder=CountingEmbedder()))
    other = CountingEmbedder(identity="other letters")
    assert shop.collection(Means(embedder=other)).index.text == "other letters"
    assert other.given == shop.count()


def test_a_damaged_index_is_made_again(shop, a_job):
    """A file cut short costs time, not the answer."""
    before = order(shop, a_job)
    path = index_folder(shop.path) / "readings.values.bin"
    path.write_bytes(path.read_bytes()[:10])
    assert order(shop, a_job) == before
    assert read_index(index_folder(shop.path)) is not None


def test_an_index_that_cannot_be_kept_is_made_in_memory(shop, a_job):
    """Where nothing can be written beside the file, the answer is the same."""
    expected = order(shop, a_job)
    folder = index_folder(shop.path)
    for path in folder.iterdir():
        path.unlink()
    folder.rmdir()
    folder.write_text("a file stands where the folder should be")
    assert order(shop, a_job) == expected


def test_weights_kept_for_a_library_are_used_and_forgotten(shop):
    """Fitted weights go with the library; going back removes them."""
    usual = shop.measure().weights
    weights = dict.fromkeys(usual, 1 / len(usual))
    shop.keep_weights(weights)
    assert shop.measure().weights == pytest.approx(weights)
    shop.keep_weights(None)
    assert shop.measure().weights == usual
