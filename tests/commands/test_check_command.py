"""What `casebase check` tells of the room on the disk, and what it removes when it is told to."""

import json
import os
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from casebase.commands.app import app
from casebase.library.file_store import AttachedFiles
from casebase.library.store import Library


@pytest.fixture
def shop(tmp_path, monkeypatch, make_case) -> Path:
    """A library with one record, two attached files of no record, one of them new, and something in the caches."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    for name, size in (("simulated-buses", 1000), ("text-models", 2000)):
        (tmp_path / "cache" / "casebase" / name).mkdir(parents=True)
        (tmp_path / "cache" / "casebase" / name / "kept").write_bytes(bytes(size))
    path = tmp_path / "shop.db"
    with Library.create(path) as library:
        library.log([make_case()])
    files = AttachedFiles(path)
    left = files.path_of(files.keep(b"left by somebody who was stopped"))
    os.utime(left, (time.time() - 7200,) * 2)
    files.keep(b"on its way")
    return path


def checked(*arguments: object) -> dict[str, object]:
    """Return what the command tells as JSON."""
    done = CliRunner().invoke(app, ["check", "--json", *map(str, arguments)])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_the_room_that_everything_takes(shop):
    """As the file system counts it."""
    told = checked("--library", shop)
    assert told["bytes"] == {
        "library": sum(path.stat().st_size for path in shop.parent.glob("shop.db*") if path.is_file()),
        "index": 0,
        "attached_files": len(b"left by somebody who was stopped") + len(b"on its way"),
        "caches": 3000,
    }
    assert told["files_of_no_record"] == 1


@pytest.mark.slow
def test_pruning_is_offered_and_not_done(shop):
    """A check alone removes nothing."""
    page = CliRunner().invoke(app, ["check", "--library", str(shop)]).output
    assert "casebase check --prune" in page
    assert checked("--library", shop)["bytes"]["caches"] == 3000


def test_pruning_leaves_records_and_new_files(shop):
    """What nobody names goes, and what is made again by itself."""
    told = checked("--library", shop, "--prune")
    assert told["cases"] == 1
    assert told["files_of_no_record"] == 0
    assert told["bytes"]["attached_files"] == len(b"on its way")
    assert told["bytes"]["caches"] == 0


def test_a_file_given_again_is_new(shop):
    """Somebody attaches what was left over: it must not go before the record is kept."""
    AttachedFiles(shop).keep(b"left by somebody who was stopped")
    assert checked("--library", shop, "--prune")["bytes"]["attached_files"] == len(
        b"left by somebody who was stopped"
    ) + len(b"on its way")
