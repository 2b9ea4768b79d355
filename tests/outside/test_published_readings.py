"""What others published about readings, put to casebase: their answer is among ours, and never contradicted.

The sets and their sources are in `published_readings.py`. A source that says "120 ohm: one terminator only" is met when
`terminator_missing` stands in the 90 % set, no clash is said, and its share is not next to nothing.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from published_readings import PUBLISHED, Published

from casebase import places
from casebase.bus.bare_module import Bare
from casebase.bus.diagnose import Diagnosis, diagnose
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState, Fault, Medium

pytestmark = pytest.mark.slow

CONTRADICTED_BELOW = 0.02


def put(published: Published) -> Diagnosis:
    """Return what casebase says of a set."""
    readings = [Reading.model_validate(keys) for keys in published.readings]
    return diagnose(readings, Medium(published.medium), cache=places.simulation_folder())


def states_said(found: Diagnosis) -> set[str]:
    """Return the states in the 90 % set, and what is said of a module's inside, by the words of the vocabulary."""
    bare = found.interpreted.bare_modules
    if bare:
        return {
            "module_internal" if each.meaning in (Bare.SHORTED, Bare.OPEN) else "healthy" for each in bare
        }
    return {str(state) for state in found.credible()}


def shares(found: Diagnosis) -> dict[str, float]:
    """Return the probability of each state."""
    return {str(state): share for state, share in found.ranked()}


def each(*, loose: bool) -> list[object]:
    """Return the sets as parameters."""
    return [
        pytest.param(published, id=published.name)
        for published in PUBLISHED
        if bool(published.loose) == loose
    ]


@pytest.mark.parametrize("published", each(loose=False))
def test_the_published_meaning_is_in_the_90_percent_set(published):
    """A plain rule: what the source states stands in the set, and nothing is said to clash."""
    found = put(published)

    assert not found.clashes, published.source
    assert states_said(found) & set(published.acceptable), published.source


@pytest.mark.parametrize("published", each(loose=True))
def test_a_loose_rule_is_not_contradicted(published):
    """A rule that names several causes, or none: one of them keeps a share, and nothing is said to clash."""
    found = put(published)

    assert not found.clashes, published.loose
    assert sum(shares(found).get(state, 0.0) for state in published.acceptable) > CONTRADICTED_BELOW, (
        published.loose
    )


def test_every_set_names_its_source_and_states_of_the_vocabulary():
    """A state misspelt would never be found."""
    known = {str(state) for state in BusState} | {str(fault) for fault in Fault}
    for published in PUBLISHED:
        assert published.source
        assert set(published.acceptable) <= known


def test_all_thirty_sets_are_here():
    """None is dropped because it fails."""
    assert len({published.name for published in PUBLISHED}) == 30
