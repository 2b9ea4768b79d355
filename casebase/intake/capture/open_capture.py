"""Opening a capture, whatever kind of file it is: its content tells, not its name."""

from __future__ import annotations

import re
import tempfile
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from casebase.errors import CaptureError
from casebase.intake.capture.binary_file import open_npy, open_npz, open_wav
from casebase.intake.capture.csv_file import open_csv
from casebase.intake.capture.logic_file import open_dump, open_session
from casebase.intake.capture.samples import Capture, Samples, Tell, Wanted, checked

_UTF_16: Final = (b"\xff\xfe", b"\xfe\xff")
_DUMP: Final = re.compile(rb"^\s*\$(date|version|timescale|comment|scope)\b", re.MULTILINE)
_LARGEST_UTF_16_BYTES: Final = 512 << 20
_SAME_STEP: Final = 1e-3


def open_capture(
    path: Path, wanted: Wanted | None = None, tell: Tell | None = None, second: Path | None = None
) -> Capture:
    """Open a capture; raise `CaptureError` where it cannot be read.

    `second`: the file of the other line, where the scope wrote one file for each channel.
    """
    asked = wanted or Wanted()
    asked.check()
    first = _opened_safely(path, asked, tell)
    if second is None:
        return first
    try:
        other = _opened_safely(second, asked, tell)
    except BaseException:
        first.close()
        raise
    return _side_by_side(first, other)


def _opened_safely(path: Path, wanted: Wanted, tell: Tell | None) -> Capture:
    try:
        return checked(_opened(path, wanted, tell))
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read ({error.strerror or error})") from None
    except MemoryError:
        raise CaptureError(
            f"{path.name}: says that it holds more than memory has room for: damaged?"
        ) from None


def _opened(path: Path, wanted: Wanted, tell: Tell | None) -> Capture:
    if not path.is_file():
        raise CaptureError(f"{path}: no such file")
    if path.stat().st_size == 0:
        raise CaptureError(f"{path.name}: is empty: export the capture again")
    with path.open("rb") as file:
        begins = file.read(256)
    ending = path.suffix.lower()
    if begins.startswith(b"\x93NUMPY") or ending == ".npy":
        return open_npy(path, wanted)
    if begins.startswith(b"PK") or ending == ".npz":
        return open_session(path, wanted) if _is_session(path) else open_npz(path, wanted)
    if begins.startswith(b"RIFF") or ending == ".wav":
        return open_wav(path, wanted)
    if _DUMP.search(begins):
        return open_dump(path, wanted)
    if begins.startswith(_UTF_16):
        return _from_utf_16(path, wanted, tell)
    return open_csv(path, wanted, tell)


def _is_session(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as archive:
            return "metadata" in archive.namelist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return False


def _from_utf_16(path: Path, wanted: Wanted, tell: Tell | None) -> Capture:
    """Read a text file in UTF-16, as spreadsheets save it, from a copy in UTF-8."""
    if path.stat().st_size > _LARGEST_UTF_16_BYTES:
        raise CaptureError(f"{path.name}: more than 512 MiB of UTF-16: save it as UTF-8")
    try:
        text = path.read_bytes().decode("utf-16")
    except UnicodeDecodeError:
        raise CaptureError(
            f"{path.name}: is no UTF-16 text, though it begins as such: save it as UTF-8"
        ) from None
    with tempfile.TemporaryDirectory(prefix="casebase-") as folder:
        copy = Path(folder) / path.name
        copy.write_text(text, encoding="utf-8", newline="")
        return replace(open_csv(copy, wanted, tell), path=path)


def _side_by_side(first: Capture, second: Capture) -> Capture:
    """Return two captures of one line each, taken at the same time, as one of both lines."""

    def close() -> None:
        first.close()
        second.close()

    trouble = ""
    if first.channels != 1 or second.channels != 1:
        trouble = "expected one line in each of two files"
    elif abs(first.seconds_per_sample / second.seconds_per_sample - 1.0) > _SAME_STEP:
        steps = f"{first.seconds_per_sample:.4g} and {second.seconds_per_sample:.4g} s"
        trouble = f"sampled every {steps}: expected the same"
    elif first.count != second.count:
        trouble = (
            f"hold {first.count} and {second.count} samples: expected as many, captured at the same time"
        )
    if trouble:
        close()
        raise CaptureError(f"{first.path.name} and {second.path.name}: {trouble}")

    def read(start: int, stop: int) -> Samples:
        return np.concatenate([first.read(start, stop), second.read(start, stop)])

    notes = tuple(dict.fromkeys((*first.notes, *second.notes)))
    # Each file's own scale is in what it reads already.
    return replace(first, channels=2, read_rows=read, scale=1.0, notes=notes, at_end=close)
