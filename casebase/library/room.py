"""How much of the disk a library takes."""

from __future__ import annotations

from casebase.files import bytes_at
from casebase.library.library_file import LibraryFile
from casebase.library.matching import index_folder


def room_of(library: LibraryFile) -> dict[str, int]:
    """Return the bytes of what the engine keeps, of the index, and of the attached files."""
    with library.reading() as db:
        own = db.size_in_bytes()
    return {
        "library": own,
        "index": bytes_at(index_folder(library.path)),
        "attached_files": library.files.whole_size(),
    }
