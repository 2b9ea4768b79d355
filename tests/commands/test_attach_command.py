"""The command of attachments, as a user meets it: attach, list, save, remove, log, check, publish, export."""

import json
import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "library"))

from pictures_given import jpeg_of_a_telephone
from typer.testing import CliRunner

from casebase.commands.app import app

pytestmark = pytest.mark.slow

RECORD = """
kind: fault case
vehicle: {make: Norrvik, model: Fjellet}
symptoms: [no start]
review: {state: read and agreed, by: ingrid}
attachments:
  - {file: splice.jpg, shows: the splice, for_others: yes}
  - {file: gone.png}
"""


@pytest.fixture
def run(tmp_path):
    """A function that runs a command on a library of its own and gives its result."""

    def called(*arguments, expected=0):
        done = CliRunner().invoke(app, [*map(str, arguments), "--library", str(tmp_path / "shop.db")])
        assert done.exit_code == expected, done.output
        return done

    called("init")
    return called


@pytest.fixture
def case_id(run, tmp_path) -> str:
    """A case logged from a file with a picture beside it."""
    (tmp_path / "case.yaml").write_text(RECORD)
    (tmp_path / "splice.jpg").write_bytes(jpeg_of_a_telephone())
    done = run("log", tmp_path / "case.yaml", "--json")
    (one,) = json.loads(done.stdout)
    assert (
        f"'gone.png' is not beside the record; add it: casebase attach {one['case_id']} FILE" in done.stderr
    )
    return one["case_id"]


def test_log_takes_in_what_lies_beside_the_record(run, case_id):
    """The picture is kept; the one that is not there is told in one remark and stays a name."""
    listed = run("attach", case_id).stdout
    assert "splice.jpg (" in listed
    assert "for others): the splice" in " ".join(listed.split())
    assert "gone.png (only its name is known" in listed
    assert run("check").stdout.splitlines()[0] == "1 records, all whole."


def test_a_file_is_attached_saved_and_removed(run, case_id, tmp_path):
    """What comes out again is what is kept, never over something that stands there."""
    (tmp_path / "scan.txt").write_text("U0121\n")
    assert (
        "revision 2: revised" in run("attach", case_id, tmp_path / "scan.txt", "--shows", "the scan").stdout
    )
    assert "scan.txt" in run("show", case_id).stdout
    run("attach", case_id, "--save", "scan.txt", tmp_path / "out.txt")
    assert (tmp_path / "out.txt").read_text() == "U0121\n"
    again = run("attach", case_id, "--save", "scan.txt", tmp_path / "out.txt", expected=2)
    assert "something stands there already" in str(again.exception) + again.output
    left = json.loads(run("attach", case_id, "--remove", "scan.txt", "--json").stdout)
    assert [one["file"] for one in left["attachments"]] == ["splice.jpg", "gone.png"]


@pytest.mark.parametrize(
    "arguments",
    [
        ("--shows", "what"),
        ("--for-others",),
        ("a.txt", "--remove", "b"),
        ("--remove", "a", "--save", "b"),
        ("a", "b", "--save", "c"),
        ("gone.png",),
        ("--save", "gone.png"),
        ("--remove", "nothing"),
    ],
)
def test_what_does_not_go_together_is_refused(run, case_id, arguments):
    """In a sentence, with exit code 2; the case stays as it was."""
    run("attach", case_id, *arguments, expected=2)
    assert json.loads(run("attach", case_id, "--json").stdout)["revision"] == 1


def test_a_picture_goes_from_shop_to_shop_without_metadata(run, case_id, tmp_path, accept_all_words):
    """Published, exported, taken in by another shop: none of the planted strings in the raw bytes of any file."""
    accept_all_words(tmp_path / "shop.db")
    run("publish", tmp_path / "editions", "--by", "ingrid")
    told = json.loads(run("export", tmp_path / "north.zip", "--by", "North", "--json").stdout)
    assert told["attachments"] == 1
    other = tmp_path / "other.db"
    CliRunner().invoke(app, ["init", "--library", str(other)])
    taken = CliRunner().invoke(
        app,
        [
            *("import", str(tmp_path / "north.zip"), "--no-compare", "--library", str(other)),
            *("--fingerprint", told["fingerprint"]),
        ],
    )
    assert "Attached files checked and kept: 1." in taken.output
    for path in tmp_path.rglob("*"):
        if path.is_file() and path.name != "splice.jpg":
            assert b"PLANTED" not in path.read_bytes(), path


def test_check_names_a_file_that_is_gone(run, case_id, tmp_path):
    """By case and name, with exit code 1, and what to do."""
    next((tmp_path / "shop.db.files").glob("*/*")).unlink()
    said = " ".join(run("check", expected=1).stdout.split())
    assert f"case {case_id}, revision 1, attachment 'splice.jpg'" in said
    assert "bring it back from a backup, or attach it again" in said
    assert "not there: casebase check" in " ".join(run("attach", case_id).stdout.split())


@pytest.fixture
def telephone(tmp_path):
    """A function that puts a picture into a folder as a telephone does, each newer than the one before."""
    folder, shade = tmp_path / "telephone", iter(range(1, 99))
    folder.mkdir()

    def takes(name):
        step = next(shade)
        (folder / name).write_bytes(jpeg_of_a_telephone(width=320 + step))
        os.utime(folder / name, (1_700_000_000 + step, 1_700_000_000 + step))
        return folder

    return takes


def test_the_newest_pictures_of_a_folder_go_to_a_case(run, case_id, telephone):
    """Three taken in the bay, the two newest attached; what is no picture or text is passed over."""
    for name in ("old.jpg", "splice-2.jpg", "pin.jpg"):
        folder = telephone(name)
    (folder / "clip.mp4").write_bytes(b"x")
    left = json.loads(
        run("attach", case_id, "--from", folder, "--newest", "2", "--by", "bo", "--json").stdout
    )
    assert [one["file"] for one in left[0]["attachments"]][2:] == ["pin.jpg", "splice-2.jpg"]
    assert left[0]["revision"] == 2
    told = json.loads(run("show", case_id, "--history", "--json").stdout)
    assert (told[-1]["what"], told[-1]["by"]) == ("files changed", "bo")
    again = json.loads(run("attach", case_id, "--from", folder, "--newest", "2", "--json").stdout)
    assert again[0]["revision"] == 2


def test_each_picture_goes_to_the_case_that_its_name_names(run, case_id, telephone, tmp_path):
    """By the whole ID, wherever in the name and in capitals too; one without an ID is left, and told."""
    (tmp_path / "two.yaml").write_text(RECORD.replace("no start", "chimes"))
    (other,) = json.loads(run("log", tmp_path / "two.yaml", "--json").stdout)
    for name in (
        f"{case_id}.jpg",
        f"bay {other['case_id'].upper()} x9.jpg",
        f"{other['case_id']}-2.jpg",
        "IMG.jpg",
    ):
        folder = telephone(name)
    done = run("attach", "--from", folder)
    assert "Left: IMG.jpg: no ID of a case in its name" in done.stderr
    for one, count in ((case_id, 3), (other["case_id"], 4)):
        assert len(json.loads(run("attach", one, "--json").stdout)["attachments"]) == count
    left = run("attach", case_id, "--from", folder, "--newest", "4", "--json")
    assert f"names case {other['case_id']}" in left.stderr


def test_a_damaged_picture_among_them_attaches_none(run, case_id, telephone):
    """All of the folder or nothing, over all cases."""
    telephone(f"{case_id}.jpg")
    folder = telephone("other.jpg")
    (folder / f"a {case_id}.png").write_bytes(b"\x89PNG\r\n\x1a\nbroken")
    run("attach", "--from", folder, expected=2)
    assert json.loads(run("attach", case_id, "--json").stdout)["revision"] == 1


@pytest.mark.parametrize(
    "arguments",
    [
        ("--from", "no-folder"),
        ("--from", "."),
        ("--newest", "2"),
        ("--from", ".", "--remove", "x"),
        ("--from", ".", "a"),
    ],
)
def test_a_folder_that_holds_nothing_for_a_case_is_refused(run, case_id, arguments, tmp_path, monkeypatch):
    """In a sentence, whether there is no folder, nothing in it, or something that does not go with it."""
    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path / "empty")
    run("attach", case_id, *arguments, expected=2)
    assert json.loads(run("attach", case_id, "--json").stdout)["revision"] == 1


def test_a_case_or_a_folder_must_be_named(run, case_id, telephone):
    """Neither an ID nor names with one: nothing is guessed."""
    run("attach", expected=2)
    assert "nothing was attached" in run("attach", "--from", telephone("IMG.jpg"), expected=2).output
