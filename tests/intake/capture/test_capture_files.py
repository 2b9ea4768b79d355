"""Files of captures: how scopes and loggers write them, and what is said of those that cannot be read."""

import sys
import wave
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.errors import CaptureError
from casebase.intake.capture.columns import Role, role_of, stated_step
from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.open_capture import open_capture
from casebase.intake.capture.samples import Wanted

sys.path.insert(0, str(Path(__file__).parent.parent.parent / "bench"))

from synthetic_captures import Bus, Sent, volts_of

RATE = 5e6


@pytest.fixture(scope="module")
def volts():
    """Both lines of an invented bus with six frames."""
    frames = [Sent(0x120 + place, bytes([place] * 3)) for place in range(6)]
    return volts_of(frames, [12] * 6, Bus(samples_per_second=RATE), np.random.default_rng(6))[0]


def rows_of(volts, unit=1.0):
    """Return time in seconds and both lines, one row a sample."""
    return np.column_stack([np.arange(volts.shape[1]) / RATE, volts.T * unit])


TEXTS = {
    "comma": ("%.7f,%.4f,%.4f", "Time,CAN H,CAN L", 1.0, ".", 1.0),
    "semicolon and decimal comma": ("%.7f;%.4f;%.4f", "Zeit (s);Kanal A (V);Kanal B (V)", 1.0, ",", 1.0),
    "tab and millivolts": ("%.4f\t%.1f\t%.1f", "ms\tmV\tmV\n(ms)\t(mV)\t(mV)", 1e3, ".", 1e3),
    "many lines above": (
        "%.9e,%.3e,%.3e",
        "Model,none\nDate,2026-01-01\n\nx-axis,1,2\nsecond,Volt,Volt",
        1.0,
        ".",
        1.0,
    ),
    "no header": ("%.7f,%.4f,%.4f", "", 1.0, ".", 1.0),
    "low before high": ("%.7f,%.4f,%.4f", "t,CAN_L,CAN_H", 1.0, ".", 1.0),
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", TEXTS)
def test_text_files_of_many_makes_are_read_alike(tmp_path, volts, kind):
    """Separator, decimal sign, units, header and order of columns do not matter."""
    form, header, time_unit, point, unit = TEXTS[kind]
    rows = rows_of(volts[::-1] if kind == "low before high" else volts, unit)
    rows[:, 0] *= time_unit
    path = tmp_path / "scope.csv"
    np.savetxt(path, rows, form, header=header, comments="")
    path.write_text(path.read_text().replace(".", point), encoding="utf-8")
    with open_capture(path) as capture:
        assert capture.seconds_per_sample == pytest.approx(1 / RATE, rel=1e-3)
        assert capture.read(0, capture.count) == pytest.approx(volts, abs=2e-3)


@pytest.mark.slow
def test_a_text_file_without_time_takes_its_stated_interval(tmp_path, volts):
    """Loggers state the interval once, above the columns."""
    path = tmp_path / "log.csv"
    np.savetxt(path, volts.T, "%.4f,%.4f", header="Sample interval: 200 ns\nCAN H,CAN L", comments="")
    with open_capture(path) as capture:
        assert capture.seconds_per_sample == pytest.approx(200e-9)


def test_windows_line_ends_and_quotes_are_no_matter(tmp_path, volts):
    """Quoted cells, carriage returns and a separator at the end of each line."""
    lines = [f'"{time:.7f}";"{high:.4f}";"{low:.4f}";' for time, high, low in rows_of(volts)]
    path = tmp_path / "scope.csv"
    path.write_bytes("\r\n".join(['"Time";"A";"B";', *lines]).encode())
    with open_capture(path) as capture:
        assert capture.count == volts.shape[1]


@pytest.mark.slow
def test_columns_are_chosen_where_the_file_has_more(tmp_path, volts):
    """Four columns whose names and levels tell nothing: the user says which."""
    path = tmp_path / "scope.csv"
    np.savetxt(
        path,
        np.column_stack([rows_of(volts * 0 + 2.5), volts[0] * 0]),
        "%.7f,%.4f,%.4f,%.1f",
        header="p,q,r,s",
        comments="",
    )
    with pytest.raises(CaptureError, match="--columns"):
        read_capture(path)
    with open_capture(path, Wanted("p", "2", "r")) as capture:
        assert capture.channels == 2


def test_arrays_lie_in_rows_or_columns(tmp_path, volts):
    """NumPy files of either order, in either memory order, with or without time, hold the same samples."""
    arrays = (
        volts,
        volts.T,
        np.asfortranarray(volts),
        np.asfortranarray(volts.T),
        rows_of(volts),
        rows_of(volts).T,
    )
    for place, array in enumerate(arrays):
        path = tmp_path / f"{place}.npy"
        np.save(path, array)
        with open_capture(path, Wanted(samples_per_second=RATE)) as capture:
            assert np.array_equal(capture.read(7, 99), volts[:, 7:99])


def test_an_archive_names_its_lines_and_its_rate(tmp_path, volts):
    """Names tell high and low; the rate stands beside them."""
    path = tmp_path / "pair.npz"
    np.savez_compressed(path, low=volts[1], high=volts[0], sample_rate=RATE)
    with open_capture(path) as capture:
        assert np.array_equal(capture.read(0, 50), volts[:, :50])
        assert capture.seconds_per_sample == pytest.approx(1 / RATE)


def test_whole_numbers_of_a_sound_file_are_volts_only_when_said(tmp_path, volts):
    """Without full scale the frames are told and the volts are not."""
    path = tmp_path / "pair.wav"
    with wave.open(str(path), "wb") as file:
        file.setparams((2, 2, int(RATE), 0, "NONE", ""))
        file.writeframes(np.round(volts.T / 10 * 32768).astype("<i2").tobytes())
    unknown, known = read_capture(path), read_capture(path, None, Wanted(volts_full_scale=10.0))
    assert not unknown.volts_known
    assert unknown.whole_count == known.whole_count == 6
    assert known.levels.lines[0].recessive == pytest.approx(2.5, abs=0.05)


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("empty.csv", b"", "is empty"),
        ("words.csv", b"there is nothing here\n" * 50, "no columns of numbers"),
        ("zeros.csv", b"1,2,3\n4,5\x006\n" * 50, "zero bytes"),
        ("own.isf", b"POINTS 2500;UNIT VOLTS;" * 9 + bytes(range(256)) * 9, "have the instrument"),
        ("ragged.csv", b"t,a,b\n" + b"".join(b"%d,2.5,2.5\n" % n for n in range(99)) + b"99,2.5\n", "line 101"),
        ("gap.csv", b"".join(b"%d,2.5,2.5\n" % (n + 500 * (n > 60)) for n in range(99)), "not even"),
        ("still.csv", b"t,a,b\n" + b"7,2.5,2.5\n" * 99, "do not grow"),
        ("nan.csv", b"t (ms),a,b\n" + b"".join(b"%d,2.5,2.5\n" % n for n in range(99)) + b"99,nan,1\n", "no number"),
        ("short.csv", b"t,a,b\n0,2.5,2.5\n1,2.5,2.5\n2,2.5,2.5\n", "3 samples"),
        ("no-array.npy", b"\x93NUMPY damaged", "no NumPy array"),
        ("no-archive.npz", b"PK damaged", "no NumPy archive"),
        ("no-sound.wav", b"RIFF1234WAVE", "no WAV file"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_in_a_sentence(tmp_path, name, data, said):
    """One sentence that names the file and what is wrong with it."""
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(CaptureError, match=said) as refused:
        read_capture(path)
    assert path.name in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("ending", ["npy", "wav"])
def test_a_file_that_says_more_than_it_holds_is_refused(tmp_path, volts, ending):
    """The header tells more samples than follow."""
    path = tmp_path / f"cut.{ending}"
    if ending == "npy":
        np.save(path, volts)
    else:
        with wave.open(str(path), "wb") as file:
            file.setparams((2, 2, int(RATE), 0, "NONE", ""))
            file.writeframes(volts.T.astype("<i2").tobytes())
    path.write_bytes(path.read_bytes()[:-1000])
    with pytest.raises(CaptureError, match="cut short"):
        read_capture(path, None, Wanted(samples_per_second=RATE))


def test_an_array_of_objects_is_never_unpacked(tmp_path):
    """Pickled objects could run code: only numbers are read."""
    path = tmp_path / "objects.npy"
    np.save(path, np.array([object(), None], dtype=object), allow_pickle=True)
    with pytest.raises(CaptureError, match="expected numbers"):
        read_capture(path)


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("CAN-H [V]", Role.HIGH),
        ("canh", Role.HIGH),
        ("CAN_L", Role.LOW),
        ("CAN low (mV)", Role.LOW),
        ("Time (s)", Role.TIME),
        ("LIN", Role.SINGLE),
        ("Channel A", Role.UNKNOWN),
        ("Volt", Role.UNKNOWN),
    ],
)
def test_names_of_columns_tell_what_they_hold(name, role):
    """As scopes and people write them."""
    assert role_of(name) is role


@pytest.mark.parametrize(
    ("line", "seconds"),
    [
        ("Sample interval;2E-07", 2e-7),
        ("Sample Rate, 5 MS/s", 2e-7),
        ("sampling frequency: 250 kHz", 4e-6),
        ("TINC,4.0e-8", 4e-8),
        ("Interval 10 ns", 1e-8),
    ],
)
def test_intervals_are_found_above_the_numbers(line, seconds):
    """An interval with its unit, or a rate."""
    assert stated_step([line]) == pytest.approx(seconds)


@pytest.mark.slow
@given(st.binary(max_size=400), st.sampled_from(["csv", "npy", "npz", "wav", "sr", "vcd"]))
def test_any_bytes_are_read_or_refused_in_a_sentence(tmp_path_factory, data, ending):
    """No file makes anything but a reading or one sentence."""
    path = tmp_path_factory.mktemp("any") / f"any.{ending}"
    path.write_bytes(data)
    with suppress(CaptureError):
        read_capture(path, None, Wanted(samples_per_second=1e6))
