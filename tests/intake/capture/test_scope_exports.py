"""Files as scopes and logic analysers export them: settings beside samples, units, one file a channel, logic levels.

Layouts are common practice of instruments, no source; infinity as 9.9E37 is SCPI-1999, value change dumps IEEE 1364.
"""

import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from casebase.commands.app import app
from casebase.errors import CaptureError
from casebase.intake.capture.doubts import Kind
from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.open_capture import open_capture
from casebase.intake.capture.samples import Wanted
from casebase.record.vocabulary import Line, Medium

sys.path.insert(0, str(Path(__file__).parent.parent.parent / "bench"))
sys.path.insert(0, str(Path(__file__).parent.parent.parent / "outside"))

from needed_programs import needs
from synthetic_captures import Bus, Sent, volts_of

RATE = 5e6
FRAMES = [Sent(0x120 + place, bytes([place] * 3)) for place in range(6)]


@pytest.fixture(scope="module")
def volts():
    """Both lines of an invented bus with six frames, five million samples a second."""
    return volts_of(FRAMES, [12] * 6, Bus(samples_per_second=RATE), np.random.default_rng(6))[0]


def table(path, head, rows):
    """Write a table of text cells below some lines."""
    path.write_text("\n".join([*head, *(",".join(row) for row in rows)]) + "\n", encoding="utf-8")
    return path


def numbered(volts, *more):
    """Return rows of a number of the sample and both lines."""
    return [[str(place), f"{high:.3f}", f"{low:.3f}", *more] for place, (high, low) in enumerate(volts.T)]


def is_the_pair(path, volts, wanted=None):
    """Say whether a file is read as both lines with all their frames."""
    with open_capture(path, wanted) as capture:
        assert capture.seconds_per_sample == pytest.approx(1 / RATE, rel=1e-3)
        assert capture.read(0, capture.count) == pytest.approx(volts, abs=6e-3)
    return read_capture(path, None, wanted).whole_count == len(FRAMES)


@pytest.mark.slow
def test_numbers_of_samples_with_start_and_increment(tmp_path, volts):
    """The first column counts samples; the step stands once, below its name."""
    head = ["X,CH1,CH2,Start,Increment", "Sequence,Volt,Volt,-1.0e-03,2.0e-07"]
    assert is_the_pair(table(tmp_path / "a.csv", head, numbered(volts, "", "")), volts)


@pytest.mark.slow
def test_numbers_of_samples_with_a_rate_in_the_header(tmp_path, volts):
    """Settings stand in the header's text."""
    head = ["Sampling rate: 5.0 MSa/s", "Sample,CH1 (V),CH2 (V)"]
    assert is_the_pair(table(tmp_path / "a.csv", head, numbered(volts)), volts)


@pytest.mark.slow
def test_settings_beside_the_first_samples(tmp_path, volts):
    """Three columns of settings in the first rows, empty further down; the samples stand right of them."""
    settings = [
        ["Record Length", "2.5e+03", "Points"],
        ["Sample Interval", "2.0e-07", "s"],
        ["Source", "CH1", ""],
    ]
    rows = [
        [
            *(settings[place] if place < 3 else ["", "", ""]),
            f"{place / RATE - 1e-3:.7f}",
            f"{high:.3f}",
            f"{low:.3f}",
        ]
        for place, (high, low) in enumerate(volts.T)
    ]
    assert is_the_pair(table(tmp_path / "a.csv", [], rows), volts)


@pytest.mark.slow
def test_each_cell_with_its_unit(tmp_path, volts):
    """Milliseconds and microseconds, volts and millivolts, cell by cell."""
    rows = [
        [
            f"{place / RATE * 1e6:.1f} us" if place < 3000 else f"{place / RATE * 1e3:.4f} ms",
            f"{high:.3f} V",
            f"{low * 1e3:.0f}mV",
        ]
        for place, (high, low) in enumerate(volts.T)
    ]
    assert is_the_pair(table(tmp_path / "a.csv", ["Time,A,B"], rows), volts)


@pytest.mark.slow
def test_a_row_of_units(tmp_path, volts):
    """Microseconds and millivolts in the row below the names."""
    rows = [
        [f"{place / RATE * 1e6:.1f}", f"{a * 1e3:.1f}", f"{b * 1e3:.1f}"]
        for place, (a, b) in enumerate(volts.T)
    ]
    assert is_the_pair(
        table(tmp_path / "a.csv", ["Time,Channel A,Channel B", "(us),(mV),(mV)", ""], rows), volts
    )


@pytest.mark.slow
def test_the_newest_row_first(tmp_path, volts):
    """Time falls from row to row: samples come back in the order of time."""
    rows = [[f"{place / RATE:.7f}", f"{a:.3f}", f"{b:.3f}"] for place, (a, b) in enumerate(volts.T)][::-1]
    assert is_the_pair(table(tmp_path / "a.csv", ["Time,CH1,CH2"], rows), volts)


@pytest.mark.slow
@pytest.mark.parametrize("infinity", ["∞", "inf", "Infinity", "9.9E+37"])
def test_what_the_scope_clipped_is_taken_as_its_limit(tmp_path, volts, infinity):
    """Infinity above 3.4 V: frames are whole, and it is said how many values lie beyond."""
    rows = [
        [f"{place / RATE:.7f}", infinity if a > 3.4 else f"{a:.3f}", f"{b:.3f}"]
        for place, (a, b) in enumerate(volts.T)
    ]
    facts = read_capture(table(tmp_path / "a.csv", ["Time,CH1,CH2"], rows))
    assert facts.whole_count == len(FRAMES)
    assert any("beyond the instrument's range" in note for note in facts.notes)
    assert facts.levels.lines[0].highest <= 3.4


@pytest.mark.slow
def test_one_file_for_each_channel(tmp_path, volts):
    """Both named: one pair; the command takes both."""
    paths = [tmp_path / f"CH{place + 1}.csv" for place in (0, 1)]
    for path, line in zip(paths, volts, strict=True):
        table(
            path, ["Time,Volt"], [[f"{place / RATE:.7f}", f"{value:.3f}"] for place, value in enumerate(line)]
        )
    facts = read_capture(paths[0], second=paths[1])
    assert facts.whole_count == len(FRAMES)
    assert [line.line for line in facts.levels.lines] == [Line.CAN_HIGH, Line.CAN_LOW]
    assert not facts.doubts
    said = CliRunner().invoke(app, ["capture", *map(str, paths)])
    assert said.exit_code == 0
    assert "6, 6 whole" in said.output


def test_two_files_of_different_length_are_no_pair(tmp_path, volts):
    """Captured one after the other, they tell nothing together."""
    for name, count in (("a", 4000), ("b", 3000)):
        np.save(tmp_path / f"{name}.npy", volts[0, :count])
    with pytest.raises(CaptureError, match="4000 and 3000 samples"):
        open_capture(tmp_path / "a.npy", Wanted(samples_per_second=RATE), None, tmp_path / "b.npy")


@pytest.mark.parametrize(("place", "line"), [(0, Line.CAN_HIGH), (1, Line.CAN_LOW)])
def test_one_line_alone_tells_frames_and_says_so(tmp_path, volts, place, line):
    """CAN high goes up when driven, CAN low down; what is known of one line only is said."""
    np.save(tmp_path / "one.npy", volts[place])
    facts = read_capture(tmp_path / "one.npy", None, Wanted(samples_per_second=RATE))
    assert facts.whole_count == len(FRAMES)
    assert [one.line for one in facts.levels.lines] == [line]
    assert [doubt.kind for doubt in facts.doubts] == [Kind.SINGLE_LINE]


def test_of_four_channels_the_pair_is_found(tmp_path, volts):
    """Supply and a clock stand beside the pair: the two that move against one another are read."""
    supply = np.full(volts.shape[1], 12.4, np.float32)
    clock = np.where(np.arange(volts.shape[1]) // 40 % 2, 5.0, 0.0).astype(np.float32)
    np.save(tmp_path / "four.npy", np.stack([supply, volts[1], clock, volts[0]]))
    facts = read_capture(tmp_path / "four.npy", None, Wanted(samples_per_second=RATE))
    assert facts.whole_count == len(FRAMES)
    assert "channels 4 and 2 of 4" in facts.notes[-1]


@pytest.mark.slow
def test_a_table_of_logic_levels_tells_frames_and_no_volts(tmp_path, volts):
    """A receive pin beside channels that never change: the busiest is read."""
    pin = (volts[0] - volts[1] < 0.9).astype(int)
    rows = [[f"{place / RATE:.7f}", "0", str(value), "1"] for place, value in enumerate(pin)]
    facts = read_capture(table(tmp_path / "logic.csv", ["Time [s],D0,D1,D2"], rows))
    assert facts.whole_count == len(FRAMES)
    assert Kind.LOGIC in {doubt.kind for doubt in facts.doubts}
    assert not facts.volts_known
    assert "channel 2 of 3" in facts.notes[-1]


def session(path, pin, rate="5 MHz"):
    """Write logic levels as a sigrok session: bit 1 of two."""
    data = np.where(pin, 2, 0).astype(np.uint8).tobytes()
    told = (
        "[global]\nsigrok version=0.5.2\n\n[device 1]\ncapturefile=logic-1\ntotal probes=2\n"
        f"samplerate={rate}\ntotal analog=0\nprobe1=D0\nprobe2=RX\nunitsize=1\n"
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("version", "2")
        archive.writestr("metadata", told)
        archive.writestr("logic-1-1", data[:1000])
        archive.writestr("logic-1-2", data[1000:])


def test_a_session_of_a_logic_analyser(tmp_path, volts):
    """Packed bits in two parts; the rate stands in the session."""
    session(tmp_path / "a.sr", volts[0] - volts[1] < 0.9)
    facts = read_capture(tmp_path / "a.sr")
    assert facts.samples_per_second == pytest.approx(RATE)
    assert facts.whole_count == len(FRAMES)


@needs("sigrok-cli")
def test_sessions_and_dumps_that_sigrok_writes(tmp_path, volts):
    """The same levels, written by sigrok-cli as .sr and .vcd, tell the same frames."""
    pin = (volts[0] - volts[1] < 0.9).astype(np.uint8)
    pin.tofile(tmp_path / "a.bin")
    for ending, kind in (("sr", "srzip"), ("vcd", "vcd")):
        path = tmp_path / f"a.{ending}"
        form = f"binary:numchannels=1:samplerate={RATE:.0f}"
        subprocess.run(
            ["sigrok-cli", "-i", tmp_path / "a.bin", "-I", form, "-O", kind, "-o", path],
            check=True,
            timeout=60,
        )
        facts = read_capture(path)
        found = [(frame.identifier, frame.data) for frame in facts.can.frames.frames(1.0) if frame.whole]
        assert found == [(one.identifier, one.data) for one in FRAMES]


@pytest.mark.slow
def test_text_in_utf_16_is_read(tmp_path, volts):
    """As spreadsheets save it."""
    rows = [[f"{place / RATE:.7f}", f"{a:.3f}", f"{b:.3f}"] for place, (a, b) in enumerate(volts.T)]
    path = table(tmp_path / "a.csv", ["Time (s),CH1 (V),CH2 (V)"], rows)
    path.write_bytes(path.read_text(encoding="utf-8").encode("utf-16"))
    assert is_the_pair(path, volts)


def test_a_binary_file_of_an_instrument_is_refused_with_how_to_export(tmp_path):
    """Not called damaged alone: what to do stands in the sentence."""
    (tmp_path / "scope.bin").write_bytes(bytes(range(256)) * 40)
    with pytest.raises(CaptureError, match="save the waveform as CSV"):
        open_capture(tmp_path / "scope.bin")


@pytest.mark.slow
def test_the_content_tells_the_kind_of_file(tmp_path, volts):
    """An array under a name that tells nothing."""
    with (tmp_path / "capture.dat").open("wb") as file:
        np.save(file, volts)
    assert is_the_pair(tmp_path / "capture.dat", volts, Wanted(samples_per_second=RATE))


def test_medium_named_against_one_line_still_reads_it(tmp_path, volts):
    """The job says high-speed CAN, the file holds one line: read, and said."""
    np.save(tmp_path / "one.npy", volts[1])
    facts = read_capture(tmp_path / "one.npy", Medium.HIGH_SPEED_CAN, Wanted(samples_per_second=RATE))
    assert facts.whole_count == len(FRAMES)


@pytest.mark.slow
def test_rows_left_empty_at_the_end_are_no_samples(tmp_path, volts):
    """A channel that ends before the column of time does."""
    rows = [[f"{place / RATE:.7f}", f"{a:.3f}", f"{b:.3f}"] for place, (a, b) in enumerate(volts.T)]
    rows += [[f"{(len(rows) + more) / RATE:.7f}", "", ""] for more in range(3)]
    assert is_the_pair(table(tmp_path / "a.csv", ["Time,CH1,CH2"], rows), volts)
