"""Moments as logs write them, and a clock that was set back within a log."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.bus_log.frames import FrameBlock

_OF_DAY: Final = re.compile(r"(?:(\d+)[ :])?(\d{1,2}):(\d{2}):(\d{2})[.,:]?(\d*)")
_SET_BACK_SECONDS: Final = 0.5
"""Frames of several channels may stand that far out of order (chosen); a clock that goes back further was set."""


def moment_of(text: bytes | str) -> float | None:
    """Return seconds from a number, a time of day or a date with time; None where it is none.

    >>> moment_of("00:00:01.250"), moment_of(b"12.5")
    (1.25, 12.5)
    """
    told = (text.decode("utf-8", "replace") if isinstance(text, bytes) else text).strip().strip("\"'")
    try:
        return float(told)
    except ValueError:
        pass
    found = _OF_DAY.fullmatch(told)
    if found:
        days, hours, minutes, seconds = (int(found[place] or 0) for place in range(1, 5))
        return float(f"{((days * 24 + hours) * 60 + minutes) * 60 + seconds}.{found[5] or 0}")
    try:
        moment = datetime.fromisoformat(told.replace("/", "-"))
    except ValueError:
        return None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


class OnwardClock:
    """Lets time go on where a log's clock was set back: what was sent after that counts on from there."""

    def __init__(self) -> None:
        self.set_back = 0
        """How often it was."""
        self._offset = 0.0
        self._latest: float | None = None

    def onward(self, block: FrameBlock) -> FrameBlock:
        """Return the block with times that go on."""
        seconds = block.seconds
        if not len(seconds):
            return block
        before = np.concatenate([[seconds[0] if self._latest is None else self._latest], seconds[:-1]])
        back = np.flatnonzero(seconds - before < -_SET_BACK_SECONDS)
        self._latest = float(seconds[-1])
        if not len(back) and not self._offset:
            return block
        self.set_back += len(back)
        steps: NDArray[np.float64] = np.zeros(len(seconds))
        steps[back] = (before - seconds)[back]
        offsets = self._offset + np.cumsum(steps)
        self._offset = float(offsets[-1])
        return FrameBlock(
            seconds + offsets, *(getattr(block, name) for name in FrameBlock.__slots__ if name != "seconds")
        )
