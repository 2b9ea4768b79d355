"""Text logs read fast: plain lines as arrays, every other line by python-can's reader of that format.

So each format has one meaning, python-can's; what it would take in silently although it cannot be is refused.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from casebase.errors import CaptureError
from casebase.intake.bus_log.frames import FD_WIDTH, Channels, FrameBlock, block_of
from casebase.intake.bus_log.log_lines import LogLines, Mask, Progress, line_blocks

if TYPE_CHECKING:
    from can.message import Message

_SHOWN: Final = 60
_MOST_HEADER_LINES: Final = 200


class TextFormat(ABC):
    """What is peculiar to one format of text log."""

    name: str
    """As a sentence names it: `a candump log`."""
    example: str
    """A line of it."""
    reader: str
    """The name of python-can's reader of it."""

    def __init__(self) -> None:
        self.channels = Channels()
        self.header: list[bytes] = []
        self.has_times = True
        self.notes: list[str] = []

    def rewritten(self, text: bytes) -> bytes:
        """Return whole lines as they are read; a format whose stamps need it writes them anew."""
        return text

    @abstractmethod
    def plain(self, lines: LogLines) -> tuple[Mask, FrameBlock]:
        """Return which lines are plain frames, and these frames."""

    def is_header(self, line: bytes) -> bool:
        """Return whether a line at the beginning belongs to the header; the first other line ends it."""
        return False

    def read_header(self, header: list[bytes]) -> None:
        """Take note of the header; raise ValueError with what is wrong in it."""
        self.header = header

    def may_end_with(self, line: bytes) -> bool:
        """Return whether a whole file may end with this line and no line break."""
        return not line.strip()

    def holds_nothing(self, line: bytes) -> bool:
        """Return whether a line that is no plain frame is none at all, so that no other reader need see it."""
        return not line.strip()

    def channel_of(self, message: Message) -> object:
        """Return the name of a message's channel as the file has it."""
        return message.channel


class _NoFrameError(ValueError):
    """A line, by its number in the block, whose frame cannot be."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number


class _Fed:
    """Lines given to a reader of python-can one by one; `number` is the line given last."""

    def __init__(self, header: list[bytes], lines: LogLines, odd: list[int]) -> None:
        self.number = -1
        self._left = self._given(header, lines, odd)

    def _given(self, header: list[bytes], lines: LogLines, odd: list[int]) -> Iterator[str]:
        for line in header:
            yield _text_of(line)
        for number in odd:
            self.number = number
            yield _text_of(lines.line(number))

    def __iter__(self) -> Iterator[str]:
        return self._left

    def __next__(self) -> str:
        return next(self._left)

    def close(self) -> None:
        """Do nothing: there is no file."""


def _text_of(line: bytes) -> str:
    return line.decode(errors="replace") + "\n"


def text_blocks(path: Path, kind: TextFormat, progress: Progress) -> Iterator[FrameBlock]:
    """Yield the frames of a text log; raise CaptureError with the line that cannot be read."""
    for whole, first_line in line_blocks(path, progress):
        text = _without_torn_end(kind, whole, first_line)
        lines = LogLines(kind.rewritten(text))
        begun = _read_header(path, kind, lines) if first_line == 1 else 0
        yield _block(path, kind, lines, first_line, begun)


def _read_header(path: Path, kind: TextFormat, lines: LogLines) -> int:
    header: list[bytes] = []
    for number in range(min(len(lines), _MOST_HEADER_LINES)):
        if not kind.is_header(lines.line(number)):
            break
        header.append(lines.line(number))
    try:
        kind.read_header(header)
    except (ValueError, OverflowError) as error:
        raise CaptureError(f"{path}: the beginning of {kind.name} cannot be read: {error}") from None
    return len(header)


def _without_torn_end(kind: TextFormat, text: bytes, first_line: int) -> bytes:
    """Return the text without a last line that has no end, and note it: a line cut off can read as a whole one."""
    cut = text.rfind(b"\n") + 1
    last = text[cut:]
    if not last or kind.may_end_with(last):
        return text
    number = first_line + text.count(b"\n")
    kind.notes.append(
        f"the last line ({number}: {shown(last)}) has no end, as where a log was cut off: left out"
    )
    return text[:cut]


def _block(path: Path, kind: TextFormat, lines: LogLines, first_line: int, begun: int) -> FrameBlock:
    number = begun
    try:
        plain, frames = kind.plain(lines)
        rest = ~plain
        rest[:begun] = False
        odd = [place for place in np.flatnonzero(rest).tolist() if not kind.holds_nothing(lines.line(place))]
        if not odd:
            return frames
        if not kind.reader:
            raise _NoFrameError(odd[0])
        fed = _Fed(kind.header, lines, odd)
        found: list[tuple[int, Message]] = []
        import can  # noqa: PLC0415  a second of loading, which plain lines do not need

        try:
            for message in getattr(can, kind.reader)(fed):
                message.channel = kind.channel_of(message)
                found.append((fed.number, message))
        except Exception as error:  # whatever a reader meets in a damaged line
            number = max(fed.number, begun)
            raise ValueError(str(error)) from None
        return _merged(frames, np.flatnonzero(plain), found, kind.channels)
    except _NoFrameError as error:
        raise CaptureError(
            _no_frame(path, kind, lines.line(error.number), first_line + error.number)
        ) from None
    except (ValueError, OverflowError):
        raise CaptureError(_no_frame(path, kind, lines.line(number), first_line + number)) from None


def _no_frame(path: Path, kind: TextFormat, line: bytes, number: int) -> str:
    return (
        f"{path}: line {number} ({shown(line)}) is no line of {kind.name}: expected such as {kind.example};"
        " copy the file again, or take that line out"
    )


def shown(line: bytes) -> str:
    """Return the beginning of a line for a sentence, nothing in it that a terminal would obey."""
    text = line.decode(errors="replace").strip()
    cut = text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."
    return "".join(letter if letter.isprintable() else "?" for letter in cut)


def _merged(
    frames: FrameBlock, lines: Any, found: list[tuple[int, Message]], channels: Channels
) -> FrameBlock:
    """Return the plain frames and the messages found beside them in the order of their lines."""
    if not found:
        return frames
    try:
        others = block_of([message for _, message in found], channels)
    except (ValueError, OverflowError) as error:
        raise _at_line(error, found, channels) from None
    return in_order_of_lines((lines, frames), (np.array([number for number, _ in found]), others))


def in_order_of_lines(*parts: tuple[Any, FrameBlock]) -> FrameBlock:
    """Return blocks, each with the numbers of its lines, as one block in the order of the lines."""
    order = np.argsort(np.concatenate([lines for lines, _ in parts]), kind="stable")
    width = max(block.data.shape[1] for _, block in parts)
    wide = [widened(block, width) for _, block in parts]
    return FrameBlock(
        *(np.concatenate([getattr(one, name) for one in wide])[order] for name in FrameBlock.__slots__)
    )


def _at_line(
    error: ValueError | OverflowError, found: list[tuple[int, Message]], channels: Channels
) -> ValueError:
    """Return an error that knows the line of the first message that cannot be a frame."""
    for number, message in found:
        try:
            block_of([message], channels)
        except (ValueError, OverflowError):
            return _NoFrameError(number)
    return ValueError(str(error))


def widened(block: FrameBlock, width: int) -> FrameBlock:
    """Return a block with rows of data of `width` bytes."""
    missing = width - block.data.shape[1]
    if missing <= 0:
        return block
    data = np.pad(block.data, ((0, 0), (0, min(missing, FD_WIDTH))))
    return FrameBlock(
        block.seconds,
        block.identifiers,
        block.kinds,
        block.lengths,
        data,
        block.channels,
        block.error_classes,
    )
