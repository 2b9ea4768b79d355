"""Scope captures of invented buses, with the truth beside them: frames bit by bit, edges, noise, offsets, quantising.

Written after ISO 11898-1 without any of casebase's own code, so that both can be held against one another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

DOMINANT, RECESSIVE = 0, 1


@dataclass(frozen=True)
class Sender:
    """How one module drives the lines, in volts, and its clock's error as a share."""

    high: float = 3.5
    low: float = 1.5
    clock: float = 0.0


@dataclass(frozen=True)
class Sent:
    """One frame to be sent: with a data rate it is a CAN FD frame whose bit rate switches.

    `spoil`: crc (a bit of the check sequence turned), stuff (six alike, an error flag), form (end of frame broken).
    """

    identifier: int
    data: bytes = b""
    extended: bool = False
    remote: bool = False
    acknowledged: bool = True
    spoil: str = ""
    flexible: bool = False
    switched: bool = True


@dataclass(frozen=True)
class Bus:
    """A bus and the scope on it. Times in seconds, rates per second; `step_volts`: a step of the scope's converter."""

    bit_rate: float = 500e3
    data_rate: float = 2e6
    samples_per_second: float = 20e6
    rest: float = 2.5
    noise: float = 0.01
    step_volts: float = 10.0 / 256
    rise_seconds: float = 20e-9
    fall_seconds: float = 60e-9
    offset_high: float = 0.0
    offset_low: float = 0.0
    ground_drift: float = 0.0
    senders: dict[int, Sender] = field(default_factory=dict)
    usual: Sender = Sender()


def crc(bits: Sequence[int], width: int, polynomial: int, state: int = 0) -> int:
    """Return the check sequence, one bit at a time."""
    for bit in bits:
        turn = ((state >> (width - 1)) & 1) ^ bit
        state = (state << 1) & ((1 << width) - 1)
        if turn:
            state ^= polynomial & ((1 << width) - 1)
    return state


def bits_of(number: int, width: int) -> list[int]:
    """Return a number as bits, the highest first."""
    return [(number >> place) & 1 for place in reversed(range(width))]


def stuffed(bits: Sequence[int], *, to_the_end: bool = True) -> list[int]:
    """Return the bits with a complement after every five alike; `to_the_end`: after the very last one too."""
    out: list[int] = []
    run, before = 0, -1
    for place, bit in enumerate(bits):
        out.append(bit)
        run = run + 1 if bit == before else 1
        before = bit
        if run == 5 and (to_the_end or place < len(bits) - 1):
            before, run = 1 - bit, 1
            out.append(before)
    return out


def header(frame: Sent) -> list[int]:
    """Return start of frame to the bit before the length code (classical), or before the FD format bit."""
    if frame.extended:
        first, rest = frame.identifier >> 18, frame.identifier & 0x3FFFF
        return [0, *bits_of(first, 11), 1, 1, *bits_of(rest, 18), int(frame.remote)]
    return [0, *bits_of(frame.identifier, 11), int(frame.remote), 0]


def classical(frame: Sent) -> list[int]:
    """Return the bits of a classical frame from start of frame to the stuffed end of its check sequence."""
    bits = [*header(frame), *([0, 0] if frame.extended else [0]), *bits_of(len(frame.data), 4)]
    for byte in b"" if frame.remote else frame.data:
        bits += bits_of(byte, 8)
    check = crc(bits, 15, 0x4599)
    if frame.spoil == "crc":
        check ^= 0x0010
    return stuffed([*bits, *bits_of(check, 15)])


FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)


def flexible(frame: Sent) -> tuple[list[int], int, int]:
    """Return the bits of an FD frame to its check sequence's end, and where the fast bits begin and end."""
    head = [*header(replace(frame, remote=False)), 1, 0]
    bits = [*head, int(frame.switched), 0, *bits_of(FD_LENGTHS.index(len(frame.data)), 4)]
    for byte in frame.data:
        bits += bits_of(byte, 8)
    body = stuffed(bits, to_the_end=False)
    stuffing = len(body) - len(bits)
    gray = (stuffing % 8) ^ ((stuffing % 8) >> 1)
    count = [*bits_of(gray, 3), bin(gray).count("1") % 2]
    width, polynomial = (17, 0x1685B) if len(frame.data) <= 16 else (21, 0x102899)
    check = crc([*body, *count], width, polynomial, 1 << (width - 1))
    if frame.spoil == "crc":
        check ^= 1
    field_bits = [*count, *bits_of(check, width)]
    whole = list(body)
    for place, bit in enumerate(field_bits):
        if place % 4 == 0:
            whole.append(1 - whole[-1])
        whole.append(bit)
    fast = len(stuffed(head)) if frame.switched else len(whole) + 1
    return whole, fast, len(whole)


def frame_bits(frame: Sent, bus: Bus) -> tuple[list[int], list[float], list[bool]]:
    """Return each bit's level, its seconds, and whether another module than the sender drives it."""
    slow, quick = 1.0 / bus.bit_rate, 1.0 / bus.data_rate
    if frame.flexible:
        bits, fast, end = flexible(frame)
        lasts = [slow] * min(fast, len(bits)) + [quick] * max(end - fast, 0)
        if frame.switched:
            lasts[fast] = 0.8 * slow + 0.2 * quick
        tail_first = 0.8 * quick + 0.2 * slow if frame.switched else slow
    else:
        bits, tail_first = classical(frame), slow
        lasts = [slow] * len(bits)
    if frame.spoil == "stuff":
        cut = len(bits) // 2
        bits, lasts = [*bits[:cut], *([0] * 7), *([1] * 8)], [*lasts[:cut], *([slow] * 15)]
        return bits, lasts, [False] * len(bits)
    tail = [1, int(not frame.acknowledged), 1, *([1] * 7)]
    if frame.spoil == "form":
        tail[6:] = [0] * 6 + [1] * 8
    bits, lasts = [*bits, *tail], [*lasts, tail_first, *([slow] * (len(tail) - 1))]
    other = [False] * len(bits)
    other[len(bits) - len(tail) + 1] = True
    return bits, lasts, other


def volts_of(
    frames: Sequence[Sent],
    gaps: Sequence[float],
    bus: Bus,
    generator: np.random.Generator,
    before_bits: float = 13,
) -> tuple[np.ndarray, list[float]]:
    """Return both lines as the scope shows them (two rows), and the second in which each frame starts.

    `gaps`: bits of idle after each frame, beside the intermission of three.
    """
    lasts, high, low, starts = [before_bits / bus.bit_rate], [bus.rest], [bus.rest], []
    for frame, gap in zip(frames, gaps, strict=True):
        sender = bus.senders.get(frame.identifier, bus.usual)
        bits, seconds, others = frame_bits(frame, bus)
        starts.append(float(np.sum(lasts)))
        drives = [bus.usual if other else sender for other in others]
        high += [bus.rest if bit else one.high for bit, one in zip(bits, drives, strict=True)]
        low += [bus.rest if bit else one.low for bit, one in zip(bits, drives, strict=True)]
        lasts += [second * (1 + sender.clock) for second in seconds]
        high.append(bus.rest)
        low.append(bus.rest)
        lasts.append((3 + gap) / bus.bit_rate)
    ends = np.cumsum(lasts)
    times = np.arange(0.0, ends[-1], 1.0 / bus.samples_per_second)
    place = np.minimum(np.searchsorted(ends, times, side="right"), len(ends) - 1)
    lines = np.stack([np.array(high)[place], np.array(low)[place]])
    return scoped(lines, times, bus, generator), starts


def scoped(lines: np.ndarray, times: np.ndarray, bus: Bus, generator: np.random.Generator) -> np.ndarray:
    """Return ideal lines with their edges slowed, noise, drift and offsets added, and quantised."""
    from scipy.signal import lfilter  # noqa: PLC0415  heavy

    out = []
    for row, offset in zip(lines, (bus.offset_high, bus.offset_low), strict=True):
        # One time constant for both directions here; what differs is added by the fall of the recessive edge.
        share = float(np.exp(-1.0 / (bus.samples_per_second * bus.fall_seconds)))
        slow = lfilter([1 - share], [1, -share], row - row[0]) + row[0]
        drift = bus.ground_drift * np.sin(2 * np.pi * times / max(times[-1], 1e-9))
        seen = slow + offset + drift + generator.normal(0.0, bus.noise, len(row))
        out.append(np.round(seen / bus.step_volts) * bus.step_volts if bus.step_volts else seen)
    return np.stack(out).astype(np.float32)
