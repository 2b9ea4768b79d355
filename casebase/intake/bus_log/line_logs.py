"""Logs of a frame a line that python-can does not read: candump without -L, CRTD, serial-line and terminal text.

Each line is told by a pattern; numbers are hex, as all of them write frames.
"""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Iterable
from itertools import pairwise
from typing import Final

import numpy as np

from casebase.intake.bus_log.frames import (
    BIT_RATE_SWITCH,
    CLASSICAL_WIDTH,
    ERROR,
    EXTENDED,
    FD,
    FD_LENGTHS,
    FD_WIDTH,
    REMOTE,
    FrameBlock,
    LineFrame,
    block_of_lines,
    empty_block,
)
from casebase.intake.bus_log.log_lines import LogLines, Mask, moment_of
from casebase.intake.bus_log.text_log import TextFormat

_HEX_BYTES: Final = rb"(?:[0-9A-Fa-f]{2}(?:\s+|$))"
_IDENTIFIER: Final = 0x1FFF_FFFF
_ERROR_FLAG: Final = 0x2000_0000


class LineLog(TextFormat):
    """A text log whose every line is told by a pattern of its own."""

    reader = ""
    has_junk = False
    """Whether other lines may stand between frames, as in what a terminal program recorded."""

    def __init__(self) -> None:
        super().__init__()
        self._left_out = 0

    @abstractmethod
    def prepare(self, head: Iterable[bytes]) -> None:
        """Look at the first lines, header included, before the log is read from its beginning."""

    @abstractmethod
    def frame_of(self, line: bytes) -> LineFrame | None:
        """Return the frame in a line; None where it is none."""

    def plain(self, lines: LogLines) -> tuple[Mask, FrameBlock]:
        """Return which lines are frames, and these frames."""
        rows = np.zeros(len(lines), bool)
        found = []
        for number in range(len(lines)):
            line = lines.line(number)
            frame = self.frame_of(line)
            if frame is not None:
                rows[number] = True
                found.append(frame)
            elif self.has_junk and line.strip():
                self._left_out += 1
        if self._left_out:
            self.notes[:] = [f"{self._left_out} lines hold no frame: left out"]
        return rows, block_of_lines(found, self.channels) if found else empty_block(0)

    def holds_nothing(self, line: bytes) -> bool:
        """Return whether a line is empty, or one of those that stand between."""
        return self.has_junk or not line.strip()


class CandumpScreen(LineLog):
    """What candump prints without -L: with stamps absolute, from zero, from frame to frame (`-t d`), or without."""

    name = "what candump prints"
    has_junk = True
    example = " (0.000792)  can0  123   [2]  11 22"
    _FORM: Final = re.compile(
        rb"\s*(?:\((?P<time>[^)]{1,40})\)\s+)?(?P<channel>[A-Za-z_][\w.-]{0,15}\s+|)(?:[RT]X\s+[-BE ]*\s)?\s*"
        rb"(?:<0x)?(?P<number>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})>?\s+\[(?P<length>\d{1,2})\]\s*"
        rb"(?P<data>(?:[0-9A-Fa-f]{2}\s+|[0-9A-Fa-f]{2}$)*)(?P<rest>remote request|ERRORFRAME|'.*)?.*"
    )

    _SHORT: Final = re.compile(
        rb"\s*\(\s*(?P<time>[^)]{1,40}?)\s*\)\s+(?P<channel>\S{1,16})\s+(?P<number>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#"
        rb"(?:#(?P<flags>[0-9A-Fa-f]))?(?P<data>(?:[0-9A-Fa-f]{2})*)(?P<rest>R\d?)?(?:\s.*)?"
    )
    """With -l and other text behind, or with blanks within the brackets."""

    def __init__(self) -> None:
        super().__init__()
        self._deltas = False
        self._now = 0.0

    def prepare(self, head: Iterable[bytes]) -> None:
        """Tell stamps from frame to frame: they fall and rise, where others grow."""
        forms = [self._FORM.fullmatch(line.rstrip()) or self._SHORT.fullmatch(line.rstrip()) for line in head]
        told = [found["time"] for found in forms if found and found["time"]]
        stamps = [moment for text in told if (moment := moment_of(text)) is not None]
        falls = sum(after < before for before, after in pairwise(stamps))
        self._deltas = falls > 0.1 * len(stamps) and max(stamps, default=0.0) < 3600.0
        self.has_times = bool(stamps)

    def frame_of(self, line: bytes) -> LineFrame | None:
        """Return the frame in a line."""
        found = self._FORM.fullmatch(line.rstrip())
        if found is None:
            return self._short_frame(line.rstrip())
        data = bytes.fromhex(found["data"].decode())
        length = int(found["length"])
        number, digits = int(found["number"], 16), len(found["number"])
        remote = found["rest"] == b"remote request"
        if length > FD_WIDTH or (len(data) != length and not remote):
            return None
        kinds = EXTENDED if digits == 8 else 0
        kinds |= FD if len(found["length"]) == 2 else 0
        kinds |= REMOTE if remote else 0
        moment = self._moment(found["time"])
        if moment is None:
            return None
        if digits == 8 and number & _ERROR_FLAG:
            return LineFrame(moment, 0, ERROR, b"", found["channel"].decode().strip(), number & _IDENTIFIER)
        return LineFrame(
            moment, number & _IDENTIFIER, kinds, data, found["channel"].decode().strip(), 0, length
        )

    def _short_frame(self, line: bytes) -> LineFrame | None:
        """Return the frame in a line of the short form."""
        found = self._SHORT.fullmatch(line)
        moment = self._moment(found["time"]) if found else None
        if found is None or moment is None:
            return None
        data, number = bytes.fromhex(found["data"].decode()), int(found["number"], 16)
        flexible = found["flags"] is not None
        if len(data) > (FD_WIDTH if flexible else CLASSICAL_WIDTH):
            return None
        kinds = EXTENDED * (len(found["number"]) == 8) | FD * flexible | REMOTE * (found["rest"] is not None)
        if len(found["number"]) == 8 and number & _ERROR_FLAG:
            return LineFrame(moment, 0, ERROR, b"", found["channel"].decode().strip(), number & _IDENTIFIER)
        return LineFrame(moment, number & _IDENTIFIER, kinds, data, found["channel"].decode())

    def _moment(self, stamp: bytes | None) -> float | None:
        told = moment_of(stamp) if stamp else 0.0
        if told is None or not self._deltas:
            return told
        self._now += told
        return self._now


class CrtdLog(LineLog):
    """CRTD: `1320745424.000 1R11 402 FA 01 C3`: bus, direction (R, T) and width of the identifier in one word."""

    name = "a CRTD log"
    example = "1320745424.000792 1R11 123 11 22"
    _FORM: Final = re.compile(
        rb"\s*(?P<time>\d+(?:\.\d+)?)\s+(?P<channel>\d?)(?P<kind>[RT])(?P<width>11|29)\s+(?P<number>[0-9A-Fa-f]{1,8})"
        rb"(?P<data>(?:\s+[0-9A-Fa-f]{2})*)\s*"
    )
    _OTHER: Final = re.compile(rb"\s*(?:\d+(?:\.\d+)?\s+\d?[A-Z][A-Z0-9]{2}\b.*)?")

    def prepare(self, head: Iterable[bytes]) -> None:
        """Do nothing: every line bears its time."""

    def frame_of(self, line: bytes) -> LineFrame | None:
        """Return the frame in a line."""
        found = self._FORM.fullmatch(line)
        data = bytes.fromhex(found["data"].decode()) if found else b""
        if found is None or len(data) > CLASSICAL_WIDTH:
            return None
        kinds = EXTENDED if found["width"] == b"29" else 0
        return LineFrame(
            float(found["time"]), int(found["number"], 16), kinds, data, found["channel"].decode()
        )

    def holds_nothing(self, line: bytes) -> bool:
        """Return whether a line is a comment or an event (`CXX`, `CEV`), or a status."""
        return bool(self._OTHER.fullmatch(line))


class SerialLineLog(LineLog):
    """What cheap adapters send over a serial line: `t12321122`, perhaps milliseconds of a minute in hex behind it.

    Kinds t, T, r, R; of CAN FD d, D and, with the faster data phase, b, B.
    """

    name = "serial-line text of an adapter"
    example = "t12321122"
    _FORM: Final = re.compile(
        rb"\s*(?:[(\[]?(?P<time>\d+(?:\.\d+)?)[)\]]?[\s,;:]+)?(?:(?P<base>[trdb])(?P<short>[0-9A-Fa-f]{3})|"
        rb"(?P<wide>[TRDB])(?P<long>[0-9A-Fa-f]{8}))(?P<code>[0-9A-Fa-f])(?P<rest>[0-9A-Fa-f]*)\s*"
    )
    _ANSWER: Final = re.compile(rb"\s*(?:[zZ\x07]*|[A-Za-z]\d{0,4}|\w\d{4})\s*")
    _MINUTE_MILLISECONDS: Final = 60_000

    def __init__(self) -> None:
        super().__init__()
        self._turns = 0
        self._last = -1
        self.has_times = False

    def prepare(self, head: Iterable[bytes]) -> None:
        """Tell whether any line carries a time."""
        found = [match for line in head if (match := self._FORM.fullmatch(line))]
        self.has_times = any(match["time"] or self._left(match) == 4 for match in found)

    def frame_of(self, line: bytes) -> LineFrame | None:
        """Return the frame in a line."""
        found = self._FORM.fullmatch(line)
        if found is None:
            return None
        kind = (found["base"] or found["wide"]).lower()
        length = self._length(kind, int(found["code"], 16))
        left = self._left(found)
        if left not in (0, 4):
            return None
        remote = kind == b"r"
        data = b"" if remote else bytes.fromhex(found["rest"][: 2 * length].decode())
        moment = float(found["time"]) if found["time"] else 0.0
        if left == 4:
            moment = self._of_minutes(int(found["rest"][-4:], 16))
        kinds = (EXTENDED if found["wide"] else 0) | (REMOTE if remote else 0)
        kinds |= {b"d": FD, b"b": FD | BIT_RATE_SWITCH}.get(kind, 0)
        return LineFrame(moment, int(found["short"] or found["long"], 16), kinds, data, "", 0, length)

    def holds_nothing(self, line: bytes) -> bool:
        """Return whether a line is an answer of the adapter."""
        return bool(self._ANSWER.fullmatch(line))

    def _length(self, kind: bytes, code: int) -> int:
        return FD_LENGTHS[code] if kind in b"db" else min(code, CLASSICAL_WIDTH)

    def _left(self, found: re.Match[bytes]) -> int:
        """Return how many digits stand behind the data."""
        kind = (found["base"] or found["wide"]).lower()
        held = 0 if kind == b"r" else 2 * self._length(kind, int(found["code"], 16))
        return len(found["rest"]) - held

    def _of_minutes(self, milliseconds: int) -> float:
        if milliseconds < self._last:
            self._turns += 1
        self._last = milliseconds
        return (self._turns * self._MINUTE_MILLISECONDS + milliseconds) / 1000


class TimeOfDayLog(LineLog):
    """What gateways send as text: `21:55:35.425 R 15FD0723 FF C0 D9`: time of day, direction, identifier, data."""

    name = "text of a gateway"
    example = "21:55:35.425 R 15FD0723 FF C0"
    _FORM: Final = re.compile(
        rb"\s*(?P<time>\d{1,2}:\d\d:\d\d\.\d{1,6})\s+[RT]\s+(?P<number>[0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})"
        rb"(?P<data>(?:\s+[0-9A-Fa-f]{2}){0,8})\s*"
    )

    def prepare(self, head: Iterable[bytes]) -> None:
        """Do nothing: every line bears its time."""

    def frame_of(self, line: bytes) -> LineFrame | None:
        """Return the frame in a line."""
        found = self._FORM.fullmatch(line)
        moment = moment_of(found["time"]) if found else None
        if found is None or moment is None:
            return None
        kinds = EXTENDED if len(found["number"]) == 8 else 0
        return LineFrame(moment, int(found["number"], 16), kinds, bytes.fromhex(found["data"].decode()))


class TerminalLog(LineLog):
    """Frames in words, as a terminal program recorded them: `ID: 123  DLC: 2  Data: 11 22`, a time before or not."""

    name = "a terminal log of frames in words"
    example = "Timestamp: 0.000792  ID: 123  DLC: 2  11 22"
    has_junk = True
    _FORM: Final = re.compile(
        rb"(?P<before>.{0,80}?)\b(?:CAN[ _-]?ID|ARBITRATION[ _]ID|MSG[ _-]?ID|IDENTIFIER|ID)\b\s*[:=]?\s*(?:0x)?"
        rb"(?P<number>[0-9A-F]{1,8})h?\b(?P<between>.{0,40}?)\b(?:DLC?|LENGTH|LEN|SIZE)\b\s*[:=]?\s*(?P<length>\d{1,2})\b"
        rb"[\s,;|]*(?:\b(?:DATA|PAYLOAD|BYTES|MSG|MESSAGE)\b\s*[:=]?)?[\s\[]*"
        rb"(?P<data>(?:(?:0x)?[0-9A-F]{1,2}(?:[\s,;\]]+|$))*)(?P<after>.*)",
        re.IGNORECASE,
    )
    _TIME: Final = re.compile(rb"(?:^|[^\w.:])(\d{1,2}:\d\d:\d\d[.,]\d+|\d+[.]\d+|\d+)(?=[^\w.:]|:?\s|$)")
    _WIDE: Final = re.compile(rb"\b(?:extended|ext|xtd|X)\b", re.IGNORECASE)
    _REMOTE: Final = re.compile(rb"\b(?:remote|rtr)\b", re.IGNORECASE)
    _CHANNEL: Final = re.compile(rb"\bchannel\s*[:=]?\s*(\w+)", re.IGNORECASE)

    def __init__(self) -> None:
        super().__init__()
        self._per_second = 1.0

    def prepare(self, head: Iterable[bytes]) -> None:
        """Take note of the unit of times that are whole numbers."""
        found = [match for line in head if (match := self._FORM.match(line))]
        stamps = [stamp for match in found if (stamp := self._stamp(match["before"])) is not None]
        grow = sum(float(after) >= float(before) for before, after in pairwise(map(_plain_number, stamps)))
        self.has_times = len(stamps) > 0.5 * len(found) > 0 and grow >= 0.9 * (len(stamps) - 1)
        self._per_second = ticks_per_second([float(stamp) for stamp in stamps if stamp.isdigit()])

    def frame_of(self, line: bytes) -> LineFrame | None:
        """Return the frame in a line."""
        found = self._FORM.match(line.rstrip())
        if found is None:
            return None
        number, length = int(found["number"], 16), int(found["length"])
        texts = re.findall(rb"(?:0[xX])?([0-9A-Fa-f]{1,2})", found["data"])[:length]
        around = found["before"] + found["between"]
        remote = bool(self._REMOTE.search(around + found["after"]))
        if length > FD_WIDTH or number > _IDENTIFIER or (len(texts) < length and not remote):
            return None
        wide = number > 0x7FF or bool(self._WIDE.search(around))
        kinds = EXTENDED * wide | REMOTE * remote | (FD if length > CLASSICAL_WIDTH else 0)
        channel = self._CHANNEL.search(found["after"])
        data = bytes(int(text, 16) for text in texts)
        name = channel[1].decode() if channel else ""
        return LineFrame(self._moment(found["before"]), number, kinds, data, name, 0, length)

    def _stamp(self, before: bytes) -> bytes | None:
        found = self._TIME.search(before)
        return found[1] if found else None

    def _moment(self, before: bytes) -> float:
        stamp = self._stamp(before) if self.has_times else None
        if stamp is None:
            return 0.0
        return float(stamp) / self._per_second if stamp.isdigit() else moment_of(stamp) or 0.0


def _plain_number(stamp: bytes) -> float:
    return moment_of(stamp) or 0.0


def ticks_per_second(stamps: list[float]) -> float:
    """Return how many of the clock's ticks a second has, where stamps are whole numbers: as buses send, or 1.

    A bus carries some ten to some thousand frames a second (common practice, no source).
    """
    span = max(stamps, default=0.0) - min(stamps, default=0.0)
    if span <= 0:
        return 1.0
    for per_second in (1e3, 1e6, 1e9):
        if 4.0 <= len(stamps) / span * per_second <= 9000.0:
            return per_second
    return 1.0
