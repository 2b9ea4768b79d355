"""Pictures as they are kept: drawn anew from their pixels alone, so that nothing a camera noted comes along.

What is read: JPEG, PNG, WebP and GIF (its first picture). What is kept: JPEG or PNG, turned as the camera was held,
no longer than so many pixels on either side.

Whether a file holds more than a picture is read off its bytes alone: JPEG by ITU-T T.81, annex B, and JFIF by ITU-T
T.871; PNG by the third edition of its specification (W3C).
"""

from __future__ import annotations

import re
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Final

from casebase.errors import InputError

if TYPE_CHECKING:
    from PIL.Image import Image

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
    """Return what a JPEG or PNG file is made of; what is not known for a part of the picture is one besides."""
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
    if marker == 0xFE:
        return ("a comment", False, None)
    mark = re.match(rb"[A-Za-z0-9_:/. -]{2,30}", body)
    name = f"the part {mark[0].decode() if mark else f'{marker:#x}'}"
    return (name, marker in _TABLES or marker == _START_OF_SCAN, None)


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


READ: Final = ("JPEG", "PNG", "WEBP", "GIF")

MOST_PIXELS: Final = 64_000_000
"""Of a picture given; a telephone's camera takes up to 50 million in ordinary use (judged)."""

LONGEST_SIDE: Final = 2000
"""Pixels of a picture kept: a plug's pins are still told apart (judged)."""

MOST_BYTES_KEPT: Final = 2_000_000

_QUALITIES: Final = (85, 75, 60, 40)
"""Of JPEG, from the usual down until the picture is small enough."""


def looks_like_a_picture(content: bytes) -> bool:
    """Return whether a file begins as one of the kinds that are read."""
    return (
        content.startswith((JPEG_BEGINS, PNG_BEGINS, b"GIF87a", b"GIF89a"))
        or content[:4] + content[8:12] == b"RIFFWEBP"
    )


def is_kept_kind(content: bytes) -> bool:
    """Return whether a file begins as one of the kinds that are kept."""
    return content.startswith((JPEG_BEGINS, PNG_BEGINS))


def cleaned(content: bytes, name: str) -> bytes:
    """Return a picture as it is kept: JPEG, or PNG where it came in a form that loses nothing and is small enough.

    Raises `InputError` for what is damaged, too large, or no picture of a kind that is read.
    """
    with _decoded(content, name) as picture:
        is_lossless = picture.format in ("PNG", "GIF")
        bare = _bare(_upright(picture))
    made = _written(bare, "PNG") if is_lossless else b""
    if not made or len(made) > MOST_BYTES_KEPT:
        for quality in _QUALITIES:
            made = _written(bare, "JPEG", quality=quality)
            if len(made) <= MOST_BYTES_KEPT:
                break
    told = parts_of(made).besides
    if told:  # never seen; a Pillow that writes more than it is told would be caught here
        raise InputError(f"{name}: not free of {told[0]} even when drawn anew: leave it out")
    return made


def what_is_wrong_with(content: bytes) -> str | None:
    """Return why a picture is none that casebase keeps, None where it is one: no metadata, small enough, whole."""
    told: PictureParts = parts_of(content)
    if told.besides:
        return f"it holds more than a picture: {told.besides[0]}"
    if len(content) > MOST_BYTES_KEPT:
        return f"{len(content)} bytes: expected at most {MOST_BYTES_KEPT}"
    if not 0 < max(told.width, told.height) <= LONGEST_SIDE:
        return f"{told.width} by {told.height} pixels: expected at most {LONGEST_SIDE} on either side"
    try:
        with _decoded(content, "picture") as picture:
            return "it has transparent parts, under which more may lie" if _is_seen_through(picture) else None
    except InputError:
        return "it is damaged"


class _Pillow:
    """Pillow's modules; imported where a picture is drawn, for that takes a tenth of a second."""

    def __init__(self) -> None:
        from PIL import Image, ImageOps  # noqa: PLC0415

        self.image, self.operations = Image, ImageOps


@contextmanager
def _decoded(content: bytes, name: str) -> Iterator[Image]:
    """Yield a picture with all its pixels read; raise `InputError` where that cannot be done or takes too much."""
    pillow = _Pillow().image
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of damaged notes, which go anyway
            warnings.simplefilter("error", pillow.DecompressionBombWarning)
            picture = pillow.open(BytesIO(content), formats=READ)
        if picture.width * picture.height > MOST_PIXELS:
            raise _too_many(name)
        picture.load()
    except InputError:
        raise
    except (pillow.DecompressionBombError, pillow.DecompressionBombWarning):
        raise _too_many(name) from None
    except Exception:  # a damaged file can bring up anything
        raise InputError(
            f"{name}: a picture that cannot be read: open it, save it as JPEG or PNG, and give that"
        ) from None
    with picture:
        yield picture


def _too_many(name: str) -> InputError:
    return InputError(f"{name}: more than {MOST_PIXELS // 1_000_000} million pixels: save it smaller")


def _upright(picture: Image) -> Image:
    with (
        suppress(Exception),
        warnings.catch_warnings(action="ignore"),
    ):  # a damaged note of how the camera was held: as it lies, then
        upright: Image = _Pillow().operations.exif_transpose(picture)
        return upright
    return picture


def _bare(picture: Image) -> Image:
    """Return the pixels alone, made small enough: nothing that was read beside them is taken along."""
    pillow = _Pillow().image
    if picture.mode.startswith("I"):  # grey of 16 bits, as some scanners write it
        plain = picture.convert("I").point([value >> 8 for value in range(65_536)], "L")
    elif picture.mode in ("L", "1"):
        plain = picture.convert("L")
    else:
        plain = (
            _on_white(picture.convert("RGBA")) if picture.has_transparency_data else picture.convert("RGB")
        )
    plain.thumbnail((LONGEST_SIDE, LONGEST_SIDE), pillow.Resampling.LANCZOS)
    bare: Image = pillow.new(plain.mode, plain.size)
    bare.paste(plain)
    return bare


def _is_seen_through(picture: Image) -> bool:
    if not picture.has_transparency_data:
        return False
    least, _ = picture.convert("RGBA").getchannel("A").getextrema()
    return float(least) < 255  # type: ignore[arg-type]  # of one channel, a number


def _on_white(picture: Image) -> Image:
    """Return what is seen of a picture: a colour under full transparency would otherwise stay in the file."""
    white: Image = _Pillow().image.new("RGB", picture.size, "white")
    white.paste(picture, mask=picture.getchannel("A"))
    return white


def _written(picture: Image, kind: str, **options: int) -> bytes:
    stream = BytesIO()
    picture.save(stream, kind, **options)
    return stream.getvalue()
