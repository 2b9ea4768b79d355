"""The trace of a capture: few figures that keep every pulse, written as text and read back."""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[2] / "bench"))

from synthetic_captures import Bus, Sent, volts_of

from casebase.errors import CaptureError
from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.samples import Wanted
from casebase.intake.capture.trace import (
    LARGEST_CHARACTERS,
    MOMENTS,
    read_with_trace,
    trace_from,
    trace_text,
)
from casebase.record.vocabulary import Line

RATE = 20e6
FRAMES = [Sent(0x123, bytes(4)), Sent(0x7DF, b"\x02\x10", spoil="crc"), Sent(0x100, bytes(8))]


def captured(folder, *, swapped=False, gaps=(20, 30, 30)):
    """Write a capture of three frames, the second broken; return its file and the second frame's start in seconds."""
    volts, starts = volts_of(FRAMES, gaps, Bus(samples_per_second=RATE), np.random.default_rng(1))
    np.save(folder / "pair.npy", volts[::-1] if swapped else volts)
    return folder / "pair.npy", starts[1]


def read(path):
    """Return the trace of a capture."""
    return read_with_trace(path, wanted=Wanted(samples_per_second=RATE))[1]


def test_the_broken_frame_is_shown_close_up_with_what_is_wrong(tmp_path):
    """About twenty bits around the first fault, and what is wrong in the standard's words."""
    path, starts = captured(tmp_path)
    trace = read(path)
    (frame,) = read_capture(path, None, Wanted(samples_per_second=RATE)).broken(1)
    fault = starts + frame.fault_bit / 500e3
    assert trace.frame_words == "7DF, CRC does not fit"
    assert trace.frame.moments[0] < fault < trace.frame.moments[-1]
    assert trace.frame.moments[-1] - trace.frame.moments[0] == pytest.approx(20 / 500e3, abs=2e-6)
    assert len(trace.whole.moments) <= MOMENTS


@pytest.mark.slow
def test_a_pulse_of_one_bit_in_a_long_silence_is_still_seen(tmp_path):
    """Lowest and highest are kept of every moment, not one sample of it."""
    path, _ = captured(tmp_path, gaps=(20, 30, 200_000))
    trace = read(path)
    high = trace.lines.index(Line.CAN_HIGH)
    assert trace.whole.highest[high].max() > 3.3
    assert np.count_nonzero(trace.whole.highest[high] > 3.3) < 5


@pytest.mark.slow
def test_swapped_channels_are_drawn_under_their_own_names(tmp_path):
    """CAN high is the one that goes up."""
    (tmp_path / "swapped").mkdir()
    plain, swapped = read(captured(tmp_path)[0]), read(captured(tmp_path / "swapped", swapped=True)[0])
    assert trace_text(swapped) == trace_text(plain)


def test_a_trace_read_back_is_the_same(tmp_path):
    """Text to trace to text."""
    text = trace_text(read(captured(tmp_path)[0]))
    assert trace_text(trace_from(text)) == text
    assert len(text) < LARGEST_CHARACTERS / 4


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda text: text.replace("# casebase trace 1", "# casebase trace 2"), "not a trace"),
        (lambda text: text.replace("# medium: high-speed CAN", "# medium: string and tins"), "no medium"),
        (lambda text: text.replace("# lines: CAN high,CAN low", "# lines: LIN"), "none of high-speed CAN"),
        (lambda text: text + "whole,1.0,2.5\n", "expected a part, a time and two volts"),
        (lambda text: text + "<script>\n", "expected a part"),
        (lambda text: "\n".join(text.splitlines()[:5]), "without a figure"),
        (lambda _: "", "not a trace"),
    ],
)
def test_what_is_no_trace_is_refused(tmp_path, change, told):
    """In one sentence."""
    text = trace_text(read(captured(tmp_path)[0]))
    with pytest.raises(CaptureError, match=told):
        trace_from(change(text))


@pytest.mark.slow
@given(st.text(max_size=300))
def test_any_text_is_a_trace_or_refused(text):
    """No other error comes out."""
    for candidate in (text, f"# casebase trace 1\n# medium: LIN\n# lines: LIN\n{text}"):
        try:
            trace_from(candidate)
        except CaptureError:
            continue
