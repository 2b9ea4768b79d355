"""What Windows does otherwise with text: code pages of the output, UTF-16 with byte order mark, carriage returns.

Windows PowerShell 5.1 writes UTF-16 with a byte order mark where output is redirected, and an output that is no console
is in the system's code page, such as cp1252 (Microsoft's documentation of both). The encoding of the streams is
forced here with PYTHONIOENCODING, which Python reads on every system.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from casebase.commands import app
from casebase.errors import CaptureError
from casebase.intake.bus_log.senders import read_module_table
from casebase.library.accepted_files import kept_form
from casebase.record.loading import load_file

DEMO = Path(__file__).parents[2] / "demo_cases"
ENCODINGS = ["utf-8", "utf-8-sig", "utf-16"]
LINE_ENDS = ["\n", "\r\n", "\r"]
IN_OTHER_FORM = pytest.mark.parametrize(
    ("encoding", "line_end"), [(encoding, end) for encoding in ENCODINGS for end in LINE_ENDS]
)


def casebase(*arguments: object, given: bytes = b"", encoding: str = "cp1252") -> subprocess.CompletedProcess:
    """Run the command with its streams in a code page."""
    environment = os.environ | {"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    command = [sys.executable, "-m", "casebase", *map(str, arguments)]
    return subprocess.run(command, input=given, env=environment, capture_output=True, check=False)


def rewritten(path: Path, folder: Path, encoding: str, line_end: str) -> Path:
    """Return a copy of a text file in another form."""
    copy = folder / path.name
    copy.write_bytes(path.read_text(encoding="utf-8").replace("\n", line_end).encode(encoding))
    return copy


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
@pytest.mark.parametrize(
    "arguments",
    [
        ["readings", DEMO / "jobs" / "e1-pavane-no-ready-can-high-under-one-volt.yaml"],
        ["capture", DEMO / "captures" / "k4-pair-one-frame-broken.csv"],
        ["traffic", DEMO / "captures" / "k4-drive-brakes-fall-silent.log", "--json"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_redirected_output_is_utf_8_whatever_the_code_page(encoding, arguments):
    """No traceback, and every sign as it is."""
    done = casebase(*arguments, encoding=encoding)
    assert done.returncode == 0, done.stderr.decode()
    assert done.stdout == casebase(*arguments, encoding="utf-8").stdout


@pytest.mark.slow
def test_what_is_refused_is_told_in_utf_8_too():
    """The sentence goes to stderr."""
    done = casebase("readings", "--pair", "Ω≠≤")
    assert done.returncode == 2
    assert "Ω≠≤" in done.stderr.decode("utf-8")


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ENCODINGS)
def test_a_scan_piped_in(encoding):
    """As another program wrote it."""
    done = casebase(
        "codes",
        "-",
        "--json",
        given="ABS ≠ no answer\r\nECM: U0121-87 aktiv, „gespeichert“\r\n".encode(encoding),
    )
    assert "U0121" in json.dumps(json.loads(done.stdout.decode("utf-8")))


@pytest.mark.slow
def test_a_scan_piped_in_that_is_no_text():
    """One sentence, and what to do."""
    done = casebase("codes", "-", given=b"U0121\xff\xe9")
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.decode() == "Error: stdin: not UTF-8 text (byte 5): save it as UTF-8\n"


@pytest.mark.slow
@IN_OTHER_FORM
def test_a_record(tmp_path, encoding, line_end):
    """The same record, whatever wrote its file."""
    path = DEMO / "jobs" / "k4-fjellet-abs-silent.yaml"
    assert load_file(rewritten(path, tmp_path, encoding, line_end)) == load_file(path)


@IN_OTHER_FORM
def test_a_table_of_modules(tmp_path, encoding, line_end):
    """The same identifiers."""
    path = DEMO / "captures" / "k4-identifiers.csv"
    assert read_module_table(rewritten(path, tmp_path, encoding, line_end)) == read_module_table(path)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("command", "name"),
    [
        ("traffic", "k4-drive-brakes-fall-silent.log"),
        ("capture", "k4-pair-one-frame-broken.csv"),
    ],
)
@IN_OTHER_FORM
def test_a_log_and_a_capture(tmp_path, command, name, encoding, line_end):
    """The same findings, to the last figure."""
    path = DEMO / "captures" / name
    own = casebase(command, rewritten(path, tmp_path, encoding, line_end), "--json")
    assert own.returncode == 0, own.stderr.decode()
    assert own.stdout.decode().replace(str(tmp_path), "") == as_it_is(command, path).replace(
        str(path.parent), ""
    )


def as_it_is(command: str, path: Path) -> str:
    """Return what the command says of the file itself."""
    if (command, path) not in SAID:
        SAID[command, path] = casebase(command, path, "--json").stdout.decode()
    return SAID[command, path]


SAID: dict[tuple[str, Path], str] = {}


def test_a_text_file_is_kept_as_utf_8():
    """A phone or an old program can show it afterwards."""
    assert kept_form("scan.txt", "U0121 ≠ Ω\r\n".encode("utf-16")).content.decode("utf-8") == "U0121 ≠ Ω\r\n"


def test_half_a_sign_of_utf_16_is_told(tmp_path):
    """A copy that was cut."""
    (tmp_path / "table.csv").write_bytes("0x1A0,ABS".encode("utf-16")[:-1])
    with pytest.raises(CaptureError, match="no UTF-8 text"):
        read_module_table(tmp_path / "table.csv")


@pytest.mark.parametrize("refused", [PermissionError(13, "Permission denied", "parts", None, "shop.db")])
def test_a_file_that_another_program_holds_open_is_told_in_a_sentence(monkeypatch, capsys, refused):
    """Windows refuses to replace it with `PermissionError`; named is the file, not the new one beside it."""

    def refuse(*_given: object) -> None:
        raise refused

    monkeypatch.setattr(app.TyperGroup, "invoke", refuse)
    monkeypatch.setattr(sys, "argv", ["casebase", "check"])
    with pytest.raises(SystemExit) as left:
        app.app()
    assert left.value.code == 2
    assert capsys.readouterr().err == (
        "Error: shop.db: Permission denied: close it where it is open, or see who may write there, then try again\n"
    )
