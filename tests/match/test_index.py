"""The index says of every case exactly what comparing two records says, and finds exactly the nearest."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebase.match.facets.measure import FACETS, FAULTS, HEALTHY, WEIGHTS, faults_by
from casebase.match.index import query as asking
from casebase.match.index import search as ranking_by_index
from casebase.match.index.building import IndexBuilder, extended
from casebase.match.index.collection import fault_rows
from casebase.match.index.match_index import READINGS, SET_PARTS, STORY, SUPERSEDED
from casebase.match.index.query import Query, facet_answers
from casebase.match.index.search import first_of, nearest, order_of
from casebase.record.vocabulary import Status
from tests.match.in_memory import collection_of, index_of, rarity_in
from tests.match.varied_profiles import DIMENSIONS, varied

JOBS = 25


@pytest.fixture(scope="module")
def many(profiles):
    """A few hundred profiles."""
    return varied(profiles, 400, seed=4)


@pytest.fixture(scope="module")
def jobs(profiles):
    """Other profiles, to be compared with them."""
    return varied(profiles, JOBS, seed=5)


@pytest.fixture(scope="module")
def cases(many):
    """The profiles as a collection."""
    return collection_of(many, "a model", DIMENSIONS)


def test_the_profiles_compared_here_have_pictures_with_numbers(many, jobs):
    """Pictures of a scope with levels on both sides are among what follows, and so are those without."""
    pictures = [
        reading for one in (*many, *jobs) for reading in one.readings if reading.quantity == "waveform"
    ]
    with_numbers = sum(bool(reading.measured) for reading in pictures)
    assert with_numbers > 100
    assert len(pictures) - with_numbers > 30


@pytest.mark.slow
@pytest.mark.parametrize("measure", [FAULTS, HEALTHY], ids=["faults", "healthy"])
def test_all_at_once_is_one_by_one(cases, many, jobs, measure):
    """The score of every row is that of the two records compared facet by facet in plain Python."""
    rows = np.arange(len(many))
    pasts = cases.profiles(rows)
    for job in jobs:
        scores = Query(cases.index, job, measure).scores(rows)
        one_by_one = [measure.match(job, past, cases.index.rarity).score for past in pasts]
        assert scores == pytest.approx(one_by_one, abs=1e-9)


@pytest.mark.slow
def test_facets_all_at_once_are_the_facets_one_by_one(cases, many, jobs):
    """Each facet by itself agrees, in likeness and in how much was known."""
    rows = np.arange(len(many))
    pasts = cases.profiles(rows)
    for job in jobs[:5]:
        answers = facet_answers(Query(cases.index, job, FAULTS), rows)
        for row, past in zip(rows, pasts, strict=True):
            for name, compared in FAULTS.compared(job, past, cases.index.rarity).items():
                if compared.likeness is None:
                    assert name not in answers or answers[name][1][row] == 0
                else:
                    assert answers[name][0][row] == pytest.approx(compared.likeness, abs=1e-9)
                    assert answers[name][1][row] == pytest.approx(compared.known, abs=1e-9)


def exactly_first(query, allowed, most):
    """Return the first rows by reckoning every row in double precision."""
    rows = np.flatnonzero(allowed)
    scores = query.scores(rows)
    order = order_of(scores, query.index.statuses[rows], rows)[:most]
    return rows[order].tolist(), scores[order]


@pytest.mark.slow
@pytest.mark.parametrize("chunk", [32, 1 << 16])
@pytest.mark.parametrize("first_settled", [1, 7, 256])
def test_bounds_leave_out_nobody(cases, jobs, monkeypatch, chunk, first_settled):
    """The first ten are those of all rows reckoned one and all, in the same order, with the same scores."""
    monkeypatch.setattr(ranking_by_index, "CHUNK", chunk)
    monkeypatch.setattr(ranking_by_index, "FIRST_SETTLED", first_settled)
    _check_first_ten(cases, jobs)


def _check_first_ten(cases, jobs):
    allowed = fault_rows(cases.index)
    for job in jobs:
        query = Query(cases.index, job, FAULTS)
        found = first_of(query, allowed, 10)
        rows, scores = exactly_first(query, allowed, 10)
        assert found.rows.tolist() == rows
        assert found.scores == pytest.approx(scores, abs=1e-12)


@pytest.fixture
def without_tables(monkeypatch):
    """Compare as in a library of a million, where sets are too many for tables; read every story in passing."""
    for name in ("SMALL_TABLE", "TABLE_SHARE", "READ_ALL_ABOVE"):
        monkeypatch.setattr(asking, name, 0)


@pytest.mark.slow
@pytest.mark.parametrize("first_settled", [1, 7, 256])
def test_rough_bounds_leave_out_nobody(cases, jobs, monkeypatch, without_tables, first_settled):
    """The first ten are the same where parts are bounded by a rough look instead of a table."""
    monkeypatch.setattr(ranking_by_index, "FIRST_SETTLED", first_settled)
    _check_first_ten(cases, jobs)


@pytest.mark.slow
@pytest.mark.parametrize("part", ["readings", "story", "codes"])
def test_no_case_comes_to_more_than_its_part_can(cases, jobs, without_tables, part):
    """What a part can come to at most, seen roughly, is never less than what it comes to."""
    rows = np.arange(len(cases.index))
    for job in jobs:
        for asked in Query(cases.index, job, FAULTS).parts:
            if asked.name == part:
                most, found = asked.at_most(rows), asked.sums(rows)
                assert np.all(most.imag >= found.imag - 1e-12)
                assert np.all(most.real >= found.real - 1e-12)


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(
    weights=st.lists(st.floats(0, 1), min_size=len(WEIGHTS), max_size=len(WEIGHTS)).filter(
        lambda w: sum(w) > 0.1
    ),
    most=st.integers(1, 30),
    job=st.integers(0, JOBS - 1),
)
def test_bounds_hold_for_any_weights(cases, jobs, weights, most, job):
    """Whatever the facets weigh, none of the first rows is missed."""
    measure = faults_by(dict(zip(WEIGHTS, (weight / sum(weights) for weight in weights), strict=True)))
    query, allowed = Query(cases.index, jobs[job], measure), fault_rows(cases.index)
    assert first_of(query, allowed, most).rows.tolist() == exactly_first(query, allowed, most)[0]


def test_rarities_are_counts_over_the_known_cases(cases, many):
    """What the arrays count is what counting profile by profile gives; open jobs are not counted."""
    by_profile = rarity_in(profile for profile in many if profile.status != Status.OPEN)
    counted = {trait: count for trait, count in cases.index.rarity.counts.items() if count}
    assert cases.index.rarity.cases == by_profile.cases
    assert counted == dict(by_profile.counts)


@pytest.mark.slow
def test_an_index_that_grew_is_one_that_was_built(many, jobs):
    """Adding cases in three goes gives the same scores as building from all of them."""
    whole = index_of(many, "a model", DIMENSIONS)
    grown = index_of(many[:150], "a model", DIMENSIONS)
    for begin, end in ((150, 151), (151, 400)):
        builder = IndexBuilder(grown)
        for number in range(begin, end):
            builder.add(number, many[number])
        grown = extended(grown, builder.finished())
    rows = np.arange(len(many))
    for job in jobs[:5]:
        at_once, in_goes = (Query(index, job, FAULTS).scores(rows) for index in (whole, grown))
        assert in_goes == pytest.approx(at_once, abs=1e-12)


def test_a_revised_case_stands_once(many, jobs):
    """A new revision takes the place of the old one, which is neither found nor counted any more."""
    index = index_of(many[:50], "a model", DIMENSIONS)
    builder = IndexBuilder(index)
    builder.add(50, many[7], supersedes=[7])
    builder.add(51, many[8], supersedes=[8, 50])
    revised = extended(index, builder.finished())
    gone = np.flatnonzero(revised.statuses == SUPERSEDED).tolist()
    assert gone == [7, 8, 50]
    found = first_of(Query(revised, jobs[0], FAULTS), fault_rows(revised), 52)
    assert not set(found.rows.tolist()) & set(gone)


def test_nothing_is_found_in_an_empty_collection(jobs):
    """A library without a case answers with nothing."""
    assert nearest(jobs[0], collection_of([]), 5).matches == []


def test_a_job_that_tells_nothing_finds_nothing_wrong(make_case, cases, jobs):
    """A job of which only the vehicle is known is answered by vehicle; its scores stay within 0..1."""
    bare = replace(
        jobs[0], codes=(), readings=(), silent={}, answering=(), lamps=(), conditions=(), networks=()
    )
    bare = replace(bare, meaning={}, host=None, vector=None)
    matches = nearest(bare, cases, 5).matches
    assert [match.facets["vehicle"].likeness for match in matches] == sorted(
        (match.facets["vehicle"].likeness for match in matches), reverse=True
    )
    assert all(0 <= match.score <= 1 for match in matches)


def test_the_parts_of_every_facet_make_the_whole_of_it():
    """A facet left out of the index, or a share that does not add up, would leave part of a score uncompared."""
    shares = dict.fromkeys(FACETS, 0.0)
    for part in SET_PARTS:
        shares[part.facet] += part.share
    for _, facet, share in (READINGS, STORY):
        shares[facet] += share
    assert shares == pytest.approx(dict.fromkeys(FACETS, 1.0))
