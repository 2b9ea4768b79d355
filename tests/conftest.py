"""What tests share: the invented demo records, and small records built by hand."""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from casebase import places
from casebase.match.text import Embedder, open_embedder
from casebase.record.case import Case
from casebase.record.loading import case_from_data, load_file

DEMO = Path(__file__).parent.parent / "demo_cases"


@pytest.fixture(scope="session", autouse=True)
def simulated_buses(tmp_path_factory):
    """Keep the simulated buses of one test run together, away from the user's own."""
    folder = tmp_path_factory.mktemp("cache")
    (folder / "casebase" / "simulated-buses").mkdir(parents=True)
    os.environ["XDG_CACHE_HOME"] = str(folder)
    return folder


@pytest.fixture(scope="session")
def demo_cases() -> dict[str, Case]:
    """Every invented record by its file name."""
    return {path.name: load_file(path)[0] for path in sorted(DEMO.glob("*.yaml"))}


@pytest.fixture(scope="session")
def demo_jobs() -> dict[str, Case]:
    """Every invented stuck job by its file name."""
    return {path.name: load_file(path)[0] for path in sorted((DEMO / "jobs").glob("*.yaml"))}


@pytest.fixture(scope="session")
def embedder(simulated_buses) -> Embedder:
    """The text embedder of the installed model, exported once per test run."""
    return open_embedder(places.text_model_folder())


@pytest.fixture
def make_case() -> Callable[..., Case]:
    """Return a maker of small records: the keys given, on an invented vehicle."""

    def make(**keys: Any) -> Case:
        data = {
            "kind": "fault case",
            "vehicle": {"make": "Norrvik", "model": "Fjellet"},
            "concern": "lamps on",
        }
        return case_from_data(data | keys, "a test")

    return make
