"""The index in a folder: one plain file per array, appended to, and a manifest that says how much of each counts.

Readers map the files into memory. A batch is written behind what counts already, and only then does the manifest move
on (atomically): whoever reads sees the index before or after, never half of it. Bytes that no manifest counts are cut
off by the next batch.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.files import release_lock, take_lock, write_at_once
from casebase.match.facets.arrays import Atom, as_atom
from casebase.match.index.building import Batch
from casebase.match.index.match_index import ATOM_LISTS, COLUMNS, INDEX_VERSION, Index

_MANIFEST: Final = "manifest.json"
_LOCK: Final = "being-written"
_VECTORS: Final = "vectors"
_TRIES: Final = 3
"""An index may be made again between reading its manifest and its files: then it is read once more."""


@dataclass(frozen=True)
class Stamp:
    """What an index was made of: the library, its last record, and the embedder of the stories ("" for none).

    `untold` is the number of stories without a vector because no embedder was at hand.
    """

    library: str
    text: str = ""
    dimensions: int = 0
    last_number: int = 0
    last_sha256: str = ""
    untold: int = 0
    version: str = INDEX_VERSION


def read_index(folder: Path) -> tuple[Index, Stamp] | None:
    """Return the index kept in `folder`, mapped into memory, with its stamp; None where there is none that fits."""
    for _ in range(_TRIES):
        with suppress(OSError, ValueError, KeyError, TypeError):
            told = _manifest(folder)
            found = _read(folder, json.loads(told))
            if _manifest(folder) == told:
                return found
    return None


def _read(folder: Path, manifest: dict[str, Any]) -> tuple[Index, Stamp] | None:
    stamp = Stamp(**manifest["stamp"])
    if stamp.version != INDEX_VERSION:
        return None
    counts = manifest["counts"]
    arrays = {name: _mapped(folder / f"{name}.bin", kind, counts[name]) for name, kind in COLUMNS.items()}
    vectors = _mapped(folder / f"{_VECTORS}.bin", "<f4", counts[_VECTORS] * stamp.dimensions)
    atoms = {name: _atoms(folder / f"{name}.jsonl", counts[f"{name}.atoms"]) for name in ATOM_LISTS}
    shape = counts[_VECTORS], stamp.dimensions
    return Index(arrays, atoms, vectors.reshape(shape), stamp.text), stamp


def append(folder: Path, batch: Batch, before: Index, stamp: Stamp) -> None:
    """Add a batch to the index `before` that lies in `folder`, and stamp it; raise `OSError` where that cannot be."""
    counts = {}
    for name, kind in COLUMNS.items():
        there = len(before.arrays[name])
        counts[name] = there + len(batch.arrays[name])
        _append(folder / f"{name}.bin", there * np.dtype(kind).itemsize, batch.arrays[name].tobytes())
    there = before.vectors.nbytes
    counts[_VECTORS] = len(before.vectors) + len(batch.vectors)
    _append(folder / f"{_VECTORS}.bin", there, batch.vectors.tobytes())
    for name in ATOM_LISTS:
        path = folder / f"{name}.jsonl"
        counts[f"{name}.atoms"] = len(before.atoms[name]) + len(batch.atoms[name])
        lines = "".join(f"{json.dumps(atom, ensure_ascii=False)}\n" for atom in batch.atoms[name])
        _append(path, _bytes_of_lines(path, len(before.atoms[name])), lines.encode())
    manifest = {"stamp": asdict(stamp), "counts": counts}
    write_at_once(folder / _MANIFEST, json.dumps(manifest).encode())


def begin_again(folder: Path) -> None:
    """Empty the folder of an index that does not fit any more."""
    with suppress(FileNotFoundError):
        (folder / _MANIFEST).unlink()
    for path in folder.glob("*"):
        if path.name != _LOCK:
            path.unlink(missing_ok=True)


@contextmanager
def writing_alone(folder: Path) -> Iterator[bool]:
    """Yield True while this process alone may write to `folder`, False where another does or nobody can."""
    lock = None
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        lock = take_lock(folder / _LOCK)
    try:
        yield lock is not None
    finally:
        if lock is not None:
            release_lock(lock)


def _manifest(folder: Path) -> str:
    return (folder / _MANIFEST).read_text(encoding="utf-8")


def _mapped(path: Path, kind: str, count: int) -> NDArray[Any]:
    """Return `count` items of a file; raise `ValueError` when it holds fewer."""
    if count == 0:
        return np.zeros(0, dtype=kind)
    return np.asarray(np.memmap(path, dtype=kind, mode="r", shape=(count,)))


def _atoms(path: Path, count: int) -> list[Atom]:
    if count == 0:
        return []
    with path.open(encoding="utf-8") as lines:
        found = [as_atom(json.loads(line)) for _, line in zip(range(count), lines, strict=False)]
    if len(found) != count:
        raise ValueError(f"{path}: {len(found)} of {count} lines")
    return found


def _bytes_of_lines(path: Path, count: int) -> int:
    if count == 0:
        return 0
    with path.open("rb") as lines:
        return sum(len(line) for _, line in zip(range(count), lines, strict=False))


def _append(path: Path, at: int, content: bytes) -> None:
    with path.open("r+b" if path.exists() else "w+b") as file:
        file.truncate(at)
        file.seek(at)
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
