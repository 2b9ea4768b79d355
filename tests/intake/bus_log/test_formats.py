"""Logs as loggers, adapters and terminal programs write them: the content tells the format, whatever the name.

Each file is written here after what is known of its format; candump's forms are those of Linux can-utils, packet
captures those of the IETF's drafts and tcpdump.org's link types, CRTD and serial-line text common practice, no source.
"""

from __future__ import annotations

import struct
import sys
from collections.abc import Iterable
from pathlib import Path

import can
import numpy as np
import pytest

from casebase.errors import CaptureError
from casebase.intake.bus_log.frames import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, LIN, REMOTE
from casebase.intake.bus_log.open_log import open_log
from casebase.intake.bus_log.traffic import read_traffic

sys.path.insert(0, str(Path(__file__).parent))

from invented_logs import BRAKES, ENGINE, messages, write

SENT = messages([*ENGINE, *BRAKES], 3.0)
BEGIN = 1_600_000_000.0


def read(path: Path) -> list[tuple[float, int, int, bytes]]:
    """Return every frame: seconds since the first, identifier, kinds, data."""
    found = []
    for block in open_log(path).blocks():
        rows = zip(block.seconds, block.identifiers, block.kinds, block.lengths, block.data, strict=True)
        found += [
            (float(at), int(number), int(kind), row[:length].tobytes())
            for at, number, kind, length, row in rows
        ]
    first = found[0][0]
    return [(round(at - first, 6), number, kind, data) for at, number, kind, data in found]


def expected(digits: int = 6) -> list[tuple[float, int, int, bytes]]:
    """Return what was sent, in the same form."""
    first = SENT[0].timestamp
    return [(round(one.timestamp - first, digits), one.arbitration_id, 0, bytes(one.data)) for one in SENT]


def is_read_as_sent(path: Path, digits: int = 6) -> None:
    """Check frames one by one, times to so many digits."""
    found, there = read(path), expected(digits)
    assert [one[1:] for one in found] == [one[1:] for one in there]
    assert np.allclose([one[0] for one in found], [one[0] for one in there], atol=1.01 * 10**-digits)


def text(path: Path, lines: Iterable[str], encoding: str = "utf-8") -> Path:
    """Write lines."""
    path.write_bytes(("\n".join(lines) + "\n").encode(encoding))
    return path


def screen(stamp: str, message: can.Message) -> str:
    """Return a line as candump prints it."""
    return (
        f" {stamp}can0  {message.arbitration_id:03X}   [{len(message.data)}]  {message.data.hex(' ').upper()}"
    )


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["absolute", "zero", "delta", "date"])
def test_what_candump_prints_with_stamps(kind: str, tmp_path: Path) -> None:
    """Absolute, from zero, from frame to frame, with the date (candump -t a, z, d, A)."""
    before, lines = SENT[0].timestamp, []
    for one in SENT:
        stamp = {
            "absolute": f"{one.timestamp:.6f}",
            "zero": f"{one.timestamp - SENT[0].timestamp:010.6f}",
            "delta": f"{one.timestamp - before:010.6f}",
            "date": f"2020-09-13 12:26:{one.timestamp - BEGIN + 40:09.6f}",
        }[kind]
        lines.append(screen(f"({stamp})  ", one))
        before = one.timestamp
    is_read_as_sent(text(tmp_path / "dump.txt", lines), 4 if kind == "delta" else 6)


def test_what_candump_prints_without_stamps_has_no_times(tmp_path: Path) -> None:
    """Identifiers and data are told, periods and silences are not."""
    path = text(tmp_path / "dump.log", [screen("", one) for one in SENT])
    assert [one[1:] for one in read(path)] == [one[1:] for one in expected()]
    found = read_traffic(path)
    assert not found.has_times
    assert not any(one.steady for one in found.buses[0].identifiers)


def test_candump_tells_remote_frames_errors_and_can_fd(tmp_path: Path) -> None:
    """A length of two digits is CAN FD; an error message carries its class."""
    lines = [
        " (1.000000)  can0  123   [0]  remote request",
        " (1.100000)  can0  18FEF100   [08]  00 11 22 33 44 55 66 77",
        " (1.200000)  can0  20000080   [8]  00 00 00 00 00 00 00 00   ERRORFRAME",
    ]
    assert [one[2] for one in read(text(tmp_path / "a.log", lines))] == [REMOTE, FD | EXTENDED, ERROR]


@pytest.mark.slow
def test_a_table_of_an_analyser(tmp_path: Path) -> None:
    """Microseconds, identifier in hex, a byte a column."""
    lines = ["Time Stamp,ID,Extended,Dir,Bus,LEN,D1,D2,D3,D4,D5,D6,D7,D8"]
    for one in SENT:
        data = ",".join(f"{byte:02X}" for byte in one.data)
        stamp = round((one.timestamp - BEGIN) * 1e6)
        lines.append(f"{stamp},{one.arbitration_id:08X},false,Rx,0,{len(one.data)},{data},")
    is_read_as_sent(text(tmp_path / "a.csv", lines))


@pytest.mark.slow
def test_a_table_in_decimal_with_flags(tmp_path: Path) -> None:
    """Identifier and bytes in decimal, flags in columns of their own, a semicolon between."""
    lines = ["timestamp;id (dec);rtr;err;ext;dlc;b0;b1;b2;b3;b4;b5;b6;b7"]
    for one in SENT:
        cells = [
            f"{one.timestamp:.6f}",
            str(one.arbitration_id),
            "0",
            "0",
            "0",
            str(len(one.data)),
            *map(str, one.data),
        ]
        lines.append(";".join(cells))
    is_read_as_sent(text(tmp_path / "a.txt", lines))


@pytest.mark.slow
def test_a_table_without_a_header(tmp_path: Path) -> None:
    """Time, identifier, length, bytes, and a flag behind them."""
    lines = []
    for one in SENT:
        data = [f"{byte:02x}" for byte in one.data]
        cells = [f"{one.timestamp:.6f}", f"{one.arbitration_id:04x}", str(len(one.data)), *data, "R"]
        lines.append(",".join(cells))
    is_read_as_sent(text(tmp_path / "a.csv", lines))


def test_a_table_without_a_header_that_tells_the_direction(tmp_path: Path) -> None:
    """Milliseconds, direction, identifier, length and bytes with 0x, under lines of a program's own words."""
    lines = ["//----------", "bus analyser, invented", "//----------"]
    for one in SENT:
        cells = [f"{one.timestamp:.6f}", "RX", f"0x{one.arbitration_id:08X}", str(len(one.data))]
        lines.append(";".join([*cells, *(f"0x{byte:02X}" for byte in one.data), ""]))
    is_read_as_sent(text(tmp_path / "a.log", lines))


def test_a_table_with_its_data_in_one_column(tmp_path: Path) -> None:
    """Hex without blanks, 0x before both."""
    lines = ["seconds,bus,id,data"]
    lines += [f"{one.timestamp:.6f},1,0x{one.arbitration_id:X},0x{one.data.hex()}" for one in SENT]
    is_read_as_sent(text(tmp_path / "a.csv", lines))


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_frames_in_words_as_a_terminal_recorded_them(encoding: str, tmp_path: Path) -> None:
    """Lines of words between, other text at the beginning, plain text or UTF-16 under any name."""
    lines = ["adapter ready, 500 kbit/s", ""]
    lines += [
        f"Timestamp: {one.timestamp:.6f}        ID: {one.arbitration_id:04x}    000    DLC: {len(one.data)}"
        f"    {one.data.hex(' ')}"
        for one in SENT
    ]
    path = text(tmp_path / "terminal.txt", lines, encoding)
    is_read_as_sent(path)
    assert not read_traffic(path).notes or "hold no frame" in read_traffic(path).notes[0]


def test_what_python_can_prints_is_a_log_too(tmp_path: Path) -> None:
    """Its own words for a message, as its logger shows them on the screen."""
    is_read_as_sent(text(tmp_path / "screen.txt", [str(one) for one in SENT]))


@pytest.mark.slow
def test_milliseconds_of_a_small_board(tmp_path: Path) -> None:
    """Whole numbers before each frame: as many a second as a bus can carry says that they are milliseconds."""
    lines = [
        f"{round((one.timestamp - BEGIN) * 1000)} Standard ID: 0x{one.arbitration_id:03X}  DLC: {len(one.data)}  Data: "
        + " ".join(f"0x{byte:02X}" for byte in one.data)
        for one in SENT
    ]
    is_read_as_sent(text(tmp_path / "serial.txt", lines), 3)


def test_crtd(tmp_path: Path) -> None:
    """Comments and events stand between."""
    lines = [f"{BEGIN:.3f} CXX a comment"]
    lines += [
        f"{one.timestamp:.6f} 1R11 {one.arbitration_id:03X} {one.data.hex(' ').upper()}" for one in SENT
    ]
    lines += [f"{BEGIN + 9:.3f} 1CEV an event", f"{SENT[-1].timestamp + 1:.6f} 1R29 18FEF100 01 02"]
    path = text(tmp_path / "a.crtd", lines)
    assert read(path)[-1][1:] == (0x18FEF100, EXTENDED, b"\x01\x02")
    assert [one[1:] for one in read(path)[:-1]] == [one[1:] for one in expected()]


def test_serial_line_text_with_milliseconds_of_a_minute(tmp_path: Path) -> None:
    """Lines end with a carriage return alone; the clock turns over after a minute."""
    lines = []
    for one in SENT:
        milliseconds = round((one.timestamp - BEGIN) * 1000) + 59_000
        lines.append(
            f"t{one.arbitration_id:03X}{len(one.data)}{one.data.hex().upper()}{milliseconds % 60_000:04X}"
        )
    path = tmp_path / "adapter.txt"
    path.write_text("\r".join(lines) + "\r", encoding="ascii", newline="")
    is_read_as_sent(path, 3)


def test_serial_line_text_of_every_kind(tmp_path: Path) -> None:
    """29 bits, a remote frame, CAN FD with the faster data phase; no times."""
    lines = ["V1013", "T18FEF10020102", "r1234", "b1239" + "00" * 12, "t12301234"[:5], "z"]
    path = text(tmp_path / "a.txt", lines)
    assert [one[2] for one in read(path)] == [EXTENDED, REMOTE, FD | BIT_RATE_SWITCH, 0]
    assert not read_traffic(path).has_times


def packet(message: can.Message) -> bytes:
    """Return a message as linux/can.h lays it out, the identifier in network byte order."""
    return struct.pack(">IB3x", message.arbitration_id, len(message.data)) + bytes(message.data).ljust(
        8, b"\0"
    )


@pytest.mark.parametrize("link", [227, 113])
def test_packet_captures_of_can(link: int, tmp_path: Path) -> None:
    """Of the CAN link type, and of the cooked one."""
    cooked = b"" if link == 227 else struct.pack(">HHHQH", 0, 280, 0, 0, 0x000C)
    parts = [struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, link)]
    for one in SENT:
        body = cooked + packet(one)
        ticks = round((one.timestamp - BEGIN) * 1e6)
        parts.append(
            struct.pack("<IIII", int(BEGIN) + ticks // 10**6, ticks % 10**6, len(body), len(body)) + body
        )
    (tmp_path / "a.pcap").write_bytes(b"".join(parts))
    is_read_as_sent(tmp_path / "a.pcap")


def test_the_newer_kind_of_packet_capture(tmp_path: Path) -> None:
    """Blocks; the resolution of the clock is an option of the interface."""
    section = struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28)
    face = struct.pack("<IIHHIHHB3xHHI", 1, 32, 227, 0, 0, 9, 1, 9, 0, 0, 32)
    parts = [section, face]
    for one in SENT:
        body = packet(one)
        ticks = int(BEGIN) * 10**9 + round((one.timestamp - BEGIN) * 1e6) * 1000
        head = struct.pack(
            "<IIIIIII", 6, 32 + len(body), 0, ticks >> 32, ticks & 0xFFFF_FFFF, len(body), len(body)
        )
        parts.append(head + body + struct.pack("<I", 32 + len(body)))
    (tmp_path / "a.pcapng").write_bytes(b"".join(parts))
    is_read_as_sent(tmp_path / "a.pcapng")


def test_a_packet_capture_of_another_link_is_refused_with_what_to_capture(tmp_path: Path) -> None:
    """Ethernet: a sound file, and not called damaged."""
    head = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1)
    (tmp_path / "a.pcap").write_bytes(head + struct.pack("<IIII", 1, 0, 60, 60) + bytes(60))
    with pytest.raises(CaptureError, match="link type 1, not of CAN") as refused:
        read(tmp_path / "a.pcap")
    assert "damaged" not in str(refused.value)


def test_asc_with_relative_stamps_counts_from_line_to_line(tmp_path: Path) -> None:
    """The same frames as with absolute stamps; lines that are no frames count as well."""
    written = write(tmp_path / "a.asc", SENT).read_text().splitlines()
    before, lines = 0.0, []
    for line in written:
        first = next(iter(line.split()), "")
        told = line.replace("timestamps absolute", "timestamps relative")
        if first.replace(".", "").isdigit() and "." in first:
            told = line.replace(first, f"{float(first) - before:.6f}", 1)
            before = float(first)
        lines.append(told)
    path = text(tmp_path / "relative.asc", lines)
    assert "timestamps relative" in path.read_text()
    is_read_as_sent(path, 4)
    assert read_traffic(path).duration == pytest.approx(SENT[-1].timestamp - SENT[0].timestamp, abs=1e-3)


def test_lin_frames_in_an_asc_log(tmp_path: Path) -> None:
    """A log of LIN alone is read; an identifier without an answer is no frame."""
    lines = ["date Mon Jan 5 10:00:00 2026", "base hex  timestamps absolute", "no internal events logged"]
    tail = "Rx     2  d0 7b  checksum = 4f   header time =  40, full time =  87"
    lines += [f"   {place * 0.02:.6f} Li  33              {tail}" for place in range(40)]
    lines.append("   0.810000 Li  21              TransmErr")
    path = text(tmp_path / "lin.asc", lines)
    assert {one[1:] for one in read(path)} == {(0x33, LIN, b"\xd0\x7b")}
    found = read_traffic(path).buses[0]
    assert found.channel == "LIN 1"
    assert found.identifiers[0].period == pytest.approx(0.02)
    assert found.nominal_bits == 40 * (34 + 30)


def test_lin_frames_in_a_blf_log(tmp_path: Path) -> None:
    """Object 11 (after the BLF library of Technica Engineering): channel, identifier, length, data."""
    path = write(tmp_path / "a.blf", [])
    whole = bytearray(path.read_bytes())
    body = struct.pack("<HBB8sBBBBHBBI", 1, 0x21, 3, b"\x01\x02\x03", 0, 0, 0, 0, 0, 0, 0, 0)
    head = struct.pack("<4sHHLLLHHQ", b"LOBJ", 32, 1, 32 + len(body), 11, 2, 0, 0, 5_000_000)
    inner = head + body
    container = struct.pack("<4sHHLL", b"LOBJ", 16, 1, 32 + len(inner), 10) + struct.pack(
        "<HxxxxxxLxxxx", 0, len(inner)
    )
    start = struct.unpack("<L", whole[4:8])[0]
    told = bytes(whole[:start]) + container + inner
    path.write_bytes(told[:16] + len(told).to_bytes(8, "little") + told[24:])
    assert [one[1:] for one in read(path)] == [(0x21, LIN, b"\x01\x02\x03")]


def test_the_last_line_cut_off_is_left_out_and_told(tmp_path: Path) -> None:
    """What is left of it looks like a shorter frame: it is not taken for one."""
    path = write(tmp_path / "a.log", SENT)
    path.write_bytes(path.read_bytes()[:-5])
    found = read_traffic(path)
    assert found.frames == len(SENT) - 1
    assert "has no end" in found.notes[0]


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("a.mf4", b"MDF     3.30    some program" + bytes(100), "version 3.30: expected version 4"),
        ("a.asc.gz", b"\x1f\x8b\x08" + bytes(100), r"is packed \(gzip\): unpack it first"),
        ("a.log", b"volts,seconds\n1,2\n", "no log of a known format|no line of"),
        ("a.txt", b"BO_ 291 Frame: 8 Module\n SG_ Speed : 0|8@1+ (1,0) [0|0] \"\" X\n", "it begins with 'BO_ 291"),
        ("a.bin", bytes(range(256)), "it begins with no text"),
    ],
)  # fmt: skip
def test_another_program_s_sound_file_is_not_called_damaged(
    name: str, data: bytes, said: str, tmp_path: Path
) -> None:
    """What it is, what was expected, what to do."""
    (tmp_path / name).write_bytes(data)
    with pytest.raises(CaptureError, match=said) as refused:
        read(tmp_path / name)
    assert "damaged" not in str(refused.value)
