"""Which files a case takes, and what is kept of them: pictures drawn anew, and plain text as it is."""

from __future__ import annotations

import os
import stat
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path, PurePath
from typing import Final

from casebase.errors import InputError
from casebase.library.pictures import (
    JPEG_BEGINS,
    cleaned,
    is_kept_kind,
    looks_like_a_picture,
    parts_of,
    what_is_wrong_with,
)
from casebase.record.problems import printable

LARGEST_GIVEN_BYTES: Final = 20_000_000
"""A camera's picture has some megabytes (judged)."""

LARGEST_TEXT_BYTES: Final = 1_000_000
"""A log of some minutes on a bus (judged)."""

MOST_OF_A_CASE: Final = 50
"""Files of one case: more than anybody looks through (judged)."""

TEXT_SUFFIXES: Final = (".txt", ".csv", ".log", ".md")
PICTURE_SUFFIXES: Final = (".jpg", ".jpeg", ".png", ".webp", ".gif")

EXPECTED: Final = "a picture (JPEG, PNG, WebP, GIF) or a text file (.txt, .csv, .log, .md)"


class FileKind(StrEnum):
    """What a kept file is, as an Internet media type (RFC 6838)."""

    JPEG = "image/jpeg"
    PNG = "image/png"
    TEXT = "text/plain"


@dataclass(frozen=True)
class TakenFile:
    """A file as it is kept: the name it bears in the record, and its bytes."""

    name: str
    content: bytes


def taken_file(path: Path, *, follow_links: bool = True) -> TakenFile:
    """Return the file at `path` as it is kept.

    Raises `InputError` where it is of no kind that is taken, too large or damaged, and `FileNotFoundError` where there
    is none. Without `follow_links` a link is refused: it may lead anywhere.
    """
    return kept_form(path.name, _content_of(path, follow_links))


def kept_form(name: str, content: bytes) -> TakenFile:
    """Return a file given under a name as it is kept; a picture's name gets the ending of what it has become."""
    if not content:
        raise InputError(f"{printable(name)}: an empty file: expected {EXPECTED}")
    if len(content) > LARGEST_GIVEN_BYTES:
        raise _too_large(name, len(content), LARGEST_GIVEN_BYTES)
    if looks_like_a_picture(content):
        made = cleaned(content, printable(name))
        return TakenFile(_renamed(name, kind_of(made)), made)
    if PurePath(name).suffix.casefold() not in TEXT_SUFFIXES:
        raise InputError(f"{printable(name)}: not a kind of file that is kept: expected {EXPECTED}")
    if content.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):  # as Windows writes it
        content = content.decode("utf-16", "replace").encode()
    _refuse_what_is_no_text(name, content)
    return TakenFile(name, content)


def kind_of(content: bytes) -> FileKind:
    """Return what a kept file is."""
    if not is_kept_kind(content):
        return FileKind.TEXT
    return FileKind.JPEG if content.startswith(JPEG_BEGINS) else FileKind.PNG


def size_in_pixels(content: bytes) -> tuple[int, int] | None:
    """Return width and height of a kept picture, None of a text."""
    if kind_of(content) is FileKind.TEXT:
        return None
    told = parts_of(content)
    return told.width, told.height


def what_is_wrong(content: bytes) -> str | None:
    """Return why a file is none that casebase keeps, None where it is one; for files that come from elsewhere."""
    if kind_of(content) is not FileKind.TEXT:
        return what_is_wrong_with(content)
    try:
        _refuse_what_is_no_text("it", content)
    except InputError as error:
        return str(error)
    return None if content else "it is empty"


def _content_of(path: Path, follow_links: bool) -> bytes:
    # Not waiting: a named pipe has no end.
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    flags |= 0 if follow_links else getattr(os, "O_NOFOLLOW", 0)
    try:
        descriptor = os.open(path, flags)
    except FileNotFoundError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: cannot be read ({reason}): expected a plain file") from None
    try:
        told = os.fstat(descriptor)
        if not stat.S_ISREG(told.st_mode):
            raise InputError(f"{path}: not a plain file: expected {EXPECTED}")
        if told.st_size > LARGEST_GIVEN_BYTES:
            raise _too_large(path.name, told.st_size, LARGEST_GIVEN_BYTES)
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            return file.read(LARGEST_GIVEN_BYTES + 1)
    finally:
        os.close(descriptor)


def _refuse_what_is_no_text(name: str, content: bytes) -> None:
    if len(content) > LARGEST_TEXT_BYTES:
        raise _too_large(name, len(content), LARGEST_TEXT_BYTES)
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{printable(name)}: not UTF-8 text (byte {error.start}): save it as UTF-8"
        ) from None
    if "\0" in text:
        raise InputError(f"{printable(name)}: holds a NUL byte, so it is no plain text: save it as UTF-8")


def _too_large(name: str, count: int, most: int) -> InputError:
    return InputError(
        f"{printable(name)}: {count} bytes: expected at most {most}: cut it down to what shows the point"
    )


def _renamed(name: str, kind: FileKind) -> str:
    path = PurePath(name)
    fitting = {FileKind.JPEG: (".jpg", ".jpeg"), FileKind.PNG: (".png",)}[kind]
    if path.suffix.casefold() in fitting:
        return name
    stem = path.stem if path.suffix.casefold() in PICTURE_SUFFIXES else name
    return f"{stem}{fitting[0]}"
