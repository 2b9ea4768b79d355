"""`casebase publish` as the lead meets it: what would leave is listed and asked for once; what waits is told."""

import json
import os
import sys

import pexpect
import pytest
from typer.testing import CliRunner

from casebase.commands.app import app
from casebase.library.store import Library
from casebase.record.loading import case_from_data

pytestmark = pytest.mark.slow

RECORD = {
    "kind": "fault case",
    "vehicle": {"make": "Norrvik", "model": "Fjellet"},
    "provenance": {"author": "tova", "ended": "2026-11-20"},
    "review": {"state": "read and agreed", "by": "ingrid"},
}


@pytest.fixture
def shop(tmp_path, monkeypatch, accept_all_words):
    """The path of a library of two agreed cases, of which an edition was published."""
    monkeypatch.setenv("CASEBASE_TEXT_MODEL", "/no/model")
    with Library.create(tmp_path / "shop.db") as library:
        library.log(
            [case_from_data(RECORD | {"symptoms": [text]}, "a test") for text in ("no start", "lamps")]
        )
    accept_all_words(tmp_path / "shop.db")
    assert run(tmp_path / "shop.db", "publish", tmp_path / "editions", "--by", "ingrid").exit_code == 0
    return tmp_path / "shop.db"


@pytest.fixture
def case_id(shop):
    """The ID of one of the two."""
    with Library.open(shop) as library:
        return library.summaries(find="lamps")[0]["id"]


def run(shop, *arguments):
    """Run a command on the library."""
    return CliRunner().invoke(app, [*map(str, arguments), "--library", str(shop)])


def editions(shop):
    """Return how many editions there are."""
    return len(list(shop.with_name("editions").glob("*.db")))


def test_what_would_leave_is_refused_until_it_is_said(shop, case_id):
    """Where nobody can be asked: each with its reason, nothing published; --yes says that they may leave."""
    run(shop, "remove", case_id, "--because", "logged twice", "--by", "tova")
    refused = run(shop, "publish", shop.with_name("editions"), "--by", "ingrid")
    said = " ".join(refused.output.split())
    assert refused.exit_code == 2
    assert f"{case_id} Lamps: removed by tova on" in said
    assert "logged twice nothing was published: say that they may leave with --yes" in said
    assert editions(shop) == 1
    done = run(shop, "publish", shop.with_name("editions"), "--by", "ingrid", "--yes", "--json")
    assert json.loads(done.stdout)["counted"] == {"withdrawn": 1}


def test_what_waits_is_told_with_what_it_changes(shop, case_id):
    """Also where nothing is to be published: it may be what was expected to go out."""
    run(shop, "edit", case_id, "--set", "leftover=radio code", "--by", "tova")
    nothing = run(shop, "publish", shop.with_name("editions"), "--by", "ingrid")
    assert "none was made; 1 revised since they were agreed to: casebase review" in nothing.output
    with Library.open(shop) as library:
        library.log([case_from_data(RECORD | {"symptoms": ["chimes"]}, "a test")])
    (newer,) = json.loads(
        run(shop, "publish", shop.with_name("editions"), "--by", "ingrid", "--json").stdout
    )["newer"]
    assert (newer["case_id"], newer["agreed"], newer["revision"], newer["said"]) == (case_id, 1, 2, "waits")
    assert newer["differences"] == [{"field": "leftover", "before": None, "after": "radio code"}]


def test_private_text_in_what_was_agreed_names_the_revision_that_waits(shop, case_id):
    """The later revision may have it mended: agreeing to that is all there is to do."""
    run(shop, "names", "--add", "lamps")
    run(shop, "edit", case_id, "--set", "symptoms=chimes", "--by", "tova")
    stopped = run(shop, "publish", shop.with_name("editions"), "--by", "ingrid").output
    assert f"the edition would hold revision 1; revision 2 waits: casebase review {case_id}" in stopped
    assert run(shop, "private", case_id).exit_code == 1
    run(shop, "private", case_id, "--fine", "symptoms[0]")
    assert run(shop, "private", case_id).exit_code == 0
    assert "nothing changed" in run(shop, "publish", shop.with_name("editions"), "--by", "ingrid").output


def test_private_text_is_masked_and_agreed_to_by_two_commands(shop, case_id):
    """No editor: the proposed text is a revision of the lead's, and goes out when it is agreed to."""
    run(shop, "names", "--add", "lamps")
    stopped = run(shop, "publish", shop.with_name("editions"), "--by", "ingrid")
    assert "casebase private ID --mask" in stopped.output
    assert run(shop, "private", case_id, "--mask").exit_code == 2
    masked = run(shop, "private", case_id, "--mask", "--by", "ingrid").output
    assert "symptoms[0]: lamps, now [name]" in masked
    run(shop, "review", case_id, "--agree", "--by", "ingrid")
    done = run(shop, "publish", shop.with_name("editions"), "--by", "ingrid", "--json")
    assert json.loads(done.stdout)["counted"] == {"revised": 1}
    assert run(shop, "private", case_id, "--mask", "--by", "ingrid").exit_code == 2


@pytest.mark.parametrize(("answer", "count"), [("n", 1), ("y", 2)])
def test_who_types_is_asked_once(shop, case_id, answer, count):
    """No, and nothing is published; yes, and it is."""
    run(shop, "review", case_id, "--withdraw", "wrong vehicle", "--by", "ingrid")
    terminal = pexpect.spawn(
        sys.executable,
        [
            "-m",
            "casebase",
            "publish",
            str(shop.with_name("editions")),
            "--by",
            "ingrid",
            "--library",
            str(shop),
        ],
        env=os.environ | {"TERM": "dumb"},
        encoding="utf-8",
        timeout=120,
    )
    terminal.expect("withdrawn by ingrid on")
    terminal.expect("Publish without them")
    terminal.sendline(answer)
    terminal.expect(pexpect.EOF)
    assert editions(shop) == count
