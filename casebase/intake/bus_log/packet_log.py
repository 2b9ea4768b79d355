"""Packet captures (pcap, pcapng) of a CAN link type, as network capture programs save SocketCAN interfaces.

Layouts: the pcap and pcapng drafts of the IETF, the list of link types of tcpdump.org (LINKTYPE_CAN_SOCKETCAN 227,
LINUX_SLL 113, LINUX_SLL2 276), from memory; the frame is that of linux/can.h with the identifier in network byte order.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from casebase.errors import CaptureError
from casebase.intake.bus_log.frames import (
    BIT_RATE_SWITCH,
    CLASSICAL_WIDTH,
    ERROR,
    ERROR_PASSIVE,
    EXTENDED,
    FD,
    FD_WIDTH,
    REMOTE,
    Channels,
    FrameBlock,
    LineFrame,
    block_of_lines,
)
from casebase.intake.bus_log.log_lines import Progress

_PCAP: Final = {
    b"\xd4\xc3\xb2\xa1": ("<", 1e-6),
    b"\xa1\xb2\xc3\xd4": (">", 1e-6),
    b"\x4d\x3c\xb2\xa1": ("<", 1e-9),
    b"\xa1\xb2\x3c\x4d": (">", 1e-9),
}
_SECTION: Final = b"\x0a\x0d\x0d\x0a"
MAGIC: Final = (*_PCAP, _SECTION)
_CAN, _COOKED, _COOKED_2 = 227, 113, 276
_CAN_PROTOCOLS: Final = (0x000C, 0x000D)
_FRAMES_AT_ONCE: Final = 20_000
_LARGEST_PACKET: Final = 1 << 20
_EFF, _RTR, _ERR = 0x8000_0000, 0x4000_0000, 0x2000_0000
_IDENTIFIER: Final = 0x1FFF_FFFF
_FD_SWITCH, _FD_PASSIVE, _FD_FRAME = 1, 2, 4


@dataclass
class _Interface:
    link: int
    per_second: float
    name: str


def packet_blocks(path: Path, channels: Channels, progress: Progress) -> Iterator[FrameBlock]:
    """Yield the frames of a packet capture; raise CaptureError where it holds none of a CAN link."""
    whole = path.stat().st_size
    waiting: list[LineFrame] = []
    links: set[int] = set()
    with path.open("rb") as file:
        begins = file.read(4)
        file.seek(0)
        packets = _sections(path, file) if begins == _SECTION else _packets(path, file)
        for moment, face, packet in packets:
            links.add(face.link)
            frame = _frame(moment, face, packet)
            if frame is not None:
                waiting.append(frame)
            if len(waiting) >= _FRAMES_AT_ONCE:
                progress(min(file.tell(), whole), whole)
                yield block_of_lines(waiting, channels)
                waiting = []
    if waiting:
        yield block_of_lines(waiting, channels)
    elif links and not links & {_CAN, _COOKED, _COOKED_2}:
        raise CaptureError(
            f"{path}: a packet capture of link type {', '.join(map(str, sorted(links)))}, not of CAN: expected link"
            " type 227 (SocketCAN); capture the CAN interface itself"
        )


def _packets(path: Path, file: BinaryIO) -> Iterator[tuple[float, _Interface, bytes]]:
    """Yield the packets of a pcap file; one that the end cuts off is left out."""
    head = file.read(24)
    if len(head) < 24:
        raise CaptureError(f"{path}: a packet capture that ends in its header: copy it again")
    order, tick = _PCAP[head[:4]]
    face = _Interface(struct.unpack(f"{order}I", head[20:24])[0] & 0xFFFF, 1 / tick, "")
    record = struct.Struct(f"{order}IIII")
    while len(told := file.read(16)) == 16:
        seconds, ticks, length, _ = record.unpack(told)
        if length > _LARGEST_PACKET:
            raise CaptureError(
                f"{path}: at byte {file.tell()}: a packet of {length} bytes: it is damaged, copy it again"
            )
        packet = file.read(length)
        if len(packet) == length:
            yield seconds + ticks * tick, face, packet


def _sections(path: Path, file: BinaryIO) -> Iterator[tuple[float, _Interface, bytes]]:
    """Yield the packets of a pcapng file."""
    order = "<"
    faces: list[_Interface] = []
    while len(head := file.read(8)) == 8:
        kind = head[:4]
        if kind == _SECTION:
            magic = file.read(4)
            order = "<" if magic == b"\x4d\x3c\x2b\x1a" else ">"
            file.seek(-4, 1)
            faces = []
        (length,) = struct.unpack(f"{order}I", head[4:])
        if length < 12 or length > _LARGEST_PACKET or length % 4:
            raise CaptureError(
                f"{path}: at byte {file.tell()}: a block of {length} bytes: it is damaged, copy it again"
            )
        body = file.read(length - 8)[:-4]
        (number,) = struct.unpack(f"{order}I", kind)
        if number == 1 and len(body) >= 8:
            faces.append(_interface(body, order, len(faces)))
        elif number == 6 and len(body) >= 20:
            place, high, low, held, _ = struct.unpack(f"{order}IIIII", body[:20])
            if place < len(faces):
                yield (high << 32 | low) / faces[place].per_second, faces[place], body[20 : 20 + held]


def _interface(body: bytes, order: str, place: int) -> _Interface:
    (link,) = struct.unpack(f"{order}H", body[:2])
    face, at = _Interface(link, 1e6, ""), 8
    while at + 4 <= len(body):
        code, size = struct.unpack(f"{order}HH", body[at : at + 4])
        value = body[at + 4 : at + 4 + size]
        if code == 9 and size == 1:
            face.per_second = float(2 ** (value[0] & 0x7F) if value[0] & 0x80 else 10 ** value[0])
        elif code == 2:
            face.name = value.decode("utf-8", "replace")[:32]
        at += 4 + size + -size % 4
    face.name = face.name or (f"interface {place + 1}" if place else "")
    return face


def _frame(moment: float, face: _Interface, packet: bytes) -> LineFrame | None:
    """Return the CAN frame of a packet; None where it is none."""
    packet = _without_link_header(face.link, packet)
    if len(packet) < 8:
        return None
    number, length, flags = struct.unpack(">IBB", packet[:6])
    flexible = bool(flags & _FD_FRAME) or length > CLASSICAL_WIDTH
    if length > (FD_WIDTH if flexible else CLASSICAL_WIDTH):
        return None
    if number & _ERR:
        return LineFrame(moment, 0, ERROR, b"", face.name, number & _IDENTIFIER)
    kinds = EXTENDED * bool(number & _EFF) | REMOTE * bool(number & _RTR)
    if flexible:
        kinds |= FD | BIT_RATE_SWITCH * bool(flags & _FD_SWITCH) | ERROR_PASSIVE * bool(flags & _FD_PASSIVE)
    return LineFrame(moment, number & _IDENTIFIER, kinds, packet[8 : 8 + length], face.name, 0, length)


def _without_link_header(link: int, packet: bytes) -> bytes:
    """Return the frame of a packet as linux/can.h lays it out; nothing where the packet is of another protocol."""
    if link == _CAN:
        return packet
    protocol_at, length = {_COOKED: (14, 16), _COOKED_2: (0, 20)}.get(link, (0, len(packet)))
    is_can = int.from_bytes(packet[protocol_at : protocol_at + 2], "big") in _CAN_PROTOCOLS
    return packet[length:] if is_can else b""
