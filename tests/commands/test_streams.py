"""Where commands read from and write to is not always a file: closed, full, endless, a pipe that nobody writes into."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from casebase.errors import shown
from casebase.library.file_store import AttachedFiles
from casebase.library.store import Library
from casebase.record.loading import load_text

pytestmark = pytest.mark.slow

SECONDS = 120


@pytest.fixture
def shop(tmp_path):
    """A library of one case in which somebody wrote a command to the terminal."""
    path = tmp_path / "shop.db"
    Library.create(path).close()
    return path


def run(shell, shop):
    """Run a command line in bash, `casebase` being this one."""
    command = f'casebase() {{ {sys.executable} -m casebase "$@"; }}; {shell}'
    return subprocess.run(
        ["bash", "-c", command],
        capture_output=True,
        text=True,
        env=os.environ
        | {"CASEBASE_LIBRARY": str(shop), "HOME": str(shop.parent), "XDG_DATA_HOME": str(shop.parent)},
        timeout=SECONDS,
        check=False,
    )


@pytest.mark.parametrize(
    "shell",
    [
        "casebase list <&-",
        "casebase list >&-",
        "casebase log <&-",
        "casebase codes - <&-",
        "casebase review <&-",
        "casebase --help > /dev/full",
        "casebase list --help > /dev/full",
        "casebase list > /dev/full",
        "casebase codes U0100 > /dev/full",
        "casebase nothing 2> /dev/full",
        "casebase log /dev/zero",
        "casebase log /dev/full",
        "casebase import /dev/zero",
        "casebase list --library /dev/zero",
        "casebase browse /dev/zero",
        "casebase codes - < /dev/zero",
        "yes nonsense | casebase log",
        "casebase log < /dev/zero",
    ],
)
def test_odd_ends_of_a_command_bring_no_traceback(shell, shop):
    """Closed, full or without end: an answer, or a sentence and exit code 2, and never half a minute of silence."""
    done = run(shell, shop)
    assert "Traceback" not in done.stderr
    assert done.returncode in (0, 2)


@pytest.mark.parametrize(
    "command",
    ["log", "import", "restore", "browse", "list --library", "similar", "attach 0000", "capture", "traffic"],
)
def test_a_pipe_that_nobody_writes_into_keeps_nobody_waiting(command, shop, tmp_path):
    """A FIFO is opened only once somebody writes (fifo(7))."""
    os.mkfifo(tmp_path / "never.yaml")
    done = run(f"casebase {command} {tmp_path / 'never.yaml'}", shop)
    assert "Traceback" not in done.stderr
    assert done.returncode == 2


def test_commands_to_the_terminal_are_not_passed_on(shop):
    """ESC [ 2 J would wipe the screen, ESC ] 0 rename the window (ECMA-48): shown as what they are not."""
    assert shown("a\x1b[2Jb\n\x9b31m\u202e") == "a?[2Jb\n?31m?"
    assert shown("ohms: Ω") == "ohms: Ω"
    done = run("casebase show $(printf 'a\\033[2Jb')", shop)
    assert "\x1b" not in done.stderr
    assert "is no case ID" in done.stderr


@pytest.mark.parametrize(
    ("umask", "mode", "of_folders"),
    [(0o022, 0o600, 0o700), (0o077, 0o600, 0o700), (0o002, 0o660, 0o770), (0o007, 0o660, 0o770)],
)
def test_a_new_library_is_its_owners_unless_the_umask_shares_with_the_group(
    tmp_path, umask, mode, of_folders
):
    """Customers' words and VINs lie in it; files that SQLite puts beside it get the same rights (os_unix.c)."""
    before = os.umask(umask)
    try:
        with Library.create(tmp_path / "new.db") as library:
            library.log(
                load_text("kind: fault case\nvehicle: {make: A, model: B}\nconcern: dead\n", "a test")
            )
            library.collection()
            AttachedFiles(library.path).keep(b"seen at the plug")
            folders = [path for path in tmp_path.glob("new.db.*") if path.is_dir()]
            modes = {
                stat.S_IMODE(path.stat().st_mode) for path in Path(tmp_path).glob("new.db*") if path.is_file()
            }
    finally:
        os.umask(before)
    assert modes == {mode}
    assert [stat.S_IMODE(folder.stat().st_mode) for folder in folders] == [of_folders] * 2
