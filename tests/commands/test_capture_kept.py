"""A capture that goes into a job: its readings, the file itself, and its trace, by the command as a user runs it."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pexpect
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

from synthetic_captures import Bus, Sent, volts_of

from casebase.library import recordings
from casebase.library.recordings import keep_capture
from casebase.library.store import Library

pytestmark = pytest.mark.slow

JOB = "kind: fault case\nvehicle: {make: Norrvik, model: Fjellet}\nsymptoms: [stays dark]\n"
JOB += "networks: [{name: powertrain CAN, medium: high-speed CAN}]\n"


def casebase(*arguments, library):
    """Run the command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "casebase", *map(str, arguments), "--library", str(library)],
        capture_output=True,
        text=True,
        env=os.environ | {"COLUMNS": "100"},
        timeout=120,
        check=False,
    )


@pytest.fixture
def job(tmp_path):
    """A library with one open job, its ID, and a capture beside it."""
    (tmp_path / "job.yaml").write_text(JOB)
    volts, _ = volts_of(
        [Sent(0x123, bytes(4)), Sent(0x7DF, b"\x02\x10", spoil="crc")],
        (20, 60),
        Bus(samples_per_second=20e6),
        np.random.default_rng(1),
    )
    np.save(tmp_path / "pair.npy", volts)
    library = tmp_path / "shop.db"
    assert casebase("init", library=library).returncode == 0
    assert casebase("log", tmp_path / "job.yaml", library=library).returncode == 0
    (row,) = json.loads(casebase("list", "--json", library=library).stdout)
    return library, row["case_id"], tmp_path / "pair.npy"


def captured(job, *more):
    """Put the capture into the job."""
    library, case_id, file = job
    return casebase(
        "capture",
        file,
        "--samples-per-second",
        "20e6",
        "--job",
        case_id,
        "--ignition",
        "on",
        *more,
        library=library,
    )


def test_a_capture_brings_readings_and_stays_with_the_job(job):
    """A waveform and two averages; the trace may leave the shop, the capture itself not."""
    done = captured(job)
    assert done.returncode == 0, done.stderr
    assert "Close up: 7DF, CRC does not fit" in done.stdout
    library, case_id, file = job
    record = json.loads(casebase("show", case_id, "--json", library=library).stdout)["record"]
    assert [reading["quantity"] for reading in record["readings"]] == ["waveform", "voltage", "voltage"]
    trace, capture = record["attachments"]
    assert (trace["file"], trace["for_others"]) == ("pair.trace.csv", "yes")
    assert (capture["file"], capture.get("for_others")) == ("pair.npy", None)
    with Library.open(library) as kept:
        folder = kept.path.with_name("shop.db.files")
        assert (folder / capture["sha256"][:2] / capture["sha256"]).read_bytes() == file.read_bytes()
        assert kept.faults() == []


def test_in_a_terminal_the_state_of_the_vehicle_is_asked_once(job):
    """What was not said on the command line; it stands with every reading of the capture."""
    library, case_id, file = job
    arguments = ["-m", "casebase", "capture", str(file), "--samples-per-second", "20e6", "--job", case_id]
    child = pexpect.spawn(
        sys.executable, [*arguments, "--library", str(library)], timeout=120, encoding="utf-8"
    )
    child.expect("Ignition while it was captured")
    child.sendline("on")
    child.expect("Unplugged meanwhile")
    child.sendline("ABS, EPS")
    child.expect("Added to job")
    child.expect(pexpect.EOF)
    record = json.loads(casebase("show", case_id, "--json", library=library).stdout)["record"]
    told = {(reading["ignition"], tuple(reading["unplugged"])) for reading in record["readings"]}
    assert told == {("on", ("ABS", "EPS"))}


def test_the_same_capture_twice_is_kept_once(job):
    """Its readings are there twice then: that is for the technician to say."""
    assert captured(job).returncode == captured(job, "--stage", "after repair").returncode == 0
    library, case_id, _ = job
    record = json.loads(casebase("show", case_id, "--json", library=library).stdout)["record"]
    assert [one["file"] for one in record["attachments"]] == ["pair.trace.csv", "pair.npy"]
    assert {reading.get("stage", "as found") for reading in record["readings"]} == {
        "as found",
        "after repair",
    }


def test_what_is_no_capture_leaves_the_job_as_it_was(job):
    """One sentence, exit code 2, no revision and no file."""
    library, case_id, file = job
    file.write_bytes(file.read_bytes()[:90])
    done = captured(job)
    assert done.returncode == 2
    assert done.stderr.count("Error: ") == 1
    assert "Traceback" not in done.stderr
    assert json.loads(casebase("show", case_id, "--json", library=library).stdout)["revision"] == 1
    assert not library.with_name("shop.db.files").exists()


def test_a_capture_that_is_too_large_is_not_kept(tmp_path, monkeypatch):
    """It is said to the caller; what was there stays."""
    monkeypatch.setattr(recordings, "LARGEST_KEPT_BYTES", 10)
    (tmp_path / "pair.npy").write_bytes(bytes(11))
    with Library.create(tmp_path / "shop.db") as library:
        kept = keep_capture(library, [], tmp_path / "pair.npy", None, "as found, DLC")
    assert (kept.attachments, kept.too_large) == ([], True)


def test_another_file_of_the_same_name_keeps_its_name(tmp_path):
    """The later one gets a number."""
    with Library.create(tmp_path / "shop.db") as library:
        (tmp_path / "pair.npy").write_bytes(b"one")
        first = keep_capture(library, [], tmp_path / "pair.npy", None, "as found, DLC").attachments
        (tmp_path / "pair.npy").write_bytes(b"two")
        both = keep_capture(library, first, tmp_path / "pair.npy", None, "after repair, DLC").attachments
    assert [one.file for one in both] == ["pair.npy", "pair-2.npy"]
