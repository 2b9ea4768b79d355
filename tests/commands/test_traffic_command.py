"""Logs of the bus as a technician meets them: the command, its page, its JSON, the step it leaves in a case."""

import json
import subprocess
import sys

import can
import pytest
from typer.testing import CliRunner

from casebase.commands.app import app
from casebase.library.store import Library
from casebase.record.loading import case_from_data
from tests.intake.bus_log.invented_logs import BRAKES, CLUSTER, ENGINE, errors, messages, silent, write

pytestmark = pytest.mark.slow

JOB = {
    "kind": "fault case",
    "vehicle": {"make": "Norrvik", "model": "Fjellet"},
    "networks": [{"name": "powertrain CAN", "medium": "high-speed CAN", "bit_rate": "500 kbit/s"}],
    "modules": [{"name": "ABS", "identifiers": [f"{one.identifier:03X}" for one in BRAKES]}],
}


def casebase(*arguments):
    """Run the command."""
    return CliRunner().invoke(app, list(map(str, arguments)))


@pytest.fixture
def drive(tmp_path):
    """A log in which the brakes stop at 12 s, after errors, and the known-good one."""
    sent = messages((*ENGINE, *silent(BRAKES, (12, 99)), *CLUSTER), 30)
    write(tmp_path / "drive.log", sent + errors(11.9 + 0.001 * place for place in range(20)))
    write(tmp_path / "gone.log", messages((*ENGINE, *CLUSTER), 30))
    write(tmp_path / "good.blf", messages((*ENGINE, *BRAKES, *CLUSTER), 30))
    return tmp_path


@pytest.fixture
def job(drive):
    """A case that lists what ABS sends, in a library."""
    with Library.create(drive / "shop.db") as library:
        return library.log([case_from_data(JOB, "job")])[0].case_id


def test_who_fell_silent_comes_first(drive):
    """After what the log comes to; then error frames, the bus, and the identifiers."""
    done = casebase("traffic", drive / "drive.log", "--bit-rate", "500 kbit/s")
    assert done.exit_code == 0, done.output
    places = [
        done.stdout.index(text)
        for text in (
            "In short",
            "Three identifiers (1A0, 1A4, 1B0), perhaps one module, stop at",
            "Who fell silent",
            "1A0, 1A4, 1B0 (together",
            "Error frames",
            "20 error frames, the first",
            "load",
            "7 identifiers",
        )
    ]
    assert places == sorted(places)


def test_a_known_good_log_and_a_table_name_the_silent_module(drive):
    """Together with what missing can mean."""
    (drive / "modules.csv").write_text("identifier,module\n1A0,ABS\n1A4,ABS\n1B0,ABS\n")
    done = casebase(
        "traffic", drive / "gone.log", "--known-good", drive / "good.blf", "--modules", drive / "modules.csv"
    )
    told = " ".join(done.stdout.split())
    assert "ABS: all 3 identifiers it should send are missing" in told
    assert "a gateway or the log did not carry it" in told


def test_a_table_without_a_known_good_log_tells_what_was_never_seen(drive):
    """Its module is silent, or on another bus."""
    (drive / "modules.yaml").write_text("ABS: [1A0, 1A4]\nIPC: 400\n")
    told = casebase("traffic", drive / "gone.log", "--modules", drive / "modules.yaml").stdout
    assert "ABS: 1A0, 1A4" in told
    assert "IPC: " not in told


def test_a_long_table_is_bounded_until_all_is_asked_for(tmp_path):
    """Thirty identifiers: twenty, then all."""
    sent = [
        can.Message(
            timestamp=1 + place / 1000, arbitration_id=0x100 + place % 30, is_extended_id=False, channel=0
        )
        for place in range(900)
    ]
    path = write(tmp_path / "many.log", sent)
    short, whole = casebase("traffic", path).stdout, casebase("traffic", path, "--all").stdout
    assert "and 10 more; --all lists them" in short
    assert "11D" not in short
    assert "11D" in whole


def test_json_holds_what_the_page_tells(drive):
    """Numbers in seconds and bits."""
    done = casebase(
        "traffic", drive / "drive.log", "--bit-rate", "500k", "--json", "--known-good", drive / "good.blf"
    )
    told = json.loads(done.stdout)
    (bus,) = told["channels"]
    (silence,) = bus["silences"]
    assert silence["identifiers"] == ["1A0", "1A4", "1B0"]
    assert silence["begin"] == pytest.approx(12, abs=0.03)
    assert silence["end"] is None
    assert silence["error_frames_near"] == bus["error_frames"]["count"] == 20
    assert 0 < bus["load"]["without_stuffing"] < bus["load"]["mean"] < bus["load"]["peak"] < 1
    assert [one["identifier"] for one in bus["identifiers"]][:2] == ["0C8", "0D0"]
    assert sum(bus["bits_over_time"]["bits_per_second"]) == pytest.approx(
        bus["bits"]["with_stuffing"], rel=0.01
    )
    assert bus["difference"]["missing"] == []


def test_a_case_keeps_what_was_found_as_a_step(drive, job):
    """It lends its bit rate and its modules; the same log twice is one step; no reading is made up."""
    command = ("traffic", drive / "drive.log", "--job", job, "--library", drive / "shop.db")
    done = casebase(*command)
    assert done.exit_code == 0, done.output
    assert f"Kept as a step of case {job}, revision 2." in done.stdout
    assert "without the bit rate" not in done.stdout
    casebase(*command)
    with Library.open(drive / "shop.db") as library:
        kept = library.get(job)
    assert kept.revision == 2
    (step,) = kept.case.steps
    assert step.did.startswith("logged the bus (drive.log: ")
    assert "ABS, all it sends at a period (1A0, 1A4, 1B0) fell silent at 1" in step.found
    assert kept.case.readings == []
    assert kept.case.modules[0].answers is None


def test_nothing_is_kept_of_a_log_that_is_damaged(drive, job):
    """One sentence, exit code 2, the case as it was."""
    whole = (drive / "drive.log").read_bytes()
    (drive / "cut.log").write_bytes(whole[:40_000] + b"\n" + whole[40_000:])
    done = casebase("traffic", drive / "cut.log", "--job", job, "--library", drive / "shop.db")
    assert done.exit_code == 2
    assert done.stderr.startswith(f"Error: {drive / 'cut.log'}: line ")
    with Library.open(drive / "shop.db") as library:
        assert library.get(job).revision == 1


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("drive.log", "--bit-rate", "500"), "has no unit"),
        (("drive.log", "--known-good", "none.log"), "no such file"),
        (("drive.log", "--modules", "none.csv"), "cannot be read"),
        (("none.log",), "no such file"),
    ],
)
def test_what_does_not_fit_is_said_in_a_sentence(arguments, told, drive):
    """Exit code 2."""
    done = casebase("traffic", *[drive / one if "." in one else one for one in arguments])
    assert done.exit_code == 2
    assert done.stderr.startswith("Error: ")
    assert told in done.stderr


def test_the_command_runs_in_a_process_of_its_own(drive):
    """A damaged MF4 log leaves one sentence on stderr, and nothing that asammdf would say besides."""
    (drive / "log.mf4").write_bytes(b"MDF     4.10    " + bytes(500))
    done = subprocess.run(
        [sys.executable, "-m", "casebase", "traffic", str(drive / "log.mf4")],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.startswith("Error: ")
    assert "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_job_is_held_against_the_log_of_a_known_good_record_of_its_model(drive, job):
    """The log stays with the record of the healthy vehicle; a job on that model is compared with it unasked."""
    shop = drive / "shop.db"
    good = case_from_data(
        {
            "kind": "known good",
            "vehicle": {"make": "Norrvik", "model": "Fjellet", "model_year": 2016},
            "readings": [
                {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": "60 ohm"}
            ],
        },
        "a test",
    )
    with Library.open(shop) as library:
        (logged,) = library.log([good])
    kept = casebase("traffic", drive / "good.blf", "--job", logged.case_id, "--library", shop)
    assert kept.exit_code == 0, kept.output
    with Library.open(shop) as library:
        assert [one.file for one in library.get(logged.case_id).case.attachments] == ["good.blf"]
        assert library.faults() == []
    asked = casebase("traffic", drive / "gone.log", "--job", job, "--library", shop)
    assert f"Compared with good.blf of record {logged.case_id}." in asked.stderr
    assert "Against the known-good log good.blf" in asked.stdout
    named = casebase("traffic", drive / "gone.log", "--known-good", logged.case_id[:5], "--library", shop)
    assert "Against the known-good log good.blf" in named.stdout


def test_a_record_without_a_log_is_no_known_good_one(drive, job):
    """It is said how one is kept."""
    done = casebase("traffic", drive / "gone.log", "--known-good", job, "--library", drive / "shop.db")
    assert done.exit_code == 2
    assert "no log of the bus is kept with it" in done.stderr
