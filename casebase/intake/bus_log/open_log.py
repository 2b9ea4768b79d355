"""A log as blocks of frames, checked: its content tells the format, its name only where the content is damaged."""

from __future__ import annotations

import logging
import re
import tempfile
from codecs import BOM_UTF8
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from casebase.errors import CaptureError
from casebase.intake.bus_log.asc_trc import AscLog, TrcLog
from casebase.intake.bus_log.blf_log import blf_blocks
from casebase.intake.bus_log.candump_csv import COLUMNS, CandumpLog, CsvLog
from casebase.intake.bus_log.frames import ERROR, EXTENDED, Channels, FrameBlock
from casebase.intake.bus_log.line_logs import (
    CandumpScreen,
    CrtdLog,
    LineLog,
    SerialLineLog,
    TerminalLog,
    TimeOfDayLog,
)
from casebase.intake.bus_log.log_lines import Progress
from casebase.intake.bus_log.mf4_log import measurement_blocks
from casebase.intake.bus_log.packet_log import MAGIC as PACKET_MAGIC
from casebase.intake.bus_log.packet_log import packet_blocks
from casebase.intake.bus_log.table_log import TableLog
from casebase.intake.bus_log.text_log import TextFormat, shown, text_blocks, widened

_HEAD_BYTES: Final = 1 << 17
_MOST_LINES: Final = 600
_ENOUGH: Final = 0.6
"""Of the lines that are neither empty nor above the first frame, so many are frames (chosen)."""

BLF, MF4, PACKETS = "a BLF log", "an MF4 log", "a packet capture"
_BY_ENDING: Final[dict[str, type[TextFormat]]] = {
    ".log": CandumpLog,
    ".asc": AscLog,
    ".trc": TrcLog,
    ".csv": CsvLog,
}
ENDINGS: Final = (*_BY_ENDING, ".blf", ".mf4", ".pcap", ".pcapng", ".crtd", ".txt")
"""Endings that logs usually have."""

_ASC: Final = re.compile(
    rb"^\s*(?:date\s+\w+\s.*|base\s+(?:hex|dec)\b.*|\d+\.\d+\s+(?:\d{1,2}|CANFD|L(?:i|\d+))\s.*\b[RT]x\b.*)\s*$",
    re.IGNORECASE | re.MULTILINE,
)
_CANDUMP: Final = re.compile(rb"^\s*\(\d+(?:\.\d+)?\)\s+\S+\s+[0-9A-Fa-f]+#", re.MULTILINE)
_TRC: Final = re.compile(rb"^\s*;\$FILEVERSION", re.MULTILINE)
_UTF_16: Final = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True)
class Recognised:
    """A format: its name in a sentence, and what reads it where it is text; `transcoded`: from a copy in plain text."""

    name: str
    text: TextFormat | None = None
    transcoded: bool = False


def recognised(path: Path) -> Recognised:
    """Return the format of a log; raise CaptureError where it is none that is known."""
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    if head[:4] == b"LOGG":
        return Recognised(BLF)
    if head.startswith((b"MDF ", b"UnFinMF")):
        return _measurement(path, head)
    if head[:4] in PACKET_MAGIC:
        return Recognised(PACKETS)
    if packed := packed_as(head):
        raise CaptureError(f"{path}: is packed ({packed}): unpack it first, and give the log in it")
    ending = path.suffix.lower()
    if ending in (".blf", ".mf4"):
        return Recognised(BLF if ending == ".blf" else MF4)
    transcoded = head.startswith((*_UTF_16, BOM_UTF8)) or (b"\n" not in head and b"\r" in head)
    text = plain_text(head) if transcoded else head
    kind = _text_format(text)
    if kind is None and ending in _BY_ENDING and _may_be_damaged(text, ending):
        kind = _BY_ENDING[ending]()
    if kind is None:
        raise CaptureError(_not_known(path, text))
    return Recognised(kind.name, kind, transcoded)


_PACKED: Final = {
    b"\x1f\x8b": "gzip",
    b"PK\x03\x04": "zip",
    b"BZh": "bzip2",
    b"\xfd7zXZ": "xz",
    b"7z\xbc\xaf": "7z",
    b"\x28\xb5\x2f\xfd": "zstd",
}


def packed_as(head: bytes) -> str | None:
    """Return how a file is packed, by its first bytes; None where it is not."""
    return next((name for first, name in _PACKED.items() if head.startswith(first)), None)


def plain_text(data: bytes) -> bytes:
    """Return text in UTF-16, or with a byte order mark or carriage returns alone, as UTF-8 in lines."""
    if data.startswith(_UTF_16):
        data = data.decode("utf-16", "replace").encode()
    return data.removeprefix(BOM_UTF8).replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _may_be_damaged(text: bytes, ending: str) -> bool:
    """Whether text may be of the format that its name tells, though its lines do not: then that reader says where."""
    return ending == ".trc" or not text.strip() or b"\0" in text or bool(_CANDUMP.search(text))


def _measurement(path: Path, head: bytes) -> Recognised:
    version = head[8:12]
    if version.startswith((b"2", b"3")):
        raise CaptureError(
            f"{path}: a measurement data file of version {version.decode('latin-1').strip()}: expected version 4 with"
            " bus logging; have the program that wrote it export it as MF4, BLF or ASC"
        )
    return Recognised(MF4)


def _text_format(text: bytes) -> TextFormat | None:
    """Return the text format whose lines these are."""
    if _TRC.search(text):
        return TrcLog()
    if COLUMNS in text[:500]:
        return CsvLog()
    lines = text.split(b"\n")[:_MOST_LINES]
    lines = lines[:-1] if len(lines) > 1 else lines
    filled = [line for line in lines if line.strip()]
    if (
        sum(bool(_ASC.match(line)) for line in filled[:20])
        or len(_ASC.findall(text)) > _ENOUGH * len(filled) > 0
    ):
        return AscLog()
    if len(_CANDUMP.findall(b"\n".join(filled))) > 0.5 * len(filled) > 0:
        return CandumpLog()
    kinds: tuple[type[LineLog], ...] = (
        CandumpScreen,
        CrtdLog,
        SerialLineLog,
        TimeOfDayLog,
        TerminalLog,
        TableLog,
    )
    for kind in kinds:
        if _fits(kind, filled):
            ready = kind()
            ready.prepare(filled)
            return ready
    return None


def _fits(kind: type[LineLog], lines: list[bytes]) -> bool:
    trial = kind()
    trial.prepare(lines)
    told = [trial.frame_of(line) is not None for line in lines]
    if True not in told:
        return False
    of_rest = told[told.index(True) :]
    others = sum(trial.holds_nothing(line) and not kind.has_junk for line in lines[told.index(True) :])
    return sum(of_rest) > _ENOUGH * (len(of_rest) - min(others, len(of_rest) - 1))


def _not_known(path: Path, text: bytes) -> str:
    first = next((line for line in text.split(b"\n") if line.strip()), b"")
    begins = "nothing" if not first else "no text" if b"\0" in text[:2000] else f"'{shown(first)}'"
    return (
        f"{path}: no log of a known format; it begins with {begins}. Expected candump, ASC, BLF, TRC, MF4, CSV or"
        " another table with identifier and data, CRTD, serial-line text, pcap; samples of a scope: casebase capture"
    )


_BASE_LIMIT, _EXTENDED_LIMIT = 0x800, 0x2000_0000
_FRAMES_AT_ONCE: Final = 50_000
_LATEST_SECOND: Final = 1e11
"""No clock runs that far: some three thousand years after 1970."""


def _nobody_watches(_done: int, _whole: int) -> None:
    """Take no note of how far the reading is."""


@dataclass
class OpenLog:
    """A log about to be read: what format, which channels it turned out to speak of.

    `notes`: what is said of it once it is read, such as a last line that was left out. `has_times`: False where its
    frames bear no time.
    """

    path: Path
    kind: Recognised
    channels: Channels
    notes: list[str] = field(default_factory=list)

    @property
    def format_name(self) -> str:
        """The format as a sentence names it."""
        return self.kind.name

    @property
    def tells_error_frames(self) -> bool:
        """Whether error frames are in what is read of this format."""
        return self.kind.text is None or isinstance(self.kind.text, (CandumpLog, AscLog, CsvLog))

    @property
    def has_times(self) -> bool:
        """Whether frames bear a time."""
        return self.kind.text is None or self.kind.text.has_times

    def blocks(self, progress: Progress = _nobody_watches) -> Iterator[FrameBlock]:
        """Yield the frames in order, checked; raise CaptureError with the place that cannot be read."""
        done = 0
        for block in _gathered(self._raw_blocks(progress)):
            _check(block, self.path, done)
            done += len(block)
            yield block
        if self.kind.text is not None:
            self.notes += self.kind.text.notes
        if not done:
            raise CaptureError(
                f"{self.path}: no frame in it: expected {self.format_name} with at least one; is it the right file?"
            )

    def _raw_blocks(self, progress: Progress) -> Iterator[FrameBlock]:
        try:
            if self.kind.text is not None:
                yield from self._text_blocks(self.kind.text, progress)
            elif self.kind.name == BLF:
                yield from blf_blocks(self.path, self.channels, progress)
            elif self.kind.name == MF4:
                yield from measurement_blocks(self.path, self.channels, progress)
            else:
                yield from packet_blocks(self.path, self.channels, progress)
        except OSError as error:
            raise CaptureError(f"{self.path}: cannot be read: {error.strerror or error}") from None

    def _text_blocks(self, kind: TextFormat, progress: Progress) -> Iterator[FrameBlock]:
        kind.channels = self.channels
        if not self.kind.transcoded:
            yield from text_blocks(self.path, kind, progress)
            return
        with tempfile.TemporaryDirectory(prefix="casebase-log-") as folder:
            copy = Path(folder) / self.path.name
            copy.write_bytes(plain_text(self.path.read_bytes()))
            try:
                yield from text_blocks(copy, kind, progress)
            except CaptureError as error:
                raise CaptureError(str(error).replace(str(copy), str(self.path))) from None


def open_log(path: Path) -> OpenLog:
    """Return the log at `path`, not yet read; raise CaptureError where it is none of a known format."""
    logging.getLogger("can").addHandler(logging.NullHandler())  # or python-can's warnings reach the screen
    if not path.is_file():
        raise CaptureError(f"{path}: no such file: check the name and the folder")
    try:
        return OpenLog(path, recognised(path), Channels(str(path)))
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read: {error.strerror or error}") from None


def _gathered(blocks: Iterator[FrameBlock]) -> Iterator[FrameBlock]:
    """Yield small blocks put together, so that the work per block is worth it."""
    waiting: list[FrameBlock] = []
    for block in blocks:
        waiting.append(block)
        if sum(map(len, waiting)) >= _FRAMES_AT_ONCE:
            yield _joined(waiting)
            waiting = []
    if any(map(len, waiting)):
        yield _joined(waiting)


def _joined(blocks: list[FrameBlock]) -> FrameBlock:
    if len(blocks) == 1:
        return blocks[0]
    width = max(block.data.shape[1] for block in blocks)
    wide = [widened(block, width) for block in blocks]
    return FrameBlock(
        *(np.concatenate([getattr(one, name) for one in wide]) for name in FrameBlock.__slots__)
    )


def _check(block: FrameBlock, path: Path, done: int) -> None:
    """Raise CaptureError at the first frame that cannot be one."""
    seconds = block.seconds
    bad_time = ~((seconds >= 0) & (seconds < _LATEST_SECOND))
    limits = np.where(block.having(EXTENDED), _EXTENDED_LIMIT, _BASE_LIMIT)
    bad_identifier = (block.identifiers >= limits) & ~block.having(ERROR)
    if not (bad_time | bad_identifier).any():
        return
    at = int((bad_time | bad_identifier).argmax())
    what = (
        f"the time {seconds[at]:g} s cannot be"
        if bad_time[at]
        else f"the identifier {int(block.identifiers[at]):X} is too large: expected at most"
        f" {int(limits[at]) - 1:X}"
    )
    raise CaptureError(f"{path}: frame {done + at + 1}: {what}; the file is damaged: copy it again")
