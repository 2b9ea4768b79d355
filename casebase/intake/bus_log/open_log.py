"""A log of any known format as blocks of frames, checked."""

from __future__ import annotations

import logging
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from casebase.errors import CaptureError
from casebase.intake.bus_log.asc_trc import AscLog
from casebase.intake.bus_log.blf_log import blf_blocks
from casebase.intake.bus_log.candump_csv import CandumpLog, CsvLog
from casebase.intake.bus_log.frames import ERROR, EXTENDED, Channels, FrameBlock
from casebase.intake.bus_log.log_lines import Progress
from casebase.intake.bus_log.mf4_log import measurement_blocks
from casebase.intake.bus_log.packet_log import packet_blocks
from casebase.intake.bus_log.recognise import BLF, MF4, Recognised, plain_text, recognised
from casebase.intake.bus_log.text_log import TextFormat, text_blocks, widened

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
