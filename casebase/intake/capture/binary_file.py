"""Captures in NumPy files (an array, or an archive of named arrays) and in 16-bit WAV files.

Nothing in them is executed.
"""

from __future__ import annotations

import errno
import tempfile
import wave
import zipfile
import zlib
from collections.abc import Iterable
from dataclasses import replace
from io import FileIO
from pathlib import Path
from tokenize import TokenError
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.lib import format as npy_format
from numpy.typing import NDArray

from casebase.errors import CaptureError
from casebase.intake.capture.columns import Role, role_of
from casebase.intake.capture.samples import BLOCK, Capture, Read, Samples, Wanted, step_from

_HEADERS: Final = {(1, 0): npy_format.read_array_header_1_0, (2, 0): npy_format.read_array_header_2_0}
_STEP_NAMES: Final = ("interval", "dt", "seconds_per_sample", "sample_interval", "tinc")
_RATE_NAMES: Final = ("rate", "fs", "sample_rate", "samplerate", "samples_per_second")


class Stored:
    """An array in a file, read part by part."""

    def __init__(self, path: Path, name: str, file: BinaryIO) -> None:
        self.shape, self.fortran, self.dtype = _header(file, name)
        self.offset, self._path, self._name = file.tell(), path, name
        self._file: FileIO | None = None
        if self.dtype.kind not in "fiu" or self.dtype.hasobject or self.dtype.itemsize > 8:
            raise CaptureError(f"{name}: holds {self.dtype}: expected numbers of at most 64 bits")
        needed = self.offset + int(np.prod(self.shape, dtype=object)) * self.dtype.itemsize
        size = file.seek(0, 2)
        if needed > size:
            raise CaptureError(f"{name}: says it holds {needed} bytes, there are {size}: it is cut short")
        if len(self.shape) not in (1, 2) or 0 in self.shape:
            raise CaptureError(f"{name}: has the shape {self.shape}: expected rows or columns of samples")

    @property
    def series(self) -> int:
        """How many series stand side by side."""
        return 1 if len(self.shape) == 1 else min(self.shape)

    @property
    def count(self) -> int:
        """How many samples each series has."""
        return max(self.shape)

    def part(self, start: int, stop: int) -> NDArray[Any]:
        """Return samples `start` to before `stop`, one row per series."""
        if len(self.shape) == 1:
            return self._read(start, stop - start)[None]
        side_by_side = (self.shape[0] == self.series) == self.fortran
        if side_by_side:
            pairs = self._read(start * self.series, (stop - start) * self.series).reshape(-1, self.series)
            return np.ascontiguousarray(pairs.T)
        rows = np.empty((self.series, stop - start), self.dtype)
        for place, row in enumerate(rows):
            row[:] = self._read(place * self.count + start, stop - start)
        return rows

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()

    def _read(self, first: int, count: int) -> NDArray[Any]:
        """Return `count` numbers from the place `first` in the file on."""
        if self._file is None:
            self._file = self._path.open("rb", buffering=0)
        numbers = np.empty(count, self.dtype)
        self._file.seek(self.offset + first * self.dtype.itemsize)
        # Read rather than mapped: pages of a mapped file count as memory in use until the system wants them.
        if self._file.readinto(numbers.view(np.uint8).data) != numbers.nbytes:
            raise CaptureError(f"{self._name}: ends before it should: it is cut short")
        return numbers


def open_npy(path: Path, wanted: Wanted) -> Capture:
    """Open a `.npy` file: one series, two lines, or time and two lines, in rows or columns."""
    with path.open("rb") as file:
        stored = Stored(path, path.name, file)
    chosen = _chosen(stored.series, wanted, path)
    try:
        found = None if chosen[0] is None else _step_of_time(stored, chosen[0], path)
        step = step_from(wanted, found, path)
    except BaseException:
        stored.close()
        raise
    lines = [place for place in chosen[1:] if place is not None]

    def read(start: int, stop: int) -> NDArray[Any]:
        rows = stored.part(start, stop)
        return rows if lines == list(range(len(rows))) else rows[lines]

    capture = _capture(path, wanted, step, stored.count, len(lines), read, stored.dtype)
    return replace(capture, at_end=stored.close)


def open_npz(path: Path, wanted: Wanted) -> Capture:
    """Open a `.npz` archive: arrays named for the lines and for time, or one array as in a `.npy` file."""
    folder = tempfile.TemporaryDirectory(prefix="casebase-")
    try:
        capture = _from_archive(path, Path(folder.name), wanted)
    except BaseException:
        folder.cleanup()
        raise

    def close() -> None:
        capture.close()
        folder.cleanup()

    return replace(capture, at_end=close)


def _from_archive(path: Path, folder: Path, wanted: Wanted) -> Capture:
    unpacked = _unpacked(path, folder)
    stored = {name: found for name, found in unpacked.items() if isinstance(found, Stored)}
    numbers = {name: found for name, found in unpacked.items() if isinstance(found, float)}
    step = _stated_step(numbers)
    if len(stored) == 1:
        only = next(iter(stored))
        asked = (
            wanted
            if step is None or wanted.samples_per_second
            else replace(wanted, samples_per_second=1.0 / step)
        )
        return replace(open_npy(folder / f"{only}.npy", asked), path=path)
    time, lines = _named_lines(list(stored), wanted, path)
    series = [stored[name] for name in lines]
    counts = {one.count for one in (*series, *([stored[time]] if time else []))}
    if len(counts) != 1 or any(one.series != 1 for one in series):
        raise CaptureError(
            f"{path.name}: its arrays differ in length: expected one sample of each line at a time"
        )
    if time:
        step = _step_of_time(stored[time], 0, path)

    def read(start: int, stop: int) -> NDArray[Any]:
        return np.concatenate([one.part(start, stop) for one in series])

    kind = np.result_type(*(one.dtype for one in series))
    capture = _capture(path, wanted, step_from(wanted, step, path), counts.pop(), len(series), read, kind)
    return replace(capture, at_end=lambda: _close(stored.values()))


def _close(arrays: Iterable[Stored]) -> None:
    for one in arrays:
        one.close()


def _capture(  # noqa: PLR0913, PLR0917  what an open capture is made of
    path: Path, wanted: Wanted, step: float, count: int, channels: int, read: Read, kind: np.dtype[Any]
) -> Capture:
    whole_numbers = kind.kind in "iu"
    per_count = 1.0
    if whole_numbers and wanted.volts_full_scale:
        per_count = wanted.volts_full_scale / (float(np.iinfo(kind).max) + 1.0)

    def in_volts(start: int, stop: int) -> Samples:
        with np.errstate(all="ignore"):  # what does not fit becomes infinite, and is refused
            rows = np.asarray(read(start, stop), dtype=np.float32)
        return rows * np.float32(per_count) if per_count != 1.0 else rows

    known = not whole_numbers or wanted.volts_full_scale is not None
    return Capture(path, step, count, channels, in_volts, volts_known=known, scale=wanted.scale)


def _header(file: BinaryIO, name: str) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    try:
        version = npy_format.read_magic(file)
        return _HEADERS[version](file)
    except (
        ValueError,
        KeyError,
        TokenError,
        EOFError,
        TypeError,
        SyntaxError,
        MemoryError,
        RecursionError,
        OverflowError,
    ):
        raise CaptureError(f"{name}: is no NumPy array file, or is damaged at its beginning") from None


def _chosen(series: int, wanted: Wanted, path: Path) -> tuple[int | None, ...]:
    """Return the places of time (None: there is none) and of the lines among the series."""
    if wanted.high:
        return tuple(
            _place(one, series, path) if one else None for one in (wanted.time, wanted.high, wanted.low)
        )
    if series == 3:
        return 0, 1, 2
    return (None, *range(series))


def _place(named: str, series: int, path: Path) -> int:
    if named.isdecimal() and 1 <= int(named[:6]) <= series:
        return int(named) - 1
    raise CaptureError(f"{path.name}: has no series {named}: expected 1 to {series}")


def _unpacked(path: Path, folder: Path) -> dict[str, Stored | float]:
    """Copy the arrays out of the archive, part by part; return each by its name, single numbers as they are."""
    found: dict[str, Stored | float] = {}
    try:
        with zipfile.ZipFile(path) as archive:
            for place, member in enumerate(archive.infolist()[:12]):
                name = member.filename.removesuffix(".npy")
                target = folder / f"{place}.npy"
                _copy(archive, member, target, path)
                found[name if name.isidentifier() else f"array_{place}"] = _array(target, folder, name)
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        NotImplementedError,
        RuntimeError,
        ValueError,
        KeyError,
    ):
        raise CaptureError(f"{path.name}: is no NumPy archive, or is damaged") from None
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
        raise CaptureError(f"{path.name}: its table of contents points outside the file: damaged") from None
    if not any(isinstance(one, Stored) for one in found.values()):
        raise CaptureError(f"{path.name}: holds no array of samples")
    return found


def _copy(archive: zipfile.ZipFile, member: zipfile.ZipInfo, target: Path, path: Path) -> None:
    """Copy one array; refuse one that grows beyond what its beginning says."""
    if member.file_size > 64 << 30:
        raise CaptureError(f"{path.name}: says it holds {member.file_size} bytes in one array: damaged?")
    with archive.open(member) as packed, target.open("wb") as out:
        while part := packed.read(BLOCK * 8):
            out.write(part)


def _array(target: Path, folder: Path, name: str) -> Stored | float:
    with target.open("rb") as file:
        shape, _, kind = _header(file, name)
        if shape in ((), (1,)) and kind.kind in "fiu":
            raw = np.frombuffer(file.read(kind.itemsize), kind)
            return float(raw[0]) if raw.size else float("nan")
    kept = target if not name.isidentifier() else target.rename(folder / f"{name}.npy")
    with kept.open("rb") as file:
        return Stored(kept, name, file)


def _stated_step(numbers: dict[str, float]) -> float | None:
    for name, value in numbers.items():
        if name.lower() in _STEP_NAMES:
            return value
        if name.lower() in _RATE_NAMES and value > 0:
            return 1.0 / value
    return None


def _named_lines(names: list[str], wanted: Wanted, path: Path) -> tuple[str | None, list[str]]:
    """Return the names of the array of time and of the arrays of the lines."""
    if wanted.high:
        asked = [one for one in (wanted.high, wanted.low) if one]
        missing = next((one for one in (*asked, wanted.time) if one and one not in names), None)
        if missing:
            raise CaptureError(f"{path.name}: has no array {missing}: it holds {', '.join(names)}")
        return wanted.time, asked
    roles = {role_of(name): name for name in reversed(names)}
    lines = [roles[role] for role in (Role.HIGH, Role.LOW, Role.SINGLE) if role in roles][:2]
    rest = [name for name in names if name not in roles.values() or role_of(name) is Role.UNKNOWN]
    lines = lines or rest[:2]
    if not lines or (len(rest) > 2 and lines == rest[:2]):
        raise CaptureError(
            f"{path.name}: holds the arrays {', '.join(names)}: say which are the lines with --columns,"
            " such as t,high,low"
        )
    return roles.get(Role.TIME), lines


def _step_of_time(stored: Stored, row: int, path: Path) -> float:
    """Return seconds from sample to sample of a series of times; raise where they are not even."""
    count = stored.count
    if count < 2:
        raise CaptureError(f"{path.name}: holds {count} samples: expected more")
    first, last = (float(stored.part(place, place + 1)[row, 0]) for place in (0, count - 1))
    step = (last - first) / (count - 1)
    if not (np.isfinite(step) and step > 0):
        raise CaptureError(f"{path.name}: its times do not grow: expected seconds from first to last sample")
    allowed = 1.5 * step + 2e-7 * max(abs(first), abs(last))  # times in 32 bits are that coarse
    for start in range(0, count, BLOCK):
        times = np.asarray(stored.part(start, min(start + BLOCK, count))[row], dtype=np.float64)
        off = np.abs(times - (first + step * np.arange(start, start + len(times))))
        if not np.all(off <= allowed):
            at = start + int(np.argmax(~(off <= allowed)))
            raise CaptureError(f"{path.name}: its times are not even at sample {at + 1}: a gap, or damaged")
    return step


_FULL_SCALE: Final = 32768.0


def open_wav(path: Path, wanted: Wanted) -> Capture:
    """Open a WAV file; its levels are volts only where `wanted` says what full scale stands for."""
    file, channels, rate, frames = _opened(path)
    most = path.stat().st_size // (2 * channels)
    if frames > most:
        file.close()
        raise CaptureError(
            f"{path.name}: says it holds {frames} samples, its size allows {most}: it is cut short"
        )
    volts_per_count = (wanted.volts_full_scale or _FULL_SCALE) / _FULL_SCALE
    order = _order(channels, wanted, path)

    def read(start: int, stop: int) -> Samples:
        file.setpos(start)
        data = file.readframes(stop - start)
        if len(data) < (stop - start) * 2 * channels:
            raise CaptureError(f"{path.name}: ends before its sample {stop}: it is cut short")
        rows = np.frombuffer(data, dtype="<i2").reshape(-1, channels).T
        return rows[order].astype(np.float32) * np.float32(volts_per_count)

    return Capture(
        path,
        step_from(wanted, 1.0 / rate if rate else None, path),
        frames,
        len(order),
        read,
        volts_known=wanted.volts_full_scale is not None,
        scale=wanted.scale,
        at_end=file.close,
    )


def _opened(path: Path) -> tuple[wave.Wave_read, int, int, int]:
    """Return the file, its channels, samples per second and samples; raise where it is no 16-bit WAV file."""
    try:
        file = wave.open(str(path), "rb")  # noqa: SIM115  it stays open while the capture is read
    except (wave.Error, EOFError, ValueError, RuntimeError) as error:
        raise CaptureError(
            f"{path.name}: is no WAV file of plain samples ({error or 'it ends early'})"
        ) from None
    if file.getsampwidth() != 2:
        width = file.getsampwidth() * 8
        file.close()
        raise CaptureError(f"{path.name}: holds {width}-bit samples: expected 16-bit")
    return file, file.getnchannels(), file.getframerate(), file.getnframes()


def _order(channels: int, wanted: Wanted, path: Path) -> list[int]:
    """Return which channel is the first line, and which the second."""
    if wanted.time:
        raise CaptureError(f"{path.name}: a WAV file has no column of time: leave it out of --columns")
    chosen = [_channel(one, channels, path) for one in (wanted.high, wanted.low) if one]
    if chosen:
        return chosen
    return list(range(channels))


def _channel(named: str, channels: int, path: Path) -> int:
    if named.isdecimal() and 1 <= int(named[:6]) <= channels:
        return int(named) - 1
    raise CaptureError(f"{path.name}: has no channel {named}: expected 1 to {channels}")
