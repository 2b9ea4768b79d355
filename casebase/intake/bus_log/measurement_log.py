"""Measurement data files (MF4) with bus logging, by python-can and asammdf, which is the extra `mf4`."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Final

from casebase.errors import CaptureError
from casebase.intake.bus_log.frames import Channels, FrameBlock, block_of
from casebase.intake.bus_log.log_lines import Progress

_FRAMES_AT_ONCE: Final = 20_000


def measurement_blocks(path: Path, channels: Channels, progress: Progress) -> Iterator[FrameBlock]:
    """Yield the frames of an MF4 log; raise CaptureError where the extra is missing or the file cannot be read."""
    if importlib.util.find_spec("asammdf") is None:
        raise CaptureError(
            f"{path}: MF4 logs need the extra mf4: pip install 'casebase[mf4]'; or have the log written as another"
            " format, such as BLF, ASC or candump"
        )
    size = path.stat().st_size
    done = 0
    try:
        from can.io.mf4 import MF4Reader  # noqa: PLC0415

        with MF4Reader(path) as reader:
            messages = iter(reader)
            while found := list(islice(messages, _FRAMES_AT_ONCE)):
                done += len(found)
                progress(0, size)
                yield block_of(found, channels)
    except CaptureError:
        raise
    except Exception as error:  # asammdf raises whatever a damaged file leads it to
        raise CaptureError(
            f"{path}: after frame {done}: {_told(error)}; the file is damaged or no MF4 log of a bus: copy it again,"
            " or have it repaired or written as another format by the program that wrote it"
        ) from None
    progress(size, size)


def _told(error: Exception) -> str:
    text = " ".join(str(error).split())[:100]
    return "".join(letter for letter in text if letter.isprintable()) or type(error).__name__
