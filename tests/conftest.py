"""What tests share: the invented demo records, and small records built by hand."""

import hashlib
import os
import tempfile
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

from casebase import places
from casebase.match.text.embedder import Embedder, open_embedder
from casebase.record.case import Case
from casebase.record.loading import case_from_data, load_file

PACKAGE = Path(__file__).parent.parent / "casebase"
VOCABULARY = PACKAGE / "record" / "vocabulary.py"
DEMO = Path(__file__).parent.parent / "demo_cases"


@pytest.fixture(scope="session", autouse=True)
def simulated_buses():
    """Keep what tests simulate and export between runs, away from the user's own, by the code that makes it."""
    folder = Path(tempfile.gettempdir()) / f"casebase-tests-{os.getuid()}" / digest_of_makers()
    (folder / "casebase" / "simulated-buses").mkdir(parents=True, exist_ok=True)
    os.environ["XDG_CACHE_HOME"] = str(folder)
    return folder


def digest_of_makers() -> str:
    """Return what changes with the code that simulates buses or exports the text model, and with its libraries."""
    made_by = [*(PACKAGE / "bus").rglob("*.py"), *(PACKAGE / "match" / "text").rglob("*.py"), VOCABULARY]
    told = [path.read_bytes() for path in sorted(made_by)]
    told += [version(library).encode() for library in ("numpy", "onnx", "torch")]
    return hashlib.sha256(b"\0".join(told)).hexdigest()[:16]


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
