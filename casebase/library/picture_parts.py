"""What a JPEG or PNG file is made of, read off its bytes alone: its size in pixels, and every part that is no picture.

JPEG by ITU-T T.81, annex B, and JFIF by ITU-T T.871; PNG by the third edition of its specification (W3C).
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

JPEG_BEGINS: Final = b"\xff\xd8\xff"
PNG_BEGINS: Final = b"\x89PNG\r\n\x1a\n"

_JFIF_BYTES: Final = 14
"""APP0 with the JFIF mark and no thumbnail: identifier, version, density, and a thumbnail of 0 by 0 (T.871, 10.1)."""

_START_OF_FRAME: Final = frozenset({*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC})
_TABLES: Final = frozenset({0xC4, 0xDB, 0xDD})
"""Huffman tables, quantization tables, restart interval (T.81, table B.1)."""

_START_OF_SCAN, _END, _APP0 = 0xDA, 0xD9, 0xE0
_AFTER_SCAN: Final = re.compile(rb"\xff(?![\x00\xd0-\xd7\xff])", re.DOTALL)
"""The first marker after coded data: not a stuffed byte, not a restart marker (T.81, B.1.1.5)."""

_PNG_PARTS: Final = frozenset({b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"})


@dataclass(frozen=True)
class PictureParts:
    """A picture's width and height in pixels, and what it holds besides the picture; 0 where no size was found."""

    width: int
    height: int
    besides: list[str]


def parts_of(content: bytes) -> PictureParts:
    """Return what a JPEG or PNG file is made of; whatever cannot be told for a part of the picture is one besides."""
    walk = _png_parts if content.startswith(PNG_BEGINS) else _jpeg_parts
    width = height = 0
    besides = []
    for kind, told, size in walk(content):
        width, height = size or (width, height)
        if not told:
            besides.append(kind)
    return PictureParts(width, height, besides)


Part = tuple[str, bool, tuple[int, int] | None]
"""A part's name, whether it belongs to the picture, and the size in pixels where it tells one."""


def _jpeg_parts(content: bytes) -> Iterator[Part]:
    place = 2
    while True:
        if place + 4 > len(content) or content[place] != 0xFF:
            yield ("a picture cut short", content[place : place + 2] == b"\xff\xd9", None)
            return
        marker, length = content[place + 1], int.from_bytes(content[place + 2 : place + 4])
        if marker == _END:
            yield (f"{len(content) - place - 2} bytes after its end", False, None)
            return
        body = content[place + 4 : place + 2 + length]
        if length < 2 or len(body) != length - 2:
            yield ("a picture cut short", False, None)
            return
        yield _jpeg_segment(marker, body)
        place += 2 + length
        if marker == _START_OF_SCAN:
            after = _AFTER_SCAN.search(content, place)
            place = after.start() if after else len(content)


def _jpeg_segment(marker: int, body: bytes) -> Part:
    if marker in _START_OF_FRAME and len(body) >= 5:
        return ("frame", True, (int.from_bytes(body[3:5]), int.from_bytes(body[1:3])))
    if marker == _APP0:
        is_bare = len(body) == _JFIF_BYTES and body.startswith(b"JFIF\0") and body.endswith(b"\0\0")
        return ("a thumbnail", is_bare, None)
    return (_jpeg_name(marker, body), marker in _TABLES or marker == _START_OF_SCAN, None)


def _jpeg_name(marker: int, body: bytes) -> str:
    if marker == 0xFE:
        return "a comment"
    mark = re.match(rb"[A-Za-z0-9_:/. -]{2,30}", body)
    return f"the part {mark[0].decode() if mark else f'{marker:#x}'}"


def _png_parts(content: bytes) -> Iterator[Part]:
    place = len(PNG_BEGINS)
    while True:
        length, name = int.from_bytes(content[place : place + 4]), content[place + 4 : place + 8]
        body, end = content[place + 8 : place + 8 + length], place + 12 + length
        if end > len(content) or zlib.crc32(name + body) != int.from_bytes(content[end - 4 : end]):
            yield ("a picture cut short", False, None)
            return
        is_size = name == b"IHDR" and length == 13
        size = (int.from_bytes(body[:4]), int.from_bytes(body[4:8])) if is_size else None
        yield (f"the part {name.decode('ascii', 'replace')}", name in _PNG_PARTS, size)
        if name == b"IEND":
            yield (f"{len(content) - end} bytes after its end", end == len(content) and not length, None)
            return
        place = end
