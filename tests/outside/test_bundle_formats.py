"""A bundle read by others: jsonschema, sha256sum, a zip program and json alone, nothing of this project."""

import hashlib
import json
import subprocess
import sys
import zipfile
from pathlib import Path

import jsonschema
import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]


def casebase(*arguments, library):
    """Run the command on a library; it has to succeed."""
    done = subprocess.run(
        [sys.executable, "-m", "casebase", *map(str, arguments), "--library", str(library)],
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done


@pytest.fixture(scope="module")
def bundle(tmp_path_factory, accept_all_words):
    """The bundle that the demonstration library sends."""
    place = tmp_path_factory.mktemp("bundle")
    casebase("init", library=place / "shop.db")
    casebase("log", ROOT / "demo_cases", library=place / "shop.db")
    accept_all_words(place / "shop.db")
    casebase("export", place / "north.zip", "--by", "Workshop North", library=place / "shop.db")
    return place / "north.zip"


@pytest.fixture(scope="module")
def unpacked(bundle, tmp_path_factory):
    """The files of the bundle, unpacked by Python's own zipfile command in a process of its own."""
    out = tmp_path_factory.mktemp("unpacked")
    subprocess.run([sys.executable, "-m", "zipfile", "-e", str(bundle), str(out)], check=True, timeout=240)
    return out


def test_sha256sum_of_the_gnu_coreutils_finds_every_file_as_listed(unpacked):
    """`sha256sum --check --strict` reads SHA256SUMS as it stands."""
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", "SHA256SUMS"],
        cwd=unpacked,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    # The signature is of the sums, so they cannot hold its own.
    unlisted = {"SHA256SUMS", "signature.json"}
    files = [path for path in unpacked.rglob("*") if path.is_file() and path.name not in unlisted]
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) == len(files) >= 3


def test_every_record_fits_the_schema_that_lies_beside_it(unpacked):
    """The validator of draft 2020-12 with the bundle's own schema; a record with a key too many does not fit."""
    schema = json.loads((unpacked / "case.schema.json").read_text(encoding="utf-8"))
    validator = jsonschema.Draft202012Validator(schema)
    lines = (unpacked / "records.jsonl").read_text(encoding="utf-8").splitlines()
    records = [json.loads(line)["record"] for line in lines]
    assert len(records) == json.loads((unpacked / "bundle.json").read_text(encoding="utf-8"))["cases"] >= 40
    assert [error.message for record in records for error in validator.iter_errors(record)] == []
    assert not validator.is_valid(records[0] | {"made_up": 1})


def test_the_sha256_of_a_line_is_that_of_its_record_written_with_sorted_keys(unpacked):
    """SHA-256 by hashlib over json's own output: keys sorted, no spaces, UTF-8."""
    for line in (unpacked / "records.jsonl").read_text(encoding="utf-8").splitlines():
        told = json.loads(line)
        text = json.dumps(told["record"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256(text.encode()).hexdigest() == told["sha256"]


def test_no_member_tells_when_or_by_whom_it_was_packed(bundle):
    """The first day a zip file knows, plain files, no comments and no extra fields (APPNOTE 4.4)."""
    with zipfile.ZipFile(bundle) as archive:
        members = archive.infolist()
        assert archive.testzip() is None
        assert archive.comment == b""
    assert {member.date_time for member in members} == {(1980, 1, 1, 0, 0, 0)}
    assert {(member.comment, member.extra) for member in members} == {(b"", b"")}


def test_nothing_that_stays_inside_is_in_the_bytes_of_the_bundle(unpacked):
    """The demonstration's own VINs and customers' words, searched in what was unpacked."""
    whole = b"".join(path.read_bytes() for path in unpacked.rglob("*") if path.is_file())
    told = [json.loads(line)["record"] for line in (unpacked / "records.jsonl").read_text().splitlines()]
    assert not any("concern" in record or "vin" in record["vehicle"] for record in told)
    for key in (b'"concern":', b'"vin":', b'"cost":'):
        assert key not in (unpacked / "records.jsonl").read_bytes()
    assert b"Norrvik" in whole
