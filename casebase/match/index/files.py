"""The index in a folder: one plain file per array, appended to, and a manifest that says how much of each counts.

Readers map the files into memory. A batch is written behind what counts already, and only then does the manifest move
on (atomically): whoever reads sees the index before or after, never half of it. Bytes that no manifest counts are cut
off by the next batch.

The manifest holds a checksum of itself and of every block of every file (CRC-32, as zlib computes it). What can be read
in a moment is compared whenever an index is opened, all of it by `damage_in`.
"""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.files import make_owners_folder, release_lock, take_lock, write_at_once
from casebase.match.facets.arrays import Atom, as_atom
from casebase.match.index.building import Batch
from casebase.match.index.match_index import ATOM_LISTS, COLUMNS, INDEX_VERSION, Index

_MANIFEST: Final = "manifest.json"
_LOCK: Final = "being-written"
_VECTORS: Final = "vectors"
CHECKED_ON_OPENING_BYTES: Final = 32 << 20
"""Of each file, the newest first: some hundredths of a second."""

_BLOCK_BYTES: Final = 1 << 20
"""A block grows batch by batch until it is this large: a library logged record by record has few of them."""

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


Blocks = Sequence[tuple[int, int]]
"""Of each block of a file: where it ends, in bytes, and its CRC-32."""


def read_index(folder: Path) -> tuple[Index, Stamp] | None:
    """Return the index kept in `folder`, mapped into memory, with its stamp; None where there is none that fits."""
    for _ in range(_TRIES):
        with suppress(OSError, ValueError, KeyError, TypeError):
            told = _manifest(folder)
            found = _read(folder, _trusted(told))
            if _manifest(folder) == told:
                return found
    return None


def _read(folder: Path, manifest: dict[str, Any]) -> tuple[Index, Stamp] | None:
    stamp = Stamp(**manifest["stamp"])
    if stamp.version != INDEX_VERSION:
        return None
    counts = manifest["counts"]
    for name, size in _sizes(counts, stamp.dimensions).items():
        _refuse_damage(folder / name, manifest["blocks"][name], size, CHECKED_ON_OPENING_BYTES)
    arrays = {name: _mapped(folder / f"{name}.bin", kind, counts[name]) for name, kind in COLUMNS.items()}
    vectors = _mapped(folder / f"{_VECTORS}.bin", "<f4", counts[_VECTORS] * stamp.dimensions)
    atoms = {name: _atoms(folder / f"{name}.jsonl", counts[f"{name}.atoms"]) for name in ATOM_LISTS}
    shape = counts[_VECTORS], stamp.dimensions
    return Index(arrays, atoms, vectors.reshape(shape), stamp.text), stamp


def damage_in(folder: Path) -> str | None:
    """Return in words what of the index in `folder` is not as it was written, all its bytes read; None for a whole one.

    None too where there is no index, or one of another version, which is made again anyhow.
    """
    try:
        told = _manifest(folder)
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        return f"{_MANIFEST}: cannot be read ({error})"
    try:
        manifest = _trusted(told)
        stamp = Stamp(**manifest["stamp"])
        for name, size in _sizes(manifest["counts"], stamp.dimensions).items():
            _refuse_damage(folder / name, manifest["blocks"][name], size)
    except KeyError:  # of a casebase that kept no checksums
        return None
    except (OSError, ValueError, TypeError) as error:
        return str(error)
    return None


def _kept_blocks(folder: Path) -> dict[str, list[tuple[int, int]]]:
    try:
        blocks: dict[str, list[tuple[int, int]]] = _trusted(_manifest(folder))["blocks"]
    except (ValueError, KeyError):
        raise OSError(f"{folder / _MANIFEST}: not as it was written") from None
    return blocks


def _trusted(told: str) -> dict[str, Any]:
    """Return a manifest; raise `ValueError` where it does not match its own checksum, `KeyError` where it has none."""
    try:
        manifest: dict[str, Any] = json.loads(told)
        said = manifest.pop("crc", None)
    except (ValueError, AttributeError):
        raise ValueError(f"{_MANIFEST} is not as it was written") from None
    if said is None and "blocks" not in manifest:
        raise KeyError(_MANIFEST)
    if said != _checksum(manifest):
        raise ValueError(f"{_MANIFEST} does not match its checksum")
    return manifest


def _checksum(manifest: Mapping[str, Any]) -> int:
    return zlib.crc32(json.dumps(manifest, sort_keys=True).encode())


def _sizes(counts: Mapping[str, int], dimensions: int) -> dict[str, int | None]:
    """Return how many bytes of each file count; None of a file of lines, whose blocks say it."""
    sizes: dict[str, int | None] = {
        f"{name}.bin": counts[name] * np.dtype(kind).itemsize for name, kind in COLUMNS.items()
    }
    sizes[f"{_VECTORS}.bin"] = counts[_VECTORS] * dimensions * 4
    return sizes | dict.fromkeys(f"{name}.jsonl" for name in ATOM_LISTS)


def _refuse_damage(path: Path, blocks: Blocks, size: int | None, most_bytes: int | None = None) -> None:
    """Raise `ValueError` where a file does not hold what was written; the newest blocks first, up to `most_bytes`."""
    ends = [0, *(end for end, _ in blocks)]
    if size is not None and ends[-1] != size:
        raise ValueError(f"{path.name}: {size} bytes count, and {ends[-1]} were written")
    if not ends[-1]:
        return
    left = ends[-1] if most_bytes is None else most_bytes
    with path.open("rb") as file:
        for begin, (end, said) in reversed(list(zip(ends, blocks, strict=False))):
            if left <= 0:
                return
            file.seek(begin)
            if zlib.crc32(file.read(end - begin)) != said:
                raise ValueError(f"{path.name}: bytes {begin} to {end} do not match their checksum")
            left -= end - begin


def append(folder: Path, batch: Batch, before: Index, stamp: Stamp) -> None:
    """Add a batch to the index `before` that lies in `folder`, and stamp it; raise `OSError` where that cannot be."""
    counts = {}
    blocks = _kept_blocks(folder) if len(before) else {}
    for name, kind in COLUMNS.items():
        there = len(before.arrays[name])
        counts[name] = there + len(batch.arrays[name])
        added = batch.arrays[name].tobytes()
        _append(folder / f"{name}.bin", there * np.dtype(kind).itemsize, added, blocks)
    there = before.vectors.nbytes
    counts[_VECTORS] = len(before.vectors) + len(batch.vectors)
    _append(folder / f"{_VECTORS}.bin", there, batch.vectors.tobytes(), blocks)
    for name in ATOM_LISTS:
        path = folder / f"{name}.jsonl"
        counts[f"{name}.atoms"] = len(before.atoms[name]) + len(batch.atoms[name])
        lines = "".join(f"{json.dumps(atom, ensure_ascii=False)}\n" for atom in batch.atoms[name])
        _append(path, _bytes_of_lines(path, len(before.atoms[name])), lines.encode(), blocks)
    manifest = {"stamp": asdict(stamp), "counts": counts, "blocks": blocks}
    write_at_once(folder / _MANIFEST, json.dumps(manifest | {"crc": _checksum(manifest)}).encode())


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
        make_owners_folder(folder)
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


def _append(path: Path, at: int, content: bytes, blocks: dict[str, list[tuple[int, int]]]) -> None:
    """Write bytes behind those that count, and note their checksum in `blocks`."""
    there = blocks.setdefault(path.name, [])
    begin, checksum = 0, 0
    if there and at - (there[-2][0] if len(there) > 1 else 0) < _BLOCK_BYTES:
        _, checksum = there.pop()  # a checksum goes on where it ended
        begin = at
    if content or begin:
        there.append((at + len(content), zlib.crc32(content, checksum)))
    with path.open("r+b" if path.exists() else "w+b") as file:
        file.truncate(at)
        file.seek(at)
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
