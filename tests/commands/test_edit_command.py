"""`casebase edit`, `undo`, `remove` and `show --history` as a user meets them; the editor is a shell script."""

import json
import os
import sys
from pathlib import Path

import pexpect
import pytest
from typer.testing import CliRunner

from casebase.commands.app import app
from casebase.library.authorship import Authorship, Made
from casebase.library.store import Library
from casebase.record.loading import case_from_data

pytestmark = pytest.mark.slow

RECORD = {
    "kind": "fault case",
    "vehicle": {"make": "Norrvik", "model": "Fjellet", "odometer": "188000 km"},
    "concern": "ABS lamp on",
    "steps": [{"did": "Full scan."}, {"did": "Ohms at the connector.", "found": "120 ohm"}],
    "provenance": {"author": "tova", "ended": "2026-11-20"},
    "review": {"state": "read and agreed", "by": "ingrid"},
}


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """The path of a library with one case, everything else kept beside it."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("VISUAL", raising=False)
    monkeypatch.delenv("CASEBASE_AUTHOR", raising=False)
    with Library.create(tmp_path / "shop.db") as library:
        library.log([case_from_data(RECORD, "a test")])
    return tmp_path / "shop.db"


@pytest.fixture
def case_id(shop):
    """The ID of the case."""
    with Library.open(shop) as library:
        return library.summaries()[0]["id"]


@pytest.fixture
def run(shop):
    """A function that runs a command on the library, the author tova, and gives its result."""

    def called(*arguments, by="tova", expected=0):
        who = ["--by", by] if by and arguments[0] in {"edit", "undo", "remove"} else []
        done = CliRunner().invoke(app, [*map(str, arguments), *who, "--library", str(shop)])
        assert done.exit_code == expected, done.output
        return " ".join(done.output.split())

    return called


def editor(tmp_path, monkeypatch, script):
    """Make EDITOR a shell script that is given the file."""
    path = tmp_path / "editor.sh"
    path.write_text(script)
    monkeypatch.setenv("EDITOR", f"sh {path}")


def record(shop, case_id):
    """Return the record and its revision."""
    with Library.open(shop) as library:
        kept = library.get(case_id)
    return kept.case, kept.revision


def text_left(shop):
    """Return the text that was left from an edit."""
    (path,) = (shop.parent / "data" / "casebase" / "drafts").glob("*.edit.yaml")
    return path.read_text(encoding="utf-8")


def test_a_field_is_set_by_its_name(run, shop, case_id):
    """One option, one revision; what changed is told, and the review begins anew."""
    assert "vehicle.odometer: 188000 km, now 188500 km" in run("edit", case_id, "--set", "odometer=188500km")
    case, revision = record(shop, case_id)
    assert (str(case.vehicle.odometer), revision) == ("188500 km", 2)
    assert (
        json.loads(
            CliRunner().invoke(app, ["show", case_id, "--history", "--json", "--library", str(shop)]).stdout
        )[1]["what"]
        == "edited"
    )


def test_several_fields_in_places_and_taken_out(run, shop, case_id):
    """Entries of lists by their number from 0, one more at the end; an empty value takes a field out."""
    settings = [
        "steps[1].found=60 ohm",
        "steps[2].did=Cleared.",
        "vehicle.odometer=",
        "conditions=wet",
        "cause.fault=low_open",
    ]
    run("edit", case_id, *(word for setting in settings for word in ("--set", setting)))
    case, _ = record(shop, case_id)
    assert [(step.did, step.found) for step in case.steps][1:] == [
        ("Ohms at the connector.", "60 ohm"),
        ("Cleared.", None),
    ]
    assert (case.vehicle.odometer, case.conditions, case.cause.fault) == (None, ["wet"], "low_open")


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        ("odomter=1", "did you mean 'odometer'?"),
        ("minutes=5", "fix.done: missing"),
        ("steps[9].did=x", "steps: 2 entries: expected [0] to [2]"),
        ("odometer", "expected FIELD=VALUE"),
        ("odometer=far", "vehicle.odometer is 'far'"),
        ("review.state=read and agreed", "said with casebase review"),
        ("id=4km025h3", "given by the library"),
        ("concern[0]=x", "not so deep"),
        ("Make!=x", "expected the name of a field"),
        ("kind=", "kind"),
    ],
)
def test_what_cannot_be_set_is_refused_in_a_sentence(run, shop, case_id, setting, said):
    """With what was expected; nothing is kept."""
    assert said in run("edit", case_id, "--set", setting, expected=2)
    assert record(shop, case_id)[1] == 1


def test_nobody_edits_without_a_name(run, case_id):
    """The variable that names one for all is told."""
    for command in (["edit", case_id, "--set", "note=x"], ["undo", case_id], ["remove", case_id]):
        assert "CASEBASE_AUTHOR" in run(*command, by="", expected=2)


def test_the_editor_keeps_what_fits(run, shop, case_id, tmp_path, monkeypatch):
    """What the lead said stands not in the text, nothing is left of it, and it waits to be read."""
    editor(tmp_path, monkeypatch, f"cp $1 {tmp_path}/seen; sed -i 's/ABS lamp on/ABS lamp on, chimes/' $1")
    assert "concern: ABS lamp on, now ABS lamp on, chimes" in run("edit", case_id)
    assert "review" not in (tmp_path / "seen").read_text()
    assert "ABS lamp on, chimes" in record(shop, case_id)[0].concern
    assert list((tmp_path / "data" / "casebase" / "drafts").iterdir()) == []
    with Library.open(shop) as library:
        assert [one.revision for one in library.read_and_agreed()] == [1]


@pytest.mark.parametrize("script", ["true", ": > $1", "sed -i 's/^#!.*//' $1"])
def test_nothing_changed_keeps_nothing(run, shop, case_id, tmp_path, monkeypatch, script):  # noqa: PLR0913, PLR0917
    """Left as it was, or emptied: no revision, no text left."""
    editor(tmp_path, monkeypatch, script)
    assert "othing changed" in run("edit", case_id)
    assert record(shop, case_id)[1] == 1
    assert list((tmp_path / "data" / "casebase" / "drafts").iterdir()) == []


def test_what_does_not_fit_comes_back_with_its_problems(run, shop, case_id, tmp_path, monkeypatch):
    """Each above its line; the same text is gone on with, and kept once it fits."""
    editor(
        tmp_path, monkeypatch, "sed -i 's/188000 km/far/; s/^concern/concren/; s/Full scan/Whole scan/' $1"
    )
    assert "nothing was kept; the text stays in" in run("edit", case_id, expected=2)
    assert record(shop, case_id)[1] == 1
    lines = text_left(shop).splitlines()
    for word, told in (
        ("odometer: far", "vehicle.odometer is 'far'"),
        ("concren:", "did you mean 'concern'?"),
    ):
        place = next(number for number, line in enumerate(lines) if word in line and "#!" not in line)
        assert told in lines[place - 1]
    editor(tmp_path, monkeypatch, "sed -i 's/: far/: 188400 km/; s/^concren/concern/' $1")
    assert "Going on with the text left in" in run("edit", case_id)
    case, revision = record(shop, case_id)
    assert (case.steps[0].did, str(case.vehicle.odometer), revision) == ("Whole scan.", "188400 km", 2)


def test_an_editor_may_save_in_utf_16(run, shop, case_id, tmp_path, monkeypatch):
    """With a byte order mark and the line ends of Windows, as its Notepad does (common practice, no source)."""
    script = [
        "import pathlib, sys",
        "path = pathlib.Path(sys.argv[1])",
        "text = path.read_text().replace('lamp on', 'lamp on, chimes')",
        "path.write_bytes(text.replace('\\n', '\\r\\n').encode('utf-16'))",
    ]
    (tmp_path / "save.py").write_text("\n".join(script))
    editor(tmp_path, monkeypatch, f"{sys.executable} {tmp_path}/save.py $1")
    assert "concern: ABS lamp on, now ABS lamp on, chimes" in run("edit", case_id)


def test_broken_notation_comes_back_too(run, shop, case_id, tmp_path, monkeypatch):
    """No YAML at all: told above it, what was typed is still there."""
    editor(tmp_path, monkeypatch, "printf 'note: [unclosed\\n' >> $1")
    run("edit", case_id, expected=2)
    assert "not readable as YAML" in text_left(shop)
    assert "note: [unclosed" in text_left(shop)


def test_an_editor_that_fails_keeps_the_text(run, shop, case_id, tmp_path, monkeypatch):
    """Not there, or ended with an error: the variable that names another is told."""
    for named in ("/no/such/editor", "false"):
        monkeypatch.setenv("EDITOR", named)
        assert "name an editor in the variable EDITOR" in run("edit", case_id, expected=2)
    assert record(shop, case_id)[1] == 1


def test_what_somebody_else_changed_meanwhile_is_told(run, shop, case_id, tmp_path, monkeypatch):
    """Neither change is lost: theirs is kept and told, ours stays in the text, to be kept knowingly."""
    theirs = f"{sys.executable} -m casebase edit {case_id} --set leftover=radio --by bo --library {shop}"
    editor(tmp_path, monkeypatch, f"{theirs} > /dev/null; sed -i 's/ABS lamp on/ABS lamp on, chimes/' $1")
    said = run("edit", case_id, expected=2)
    assert "somebody else changed it meanwhile" in said
    assert "revision 2 edited by bo leftover: added radio" in said
    assert record(shop, case_id)[0].leftover == "radio"
    assert "#!   leftover: added radio" in text_left(shop)
    editor(tmp_path, monkeypatch, "printf 'leftover: radio\\n' >> $1")
    run("edit", case_id)
    case, revision = record(shop, case_id)
    assert (case.concern, case.leftover, revision) == ("ABS lamp on, chimes", "radio", 3)


def test_an_edit_that_was_kept_but_not_tidied_up_changes_nothing(run, shop, case_id, tmp_path, monkeypatch):
    """Killed between the library's word and the removal of the text: the next edit finds nothing to change."""
    editor(tmp_path, monkeypatch, "sed -i 's/ABS lamp on/ABS lamp on, chimes/' $1; cp $1 $1.kept")
    run("edit", case_id)
    folder = tmp_path / "data" / "casebase" / "drafts"
    (folder / f"{case_id}.edit.yaml.kept").rename(folder / f"{case_id}.edit.yaml")
    editor(tmp_path, monkeypatch, "true")
    assert "Nothing changed." in run("edit", case_id)
    assert record(shop, case_id)[1] == 2


def test_one_undoes_ones_own_and_the_history_tells_it(run, shop, case_id):
    """Every change with its author, the words of the lead between them."""
    run("edit", case_id, "--set", "note=wrong")
    run("review", case_id, "--return", "which?", "--by", "ingrid")
    assert "Taken back" in run("undo", case_id)
    told = run("show", case_id, "--history")
    for part in (
        "revision 1 logged by tova",
        "revision 2 edited by tova note: added wrong",
        "revision 2 returned by ingrid: which?",
        "revision 3 taken back to revision 1 by tova note: taken out wrong",
    ):
        assert part in told
    run("undo", case_id, by="bo", expected=2)


def test_a_record_is_removed_told_and_brought_back(run, shop, case_id):
    """Out of the list, shown by its ID with who removed it and why."""
    run("remove", case_id, "--because", "logged twice")
    assert "No records" in run("list")
    assert "removed by tova on" in run("show", case_id)
    assert f"{case_id} ABS lamp on - Norrvik Fjellet, 188000 km: removed by tova on" in run(
        "list", "--removed"
    )
    for command in (["edit", case_id, "--set", "note=x"], ["attach", case_id, __file__]):
        assert "casebase remove" in run(*command, expected=2)
    assert "casebase remove" in run("review", case_id, "--agree", "--by", "ingrid", expected=2)
    run("remove", case_id, "--bring-back")
    assert case_id in run("list")
    assert "No record was removed." in run("list", "--removed")


def test_who_types_goes_back_to_the_editor_at_once(shop, case_id, tmp_path):
    """In a terminal what does not fit is asked about; Enter opens the editor again, and then it is kept."""
    script = tmp_path / "editor.sh"
    script.write_text(
        "if grep -q far $1; then sed -i 's/: far/: 188400 km/' $1; else sed -i 's/188000 km/far/' $1; fi"
    )
    terminal = pexpect.spawn(
        sys.executable,
        ["-m", "casebase", "edit", case_id, "--by", "tova", "--library", str(shop)],
        env=os.environ | {"EDITOR": f"sh {script}", "TERM": "dumb"},
        encoding="utf-8",
        timeout=120,
    )
    terminal.expect("Back to the editor")
    terminal.sendline("")
    terminal.expect(pexpect.EOF)
    assert str(record(shop, case_id)[0].vehicle.odometer) == "188400 km"


def test_two_windows_do_not_write_into_one_text(run, shop, case_id, tmp_path, monkeypatch):
    """The second is told where the first one is."""
    second = f"{sys.executable} -m casebase edit {case_id} --by tova --library {shop} > {tmp_path}/said 2>&1"
    editor(tmp_path, monkeypatch, f"[ -e {tmp_path}/said ] || {second}; true")
    run("edit", case_id)
    assert "being edited in another window" in Path(tmp_path / "said").read_text()


def test_what_the_lead_edited_is_not_the_authors_to_take_back(shop, case_id, run):
    """A revision is taken back by who made it."""
    with Library.open(shop) as library:
        kept = library.get(case_id)
        changed = kept.case.model_copy(update={"id": case_id, "note": "[name]"})
        library.log([changed], Authorship(Made.EDITED, "ingrid"))
    assert "is ingrid's" in run("undo", case_id, expected=2)
