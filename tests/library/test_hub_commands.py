"""Every command on a hub: one walk through the whole table, typed at a file and at a hub, says and leaves the same."""

from __future__ import annotations

import inspect
import json
import os
import re
import socket
import subprocess
import sys
import time
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any, Final
from urllib.error import URLError
from urllib.request import urlopen

import pytest
from PIL import Image
from typer.testing import CliRunner

from casebase import places
from casebase.commands.app import COMMANDS, app
from casebase.library.engine import HubAddress
from casebase.library.layouts import layouts_in
from casebase.library.reviews import Said, say
from casebase.library.store import Library
from casebase.publish.judging import accept, unjudged_of
from casebase.record.loading import load_file
from tests.library.hub_server import HubServer, needs_postgresql

pytestmark = [needs_postgresql, pytest.mark.slow]

DEMO: Final = Path(__file__).parents[2] / "demo_cases"

CASES: Final = sorted(DEMO.glob("k4-*.yaml")) + sorted(DEMO.glob("c7-*.yaml"))

WITHOUT_A_LIBRARY: Final = ("codes", "template", "editions", "demo")
"""Commands that open no library; `demo` has one of its own."""

SERVES: Final = ("browse", "hub", "send", "fetch")
"""Commands that serve or need a service: walked by `test_a_hub_is_browsed` and in tests/exchange."""

WALK: Final[tuple[tuple[str, ...], ...]] = (
    ("init",),
    ("log", *(f"{{demo}}/{path.name}" for path in CASES), "{demo}/layouts/k4-norrvik.yaml"),
    ("list",),
    ("tokens",),
    ("tokens", "Workshop North", "--revoke"),
    ("list", "--json"),
    ("list", "--find", "connector corroded"),
    ("show", "{case}"),
    ("show", "{case}", "--history"),
    ("show", "{case}", "--json"),
    ("log", "{demo}/jobs/k4-fjellet-abs-silent.yaml"),
    ("similar", "{demo}/jobs/k4-fjellet-abs-silent.yaml"),
    ("similar", "{job}", "--json"),
    ("ask", "119 ohm 6 to 14, H 2.6 L 2.4, U0101 from ECM, no comms with TCM"),
    ("ask", "--json", "corroded connector under the seat"),
    ("readings", "{job}"),
    ("readings", "{job}", "--json"),
    ("capture", "{demo}/captures/k4-pair-one-frame-broken.csv", "--job", "{job}", "--ignition", "on"),
    ("traffic", "{demo}/captures/k4-drive-brakes-fall-silent.log", "--job", "{job}"),
    ("attach", "{job}", "{tmp}/splice.png", "--shows", "green copper in S204", "--by", "tova"),
    ("attach", "{job}"),
    ("attach", "{job}", "--save", "splice.png", "{tmp}/back.png"),
    ("attach", "{job}", "--from", "{tmp}", "--newest", "1", "--by", "tova"),
    ("attach", "{job}", "--remove", "splice.png", "--by", "tova"),
    ("edit", "{case}", "--set", "note=Seen again", "--by", "tova"),
    ("undo", "{case}", "--by", "tova"),
    ("layout",),
    ("layout", "{layout}"),
    ("layout", "{layout}", "--file"),
    ("layout", "{layout}", "--revisions"),
    ("layout", "--draft", "K4"),
    ("layout", "{layout}", "--agree", "--by", "ingrid"),
    ("where", "{job}"),
    ("where", "{job}", "--json"),
    ("news",),
    ("news", "--read"),
    ("remove", "{removed}", "--by", "brede"),
    ("list", "--json"),
    ("review",),
    ("review", "{case}"),
    ("review", "{case}", "--agree", "--by", "ingrid"),
    ("review", "{known}", "--agree", "--by", "ingrid"),
    ("review", "{other}", "--return", "How was it proven?", "--by", "ingrid"),
    ("review", "--list", "--json"),
    ("names", "--add", "Ingrid Solberg"),
    ("names",),
    ("private",),
    ("private", "{case}"),
    ("words", "--list", "--json"),
    ("words", "--accept-shown", "{digits}", "--by", "ingrid"),
    ("words",),
    ("publish", "{tmp}/editions", "--by", "ingrid", "--on", "2026-11-30"),
    ("export", "{tmp}/out.zip", "--by", "Workshop North", "--on", "2026-11-30"),
    ("import", "{sent}", "--as", "Workshop South", "--weight", "0.5"),
    ("import", "{sent}", "--as", "Workshop South", "--weight", "0.5", "--fingerprint", "{key}"),
    ("import", "{sent}", "--as", "Workshop South", "--fingerprint", "{key}"),
    ("sources",),
    ("sources", "Workshop South", "--weight", "0.8"),
    ("evaluate", "--json"),
    ("evaluate", "--fit", "--keep"),
    ("evaluate", "--usual"),
    ("check",),
    ("rebuild",),
    ("backup", "{tmp}/copy.db"),
    ("check", "--json"),
    ("restore", "{tmp}/copy.db"),
)
"""What is typed, one after the other; what stands in braces is put in by `Walker`.

A copy goes into an empty library."""

REFUSED: Final = {
    ("words", "--list", "--json"): 1,  # as a script that asks whether all is judged wants it
    ("import", "{sent}", "--as", "Workshop South", "--weight", "0.5"): 2,  # whose key nobody told
    ("tokens", "Workshop North", "--revoke"): 2,  # it has none
}
"""What ends otherwise than with 0, on both."""

COMPARED_WITHOUT: Final = (
    (re.compile("^New library:"), "Library:"),  # a hub is also brought up to date by it
    (re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:[\d:.]+(\+00:00|Z)?"), "MOMENT"),
    (re.compile(r"[\d.,]+ ([kMG]B|bytes)"), "SIZE"),
    (re.compile(r'("bytes": \{)[^}]*'), r"\1"),
    (re.compile(r"\b[0-9a-f]{4}( [0-9a-f]{4}){7,}"), "FINGERPRINT"),
    (re.compile(r"SHA-256 [0-9a-f]+"), "SHA-256"),
)
"""What no two walks have in common: moments, room taken, keys, and the digests of files that hold these."""


class Walker:
    """Types the walk at one library, and keeps what each command said."""

    def __init__(
        self, place: Path | HubAddress, empty: Path | HubAddress, folder: Path, sent: tuple[Path, str]
    ) -> None:
        self.place, self.empty = place, empty
        self.folder = folder
        folder.mkdir()
        self.put_in = {"demo": str(DEMO), "tmp": str(folder), "sent": str(sent[0]), "key": sent[1]}
        Image.new("RGB", (60, 40), "green").save(folder / "splice.png")

    def go(self) -> list[str]:
        """Type every line of the walk; return what each said."""
        said = []
        for line in WALK:
            arguments = [one.format(**self.put_in) for one in line]
            told = asked(*arguments, "--library", named(self.empty if line[0] == "restore" else self.place))
            assert told.exit_code == REFUSED.get(line, 0), (line, told.output, told.exc_info)
            said.append(f"{' '.join(line)} -> {told.exit_code} {self._compared(told.output)}")
            if line[0] == "log":
                self._know_what_was_logged()
            if line[:3] == ("words", "--list", "--json"):
                self.put_in["digits"] = json.loads(told.stdout)["shown"]
        return said

    def _compared(self, text: str) -> str:
        """Return what was said without what is this walk's alone."""
        for place in (self.place, self.empty):
            text = text.replace(named(place), "LIBRARY").replace(str(place), "LIBRARY")
        text = text.replace(str(self.folder), "FOLDER")
        text = " ".join(text.split())
        for pattern, put in COMPARED_WITHOUT:
            text = pattern.sub(put, text)
        return text

    def _know_what_was_logged(self) -> None:
        with Library.open(self.place) as library:
            cases = library.summaries()
            self.put_in["layout"] = layouts_in(library)[0].layout_id
        solved = sorted(one["id"] for one in cases if one["status"] == "fixed, verified")
        self.put_in |= dict(zip(("case", "other", "removed"), solved, strict=False))
        self.put_in["known"] = next(one["id"] for one in cases if one["kind"] == "known good")
        self.put_in["job"] = next((one["id"] for one in cases if one["status"] == "open"), "")


def named(place: Path | HubAddress) -> str:
    """Return how a library is named on the command line."""
    return place.text if isinstance(place, HubAddress) else str(place)


def asked(*arguments: object) -> Any:
    """Run a command within this process: starting one takes longer than all that is done here."""
    return CliRunner().invoke(
        app, list(map(str, arguments)), env={"CASEBASE_TEXT_MODEL": "/no/model", "COLUMNS": "400"}
    )


def send_from_another_shop(folder: Path) -> tuple[Path, str]:
    """Write a bundle of another shop; return it and the fingerprint of its key."""
    south, bundle = str(folder / "south.db"), folder / "sent.zip"
    for line in (("init",), ("log", *sorted(DEMO.glob("t2-*.yaml")))):
        asked(*line, "--library", south)
    with Library.open(Path(south)) as library:
        for kept in library.records():
            say(library, kept.case_id, Said.AGREED, "berit")
        accept(library, unjudged_of(library, library.records(), []), "berit")
    told = asked("export", bundle, "--by", "Workshop South", "--library", south)
    assert told.exit_code == 0, told.output
    return bundle, asked("sources", "--own", "--library", south).stdout.strip()


def test_every_command_is_walked() -> None:
    """A new command has its line here, or opens no library."""
    assert {line[0] for line in WALK} | set(WITHOUT_A_LIBRARY) | set(SERVES) == set(COMMANDS)
    for name in WITHOUT_A_LIBRARY:
        listed = COMMANDS[name]
        function = getattr(import_module(f"casebase.commands.{listed.module}"), listed.function)
        assert "LibraryOption" not in map(str, inspect.get_annotations(function).values()), name


def test_a_hub_says_what_a_file_says(
    hub_server: HubServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same typed at both: each command ends alike, in the same words."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    sent = send_from_another_shop(tmp_path)
    said = []
    for place, empty, folder in (
        (tmp_path / "shop.db", tmp_path / "other.db", tmp_path / "file"),
        (hub_server.address(hub_server.new_database()), hub_server.new_hub(), tmp_path / "hub"),
    ):
        said.append(Walker(place, empty, folder, sent).go())
        assert (folder / "back.png").exists()
    differing = [f"{of_file}\n{of_hub}" for of_file, of_hub in zip(*said, strict=True) if of_file != of_hub]
    assert not differing, "\n\n".join(differing)


def test_a_hub_is_browsed(hub: HubAddress) -> None:
    """The site is served from the hub's agreed cases, as from a file's; the address may stand in the environment."""
    with Library.open(hub) as library:
        case_id = library.log(load_file(DEMO / "k4-known-good-fjellet-ignition-on.yaml"))[0].case_id
        say(library, case_id, Said.AGREED, "ingrid")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "-m", "casebase", "browse", "--port", str(port)],
        env=os.environ | {places.LIBRARY_VARIABLE: hub.text, "CASEBASE_TEXT_MODEL": "/no/model"},
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        page = answered(f"http://127.0.0.1:{port}/case/{case_id}", server)
    finally:
        server.terminate()
        said = server.communicate()[1]
    assert case_id in page
    assert "1 of 1 records are read and agreed, and shown." in said


def answered(address: str, server: subprocess.Popen[str]) -> str:
    """Return a page once the server answers."""
    until = time.monotonic() + 120
    while time.monotonic() < until and server.poll() is None:
        with suppress(URLError, ConnectionError), urlopen(address, timeout=30) as page:
            return str(page.read().decode())
        time.sleep(0.2)
    raise AssertionError(f"no answer from {address}")


@pytest.mark.parametrize("command", [("demo",), ("browse", "--demo")])
def test_the_invented_cases_go_on_no_hub(command: tuple[str, ...]) -> None:
    """A hub holds a trade's own cases; nor is its address taken for the name of a file."""
    told = asked(*command, "--library", "postgresql://tova@hub.example/casebase")
    assert told.exit_code == 2
    assert "the invented cases go into a file of their own" in told.stderr
