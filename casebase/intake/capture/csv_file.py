"""Captures in text files: read once, block by block, into a temporary file of plain numbers."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError
from casebase.intake.capture.columns import Layout, layout_of, number_with_unit
from casebase.intake.capture.samples import Capture, Samples, Tell, Wanted, step_from

_BLOCK_BYTES: Final = 4 << 20
_IN_MEMORY: Final = 64 << 20
"""A copy smaller than this stays in memory."""
_LONGEST_LINE: Final = 1 << 16
_INFINITY: Final = "\u221e".encode()
_NO_LEVEL: Final = 1e37
"""Instruments write 9.9E37 for infinity and 9.91E37 for no number (SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5)."""


def open_csv(path: Path, wanted: Wanted, tell: Tell | None = None) -> Capture:
    """Read a text file of samples; raise `CaptureError` where a line does not fit."""
    layout = layout_of(path, wanted)
    channels = len(layout.columns) - layout.has_time
    copy = tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY, prefix="casebase-")  # noqa: SIM115  closed by the capture
    try:
        clock = _Clock(path)
        clipped = _Clipped(channels)
        count = _copied(path, layout, copy, (clock, clipped), tell)
        step = step_from(wanted, clock.step if layout.has_time else layout.step, path)
    except BaseException:
        copy.close()
        raise

    def read(start: int, stop: int) -> Samples:
        first = count - stop if layout.backwards else start
        copy.seek(first * 4 * channels)
        data = copy.read((stop - start) * 4 * channels)
        rows = np.frombuffer(data, dtype=np.float32).reshape(-1, channels)
        rows = rows[::-1] if layout.backwards else rows
        return clipped.filled(np.ascontiguousarray(rows.T))

    return Capture(
        path,
        step,
        count,
        channels,
        read,
        scale=wanted.scale,
        notes=(*layout.notes, *clipped.notes),
        names=layout.names,
        at_end=copy.close,
    )


def _copied(
    path: Path, layout: Layout, copy: IO[bytes], watchers: tuple[_Clock, _Clipped], tell: Tell | None
) -> int:
    """Write every line's volts into the copy; return the number of samples."""
    clock, clipped = watchers
    size = path.stat().st_size
    factors = np.array(layout.factors)
    count = 0
    for text, done in _line_blocks(path, layout.skip_bytes):
        rows = _numbers(text, layout, path, count) * factors
        if layout.has_time and len(rows):
            clock.take(-rows[:, 0] if layout.backwards else rows[:, 0], count)
        with np.errstate(over="ignore"):
            volts = rows[:, int(layout.has_time) :].astype(np.float32)
        clipped.take(volts)
        copy.write(volts.tobytes())
        count += len(rows)
        if tell:
            tell(done, size)
    return count


def _line_blocks(path: Path, skip: int) -> Iterator[tuple[bytes, int]]:
    """Yield whole lines of the file, some megabytes at a time, with how far they reach."""
    rest = b""
    with path.open("rb") as file:
        file.seek(skip)
        while part := file.read(_BLOCK_BYTES):
            text = rest + part
            cut = text.rfind(b"\n") + 1
            if len(text) - cut > _LONGEST_LINE:
                raise CaptureError(f"{path.name}: has a line of {len(text) - cut} letters: it is damaged")
            rest = text[cut:]
            if cut:
                yield text[:cut], file.tell()
        if rest.strip():
            yield rest, file.tell()


def _numbers(text: bytes, layout: Layout, path: Path, before: int) -> NDArray[np.float64]:
    """Return the columns wanted of some lines, in the order wanted."""
    plain = text.replace(b'"', b"").replace(_INFINITY, b"inf")
    if layout.with_units:
        return _numbers_with_units(plain, layout, path, before)
    if layout.decimal_comma:
        plain = plain.replace(b",", b".")
    if b"\r" in plain:
        plain = plain.replace(b"\r", b"\n" if b"\n" not in plain else b"")
    if not plain.strip():
        return np.empty((0, len(layout.columns)))
    try:
        return _loaded(plain, layout)
    except (ValueError, IndexError, OverflowError):
        whole = _without_empty_end(plain, layout)
        if whole != plain:
            return _numbers(whole, layout, path, before)
        raise CaptureError(_broken_line(plain, layout, path, before)) from None


def _loaded(plain: bytes, layout: Layout) -> NDArray[np.float64]:
    return np.loadtxt(
        io.BytesIO(plain),
        delimiter=layout.separator,
        usecols=layout.columns,
        ndmin=2,
        comments=None,
        encoding="latin-1",
    )


def _without_empty_end(plain: bytes, layout: Layout) -> bytes:
    """Return lines without those at the end whose volts are empty, as scopes leave them where a channel ends early."""
    lines = plain.rstrip().split(b"\n")
    separator = layout.separator.encode() if layout.separator else None
    while lines:
        cells = lines[-1].split(separator)
        volts = layout.columns[layout.has_time :]
        if any(place >= len(cells) or cells[place].strip() for place in volts):
            break
        lines.pop()
    return b"\n".join(lines) + b"\n" if len(lines) < plain.rstrip().count(b"\n") + 1 else plain


def _numbers_with_units(plain: bytes, layout: Layout, path: Path, before: int) -> NDArray[np.float64]:
    """Return the columns wanted of lines whose cells carry units of their own: `1.25 ms; -480 mV`."""
    rows = []
    lines = [line for line in plain.decode("utf-8", "replace").splitlines() if line.strip()]
    for number, line in enumerate(lines, start=before + 1):
        cells = [cell.strip() for cell in line.split(layout.separator)]
        try:
            rows.append([number_with_unit(cells[place]) for place in layout.columns])
        except (ValueError, IndexError):
            raise CaptureError(
                f"{path.name}: line {layout.skip_lines + number} is '{line[:40]}': expected numbers with their units as"
                " in the lines before; the file may be cut short"
            ) from None
    return np.array(rows, dtype=np.float64).reshape(-1, len(layout.columns))


def _broken_line(plain: bytes, layout: Layout, path: Path, before: int) -> str:
    """Return the sentence that names the first line that does not fit."""
    separator = layout.separator.encode() if layout.separator else None
    samples = before
    for line in plain.split(b"\n"):
        if not line.strip():
            continue
        samples += 1
        cells = line.split(separator)
        if not all(place < len(cells) and _is_number(cells[place]) for place in layout.columns):
            shown = "".join(letter if letter.isprintable() else "?" for letter in line.decode("latin-1")[:40])
            return (
                f"{path.name}: line {layout.skip_lines + samples} is '{shown}': expected {max(layout.columns) + 1}"
                " columns of numbers as in the lines before; the file may be cut short"
            )
    return f"{path.name}: a line after sample {before} does not hold the numbers expected: it is damaged"


def _is_number(cell: bytes) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


class _Clock:
    """Follows the column of time: even steps throughout, or the file is refused."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._count = 0
        self._first = self._last = 0.0
        self._slack = 0.0

    @property
    def step(self) -> float | None:
        """Seconds from sample to sample."""
        return (self._last - self._first) / (self._count - 1) if self._count > 1 else None

    def take(self, times: NDArray[np.float64], before: int) -> None:
        """Follow the times of a block; `before` samples came before it."""
        if not self._count:
            self._first = self._last = float(times[0])
        step = self._step_with(times)
        if not (np.isfinite(step) and step > 0):
            raise CaptureError(
                f"{self._path.name}: its times do not grow from sample {before + 1} on: expected a column of seconds,"
                " or --columns and --samples-per-second"
            )
        start = self._last + (step if self._count else 0.0)
        self._check(times, start, step, before)
        self._count += len(times)
        self._last = float(times[-1])

    def _step_with(self, times: NDArray[np.float64]) -> float:
        whole = float(times[-1]) - self._first
        return whole / (self._count + len(times) - 1) if self._count + len(times) > 1 else 0.0

    def _check(self, times: NDArray[np.float64], start: float, step: float, before: int) -> None:
        steps = np.diff(times)
        # Times written with few digits stand still for some samples, then leap: that much slack is theirs.
        self._slack = max(self._slack, float(np.min(steps[steps > 0], initial=np.inf)) if len(steps) else 0.0)
        slack = self._slack if np.isfinite(self._slack) else 0.0
        allowed = 1.5 * max(step, min(slack, 20 * step)) + 1e-3 * step * len(times)
        off = np.abs(times - (start + step * np.arange(len(times))))
        if not np.all(off <= allowed):
            at = before + int(np.argmax(~(off <= allowed))) + 1
            raise CaptureError(
                f"{self._path.name}: its times are not even at sample {at}: expected equal steps of {step:.3g} s;"
                " a gap in the record, or the file is damaged"
            )


class _Clipped:
    """Follows the highest and lowest levels; what lies beyond the instrument's range is taken for these."""

    def __init__(self, channels: int) -> None:
        self._lowest = np.full((channels, 1), np.inf, dtype=np.float32)
        self._highest = np.full((channels, 1), -np.inf, dtype=np.float32)
        self._count = 0

    @property
    def notes(self) -> tuple[str, ...]:
        """What is said of it, if anything."""
        if not self._count:
            return ()
        return (f"{self._count} values lie beyond the instrument's range: taken as the last level within it",)

    def take(self, volts: Samples) -> None:
        """Follow a block, one row a sample."""
        beyond = np.abs(volts) > _NO_LEVEL
        if beyond.any():
            self._count += int(np.count_nonzero(beyond))
            volts = np.where(beyond, np.nan, volts)
        if len(volts):
            self._lowest = np.fmin(self._lowest, np.fmin.reduce(volts, axis=0)[:, None])
            self._highest = np.fmax(self._highest, np.fmax.reduce(volts, axis=0)[:, None])

    def filled(self, rows: Samples) -> Samples:
        """Return rows, one a channel, without what lies beyond."""
        return np.clip(rows, self._lowest, self._highest) if self._count else rows
