"""Binary logs (BLF): containers of objects, mostly packed; those that are frames are taken out as arrays.

Objects and their fields are those that python-can's reader knows. What it skips silently, such as a container that is
cut off, is refused here.
"""

from __future__ import annotations

import struct
import zlib
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError
from casebase.intake.bus_log.frames import (
    BIT_RATE_SWITCH,
    CLASSICAL_WIDTH,
    ERROR,
    ERROR_PASSIVE,
    EXTENDED,
    FD,
    FD_LENGTHS,
    FD_WIDTH,
    LIN,
    REMOTE,
    Channels,
    FrameBlock,
    empty_block,
)
from casebase.intake.bus_log.log_lines import Progress

Places = NDArray[np.int64]

_CAN_ERROR_FRAME = 2
_CAN_MESSAGE, _CAN_ERROR, _CAN_MESSAGE_2, _CAN_FD, _CAN_FD_64 = 1, 73, 86, 100, 101
_LIN_MESSAGE, _LIN_MESSAGE_2 = 11, 57
_BASE_BYTES: Final = 16
_HEADER_BYTES: Final = {1: 32, 2: 40}
"""Length of an object's header by its version; any other version is not known, and such an object is left out."""
_FD_64_BYTES: Final = 40
_NEEDED_BYTES: Final = {
    _CAN_MESSAGE: 16,
    _CAN_MESSAGE_2: 16,
    _CAN_ERROR: 32,
    _CAN_ERROR_FRAME: 4,
    _CAN_FD: 84,
    _CAN_FD_64: _FD_64_BYTES,
    _LIN_MESSAGE: 12,
    _LIN_MESSAGE_2: 120,
}
_IDENTIFIER: Final = 0x1FFF_FFFF
_TEN_MICROSECONDS: Final = 1
_LENGTHS: Final = np.array([*FD_LENGTHS, *[FD_WIDTH] * 240], np.uint8)


def frames_of(data: bytes, places: Places, start: float, channels: Channels) -> FrameBlock:
    """Return the frames among the objects that begin at `places`.

    Raises ValueError where an object is too short for what it says it is.
    """
    letters = np.frombuffer(data + bytes(FD_WIDTH + 100), np.uint8)
    objects = _Objects(letters, places)
    known = np.isin(objects.kinds, list(_NEEDED_BYTES)) & np.isin(objects.versions, list(_HEADER_BYTES))
    objects = objects.taken(known)
    is_wide = bool(np.isin(objects.kinds, (_CAN_FD, _CAN_FD_64)).any())
    block = empty_block(len(objects.places), FD_WIDTH if is_wide else CLASSICAL_WIDTH)
    block.seconds[:] = objects.seconds() + start
    for kind in np.unique(objects.kinds):
        chosen = np.flatnonzero(objects.kinds == kind)
        part = objects.taken(chosen)
        if (part.bodies + _NEEDED_BYTES[int(kind)] > part.places + part.sizes).any():
            raise ValueError(f"an object of kind {kind} that is too short")
        _fill(block, chosen, part, int(kind), channels)
    return block


class _Objects:
    """Objects of one container: where each begins, its kind, and fields read from all of them at once."""

    def __init__(self, letters: NDArray[np.uint8], places: Places) -> None:
        self._letters = letters
        self.places = places
        self.versions = self.field(places + 6, 2)
        self.sizes = self.field(places + 8, 4)
        self.kinds = self.field(places + 12, 4)
        self.bodies = places + np.where(self.versions == 2, _HEADER_BYTES[2], _HEADER_BYTES[1])

    def taken(self, chosen: Any) -> _Objects:
        """Return some of the objects."""
        return _Objects(self._letters, self.places[chosen])

    def field(self, at: Places, size: int) -> Places:
        """Return whole numbers of up to 8 bytes, the smallest byte first."""
        found = np.zeros(len(at), np.uint64)
        for place in range(size):
            found |= self._letters[at + place].astype(np.uint64) << np.uint64(8 * place)
        return found.astype(np.int64)

    def read(self, offset: int, size: int) -> Places:
        """Return a field of the objects' bodies."""
        return self.field(self.bodies + offset, size)

    def rows(self, at: Places, counts: Places, width: int) -> NDArray[np.uint8]:
        """Return `counts` bytes from `at` on, filled up with zeros."""
        columns = np.arange(width)
        inside = columns < counts[:, None]
        return np.where(inside, self._letters[np.where(inside, at[:, None] + columns, 0)], 0)

    def seconds(self) -> NDArray[np.float64]:
        """Return the times since the measurement began."""
        ticks = self.field(self.places + _BASE_BYTES + 8, 8).astype(np.uint64)
        coarse = self.field(self.places + _BASE_BYTES, 4) == _TEN_MICROSECONDS
        return np.where(coarse, ticks / 1e5, ticks / 1e9)


def _fill(block: FrameBlock, chosen: Places, part: _Objects, kind: int, channels: Channels) -> None:
    """Fill the rows `chosen` of a block with objects of one kind."""
    if kind in (_CAN_MESSAGE, _CAN_MESSAGE_2):
        channel, identifiers, kinds, lengths, data = _classical(part)
    elif kind in (_LIN_MESSAGE, _LIN_MESSAGE_2):
        _fill_lin(block, chosen, part, kind, channels)
        return
    elif kind == _CAN_ERROR_FRAME:
        none = np.zeros(len(part.places), np.int64)
        channel, identifiers, lengths = part.read(0, 2), none, none
        kinds, data = none + ERROR, np.zeros((len(none), CLASSICAL_WIDTH), np.uint8)
    elif kind == _CAN_ERROR:
        channel, identifiers, kinds, lengths, data = _error(part)
    else:
        channel, identifiers, kinds, lengths, data = (_fd if kind == _CAN_FD else _fd_64)(part)
    block.identifiers[chosen] = identifiers & _IDENTIFIER
    block.kinds[chosen] = kinds | np.where(identifiers >> 31, EXTENDED, 0)
    block.lengths[chosen] = lengths
    block.data[chosen, : data.shape[1]] = data
    for number in np.unique(channel):
        block.channels[chosen[channel == number]] = channels.number(int(number))


def _fill_lin(block: FrameBlock, chosen: Places, part: _Objects, kind: int, channels: Channels) -> None:
    """Fill in frames of LIN; their channels are numbered apart from those of CAN."""
    # channel 2, identifier 1, length 1, data 8, ...; the extended object holds times of every byte before the data
    channel_at, number_at, length_at, data_at = (0, 2, 3, 4) if kind == _LIN_MESSAGE else (12, 37, 38, 112)
    lengths = np.minimum(part.read(length_at, 1), CLASSICAL_WIDTH)
    block.identifiers[chosen] = part.read(number_at, 1) & 0x3F
    block.kinds[chosen] = LIN
    block.lengths[chosen] = lengths
    block.data[chosen, :CLASSICAL_WIDTH] = part.rows(part.bodies + data_at, lengths, CLASSICAL_WIDTH)
    channel = part.read(channel_at, 2)
    for number in np.unique(channel):
        block.channels[chosen[channel == number]] = channels.number(f"LIN {int(number)}")


_Fields = tuple[Places, Places, Places, Places, NDArray[np.uint8]]


def _classical(part: _Objects) -> _Fields:
    # channel 2, flags 1, data length 1, identifier 4, data 8
    codes = part.read(3, 1)
    remote = (part.read(2, 1) & 0x80) != 0
    lengths = np.minimum(codes, CLASSICAL_WIDTH)
    data = part.rows(part.bodies + 8, np.where(remote, 0, lengths), CLASSICAL_WIDTH)
    return part.read(0, 2), part.read(4, 4), REMOTE * remote, lengths, data


def _error(part: _Objects) -> _Fields:
    # channel 2, length 2, flags 4, code 1, position 1, data length 1, gap 1, frame length 4, identifier 4, ...
    lengths = np.minimum(part.read(10, 1), CLASSICAL_WIDTH)
    none = np.zeros((len(part.places), CLASSICAL_WIDTH), np.uint8)
    kinds = np.full(len(part.places), ERROR, np.int64)
    return part.read(0, 2), part.read(16, 4), kinds, lengths, none


def _fd(part: _Objects) -> _Fields:
    # channel 2, flags 1, data length code 1, identifier 4, frame length 4, bits 1, FD flags 1, valid bytes 1, ...
    flags, valid = part.read(13, 1), part.read(14, 1)
    is_fd = (flags & 1) != 0
    kinds = FD * is_fd | BIT_RATE_SWITCH * ((flags >> 1) & 1) | ERROR_PASSIVE * ((flags >> 2) & 1)
    kinds |= REMOTE * ((part.read(2, 1) & 0x80) != 0)
    return part.read(0, 2), part.read(4, 4), *_of_length(part, kinds, part.read(3, 1), valid, 20)


def _fd_64(part: _Objects) -> _Fields:
    # channel 1, data length code 1, valid bytes 1, count 1, identifier 4, frame length 4, flags 4, ...
    flags, valid = part.read(12, 4), part.read(2, 1)
    kinds = FD * ((flags >> 12) & 1) | BIT_RATE_SWITCH * ((flags >> 13) & 1)
    kinds |= ERROR_PASSIVE * ((flags >> 14) & 1) | REMOTE * ((flags >> 4) & 1)
    # python-can's issue 1905: fewer bytes may be there than are called valid; the rest is zeros.
    beyond = part.read(35, 1)
    there = np.where(beyond > 0, beyond, part.sizes) - (part.bodies - part.places) - _FD_64_BYTES
    return (
        part.read(0, 1),
        part.read(4, 4),
        *_of_length(
            part, kinds, part.read(1, 1), np.minimum(valid, np.maximum(there, 0)), _FD_64_BYTES, valid
        ),
    )


def _of_length(  # noqa: PLR0913, PLR0917  two lengths, told and there
    part: _Objects, kinds: Places, codes: Places, there: Places, offset: int, valid: Places | None = None
) -> tuple[Places, Places, NDArray[np.uint8]]:
    """Return kinds, lengths and data; raise ValueError where the code and the valid bytes differ."""
    told = _LENGTHS[codes].astype(np.int64)
    carries_data = (kinds & REMOTE) == 0
    called = there if valid is None else valid
    if (carries_data & (called != told)).any():
        raise ValueError("a frame whose data length code and count of bytes differ")
    if (carries_data & ((kinds & FD) == 0) & (told > CLASSICAL_WIDTH)).any():
        raise ValueError("a classical frame of more than 8 bytes")
    data = part.rows(part.bodies + offset, np.where(carries_data, there, 0), FD_WIDTH)
    return kinds, told, data


_BUSES: Final = {
    "FlexRay": (29, 30, 31, 40, 41, 45, 47, 48, 49, 50, 66),
    "Ethernet": (71, 102, 103, 113, 114, 115, 120),
    "MOST": (*range(22, 29), *range(32, 40), *range(76, 84)),
    "LIN events": (12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 42, 43, 54, *range(58, 65), 75),
}
"""Kinds of objects by bus, after the BLF library of Technica Engineering."""

_FILE_HEADER: Final = struct.Struct("<4sLBBBBBBBBQQLL8H8H")
_OBJECT_HEADER: Final = struct.Struct("<4sHHLL")
_CONTAINER_HEADER_BYTES: Final = 16
_CONTAINER: Final = 10
_MOST_UNPACKED: Final = 64 * 1024 * 1024
_SMALLEST_OBJECT: Final = 16
_PLAIN, _DEFLATED = 0, 2


def blf_blocks(path: Path, channels: Channels, progress: Progress) -> Iterator[FrameBlock]:
    """Yield the frames of a BLF log; raise CaptureError where it is cut off or does not hold together."""
    with path.open("rb") as file:
        start = _start_seconds(path, file)
        others: Counter[int] = Counter()
        frames = 0
        whole = path.stat().st_size
        tail = b""
        for content in _containers(path, file):
            data = tail + content
            places, end = _objects(path, data, file.tell())
            others.update(_kinds_at(data, places))
            tail = data[end:]
            progress(min(file.tell(), whole), whole)
            try:
                found = frames_of(data, places, start, channels)
            except (ValueError, struct.error) as error:
                raise _damaged(path, file.tell(), str(error)) from None
            frames += len(found)
            yield found
        if not frames and others:
            raise CaptureError(
                f"{path}: a BLF log without a frame of CAN or LIN: it holds {_others_words(others)}; log the bus itself"
            )
        if tail.strip(b"\0"):
            raise _damaged(path, whole, "the last object is not whole")


def _kinds_at(data: bytes, places: NDArray[np.int64]) -> list[int]:
    """Return the kinds of the objects that begin at places."""
    kind_at = struct.Struct("<L").unpack_from
    return [kind_at(data, place + 12)[0] for place in places.tolist()]


def _others_words(others: Counter[int]) -> str:
    """Return what objects there are, by the buses they belong to."""
    of_bus: Counter[str] = Counter()
    for kind, count in others.items():
        of_bus[next((name for name, kinds in _BUSES.items() if kind in kinds), "other")] += count
    return ", ".join(f"{count} objects of {name}" for name, count in of_bus.most_common(3))


def _start_seconds(path: Path, file: BinaryIO) -> float:
    """Read the header of the file; return when the measurement began, in seconds since 1970."""
    begun = file.read(_FILE_HEADER.size)
    if len(begun) < _FILE_HEADER.size or begun[:4] != b"LOGG":
        raise _damaged(path, 0, "it does not begin as a BLF log does")
    header = _FILE_HEADER.unpack(begun)
    whole = path.stat().st_size
    if header[10] != whole:
        raise CaptureError(
            f"{path}: its header says {header[10]} bytes, the file has {whole}: it was cut off, or never closed by"
            " what logged it; copy it again, or have it repaired by the program that wrote it"
        )
    if header[1] < _FILE_HEADER.size or header[1] > whole:
        raise _damaged(path, 4, "its header has no length that can be")
    file.seek(header[1])
    return _seconds_of(header[14:22])


def _seconds_of(told: tuple[int, ...]) -> float:
    """Return a date of the header as seconds since 1970; 0 where it is none, as where nobody set the clock."""
    year, month, _, day, hour, minute, second, milliseconds = told
    try:
        return datetime(year, month, day, hour, minute, second, milliseconds * 1000, tzinfo=UTC).timestamp()
    except ValueError:
        return 0.0


def _containers(path: Path, file: BinaryIO) -> Iterator[bytes]:
    """Yield the content of each container."""
    while begun := file.read(_OBJECT_HEADER.size):
        at = file.tell() - len(begun)
        if len(begun) < _OBJECT_HEADER.size or begun[:4] != b"LOBJ":
            raise _damaged(path, at, "no object begins here")
        _, _, _, size, kind = _OBJECT_HEADER.unpack(begun)
        if not _OBJECT_HEADER.size <= size <= _MOST_UNPACKED:
            raise _damaged(path, at, f"an object of {size} bytes")
        body = file.read(size - _OBJECT_HEADER.size)
        if len(body) < size - _OBJECT_HEADER.size:
            raise _damaged(path, at, f"an object of {size} bytes goes beyond the end")
        file.read(size % 4)
        if kind == _CONTAINER:
            yield _unpacked(path, at, body)


def _unpacked(path: Path, at: int, body: bytes) -> bytes:
    if len(body) < _CONTAINER_HEADER_BYTES:
        raise _damaged(path, at, "a container without a header")
    method, content = body[0] | body[1] << 8, body[_CONTAINER_HEADER_BYTES:]
    if method == _PLAIN:
        return content
    if method != _DEFLATED:
        raise _damaged(path, at, f"a container packed by method {method}, which is not known")
    packed = zlib.decompressobj()
    try:
        data = packed.decompress(content, _MOST_UNPACKED)
    except zlib.error:
        raise _damaged(path, at, "a packed container cannot be unpacked") from None
    if not packed.eof:
        raise _damaged(path, at, "a packed container is not whole, or larger than any logger writes")
    return data


def _objects(path: Path, data: bytes, at: int) -> tuple[NDArray[np.int64], int]:
    """Return where whole objects begin in unpacked data, and where the rest begins."""
    places: list[int] = []
    place, end = 0, len(data)
    size_at = struct.Struct("<L").unpack_from
    while place + _OBJECT_HEADER.size <= end:
        # Objects are padded; how far differs by kind.
        if data[place : place + 4] != b"LOBJ":
            found = data.find(b"LOBJ", place, place + 8)
            if found < 0:
                raise _damaged(path, at, "no object begins where one should, within the container before")
            place = found
            continue
        (size,) = size_at(data, place + 8)
        if size < _SMALLEST_OBJECT or size > _MOST_UNPACKED:
            raise _damaged(path, at, f"an object of {size} bytes within the container before")
        if place + size > end:
            break
        places.append(place)
        place += size
    return np.array(places, np.int64), min(place, end)


def _damaged(path: Path, at: int, what: str) -> CaptureError:
    return CaptureError(
        f"{path}: at byte {at}: {what}; the file is damaged or no BLF log: copy it again, or have it written as"
        " another format"
    )
