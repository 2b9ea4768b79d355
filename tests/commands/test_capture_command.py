"""From a capture to a record: the page, the JSON, and the readings as a new revision of a job."""

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from casebase.commands.app import app
from casebase.errors import CaptureError
from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.samples import Wanted
from casebase.intake.capture.waveform_readings import Where, readings_from
from casebase.library.store import Library
from casebase.record.vocabulary import Ignition, Line, Quantity, Stage

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

from synthetic_captures import Bus, Sender, Sent, volts_of

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def capture_file(tmp_path_factory):
    """A text capture of a bus on which 2C4 is weak and one frame is broken."""
    names = (0x0A0, 0x1B3, 0x2C4, 0x3D5, 0x4E6)
    frames = [Sent(names[place % 5], bytes([place, 1, 2])) for place in range(15)]
    frames[7] = Sent(0x1B3, b"\x07", spoil="crc")
    bus = Bus(samples_per_second=5e6, senders={0x2C4: Sender(3.0, 2.0)})
    volts, _ = volts_of(frames, [9] * 15, bus, np.random.default_rng(9))
    path = tmp_path_factory.mktemp("captures") / "pair.csv"
    rows = np.column_stack([np.arange(volts.shape[1]) / 5e6, volts.T])
    np.savetxt(path, rows, "%.7f,%.4f,%.4f", header="Time (s),CAN H (V),CAN L (V)", comments="")
    return path


@pytest.fixture
def job(tmp_path, make_case):
    """A library with one open job, and its ID."""
    path = tmp_path / "shop.db"
    network = {"name": "chassis", "medium": "high-speed CAN"}
    with Library.create(path) as kept:
        return path, kept.log([make_case(networks=[network])])[0].case_id


def run(*arguments):
    """Run the command."""
    return CliRunner().invoke(app, [str(one) for one in arguments])


def test_the_page_tells_levels_frames_and_the_weak_sender(capture_file):
    """In plain words, no more than the terminal is wide."""
    said = run("capture", capture_file)
    assert said.exit_code == 0
    for words in ("500 kbit/s", "15, 14 whole", "CRC does not fit", "2C4", "weak driver", "expected"):
        assert words in said.output


def test_the_same_as_data(capture_file):
    """JSON with volts, seconds and bits per second."""
    told = json.loads(run("capture", capture_file, "--json").stdout)
    assert told["bit_rates"]["standard"] == 500e3
    assert told["frames"]["first_faults"] == {"whole": 14, "CRC does not fit": 1}
    assert told["lines"][0]["recessive"] == pytest.approx(2.5, abs=0.05)


def test_readings_become_a_new_revision_of_the_job(capture_file, job):
    """A waveform and two averages, with stage, place and ignition as asked for once."""
    path, case_id = job
    done = run("capture", capture_file, "--job", case_id, "--library", path, "--at", "connector of ABS",
               "--ignition", "on", "--stage", "as found")  # fmt: skip
    assert done.exit_code == 0, done.output
    with Library.open(path) as kept:
        now = kept.get(case_id)
    assert now.revision == 2
    waveform, high, low = now.case.readings
    assert (waveform.at, waveform.ignition, waveform.stage) == (
        "connector of ABS",
        Ignition.ON,
        Stage.AS_FOUND,
    )
    assert waveform.waveform.dominant[Line.CAN_HIGH].number == pytest.approx(3.5, abs=0.05)
    assert "2C4: weak driver" in waveform.waveform.note
    assert (high.quantity, high.line, high.against) == (Quantity.VOLTAGE, Line.CAN_HIGH, Line.GROUND)
    assert high.number + low.number == pytest.approx(5.0, abs=0.05)


def test_without_a_job_nothing_is_kept(capture_file, job):
    """A capture that is only looked at changes no record."""
    path, case_id = job
    run("capture", capture_file, "--library", path)
    with Library.open(path) as kept:
        assert kept.get(case_id).revision == 1


def test_levels_in_doubt_are_never_written_down(tmp_path, capture_file):
    """A probe set wrongly by ten: the sentence names the way out, and there is no reading."""
    facts = read_capture(capture_file, None, Wanted(scale=0.1))
    with pytest.raises(CaptureError, match="--scale 10"):
        readings_from(facts, Where())


def test_a_missing_file_is_one_sentence(tmp_path):
    """Exit code 2 and no traceback."""
    said = run("capture", tmp_path / "no.csv")
    assert said.exit_code == 2
    assert "no such file" in said.output
