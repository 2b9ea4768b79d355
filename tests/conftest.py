"""What tests share: the invented demo records, and small records built by hand."""

import ast
import hashlib
import os
import re
import shutil
import time
from collections.abc import Callable, Iterable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock
from hypothesis import HealthCheck, settings

from casebase import places
from casebase.bus.bank import Bank
from casebase.library.layouts import agreed_layouts
from casebase.library.store import Library
from casebase.match.text.embedder import Embedder, open_embedder
from casebase.publish.judging import accept, unjudged_of
from casebase.record.case import Case
from casebase.record.loading import case_from_data
from tests.demo_records import DEMO, KEPT, demo_records

PACKAGE = Path(__file__).parent.parent / "casebase"
BUS_MAKERS = [
    f"casebase.bus.{name}" for name in ("bank", "pair", "single_faults", "fault_tolerant", "flexray")
]
"""The modules that simulate buses."""
TEXT_MODEL_MAKERS = ["casebase.match.text.export"]
"""The modules that export the text model."""
KEPT_UNUSED_SECONDS = 3 * 24 * 3600

# How long something takes is told by tests/bench: here a busy computer must not make a test fail.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")


WAITED_FOR = {"embedder", "profiles", "frozen_demo", "meanings"}
"""What takes seconds to make once in each worker."""


WHOLLY_SLOW = re.compile(rb"^pytestmark = (\[.*)?pytest\.mark\.slow", re.MULTILINE)


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Do not even import what holds slow tests alone, when the inner loop is asked for."""
    if config.option.markexpr == "not slow" and collection_path.suffix == ".py":
        return True if WHOLLY_SLOW.search(collection_path.read_bytes()) else None
    return None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave what waits for such a fixture out of the inner loop."""
    for item in items:
        if WAITED_FOR & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.slow)


@pytest.fixture(scope="session", autouse=True)
def simulated_buses():
    """Keep what tests simulate and export between runs, away from the user's own, by the code that makes it."""
    folder = KEPT / digest_of(BUS_MAKERS, "numpy")
    text_models = KEPT / f"text-{digest_of(TEXT_MODEL_MAKERS, 'tokenizers')}"
    for made in (folder / "casebase" / "simulated-buses", text_models):
        made.mkdir(parents=True, exist_ok=True)
    with FileLock(KEPT / "text-models.lock"):
        put_link(folder / "casebase" / "text-models", text_models)
    os.utime(folder)
    os.utime(text_models)
    for other in KEPT.iterdir():
        if time.time() - other.stat().st_mtime > KEPT_UNUSED_SECONDS:
            shutil.rmtree(other, ignore_errors=True) if other.is_dir() else other.unlink()
    os.environ["XDG_CACHE_HOME"] = str(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Bank, "_made", made_by_one_worker(Bank._made))
        yield folder


def made_by_one_worker(made):
    """Return what simulates a view of a bank while the other workers of this run wait, and read it afterwards."""

    def made_or_read(bank, name, make):
        path = bank._path(name)
        if path is None or not path.parent.is_relative_to(os.environ["XDG_CACHE_HOME"]):
            return made(bank, name, make)
        with FileLock(path.with_suffix(".lock")):
            return bank._read(name) or made(bank, name, make)

    return made_or_read


def put_link(link: Path, folder: Path) -> None:
    """Let `link` point to `folder`, whatever it pointed to before."""
    if link.is_symlink() and link.readlink() == folder:
        return
    if link.exists() and not link.is_symlink():
        shutil.rmtree(link)
    link.unlink(missing_ok=True)
    link.symlink_to(folder)


def digest_of(makers: Iterable[str], library: str) -> str:
    """Return what changes with the code of these modules, and with the library they compute with.

    Comments and docstrings may change: they make nothing.
    """
    told = [executed_part_of(path) for path in sorted(files_imported_from(makers))]
    told.append(version(library).encode())
    return hashlib.sha256(b"\0".join(told)).hexdigest()[:16]


def files_imported_from(modules: Iterable[str]) -> set[Path]:
    """Return the files of the modules, and of all that they import from casebase."""
    found: set[Path] = set()
    waiting = list(modules)
    while waiting:
        path = PACKAGE.parent.joinpath(*waiting.pop().split(".")).with_suffix(".py")
        if path.exists() and path not in found:
            found.add(path)
            for node in ast.walk(ast.parse(path.read_bytes())):
                if isinstance(node, ast.ImportFrom) and node.module:
                    waiting += [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
    return found


def executed_part_of(path: Path) -> bytes:
    """Return a module's code without comments and docstrings."""
    tree = ast.parse(path.read_bytes())
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
            and ast.get_docstring(node) is not None
        ):
            node.body = node.body[1:]
    return ast.dump(tree).encode()


@pytest.fixture(scope="session")
def demo_cases() -> dict[str, Case]:
    """Every invented record by its file name."""
    return {path.name: records[0] for path, records in demo_records().items() if path.parent == DEMO}


@pytest.fixture(scope="session")
def demo_jobs() -> dict[str, Case]:
    """Every invented stuck job by its file name."""
    return {path.name: records[0] for path, records in demo_records().items() if path.parent.name == "jobs"}


@pytest.fixture(scope="session")
def embedder(simulated_buses) -> Embedder:
    """The text embedder of the installed model, exported once for all workers and runs."""
    with FileLock(simulated_buses / "text-model.lock"):
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


@pytest.fixture(scope="session")
def accept_all_words():
    """A function that takes every word of a library as harmless, as its lead would: the test is of something else."""

    def accept_them(path):
        with Library.open(path) as library:
            accept(library, unjudged_of(library, library.records(), agreed_layouts(library)), "ingrid")

    return accept_them
