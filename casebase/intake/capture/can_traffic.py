"""The CAN traffic of a capture: bit rates, then frames, from its pulses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from casebase.intake.capture.bit_rate import BitRate, data_rate, nominal_rate, shift_of
from casebase.intake.capture.bit_stream import IDLE_BITS, starts_of_frames, stream_of
from casebase.intake.capture.can_frames import frames_in
from casebase.intake.capture.edges import Pulses, without_spikes
from casebase.intake.capture.fd_frames import with_fd_frames
from casebase.intake.capture.frame_table import FrameTable

_SPIKE: Final = 0.3
"""A pulse shorter than this share of a bit is a disturbance, not a bit."""


@dataclass(frozen=True)
class Traffic:
    """What was sent. `cut_at_begin`: the capture began within a frame, which is not in the table.

    `spikes`: pulses and gaps too short for a bit, left out. `shift`: by how many bits dominant is longer than sent.
    """

    rate: BitRate
    data_rate: BitRate | None
    frames: FrameTable
    pulses: Pulses
    cut_at_begin: bool
    spikes: int
    shift: float


def traffic_in(pulses: Pulses, seconds_per_sample: float) -> Traffic | None:
    """Return the CAN traffic; None where no bit rate fits the edges."""
    rate = nominal_rate(pulses, seconds_per_sample)
    if rate is None:
        return None
    bit = rate.samples_per_bit
    fast = data_rate(pulses, rate, seconds_per_sample)
    clean = without_spikes(pulses, _SPIKE * (fast.samples_per_bit if fast else bit))
    firsts = starts_of_frames(clean, bit)
    shift = shift_of(clean, bit)
    stream = stream_of(clean, bit, shift, firsts)
    table = with_fd_frames(frames_in(stream, clean, bit), stream, clean, rate, fast)
    table, cut = _without_torn_begin(table, clean, bit)
    return Traffic(rate, fast, table, clean, cut, len(pulses.begins) - len(clean.begins), shift)


def _without_torn_begin(table: FrameTable, pulses: Pulses, bit: float) -> tuple[FrameTable, bool]:
    """Leave out a first frame that was not seen to begin after an idle bus, unless it proves whole."""
    if not len(table):
        return table, bool(len(pulses.begins))
    first = int(table.first_pulses[0])
    if first > 0 or pulses.begins_dominant:
        return table, True
    unsure = pulses.gaps_before[0] < IDLE_BITS * bit
    torn = unsure and not table.whole[0]
    return (table.where(slice(1, None)), True) if torn else (table, False)
