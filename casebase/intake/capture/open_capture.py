"""Opening a capture, whatever kind of file it is."""

from __future__ import annotations

from pathlib import Path

from casebase.errors import CaptureError
from casebase.intake.capture.binary_file import open_npy, open_npz, open_wav
from casebase.intake.capture.csv_file import open_csv
from casebase.intake.capture.samples import Capture, Tell, Wanted, checked


def open_capture(path: Path, wanted: Wanted | None = None, tell: Tell | None = None) -> Capture:
    """Open a capture by the kind of file its name ends in; raise `CaptureError` where it cannot be read."""
    asked = wanted or Wanted()
    asked.check()
    try:
        return checked(_opened(path, asked, tell))
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
    ending = path.suffix.lower()
    if ending in (".npy", ".npz"):
        return open_npy(path, wanted) if ending == ".npy" else open_npz(path, wanted)
    if ending == ".wav":
        return open_wav(path, wanted)
    return open_csv(path, wanted, tell)
