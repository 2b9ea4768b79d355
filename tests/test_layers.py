"""The layout is the explanation: imports run one way, from what a case is to how it is shown."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "casebase"

LAYERS = [
    {"errors", "__init__"},
    {"record"},
    {"bus"},
    {"intake"},
    {"match"},
    {"library"},
    {"publish"},
    {"places"},
    {"terminal", "site"},
    {"demo"},
    {"opening", "options"},
    {
        "attaching",
        "comparing",
        "browsing",
        "publishing",
        "privacy",
        "reviewing",
        "exchanging",
        "capturing",
        "logged_traffic",
        "keeping",
        "telling",
    },
    {"cli"},
    {"__main__"},
]
"""Left to right, as docs/architecture.md draws it: a part may import its own layer and those before it."""

NEEDS_NO_SCREEN = {"record", "bus", "intake", "match", "library", "publish"}
SCREEN_LIBRARIES = {"rich", "typer", "click", "datasette"}
STORAGE_LIBRARIES = {"sqlite3", "sqlite_utils"}


def part_of(path: Path) -> str:
    """Return the folder, or the module at the top, that a file belongs to."""
    relative = path.relative_to(PACKAGE)
    return relative.parts[0] if len(relative.parts) > 1 else relative.stem


def layer_of(part: str) -> int:
    """Return the place of a part from left to right."""
    return next(place for place, parts in enumerate(LAYERS) if part in parts)


def imports_of(path: Path) -> set[str]:
    """Return every module that a file imports, at the top or inside functions."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return found


FILES = sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_run_one_way(path: Path) -> None:
    """A part imports only its own layer and what stands left of it."""
    here = layer_of(part_of(path))
    for name in imports_of(path):
        steps = name.split(".")
        if steps[0] == "casebase" and len(steps) > 1 and steps[1] != "__version__":
            assert layer_of(steps[1]) <= here, f"{path.name} imports {name} from the right"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_only_the_library_stores_and_only_screens_draw(path: Path) -> None:
    """No SQLite left of the library; no screen library in what must not know screens."""
    part = part_of(path)
    outside = {name.split(".")[0] for name in imports_of(path)}
    if layer_of(part) < layer_of("library"):
        assert not outside & STORAGE_LIBRARIES
    if part in NEEDS_NO_SCREEN:
        assert not outside & SCREEN_LIBRARIES


def test_every_part_has_its_place() -> None:
    """A new folder must be given its place in the order before it can be used."""
    assert {part_of(path) for path in FILES} <= set().union(*LAYERS)
