"""A block of frames of a log as arrays, and how messages of python-can become one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError

if TYPE_CHECKING:
    from can.message import Message

EXTENDED: Final = 1
REMOTE: Final = 2
ERROR: Final = 4
FD: Final = 8
BIT_RATE_SWITCH: Final = 16
ERROR_PASSIVE: Final = 32
LIN: Final = 64
"""The bits of `FrameBlock.kinds`; ERROR_PASSIVE is CAN FD's error state indicator. A LIN frame has none but its own."""

MOST_CHANNELS: Final = 64

CLASSICAL_WIDTH: Final = 8
FD_WIDTH: Final = 64
FD_LENGTHS: Final = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Data lengths of CAN FD by data length code (ISO 11898-1)."""


@dataclass
class Channels:
    """The names of the channels that a log speaks of, each with a number."""

    file: str = "the log"
    names: list[str] = field(default_factory=list)

    def number(self, name: object) -> int:
        """Return the number of a channel, a new one for a new name; a log that names none has the name ``""``.

        Raises CaptureError where there are more channels than any vehicle has.
        """
        text = "" if name is None else str(name)
        if text not in self.names:
            if len(self.names) == MOST_CHANNELS:
                raise CaptureError(
                    f"{self.file}: more than {MOST_CHANNELS} channels: expected the log of one vehicle, with few"
                )
            self.names.append(text)
        return self.names.index(text)


@dataclass(frozen=True, slots=True)
class FrameBlock:
    """Some thousand frames in the order of the log, one array per column."""

    seconds: NDArray[np.float64]
    identifiers: NDArray[np.uint32]
    kinds: NDArray[np.uint8]
    lengths: NDArray[np.uint8]
    """Data length in bytes; of a remote frame the length it asks for."""
    data: NDArray[np.uint8]
    """One row of 8 or 64 bytes per frame, filled up with zeros."""
    channels: NDArray[np.uint16]
    error_classes: NDArray[np.uint32]
    """Of an error frame, what SocketCAN says of it (linux/can/error.h); 0 where the log does not tell."""

    def __len__(self) -> int:
        return len(self.seconds)

    def taken(self, chosen: NDArray[Any] | slice) -> FrameBlock:
        """Return the frames chosen by a mask or by their places."""
        return FrameBlock(*(getattr(self, name)[chosen] for name in FrameBlock.__slots__))

    def having(self, kind: int) -> NDArray[np.bool_]:
        """Return which frames are of a kind."""
        found: NDArray[np.bool_] = (self.kinds & kind) != 0
        return found


def empty_block(count: int, width: int = CLASSICAL_WIDTH) -> FrameBlock:
    """Return a block of `count` frames, all zeros, to be filled."""
    return FrameBlock(
        np.zeros(count),
        np.zeros(count, np.uint32),
        np.zeros(count, np.uint8),
        np.zeros(count, np.uint8),
        np.zeros((count, width), np.uint8),
        np.zeros(count, np.uint16),
        np.zeros(count, np.uint32),
    )


@dataclass(frozen=True, slots=True)
class LineFrame:
    """One frame as read from a line or a packet; `length` None: that of the data."""

    seconds: float
    identifier: int
    kinds: int
    data: bytes
    channel: str = ""
    error_class: int = 0
    length: int | None = None


def block_of_lines(found: list[LineFrame], channels: Channels) -> FrameBlock:
    """Return frames read one by one as a block."""
    widest = max((len(frame.data) for frame in found), default=0)
    block = empty_block(len(found), FD_WIDTH if widest > CLASSICAL_WIDTH else CLASSICAL_WIDTH)
    width = block.data.shape[1]
    block.seconds[:] = [frame.seconds for frame in found]
    block.identifiers[:] = [frame.identifier for frame in found]
    block.kinds[:] = [frame.kinds for frame in found]
    block.lengths[:] = [len(frame.data) if frame.length is None else frame.length for frame in found]
    block.channels[:] = [channels.number(frame.channel) for frame in found]
    block.error_classes[:] = [frame.error_class for frame in found]
    text = b"".join(frame.data.ljust(width, b"\0") for frame in found)
    block.data[:] = np.frombuffer(text, np.uint8).reshape(-1, width)
    return block


def kind_of(message: Message) -> int:
    """Return the bits of `kinds` for a message of python-can."""
    return (
        EXTENDED * message.is_extended_id
        | REMOTE * message.is_remote_frame
        | ERROR * message.is_error_frame
        | FD * message.is_fd
        | BIT_RATE_SWITCH * message.bitrate_switch
        | ERROR_PASSIVE * message.error_state_indicator
    )


def _length_of(message: Message) -> int:
    """Return the data length in bytes; raise ValueError where the frame says one and holds another, or none can be."""
    held, told = len(message.data), message.dlc
    if message.is_remote_frame or message.is_error_frame:
        if told > FD_WIDTH:
            raise ValueError(f"a frame that asks for {told} bytes of data")
        return told
    if message.is_fd:
        # Some of python-can's readers give the length in bytes, some its code.
        whole = held in FD_LENGTHS and told in (held, FD_LENGTHS.index(held))
    else:
        # Classical CAN: a data length code above 8 means 8 bytes (ISO 11898-1).
        whole = held <= CLASSICAL_WIDTH and (told == held or (held == CLASSICAL_WIDTH and told > held))
    if not whole:
        raise ValueError(f"a frame that says {told} bytes of data and holds {held}")
    return held


def block_of(messages: Iterable[Message], channels: Channels) -> FrameBlock:
    """Return messages of python-can as a block.

    Raises ValueError (OverflowError among them) where a number does not fit its column.
    """
    found = list(messages)
    widest = max((len(message.data) for message in found), default=0)
    if widest > FD_WIDTH:
        raise ValueError(f"a frame of {widest} bytes of data")
    block = empty_block(len(found), FD_WIDTH if widest > CLASSICAL_WIDTH else CLASSICAL_WIDTH)
    if not found:
        return block
    block.seconds[:] = [message.timestamp for message in found]
    block.identifiers[:] = [message.arbitration_id for message in found]
    block.kinds[:] = [kind_of(message) for message in found]
    block.lengths[:] = [_length_of(message) for message in found]
    block.channels[:] = [channels.number(message.channel) for message in found]
    width = block.data.shape[1]
    block.data[:] = np.frombuffer(
        b"".join(bytes(message.data).ljust(width, b"\0") for message in found), np.uint8
    ).reshape(-1, width)
    return block
