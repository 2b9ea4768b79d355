"""What a bundle may not be: each trap is refused in a sentence that names it, and nothing is taken in."""

import json
import stat
import struct
import sys
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from exchanged_bundles import changed_line, members_of, packed, sent, taken, with_right_sums

from casebase.errors import BundleError, CasebaseError, RecordError
from casebase.library.store import Library
from casebase.publish.bundle_archive import MOST_MEMBERS, traps_in
from casebase.publish.bundle_checks import checked_bundle, entries_of
from casebase.publish.public_fields import public_case

pytestmark = pytest.mark.slow


@pytest.fixture
def bundle(tmp_path, make_case):
    """A sound bundle of two cases."""
    with Library.create(tmp_path / "north.db") as north:
        north.log([make_case(symptoms=["chimes"]), make_case(symptoms=["stays dark"])])
        return sent(north, tmp_path / "sound.zip")


def refusal(path):
    """Return the sentences with which a bundle is refused."""
    with pytest.raises(CasebaseError) as refused:
        checked_bundle(path, public_case)
    return str(refused.value)


def with_member(bundle, out, name, content=b"x"):
    """Return the bundle with one file more."""
    return packed(out, [*members_of(bundle).items(), (name, content)])


def patched(bundle, out, find, put, times=None):
    """Return the bundle with bytes of the zip structure exchanged."""
    raw = bundle.read_bytes()
    assert find in raw
    out.write_bytes(raw.replace(find, put) if times is None else raw.replace(find, put, times))
    return out


# --- paths and kinds ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "../../etc/cron.d/casebase",
        "/etc/passwd",
        "..\\..\\autostart.bat",
        "C:\\Windows\\x",
        "attachments/../records.jsonl",
        "attachments/" + "A" * 64,
        "attachments/" + "0" * 63,
        "attachments/",
        "records.jsonl/",
        "Records.jsonl",
        "notes.txt",
        "\u202egpj.exe",
    ],
)
def test_a_file_that_is_not_of_a_bundle_is_refused(bundle, tmp_path, name):
    """Above all one whose name leads out of a folder."""
    assert "not a file of a bundle" in refusal(with_member(bundle, tmp_path / "trap.zip", name))


def test_a_name_that_ends_at_a_nul_byte_is_no_name_of_a_bundle(bundle, tmp_path):
    """Python's reader would cut the name there and take the rest for nothing."""
    trap = with_member(bundle, tmp_path / "a.zip", "records.jsonlXevil")
    assert "not a file of a bundle" in refusal(
        patched(trap, tmp_path / "trap.zip", b"records.jsonlXevil", b"records.jsonl\0evil")
    )


def test_a_symbolic_link_is_refused(bundle, tmp_path):
    """It could point anywhere."""
    link = zipfile.ZipInfo("attachments/" + "a" * 64)
    link.create_system, link.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    assert "a link" in refusal(with_member(bundle, tmp_path / "trap.zip", link, b"/etc/passwd"))


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_name_that_is_there_twice_is_refused(bundle, tmp_path):
    """Two programs might read two different files."""
    assert "there 2 times" in refusal(with_member(bundle, tmp_path / "trap.zip", "bundle.json", b"{}"))


def test_an_encrypted_file_is_refused(bundle, tmp_path):
    """Bit 0 of the general purpose flag (APPNOTE 4.4.4), in the list of members."""
    raw = bytearray(bundle.read_bytes())
    place = raw.index(b"PK\x01\x02") + 8
    raw[place] |= 1
    (tmp_path / "trap.zip").write_bytes(raw)
    assert "encrypted" in refusal(tmp_path / "trap.zip")


@pytest.mark.parametrize("missing", ["records.jsonl", "bundle.json", "SHA256SUMS", "case.schema.json"])
def test_a_bundle_without_one_of_its_files_is_refused(bundle, tmp_path, missing):
    """Half a bundle is none."""
    left = {name: content for name, content in members_of(bundle).items() if name != missing}
    assert f"{missing}: missing" in refusal(packed(tmp_path / "trap.zip", left.items()))


# --- sizes --------------------------------------------------------------------------------------------------------


def test_a_file_that_unpacks_to_more_than_is_allowed_is_refused_by_the_list_alone(bundle, tmp_path):
    """200 kB of zeros under the name of the small file that says who sent it."""
    members = members_of(bundle) | {"bundle.json": bytes(200_000)}
    assert "expected at most 100000" in refusal(packed(tmp_path / "trap.zip", members.items()))


def test_a_size_that_lies_is_found_while_reading(bundle, tmp_path):
    """The list says few bytes, the packed data hold more: reading stops one byte after what was said."""
    whole = members_of(bundle)["records.jsonl"]
    said, real = struct.pack("<L", len(whole) - 10), struct.pack("<L", len(whole))
    assert "records.jsonl is damaged" in refusal(patched(bundle, tmp_path / "trap.zip", real, said))


def test_a_ratio_beyond_what_deflate_can_do_is_refused(bundle, tmp_path):
    """1032 to 1 is the most (zlib's technical details, "Maximum expansion factor")."""
    with zipfile.ZipFile(bundle) as archive:
        member = archive.getinfo("records.jsonl")
        member.file_size, member.compress_size = 900_000_000, 1_000
        assert any("do not unpack" in trap for trap in traps_in(archive.infolist()))


@pytest.mark.parametrize(
    ("records", "packing", "said"),
    [
        (b"\n" * 2_000_000, zipfile.ZIP_DEFLATED, "bytes of a bundle do not unpack to 2000000"),
        (b"\n" * 2_000_000, zipfile.ZIP_STORED, "records.jsonl, line 1: an empty line"),
        (b"{}\n" * 200_000, zipfile.ZIP_STORED, "line 3: more than the 2 cases that the bundle says"),
        (b"[" * 5_000_000 + b"\n", zipfile.ZIP_STORED, "a line of more than 4000000 bytes"),
        (b"[" * 3_000_000 + b"\n", zipfile.ZIP_STORED, "line 1, the line: expected one case"),
    ],
    ids=["line ends", "line ends, stored", "empty objects", "a long line", "brackets"],
)
def test_records_made_to_exhaust_the_machine_are_refused_where_they_begin(
    bundle, tmp_path, records, packing, said
):
    """A few kilobytes that would unpack to millions of lines, each of them a problem of its own."""
    members = with_right_sums(members_of(bundle) | {"records.jsonl": records})
    with zipfile.ZipFile(tmp_path / "trap.zip", "w", packing) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    told = refusal(tmp_path / "trap.zip")
    assert said in told
    assert len(told) < 10_000


def test_of_many_problems_the_first_are_told(tmp_path, make_case):
    """Nobody mends more at once; reading on would only cost time."""
    with Library.create(tmp_path / "north.db") as north:
        north.log([make_case(symptoms=[f"number {number}"]) for number in range(120)])
        made = sent(north, tmp_path / "sound.zip")
    members = members_of(made)
    members["records.jsonl"] = members["records.jsonl"].replace(b'"fault case"', b'"rumour"')
    told = refusal(packed(tmp_path / "trap.zip", with_right_sums(members).items()))
    assert 50 <= len(told.splitlines()) <= 52
    assert "only the first 50 problems are told" in told


def test_files_that_share_their_bytes_are_refused(bundle, tmp_path):
    """The kernel of a zip bomb: many names for one packed piece (Fifield, A better zip bomb, WOOT 2019)."""
    names = ["attachments/" + digit * 64 for digit in "abcdef"]
    trap = packed(
        tmp_path / "trap.zip", [*members_of(bundle).items(), *((name, bytes(60_000)) for name in names)]
    )
    raw = bytearray(trap.read_bytes())
    first = raw.index(b"PK\x03\x04", raw.index(names[0].encode()) - 40)
    for name in names[1:]:
        entry = raw.rindex(name.encode()) - 46  # the central directory's entry: 46 bytes before the name
        struct.pack_into("<L", raw, entry + 42, first)
    trap.write_bytes(raw)
    assert "its bytes belong to" in refusal(trap)


def test_too_many_files_are_refused_at_once(bundle):
    """Before any of them is looked at."""
    with zipfile.ZipFile(bundle) as archive:
        many = archive.infolist()[:1] * (MOST_MEMBERS + 1)
    assert traps_in(many) == [f"{MOST_MEMBERS + 1} files in it: expected at most {MOST_MEMBERS}"]


# --- contents -----------------------------------------------------------------------------------------------------


def test_a_changed_byte_anywhere_is_found(bundle, tmp_path):
    """Every file stands in SHA256SUMS."""
    members = members_of(bundle)
    members["records.jsonl"] = members["records.jsonl"].replace(b"Norrvik", b"Norrwik")
    assert "records.jsonl does not match its SHA-256" in refusal(packed(tmp_path / "t.zip", members.items()))


def test_sums_that_leave_a_file_out_are_refused(bundle, tmp_path):
    """What is not listed is not checked."""
    members = members_of(bundle)
    lines = members["SHA256SUMS"].decode().splitlines(keepends=True)
    members["SHA256SUMS"] = "".join(lines[1:]).encode()
    assert "does not list the files" in refusal(packed(tmp_path / "t.zip", members.items()))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"version": 2}, "version 2 of the format, and this casebase knows version 1: update casebase"),
        ({"version": True}, "version True"),
        ({"format": "other"}, "expected the format 'casebase bundle'"),
        ({"shop": " "}, "no name of a shop"),
        ({"shop": "a\nb"}, "no name of a shop"),
        ({"made_on": "today"}, "no day"),
        ({"cases": 3}, "2 cases in it, and bundle.json says 3"),
        ({"attachments": 1}, "0 attachments in it"),
    ],
)
def test_what_the_bundle_says_of_itself_is_held_against_it(bundle, tmp_path, change, told):
    """Version, sender, day, and counts."""
    members = members_of(bundle)
    members["bundle.json"] = json.dumps(json.loads(members["bundle.json"]) | change).encode()
    assert told in refusal(packed(tmp_path / "t.zip", with_right_sums(members).items()))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda line: line.update(id="../../x"), "line 1"),
        (lambda line: line.update(revision=0), "a whole number from 1"),
        (lambda line: line.update(revision=True), "a whole number from 1"),
        (lambda line: line.update(sha256="0" * 64), "does not match the record"),
        (lambda line: line.update(earlier=["b" * 64, "a" * 64]), "a sorted list"),
        (lambda line: line.update(more=1), "not a key of a line"),
        (lambda line: line.pop("record"), "expected the record"),
        (
            lambda line: line["record"].update(concern="words of the customer"),
            "more than may go between shops",
        ),
        (lambda line: line["record"]["vehicle"].update(vin="1M8GDM9AXKP042788"), "more than may go between"),
        (lambda line: line["record"].update(kind="rumour"), "kind"),
        (lambda line: line["record"].update(lamps=[]), "not in canonical form"),
    ],
)
def test_a_record_that_does_not_fit_is_told_with_its_line(bundle, tmp_path, change, told):
    """Though all sums are right: whoever made the bundle may err, or lie."""
    said = refusal(changed_line(bundle, tmp_path / "t.zip", change))
    assert told in said
    assert "records.jsonl" in said


@pytest.mark.parametrize(
    "text",
    [
        b"\xff\xfe",
        b"{}",
        b"[" * 100_000 + b"\n",
        b'{"a":1,"a":2}\n',
        b"null\n",
        b'{"id":1e999}\n',
        b"\n",
        "{\u2028}\n".encode(),
    ],
)
def test_lines_that_are_no_records_are_refused_without_a_traceback(bundle, tmp_path, text):
    """Not UTF-8, half a line, nested too deep, a key twice, nothing."""
    members = members_of(bundle) | {"records.jsonl": text}
    assert "records.jsonl" in refusal(packed(tmp_path / "t.zip", with_right_sums(members).items()))


def test_the_same_version_of_a_case_twice_is_refused(bundle, tmp_path):
    """It would count twice."""
    members = members_of(bundle)
    members["records.jsonl"] *= 2
    members["bundle.json"] = members["bundle.json"].replace(b'"cases": 2', b'"cases": 4')
    said = refusal(packed(tmp_path / "t.zip", with_right_sums(members).items()))
    assert "expected each version of a case once" in said


@pytest.mark.parametrize(
    "content", [b"", b"PK", b"not a zip", b"PK\x03\x04" + b"\0" * 40, b"PK\x05\x06" + b"\0" * 18]
)
def test_what_is_no_zip_file_is_refused(tmp_path, content):
    """An empty file, half a file, something else."""
    (tmp_path / "t.zip").write_bytes(content)
    assert "no zip file" in refusal(tmp_path / "t.zip")


def test_a_program_that_is_a_zip_file_too_is_refused(bundle, tmp_path):
    """Bytes before the first member: two readers would see two different files."""
    (tmp_path / "t.zip").write_bytes(b"#!/bin/sh\n" + bundle.read_bytes())
    assert "does not begin as one" in refusal(tmp_path / "t.zip")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_whatever_happens_to_its_bytes_a_bundle_is_refused_or_the_same(bundle, tmp_path, data):
    """Bytes exchanged, cut off or put in at random: a sentence, or the very same records, and no traceback."""
    raw = bytearray(bundle.read_bytes())
    expected = [(entry.told_id, entry.sha256) for entry in entries_of(checked_bundle(bundle, public_case))]
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, max(len(raw) - 1, 0)))
        what = data.draw(st.sampled_from(("change", "cut", "put in")))
        if what == "change" and raw:
            raw[at] = data.draw(st.integers(0, 255))
        elif what == "cut":
            del raw[at : at + data.draw(st.integers(1, 200))]
        else:
            raw[at:at] = data.draw(st.binary(min_size=1, max_size=30))
    (tmp_path / "mutated.zip").write_bytes(raw)
    try:
        found = checked_bundle(tmp_path / "mutated.zip", public_case)
    except (BundleError, RecordError):
        return
    assert [(entry.told_id, entry.sha256) for entry in entries_of(found)] == expected


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("cases", 2.0),
        ("version", 1.0),
        ("attachments", False),
        ("made_on", "\u0662\u0660\u0662\u0666-\u0661\u0661-\u0662\u0665"),
    ],
)
def test_numbers_and_days_are_written_as_the_format_has_them(bundle, tmp_path, key, value):
    """2.0 is no count, and digits of other scripts (Unicode's Nd) are no ISO 8601."""
    members = members_of(bundle)
    about = json.loads(members["bundle.json"]) | {key: value}
    members["bundle.json"] = json.dumps(about).encode()
    assert "bundle.json" in refusal(packed(tmp_path / "t.zip", with_right_sums(members).items()))


def test_nothing_of_a_refused_bundle_is_kept(bundle, tmp_path):
    """The library is as it was, to the byte."""
    wrong = changed_line(bundle, tmp_path / "t.zip", lambda line: line["record"].update(kind="rumour"))
    with Library.create(tmp_path / "south.db") as south:
        before = list(south._db.conn.iterdump())
        with pytest.raises(CasebaseError):
            taken(south, wrong)
        assert list(south._db.conn.iterdump()) == before
