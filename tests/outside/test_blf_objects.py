"""BLF logs made object by object, as other loggers write them, are read as python-can reads them."""

import struct
import zlib

import can
import numpy as np
import pytest

from casebase.errors import CaptureError
from casebase.intake.bus_log.frames import BIT_RATE_SWITCH, ERROR, ERROR_PASSIVE, EXTENDED, FD
from casebase.intake.bus_log.open_log import open_log


def thing(kind, body, *, version=1, ticks=0, coarse=False):
    """Return one object with its header, padded to four bytes."""
    flags = 1 if coarse else 2
    header = (
        struct.pack("<LHHQ", flags, 0, 0, ticks)
        if version == 1
        else struct.pack("<LBxHQ8x", flags, 0, 0, ticks)
    )
    size = 16 + len(header) + len(body)
    base = struct.pack("<4sHHLL", b"LOBJ", 16 + len(header), version, size, kind)
    return base + header + body + bytes(size % 4)


def classical(identifier, data, **more):
    """Return a data frame, kind 86: channel, flags, length, identifier, data, and what newer versions add."""
    return thing(86, struct.pack("<HBBL8s", 1, 0, len(data), identifier, data) + bytes(8), **more)


def fd_64(identifier, data, flags, code, **more):
    """Return a frame of CAN FD, kind 101, its data right behind the fixed part."""
    fixed = struct.pack(
        "<BBBBLLLLLLLHBBL", 1, code, len(data), 0, identifier, 0, flags, 0, 0, 0, 0, 0, 0, 0, 0
    )
    return thing(101, fixed + data, **more)


def container(content, *, packed=True):
    """Return a container of objects."""
    body = zlib.compress(content) if packed else content
    size = 32 + len(body)
    head = struct.pack("<4sHHLL", b"LOBJ", 16, 1, size, 10) + struct.pack(
        "<H6xL4x", 2 if packed else 0, len(content)
    )
    return head + body + bytes(size % 4)


def blf(path, *containers):
    """Write a file of containers."""
    body = b"".join(containers)
    head = struct.pack("<4sL8BQQLL16H", b"LOGG", 144, *[0] * 8, 144 + len(body), 0, 0, 0, *[0] * 16)
    path.write_bytes(head.ljust(144, b"\0") + body)
    return path


def both(path):
    """Return the frames as read here and by python-can."""
    here = list(open_log(path).blocks())
    rows = [
        (round(float(s), 9), int(i), int(k), bytes(d[:n].tolist()))
        for block in here
        for s, i, k, n, d in zip(
            block.seconds, block.identifiers, block.kinds, block.lengths, block.data, strict=True
        )
    ]
    theirs = [
        (
            round(m.timestamp, 9),
            m.arbitration_id,
            EXTENDED * m.is_extended_id
            | ERROR * m.is_error_frame
            | FD * m.is_fd
            | BIT_RATE_SWITCH * m.bitrate_switch
            | ERROR_PASSIVE * m.error_state_indicator,
            bytes(m.data),
        )
        for m in can.LogReader(str(path))
    ]
    return rows, theirs


def test_objects_of_either_header_and_either_clock_are_read_alike(tmp_path):
    """Nanoseconds or ten microseconds; objects that are no frames are passed over."""
    content = (
        classical(0x123, b"\x11\x22", ticks=1_234_567_890)
        + thing(65, b"a note", ticks=5)
        + classical(0x98FEF100, bytes(range(8)), ticks=123_457, coarse=True)
        + classical(0x7FF, b"", ticks=2_000_000_000, version=2)
    )
    rows, theirs = both(blf(tmp_path / "a.blf", container(content)))
    assert rows == theirs
    assert [row[0] for row in rows] == [1.23456789, 1.23457, 2.0]


def test_frames_of_can_fd_with_data_of_any_length_are_read_alike(tmp_path):
    """Kind 101: flags for CAN FD, bit rate switch, error passive; classical ones stand in it too."""
    content = (
        fd_64(0x100, bytes(range(64)), 0x7000, 15)
        + fd_64(0x80000101, bytes(range(12)), 0x1000, 9)
        + fd_64(0x102, b"\x01\x02\x03", 0, 3)
    )
    rows, theirs = both(blf(tmp_path / "a.blf", container(content)))
    assert rows == theirs
    assert rows[0][2] == FD | BIT_RATE_SWITCH | ERROR_PASSIVE


def test_an_object_may_go_on_in_the_next_container(tmp_path):
    """Packed or not."""
    content = b"".join(classical(0x100 + place, bytes([place]), ticks=place * 10**6) for place in range(50))
    for packed in (True, False):
        parts = [
            container(content[begin : begin + 700], packed=packed) for begin in range(0, len(content), 700)
        ]
        rows, theirs = both(blf(tmp_path / "a.blf", *parts))
        assert rows == theirs
        assert len(rows) == 50


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (classical(0x123, b"\x11")[:-20], "the last object is not whole"),
        (fd_64(0x100, bytes(12), 0x1000, 15), "data length code and count of bytes differ"),
        (fd_64(0x100, bytes(12), 0, 9), "a classical frame of more than 8 bytes"),
        (thing(86, b"\0\0"), "too short"),
        (classical(0x123, b"") + b"nothing of it" * 9, "no object begins where one should"),
    ],
)
def test_objects_that_cannot_be_are_refused_with_the_place(content, told, tmp_path):
    """In one sentence."""
    path = blf(tmp_path / "a.blf", container(content))
    with pytest.raises(CaptureError, match=rf"a\.blf: at byte \d+: .*{told}"):
        list(open_log(path).blocks())


@pytest.mark.slow
def test_a_container_packed_beyond_measure_is_refused(tmp_path):
    """A trap of zeros: sixty-four million bytes are enough for any logger."""
    trap = zlib.compress(bytes(80_000_000))
    size = 32 + len(trap)
    head = struct.pack("<4sHHLL", b"LOBJ", 16, 1, size, 10) + struct.pack("<H6xL4x", 2, 80_000_000)
    path = blf(tmp_path / "trap.blf", head + trap + bytes(size % 4))
    with pytest.raises(CaptureError, match="larger than any logger writes"):
        list(open_log(path).blocks())


def test_the_clock_is_read_to_the_nanosecond(tmp_path):
    """Ticks become seconds rounded once, as Python's decimal numbers give them."""
    ticks = np.random.default_rng(1).integers(0, 10**14, 50)
    content = b"".join(classical(1, b"", ticks=int(tick)) for tick in np.sort(ticks))
    rows, theirs = both(blf(tmp_path / "a.blf", container(content)))
    assert rows == theirs
