"""What the default installation brings: locked to releases with their SHA-256, each with its licence."""

import re
import tomllib
from importlib.metadata import PackageNotFoundError, requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parent.parent
LOCKED = sorted((ROOT / ".ci" / "locked").glob("*.txt"))
LINE = re.compile(r"[a-z0-9][a-z0-9.-]*==[0-9][0-9a-z.!+]* --hash=sha256:[0-9a-f]{64}")


def names_in(file: Path) -> set[str]:
    """Return the packages of a lock file."""
    return {line.partition("==")[0] for line in file.read_text(encoding="ascii").splitlines()}


def brought() -> set[str]:
    """Return every package that the default installation brings here, by what the packages ask for."""
    asked = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    left, found = [Requirement(one) for one in asked], set[str]()
    while left:
        one = left.pop()
        name = canonicalize_name(one.name)
        if name in found or (one.marker and not one.marker.evaluate({"extra": ""})):
            continue
        found.add(name)
        try:
            left += [Requirement(text) for text in requires(one.name) or []]
        except PackageNotFoundError:
            pytest.fail(f"{one.name}: asked for, and not installed here")
    return found


@pytest.mark.parametrize("file", LOCKED, ids=lambda file: file.stem)
def test_every_line_of_a_lock_file_holds_a_release_to_its_sha256(file):
    """As pip reads them with --require-hashes; no place where they are fetched from."""
    lines = file.read_text(encoding="ascii").splitlines()
    assert [line for line in lines if not LINE.fullmatch(line)] == []
    assert lines == sorted(lines)


@pytest.mark.parametrize("file", LOCKED, ids=lambda file: file.stem)
def test_every_package_that_is_asked_for_is_locked(file):
    """A dependency that is added makes the files stale: .ci/lock writes them anew."""
    asked = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    assert {canonicalize_name(Requirement(one).name) for one in asked} <= names_in(file)


def test_every_package_that_comes_along_has_its_licence_in_the_table():
    """Also those that other packages ask for; .ci/licences writes the table anew."""
    rows = re.findall(
        r"^\| ([a-z0-9.-]+) \| \S+ \| (.+) \|$", (ROOT / "docs" / "licences.md").read_text("utf-8"), re.M
    )
    assert brought() <= {name for name, _ in rows}
    assert names_in(ROOT / ".ci" / "locked" / "linux-3.11.txt") <= {name for name, _ in rows}
    assert [name for name, licence in rows if not licence.strip()] == []
