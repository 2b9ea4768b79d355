"""Files of a case: taken in, kept once beside the library, told when they are missing or changed."""

import os
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from pictures_given import drawing, file_of, jpeg_of_a_telephone

from casebase.errors import CasebaseError, InputError, LibraryError
from casebase.library.accepted_files import LARGEST_TEXT_BYTES, MOST_OF_A_CASE, taken_file
from casebase.library.attachments import attach, attachment_of, content_of, take_off, with_files_beside
from casebase.library.file_store import AttachedFiles, files_folder
from casebase.library.store import Library, Outcome
from casebase.record.vocabulary import Review


@pytest.fixture
def case_id(library: Library, make_case) -> str:
    """A case that the lead has read, without files."""
    return library.log([make_case(review={"state": "read and agreed", "by": "ingrid"})])[0].case_id


@pytest.fixture
def picture(tmp_path: Path) -> Path:
    """A picture as a telephone takes it."""
    path = tmp_path / "splice.jpg"
    path.write_bytes(jpeg_of_a_telephone())
    return path


@pytest.mark.of_the_file
def test_a_picture_becomes_part_of_a_new_revision(library, case_id, picture):
    """It is named by the SHA-256 of what is kept, and stays inside unless somebody says otherwise."""
    logged = attach(library, case_id, [picture], "green copper in S204")
    (told,) = library.get(case_id).case.attachments
    assert (logged.revision, logged.outcome) == (2, Outcome.REVISED)
    assert (told.file, told.shows, told.for_others) == ("splice.jpg", "green copper in S204", None)
    kept = files_folder(library.path) / str(told.sha256)[:2] / str(told.sha256)
    assert kept.read_bytes() == content_of(library, library.get(case_id), "splice.jpg")
    assert b"PLANTED" not in kept.read_bytes()


def test_a_case_with_a_new_file_waits_to_be_read_again(library, case_id, picture):
    """What the lead agreed to did not hold that picture: it stays as it was until the new revision is agreed to."""
    assert len(library.read_and_agreed()) == 1
    attach(library, case_id, [picture], for_others=True)
    assert library.get(case_id).case.review.state is Review.NOT_READ
    (agreed,) = library.read_and_agreed()
    assert (agreed.revision, agreed.case.attachments) == (1, [])


@pytest.mark.of_the_file
def test_the_same_file_twice_is_one(library, case_id, picture):
    """Its bytes are kept once; telling more of it later changes what is told."""
    attach(library, case_id, [picture])
    assert attach(library, case_id, [picture]).outcome is Outcome.ALREADY_THERE
    attach(library, case_id, [picture], "the splice", for_others=True)
    assert [(one.shows, one.goes_out) for one in library.get(case_id).case.attachments] == [
        ("the splice", True)
    ]
    assert len(list(files_folder(library.path).glob("*/*"))) == 1


def test_another_file_of_the_same_name_is_refused(library, case_id, picture):
    """Nobody could say which of the two is meant."""
    attach(library, case_id, [picture])
    picture.write_bytes(file_of(drawing(50, 50), "JPEG"))
    with pytest.raises(LibraryError, match=r"another file called 'splice\.jpg' is attached"):
        attach(library, case_id, [picture])


def test_a_file_taken_off_stays_with_the_earlier_revision(library, case_id, picture):
    """Nothing that was once kept is lost; the library stays whole."""
    attach(library, case_id, [picture])
    sha256 = str(library.get(case_id).case.attachments[0].sha256)
    take_off(library, case_id, sha256[:8])
    assert library.get(case_id).case.attachments == []
    assert library.files.bytes_of(sha256)
    assert library.faults() == []
    with pytest.raises(LibraryError, match=r"no file 'splice\.jpg' is attached: expected one of none"):
        attachment_of(library.get(case_id), "splice.jpg")


def test_text_is_kept_as_it_is(library, case_id, tmp_path):
    """A scan report in UTF-8."""
    (tmp_path / "scan.txt").write_bytes("U0121\r\nVerbindung zum ABS-Steuergerät\r\n".encode())
    attach(library, case_id, [tmp_path / "scan.txt"])
    assert content_of(library, library.get(case_id), "scan.txt").startswith(b"U0121\r\nVerbindung")


def test_a_text_in_utf_16_is_kept_in_utf_8(tmp_path):
    """As Windows saves it, with a byte order mark (RFC 2781, 4.3)."""
    (tmp_path / "scan.txt").write_bytes("U0121 größer".encode("utf-16"))
    assert taken_file(tmp_path / "scan.txt").content.decode("utf-8") == "U0121 größer"


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("scope.pdf", b"%PDF-1.7", "not a kind of file that is kept: expected a picture"),
        ("run.exe", b"MZ", "not a kind of file that is kept"),
        ("plan.svg", b"<svg xmlns='http://www.w3.org/2000/svg'/>", "not a kind of file that is kept"),
        ("page.html", b"<html>", "not a kind of file that is kept"),
        ("photo.jpg", b"not a picture", "not a kind of file that is kept"),
        ("scan.txt", b"", "an empty file"),
        ("scan.csv", "größer".encode("latin-1"), r"not UTF-8 text \(byte 2\): save it as UTF-8"),
        ("scan.log", b"U0121\0", "holds a NUL byte"),
        ("scan.log", b"x" * (LARGEST_TEXT_BYTES + 1), "1000001 bytes: expected at most 1000000"),
        ("photo.jpg", b"\xff\xd8\xff" + bytes(20_000_000), "expected at most 20000000"),
    ],
)
def test_what_is_no_picture_and_no_text_is_refused(tmp_path, name, content, said):
    """In a sentence that says what is taken."""
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=said):
        taken_file(tmp_path / name)


def test_all_files_given_are_attached_or_none(library, case_id, picture, tmp_path):
    """The second one is not there."""
    with pytest.raises(InputError, match="there is no such file"):
        attach(library, case_id, [picture, tmp_path / "gone.png"])
    assert library.get(case_id).case.attachments == []


@pytest.mark.slow
def test_a_case_holds_so_many_files_and_no_more(library, case_id, tmp_path):
    """Above fifty nobody looks."""
    paths = [tmp_path / f"{number}.txt" for number in range(MOST_OF_A_CASE + 1)]
    for path in paths:
        path.write_text(path.name)
    with pytest.raises(InputError, match="51 attached files: expected at most 50"):
        attach(library, case_id, paths)
    attach(library, case_id, paths[:-1])


def test_a_pipe_or_a_folder_is_no_file(tmp_path):
    """A pipe would be read for ever."""
    os.mkfifo(tmp_path / "pipe.txt")
    for path in (tmp_path / "pipe.txt", tmp_path):
        with pytest.raises(InputError, match="plain file"):
            taken_file(path)


# --- beside a record file


def named(make_case, *names: str, **keys: str):
    """Return a record that names files."""
    return make_case(attachments=[{"file": name, **keys} for name in names])


def test_files_beside_a_record_are_taken_in_by_their_names(library, make_case, tmp_path):
    """A picture, a text, and one that is not there: told, not refused. Logged again nothing is doubled."""
    (tmp_path / "w.webp").write_bytes(file_of(drawing(), "WEBP"))
    (tmp_path / "scan.txt").write_text("U0121")
    first, again = (
        with_files_beside(library, named(make_case, "w.webp", "scan.txt", "gone.png"), tmp_path) for _ in "12"
    )
    assert first.missing == ["gone.png"]
    assert [(one.file, bool(one.sha256)) for one in first.case.attachments] == [
        ("w.jpg", True),
        ("scan.txt", True),
        ("gone.png", False),
    ]
    assert first.case == again.case
    assert [one.outcome for one in library.log([first.case, again.case])] == [
        Outcome.NEW,
        Outcome.ALREADY_THERE,
    ]
    assert library.faults() == []


def test_a_record_written_out_and_logged_again_keeps_its_files(
    library, case_id, picture, make_case, tmp_path
):
    """They are known by their SHA-256; nothing need lie beside it."""
    attach(library, case_id, [picture])
    case = library.get(case_id).case
    found = with_files_beside(library, case, tmp_path / "elsewhere")
    assert found.case == case
    assert found.missing == []


def test_a_made_up_sha256_names_no_file(library, make_case, tmp_path):
    """As in the example of the template."""
    found = with_files_beside(library, named(make_case, "a.png", sha256="0f" * 32), tmp_path)
    assert (found.missing, found.case.attachments[0].sha256) == (["a.png"], None)


@pytest.mark.parametrize("name", ["..", "."])
def test_a_name_that_is_a_folder_is_refused(library, make_case, tmp_path, name):
    """The format refuses slashes; these two are left."""
    with pytest.raises(InputError, match="expected the name of a file beside the record"):
        with_files_beside(library, named(make_case, name), tmp_path)


@pytest.mark.of_the_file
def test_a_link_beside_a_record_is_not_followed(library, make_case, tmp_path):
    """A folder of records that somebody sent could point at the reader's own files."""
    (tmp_path / "secret.txt").write_text("key")
    folder = tmp_path / "sent"
    folder.mkdir()
    (folder / "notes.txt").symlink_to(tmp_path / "secret.txt")
    with pytest.raises(InputError, match="expected a plain file"):
        with_files_beside(library, named(make_case, "notes.txt"), folder)
    assert not files_folder(library.path).exists()


def test_two_pictures_that_become_alike_in_name_keep_names_of_their_own(library, make_case, tmp_path):
    """a.gif and a.png both become PNG files."""
    for kind, side in (("GIF", 20), ("PNG", 30)):
        (tmp_path / f"a.{kind.lower()}").write_bytes(file_of(drawing(side, side), kind))
    found = with_files_beside(library, named(make_case, "a.gif", "a.png"), tmp_path)
    assert [one.file for one in found.case.attachments] == ["a.png", "a-2.png"]


# --- whole or not


@pytest.mark.of_the_file
def test_a_missing_or_changed_file_is_told_by_case_and_name(library, case_id, picture):
    """Reading refuses it, and the check names it once, though two revisions do."""
    attach(library, case_id, [picture])
    attach(library, case_id, [picture], "the splice")
    sha256 = str(library.get(case_id).case.attachments[0].sha256)
    path = AttachedFiles(library.path).path_of(sha256)
    path.write_bytes(path.read_bytes()[:-1] + b"\0")
    (fault,) = library.faults()
    assert fault.startswith(f"case {case_id}, revision 2, attachment 'splice.jpg': ")
    assert "not the file that was attached" in fault
    with pytest.raises(LibraryError, match="changed or damaged"):
        content_of(library, library.get(case_id), "splice.jpg")
    path.unlink()
    assert "is not there" in library.faults()[0]


@pytest.mark.of_the_file
def test_a_damaged_file_is_mended_by_attaching_it_again(library, case_id, picture):
    """Its name is its content."""
    attach(library, case_id, [picture])
    path = AttachedFiles(library.path).path_of(str(library.get(case_id).case.attachments[0].sha256))
    path.write_bytes(b"rot")
    attach(library, case_id, [picture])
    assert library.faults() == []


@pytest.mark.of_the_file
def test_a_file_that_no_record_names_is_counted_after_an_hour(library, case_id, picture):
    """Whoever was stopped between the file and the record leaves one; a young one may be on its way."""
    attach(library, case_id, [picture])
    sha256 = AttachedFiles(library.path).keep(b"left over")
    assert library.left_over_files().files == 0
    hours_ago = time.time() - 7200
    for path in files_folder(library.path).glob("*/*"):
        os.utime(path, (hours_ago, hours_ago))
    assert (library.left_over_files().files, library.left_over_files().bytes) == (1, 9)
    assert AttachedFiles(library.path).read(sha256) == b"left over"
    assert library.faults() == []


@pytest.mark.of_the_file
def test_a_file_that_cannot_be_kept_leaves_the_case_as_it_was(library, case_id, picture, monkeypatch):
    """No room on the disk: one sentence, no half file, no revision."""

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("casebase.files.os.fsync", full)
    with pytest.raises(CasebaseError, match="No space left on device"):
        attach(library, case_id, [picture])
    assert library.get(case_id).revision == 1
    assert not [path for path in files_folder(library.path).glob("**/*") if path.is_file()]


@pytest.mark.of_the_file
def test_whoever_may_read_the_library_may_read_its_files(library, case_id, picture):
    """Neither more nor fewer people."""
    library.path.chmod(0o640)
    attach(library, case_id, [picture])
    (path,) = files_folder(library.path).glob("*/*")
    assert path.stat().st_mode & 0o777 == 0o640
