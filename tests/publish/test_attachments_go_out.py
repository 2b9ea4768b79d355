"""Attachments between the shop and everybody else: only those for others, bare, and looked at for private text."""

import hashlib
import json
import sqlite3
import sys
import zipfile
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "library"))

from exchanged_bundles import DAY, members_of, packed, taken, with_right_sums
from pictures_given import drawing, file_of, jpeg_of_a_telephone, png_of_an_editor

from casebase.errors import BundleError, EditionError, LibraryError
from casebase.library.accepted_files import kept_form
from casebase.library.attachments import attach
from casebase.library.file_store import AttachedFiles
from casebase.library.matching import Means
from casebase.library.store import Library
from casebase.publish.bundle import export_bundle
from casebase.publish.frozen import freeze
from casebase.publish.private_text import hits_in
from casebase.publish.public_fields import public_case, public_contents, with_what_stays_inside
from casebase.publish.taking_in import Became
from casebase.record.json_form import canonical_json

pytestmark = pytest.mark.slow

FOR_OTHERS = {"file": "splice.jpg", "shows": "the splice", "for_others": "yes", "sha256": "ab" * 32}
INSIDE = {"file": "brandvoll.jpg", "shows": "her car", "sha256": "cd" * 32}


@pytest.fixture
def library(tmp_path):
    """A library of one shop."""
    with Library.create(tmp_path / "north.db") as made:
        yield made


@pytest.fixture
def case_id(library, make_case, tmp_path) -> str:
    """A case with a picture and a text for others, and a picture that stays inside."""
    case_id = library.log([make_case(symptoms=["no start"])])[0].case_id
    for name, content in (
        ("splice.jpg", jpeg_of_a_telephone("OUT")),
        ("plan.png", png_of_an_editor("OUT")),
        ("scan.txt", b"ABS: U0121\nlost\n"),
    ):
        (tmp_path / name).write_bytes(content)
    attach(
        library,
        case_id,
        [tmp_path / name for name in ("splice.jpg", "plan.png", "scan.txt")],
        for_others=True,
    )
    (tmp_path / "brandvoll.jpg").write_bytes(jpeg_of_a_telephone("INSIDE", width=90))
    attach(library, case_id, [tmp_path / "brandvoll.jpg"], "her car at the door")
    return case_id


def contents_of(library):
    """Return what gives the bytes of a library's files."""
    return AttachedFiles(library.path).read


def sent(library, out):
    """Write all records to a bundle with their attachments."""
    records = library.records()
    export_bundle(library, records, out, "North", DAY, lambda: public_contents(records, contents_of(library)))
    return out


def frozen(library, out):
    """Freeze all records."""
    freeze(library.records(), out, {}, Means(), contents=contents_of(library))
    return out


def inside_sha256(library, case_id) -> str:
    """Return the SHA-256 of the picture that stays inside."""
    return next(str(one.sha256) for one in library.get(case_id).case.attachments if not one.goes_out)


def test_only_attachments_for_others_are_public(make_case):
    """The others are not named, and a name without a file helps nobody."""
    case = make_case(
        symptoms=["x"], attachments=[FOR_OTHERS, INSIDE, {"file": "lost.png", "for_others": "yes"}]
    )
    assert [one.file for one in public_case(case).attachments] == ["splice.jpg"]
    assert public_case(public_case(case)) == public_case(case)


def test_a_record_without_attachments_is_written_as_before(make_case):
    """Its canonical JSON, and with it its ID and SHA-256, know nothing of attachments."""
    assert "attachments" not in json.loads(canonical_json(make_case()))
    inside = make_case(symptoms=["x"], attachments=[INSIDE])
    assert canonical_json(public_case(inside)) == canonical_json(public_case(make_case(symptoms=["x"])))


def test_our_inside_attachments_stay_when_another_shop_sends_its_version(make_case):
    """What is public of the result is theirs; a picture that they have too is not kept twice."""
    ours = make_case(
        symptoms=["x"], attachments=[INSIDE, {**INSIDE, "file": "twin.jpg", "sha256": "ef" * 32}]
    )
    theirs = make_case(
        symptoms=["y"], attachments=[FOR_OTHERS, {**FOR_OTHERS, "file": "b.jpg", "sha256": "ef" * 32}]
    )
    kept = with_what_stays_inside(public_case(theirs), ours)
    assert [one.file for one in kept.attachments] == ["splice.jpg", "b.jpg", "brandvoll.jpg"]
    assert public_case(kept) == public_case(theirs)


def test_no_metadata_and_no_inside_picture_is_in_the_bytes_of_an_edition(library, case_id, tmp_path):
    """The raw file is searched: planted strings, the inside picture's name, SHA-256 and bytes."""
    raw = frozen(library, tmp_path / "cases.db").read_bytes()
    for private in (b"OUT-", b"INSIDE-", b"Brandvoll", b"brandvoll", b"her car"):
        assert private not in raw
    sha256 = inside_sha256(library, case_id)
    assert sha256.encode() not in raw
    assert contents_of(library)(sha256)[-60:] not in raw  # its coded data


def test_an_edition_holds_the_bytes_of_what_is_for_others(library, case_id, tmp_path):
    """Kind, size in pixels and content, by the order of their SHA-256; the same bytes on every run."""
    first = frozen(library, tmp_path / "one.db")
    with sqlite3.connect(first) as connection:
        rows = connection.execute("SELECT sha256, kind, bytes, width, height, content FROM files").fetchall()
    assert sorted(row[1] for row in rows) == ["image/jpeg", "image/png", "text/plain"]
    assert [row[0] for row in rows] == sorted(hashlib.sha256(row[5]).hexdigest() for row in rows)
    assert {(row[3], row[4]) for row in rows} == {(320, 200), (None, None)}
    assert frozen(library, tmp_path / "two.db").read_bytes() == first.read_bytes()


def test_an_edition_is_refused_when_a_file_is_missing(library, case_id, tmp_path):
    """Nothing is published without what its records name."""
    for path in AttachedFiles(library.path).folder.glob("*/*"):
        path.unlink()
    with pytest.raises(LibraryError, match="is not there"):
        frozen(library, tmp_path / "cases.db")
    assert not (tmp_path / "cases.db").exists()


def test_an_edition_is_refused_when_a_picture_still_tells_more(library, make_case, tmp_path):
    """Put among the library's files by other hands: looked at once more before it goes out."""
    sha256 = AttachedFiles(library.path).keep(jpeg_of_a_telephone())
    library.log([make_case(symptoms=["x"], attachments=[{**FOR_OTHERS, "sha256": sha256}])])
    for send in (frozen, sent):
        with pytest.raises(EditionError, match=r"attachment 'splice\.jpg': it holds more than a picture"):
            send(library, tmp_path / "out.zip")
    assert not (tmp_path / "out.zip").exists()


# --- private text


def hits_of(library, case_id, *names):
    """Return field and kind of what looks private in a case."""
    return [(hit.field, hit.kind) for hit in hits_in([library.get(case_id)], names, (), contents_of(library))]


def test_private_text_is_found_in_name_and_words_and_lines_of_what_is_for_others(library, case_id, tmp_path):
    """Each with its place; a picture that stays inside may be called what it is."""
    (tmp_path / "plate AB12 CDE_Brandvoll.txt").write_text("fine\nring +44 7400 123456\n")
    attach(
        library,
        case_id,
        [tmp_path / "plate AB12 CDE_Brandvoll.txt"],
        "VIN 1M8GDM9AXKP042788",
        for_others=True,
    )
    assert set(hits_of(library, case_id, "Brandvoll")) == {
        ("attachments[4].file", "a licence plate"),
        ("attachments[4].file", "a name"),
        ("attachments[4].shows", "a VIN"),
        ("attachments[4] plate AB12 CDE_Brandvoll.txt line 2", "a telephone number"),
    }


@pytest.mark.parametrize(
    "name",
    [
        "IMG_20260302_101112.jpg",
        "PXL_20260302_101112345.jpg",
        "20260302_101112.jpg",
        "2026-03-02 10.11.12.jpg",
        "DSC_0042.jpg",
        "Photo 2026-03-02 at 10.11.12.jpg",
        "scope trace 500 kbit.png",
    ],
)
def test_names_that_cameras_give_are_not_private(library, case_id, tmp_path, name):
    """Day and time read like a telephone number and are none (common practice, no source)."""
    (tmp_path / name).write_bytes(file_of(drawing(60, 40), "JPEG"))
    attach(library, case_id, [tmp_path / name], for_others=True)
    assert hits_of(library, case_id) == []


# --- between shops


@pytest.fixture
def south(tmp_path):
    """Another shop."""
    with Library.create(tmp_path / "south.db") as made:
        yield made


def test_attachments_travel_with_their_case(library, case_id, south, tmp_path):
    """They arrive as they are kept, nothing private in the bundle; taken in again nothing changes."""
    bundle = sent(library, tmp_path / "north.zip")
    unpacked = b"".join(members_of(bundle).values())
    for private in (b"OUT-", b"INSIDE-", b"Brandvoll", b"brandvoll"):
        assert private not in unpacked
    assert taken(south, bundle).counted()["new"] == 1
    assert south.faults() == []
    for one in south.get(case_id).case.attachments:
        assert contents_of(south)(str(one.sha256)) == contents_of(library)(str(one.sha256))
    assert taken(south, bundle).of(Became.NEW, Became.REVISED, Became.BESIDE) == []
    assert south.get(case_id).case.review.by is None


def test_a_third_shop_gets_them_from_the_second(library, case_id, south, tmp_path):
    """What is for others stays so."""
    taken(south, sent(library, tmp_path / "north.zip"))
    with Library.create(tmp_path / "west.db") as west:
        taken(west, sent(south, tmp_path / "south.zip"))
        assert west.faults() == []
        assert len(west.get(case_id).case.attachments) == 3


def changed(bundle, out, change):
    """Write a bundle again with its files changed and all sums and counts right."""
    members = members_of(bundle)
    change(members)
    about = json.loads(members["bundle.json"])
    about["attachments"] = sum(name.startswith("attachments/") for name in members)
    members["bundle.json"] = json.dumps(about).encode()
    return packed(out, with_right_sums(members).items())


def lacking(members):
    """Take an attachment out."""
    members.pop(next(name for name in members if name.startswith("attachments/")))


def added(content):
    """Return a change that adds a file which no record names."""
    return lambda members: members.update({f"attachments/{hashlib.sha256(content).hexdigest()}": content})


def swapped(content):
    """Return a change that puts other bytes in the place of a text, its record's SHA-256 and all sums made right."""

    def change(members):
        old = next(
            name for name, it in members.items() if name.startswith("attachments/") and it.startswith(b"ABS")
        )
        new = hashlib.sha256(content).hexdigest()
        del members[old]
        members[f"attachments/{new}"] = content
        line = json.loads(members["records.jsonl"])
        text = json.dumps(line["record"]).replace(old.removeprefix("attachments/"), new)
        line["record"] = json.loads(text)
        canonical = json.dumps(line["record"], ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        line["sha256"] = hashlib.sha256(canonical.encode()).hexdigest()
        whole = json.dumps(line, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        members["records.jsonl"] = f"{whole}\n".encode()

    return change


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lacking, "named by a record and not there"),
        (added(b"nobody named me"), "named by no record"),
        (swapped(jpeg_of_a_telephone()), "it holds more than a picture"),
        (swapped(png_of_an_editor()), "it holds more than a picture"),
        (swapped(kept_form("a.jpg", file_of(drawing(), "JPEG")).content[:-300]), "cut short"),
        (swapped(b"MZ\0\0\x80"), "not UTF-8 text"),
        (swapped(b"a\0b"), "NUL byte"),
        (swapped(b"x" * 1_000_001), "expected at most 1000000"),
    ],
)
def test_a_bundle_with_a_wrong_attachment_is_refused_whole(library, case_id, south, tmp_path, change, said):  # noqa: PLR0913, PLR0917
    """Missing, unasked for, with metadata, damaged, of another kind, too large: nothing of it is kept."""
    wrong = changed(sent(library, tmp_path / "north.zip"), tmp_path / "wrong.zip", change)
    with pytest.raises(BundleError, match=said):
        taken(south, wrong)
    assert south.count() == 0
    assert not AttachedFiles(south.path).folder.exists()


def test_the_bundle_names_attachments_by_the_sha256_of_their_bytes(library, case_id, tmp_path):
    """As FIPS 180-4 has it, by hashlib."""
    with zipfile.ZipFile(sent(library, tmp_path / "north.zip")) as archive:
        names = [name for name in archive.namelist() if name.startswith("attachments/")]
        assert len(names) == 3
        for name in names:
            assert hashlib.sha256(archive.read(name)).hexdigest() == name.removeprefix("attachments/")
