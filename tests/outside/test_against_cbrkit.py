"""Set likeness, the weighted mean and a small ranking against cbrkit, version 0.14 (the last for Python 3.11)."""

import os
import sys
from dataclasses import replace
from importlib.util import find_spec

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

if sys.version_info >= (3, 13) or (find_spec("cbrkit") is None and os.environ.get("CI") != "true"):
    pytest.skip("cbrkit 0.14 is not installed; newer Pythons cannot have it", allow_module_level=True)

from cbrkit.retrieval import apply, build
from cbrkit.sim import aggregator, attribute_value
from cbrkit.sim.collections import isolated_mapping, jaccard
from cbrkit.sim.generic import equality

from casebase.match.facets.base import Compared, best_pairing, joined, overlap
from casebase.match.facets.codes import code_relation
from casebase.match.facets.measure import FAULTS, faults_by
from casebase.match.index.search import nearest
from casebase.match.profile import CodeTrait
from casebase.match.profile_of_case import profile_of
from tests.match.in_memory import collection_of

pytestmark = pytest.mark.slow

LAMPS = ("ABS", "airbag", "engine", "steering", "general warning")
SETS = st.sets(st.sampled_from(LAMPS), min_size=1)


def jaccard_index(ours, theirs):
    """Return the Jaccard index out of cbrkit's likeness, which is 1 / (1 + distance), with distance 1 - index."""
    return 2.0 - 1.0 / jaccard()(ours, theirs)


@settings(deadline=None)  # cbrkit imports while it is first used
@given(SETS, SETS)
def test_overlap_of_traits_of_one_weight_is_jaccard(ours, theirs):
    """Lamps of the same rarity are compared as cbrkit's Jaccard function does."""
    assert overlap(ours, theirs, lambda trait: 1.0) == pytest.approx(jaccard_index(ours, theirs))


CODES = st.lists(
    st.builds(
        CodeTrait,
        text=st.sampled_from(["U0121-87", "U0121-00", "U0415", "U0073", "B1000"]),
        base=st.sampled_from(["U0121", "U0415", "U0073"]),
        statement=st.sampled_from(["lost communication", "invalid data", "bus fault", "other"]),
        about=st.sampled_from([None, "anti-lock brakes", "steering"]),
        bus=st.sampled_from([None, "drive"]),
        stored_in=st.sampled_from([None, "engine control", "gateway"]),
    ),
    min_size=1,
    max_size=5,
    unique=True,
)


@settings(deadline=None)
@given(CODES, CODES)
def test_codes_of_one_rarity_are_paired_as_cbrkit_maps_them(ours, theirs):
    """Each code meets its closest relation on the other side; both ways of cbrkit's isolated mapping, in the middle."""
    mapped = isolated_mapping(code_relation)
    both_ways = (mapped(ours, theirs) + mapped(theirs, ours)) / 2
    assert best_pairing(ours, theirs, code_relation, lambda code: 1.0) == pytest.approx(both_ways)


PARTS = st.dictionaries(
    st.sampled_from(["meaning", "readings", "silence", "codes", "vehicle"]), st.floats(0, 1), min_size=1
)


@settings(deadline=None)
@given(PARTS)
def test_the_mean_over_known_parts_is_cbrkits(parts):
    """Parts that are known are pooled as cbrkit's weighted arithmetic mean does; what is unknown is in neither."""
    weights = {"meaning": 0.3, "readings": 0.25, "silence": 0.2, "codes": 0.15, "vehicle": 0.1}
    pooled = aggregator("fmean", weights)(parts)
    unknown = [(weights[name], Compared(None, 0.0)) for name in weights.keys() - parts.keys()]
    known = [(weights[name], Compared(likeness)) for name, likeness in parts.items()]
    assert joined([*known, *unknown]).likeness == pytest.approx(pooled)


@pytest.fixture
def cases(make_case):
    """Cases that differ in lamps and medium only, and so in which cbrkit and the matcher must agree."""
    told = [(LAMPS[:count], medium) for count in (1, 2, 3, 4, 5) for medium in ("LIN", "FlexRay")]
    return [
        replace(
            profile_of(
                make_case(
                    lamps=list(lamps),
                    networks=[{"name": "a", "medium": medium}],
                    provenance={"ended": "2026-01-02"},
                ),
                f"{medium} {len(lamps)}",
            ),
            lamps=lamps,
        )
        for lamps, medium in told
    ]


def test_a_small_ranking_is_cbrkits(cases, make_case):
    """With lamps and the medium alone, of even rarity, the order and the scores are those of cbrkit's retrieval."""
    job = replace(profile_of(make_case(networks=[{"name": "a", "medium": "LIN"}]), "job"), lamps=LAMPS[:3])
    measure = faults_by(dict.fromkeys(FAULTS.weights, 0.0) | {"symptoms": 0.7, "network": 0.3})
    collection = collection_of(cases)
    rarity = collection.index.rarity
    rarity._weights.update({f"lamp {lamp}": 1.0 for lamp in LAMPS})
    ranked = nearest(job, collection, len(cases), faults=measure).matches

    by_id = {past.case_id: {"lamps": set(past.lamps), "medium": past.networks[0].medium} for past in cases}
    likeness = attribute_value(
        attributes={"lamps": jaccard_index, "medium": equality()},
        # Lamps are LAMPS_SHARE of the symptoms, and nothing else of these is known; two media are 0.05 alike, not 0.
        aggregator=aggregator("fmean", {"lamps": 0.7 * 0.2, "medium": 0.3 * 0.7}),
    )
    found = apply(by_id, {"lamps": set(job.lamps), "medium": "LIN"}, build(likeness))
    same_medium = [match.profile.case_id for match in ranked if match.profile.case_id.startswith("LIN")]
    assert same_medium == [key for key in found.ranking if key.startswith("LIN")]
    for match in ranked:
        if match.profile.case_id.startswith("LIN"):
            assert match.score / match.tempering == pytest.approx(
                found.similarities[match.profile.case_id].value
            )
