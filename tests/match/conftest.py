"""Collections to compare with: the demo records with what their readings mean, and small ones."""

import pytest

from casebase import places
from casebase.match.index.collection import Collection
from casebase.match.meaning import filled_profiles
from casebase.match.profile import Profile
from tests.match.in_memory import collection_of


@pytest.fixture(scope="session")
def profiles(demo_cases, simulated_buses) -> list[Profile]:
    """The profiles of the demo records, named by file, with what their readings mean."""
    return list(filled_profiles(demo_cases.items(), places.simulation_folder(), None))


@pytest.fixture(scope="session")
def collection(profiles) -> Collection:
    """The demo records as a collection."""
    return collection_of(profiles)
