"""The layout is the explanation: imports run one way and in no circle, from what a case is to how it is shown."""

import ast
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "casebase"

LAYERS = [
    {"errors", "__init__", "files", "places"},
    {"record"},
    {"bus"},
    {"intake"},
    {"match", "match.text"},
    {"match.facets"},
    {"match.index"},
    {"match.answer"},
    {"match.evaluation"},
    {"library"},
    {"publish"},
    {"terminal", "site"},
    {"exchange"},
    {"demo"},
    {"commands"},
    {"__main__"},
]
"""Left to right, as docs/architecture.md draws it: a part may import its own layer and those before it."""

SCREEN_LIBRARIES = {"rich", "typer", "click", "datasette"}
STORAGE_LIBRARIES = {"sqlite3", "sqlite_utils"}

FILES = {
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__"): path
    for path in PACKAGE.rglob("*.py")
}


def part_of(module: str) -> str:
    """Return the part that a module belongs to: a folder, a room of `match`, or the module itself at the top."""
    steps = module.split(".")[1:] or ["__init__"]
    inner = ".".join(steps[:2])
    return inner if inner in set().union(*LAYERS) else steps[0]


def layer_of(module: str) -> int:
    """Return the place of a module's part from left to right."""
    return next(place for place, parts in enumerate(LAYERS) if part_of(module) in parts)


def imports_of(module: str) -> Iterator[str]:
    """Yield every module that a file imports: at the top, inside functions, and for the type checker alone."""
    for node in ast.walk(ast.parse(FILES[module].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            inner = [f"{node.module}.{alias.name}" for alias in node.names]
            yield from (name for name in inner if name in FILES)
            if not all(name in FILES for name in inner):
                yield node.module


@pytest.mark.slow
def test_imports_run_one_way_and_in_no_circle():
    """A part imports only what stands left of it, and no two modules need each other."""
    arrows = {module: {name for name in imports_of(module) if name in FILES} for module in FILES}
    backwards = [
        f"{module} imports {name} from the right"
        for module, names in arrows.items()
        for name in names
        if layer_of(name) > layer_of(module)
    ]
    assert not backwards
    try:
        TopologicalSorter(arrows).prepare()
    except CycleError as error:
        pytest.fail(f"a circle: {' -> '.join(error.args[1])}")


@pytest.mark.slow
def test_only_the_library_stores_and_only_screens_draw():
    """No SQLite left of the library; no screen library in what must not know screens."""
    library, screens = layer_of("casebase.library"), layer_of("casebase.terminal")
    for module in FILES:
        outside = {name.split(".")[0] for name in imports_of(module)}
        assert layer_of(module) >= library or not outside & STORAGE_LIBRARIES, module
        assert layer_of(module) >= screens or not outside & SCREEN_LIBRARIES, module


def test_every_part_has_its_place():
    """A new folder must be given its place in the order before it can be used."""
    assert {part_of(module) for module in FILES} <= set().union(*LAYERS)
