"""How much of the disk a library takes."""

from __future__ import annotations

from pathlib import Path

from casebase.files import bytes_at
from casebase.library.file_store import files_folder
from casebase.library.matching import index_folder


def room_of(library: Path) -> dict[str, int]:
    """Return the bytes of the library's file with SQLite's logs beside it, of its index, and of its attached files."""
    own = (library.with_name(f"{library.name}{end}") for end in ("", "-wal", "-shm"))
    return {
        "library": sum(map(bytes_at, own)),
        "index": bytes_at(index_folder(library)),
        "attached_files": bytes_at(files_folder(library)),
    }
