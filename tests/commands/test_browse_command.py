"""`casebase browse` as its owner starts it: with no case agreed to, on an address that is taken, beside a demo."""

import os
import socket
import subprocess
import sys
import time
import urllib.request

import pytest
from typer.testing import CliRunner

from casebase.commands.app import app
from casebase.library.store import Library

pytestmark = pytest.mark.slow


@pytest.fixture
def free_port():
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def page_at(address, process, patience=120):
    """Return the page once the server answers."""
    until = time.monotonic() + patience
    while time.monotonic() < until and process.poll() is None:
        try:
            with urllib.request.urlopen(address, timeout=30) as answer:
                return answer.read().decode()
        except (urllib.error.URLError, ConnectionError):
            time.sleep(0.2)
    raise AssertionError(f"no answer from {address}: {process.stderr.read() if process.poll() else ''}")


def test_with_no_case_agreed_to_a_job_is_answered_all_the_same(tmp_path, free_port):
    """Asking needs no case: what the readings mean and the next test are computed."""
    own = {"XDG_DATA_HOME": str(tmp_path)}
    process = subprocess.Popen(
        [sys.executable, "-m", "casebase", "browse", "--port", str(free_port)],
        env={name: value for name, value in os.environ.items() if name != "CASEBASE_LIBRARY"} | own,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        site = f"http://127.0.0.1:{free_port}"
        answered = page_at(f"{site}/job?medium=high-speed+CAN&r1.what=ohm-pair&r1.value=119", process)
        lists = [
            page_at(f"{site}{path}", process) for path in ("/", "/causes", "/codes", "/modules", "/search")
        ]
    finally:
        process.terminate()
        said = process.stderr.read()
        process.wait()

    assert "a terminator missing" in answered
    assert all("</html>" in page for page in lists)
    assert "answered by computation alone" in said


def test_the_demonstration_is_served_beside_the_shops_library(tmp_path, free_port):
    """As README starts it: invented cases, though the environment names the shop's library, which stays as it was."""
    shop = tmp_path / "shop.db"
    Library.create(shop).close()
    before = shop.read_bytes()
    process = subprocess.Popen(
        [sys.executable, "-m", "casebase", "browse", "--demo", "--port", str(free_port)],
        env=os.environ | {"XDG_DATA_HOME": str(tmp_path), "CASEBASE_LIBRARY": str(shop)},
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        page = page_at(f"http://127.0.0.1:{free_port}/", process)
    finally:
        process.terminate()
        process.wait()

    assert "invented cases" in page
    assert shop.read_bytes() == before
    assert (tmp_path / "casebase" / "demo.db").exists()


def test_an_address_that_is_taken_is_the_first_and_only_thing_said(tmp_path):
    """No address is printed that nobody answers on, and nothing is compared first."""
    Library.create(tmp_path / "shop.db").close()
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = str(other.getsockname()[1])
        refused = CliRunner().invoke(app, ["browse", "--port", port, "--library", str(tmp_path / "shop.db")])
    assert refused.exit_code == 2
    assert refused.stderr.startswith("Error: 127.0.0.1:")
    assert "http://" not in refused.stderr


def test_a_file_that_is_no_edition_is_said_before_any_address(tmp_path, free_port):
    """The same for what should be shown."""
    (tmp_path / "notes.db").write_text("no edition")
    refused = CliRunner().invoke(app, ["browse", str(tmp_path / "notes.db"), "--port", str(free_port)])
    assert refused.exit_code == 2
    assert refused.stderr.startswith("Error: ")
    assert "http://" not in refused.stderr
