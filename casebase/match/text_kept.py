"""An exported text model in its folder: whole or not there.

Beside the files stand their SHA-256, size and time. Size and time are compared whenever the folder is opened; the bytes
are read only when these differ. A folder is made elsewhere and moved to its place in one step.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
import time
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Final

from casebase.errors import ModelError
from casebase.match.text_model import file_sha256

EXPORT_VERSION: Final = 1
"""Raised whenever the same model would be exported otherwise: models are then exported again."""

GRAPH: Final = "model.onnx"
WEIGHTS: Final = "model.onnx.data"
TOKENIZER: Final = "tokenizer.json"
FILES: Final = (GRAPH, WEIGHTS, TOKENIZER)

PROBES: Final = (
    "lost communication with the anti-lock brake module after rain",
    "Ω",
    "Kabelbaum über dem Auspuff durchgescheuert, 0,3 Ω gegen Masse: 制動",
    "the lamps come on and go out again " * 80,
)
"""Texts whose vectors an export must give as the model itself does; the first is tried whenever it is opened."""

_SETTINGS: Final = "settings.json"
_PART: Final = ".part-"
_A_DAY: Final = 86_400


@dataclass(frozen=True)
class Kept:
    """What is known of an exported model beside its graph and its tokenizer."""

    weights: str
    """SHA-256 over the tensors and over how they are pooled."""
    dimensions: int
    pad: int
    pad_left: bool
    prompt: str
    """What the model wants to be put before every text."""
    probes: list[list[float]]
    """The vectors of `PROBES`, as the model itself gives them."""
    files: dict[str, tuple[str, int, int]] = field(default_factory=dict)
    """By name: SHA-256, bytes, and the time of the last change in nanoseconds."""


def read_kept(folder: Path) -> Kept | None:
    """Return what is kept in `folder`; None where there is nothing, or where a file is not as it was written."""
    with suppress(OSError, ValueError, TypeError, KeyError):
        kept = Kept(**json.loads((folder / _SETTINGS).read_text(encoding="utf-8")))
        known = {name: _as_it_is(folder / name, *kept.files[name]) for name in FILES}
        if known != {name: tuple(entry) for name, entry in kept.files.items()}:
            with suppress(OSError):  # a cache that cannot be written is read more slowly
                _write_settings(folder, replace(kept, files=known))
        return kept
    return None


def seal(folder: Path, kept: Kept) -> None:
    """Write down what the files in `folder` are; they reach the disk first."""
    files = {}
    for name in FILES:
        with (folder / name).open("rb") as file:
            os.fsync(file.fileno())
        known = (folder / name).stat()
        files[name] = (file_sha256(folder / name), known.st_size, known.st_mtime_ns)
    _write_settings(folder, replace(kept, files=files))


def new_folder(cache: Path) -> Path:
    """Return an empty folder inside `cache`, in which an export is made; old ones that nobody finished go.

    Raises `ModelError` when the cache cannot be written.
    """
    try:
        cache.mkdir(parents=True, exist_ok=True)
        _sweep(cache)
        return Path(tempfile.mkdtemp(prefix=_PART, dir=cache))
    except OSError as error:
        raise ModelError(
            f"text model: the cache folder {cache} cannot be written ({error.strerror}); "
            "make it writable, or name another cache folder in XDG_CACHE_HOME"
        ) from error


def stamp_of(folder: Path) -> tuple[int, int] | None:
    """Return what tells the export that lies in `folder` from one that another process puts there; None for none."""
    with suppress(OSError):
        known = (folder / _SETTINGS).stat()
        return known.st_ino, known.st_mtime_ns
    return None


def put_in_place(made: Path, place: Path, instead_of: tuple[int, int] | None) -> None:
    """Move a finished folder to its place, instead of the export with that stamp; a newer one there stays."""
    if place.exists() and stamp_of(place) == instead_of:
        aside = Path(tempfile.mkdtemp(prefix=_PART, dir=place.parent))
        with suppress(OSError):
            os.replace(place, aside)
        shutil.rmtree(aside, ignore_errors=True)
    with suppress(OSError):  # another process was first
        os.replace(made, place)


def _as_it_is(path: Path, sha256: str, size: int, changed: int) -> tuple[str, int, int]:
    """Return what is known of the file now; raise `ValueError` when its bytes are not those that were written."""
    known = path.stat()
    if known.st_size != size or (known.st_mtime_ns != changed and file_sha256(path) != sha256):
        raise ValueError(f"{path} is damaged")
    return sha256, size, known.st_mtime_ns


def _write_settings(folder: Path, kept: Kept) -> None:
    handle, name = tempfile.mkstemp(prefix=_PART, dir=folder)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        json.dump(asdict(kept), file)
        file.flush()
        os.fsync(file.fileno())
    os.replace(name, folder / _SETTINGS)


def _sweep(cache: Path) -> None:
    for left in cache.glob(f"{_PART}*"):
        with suppress(OSError):
            if time.time() - left.stat().st_mtime > _A_DAY:
                shutil.rmtree(left, ignore_errors=True)
