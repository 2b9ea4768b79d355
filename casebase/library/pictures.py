"""Pictures as they are kept: drawn anew from their pixels alone, so that nothing a camera noted comes along.

What is read: JPEG, PNG, WebP and GIF (its first picture). What is kept: JPEG or PNG, turned as the camera was held,
no longer than so many pixels on either side.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import BytesIO
from typing import TYPE_CHECKING, Final

from casebase.errors import InputError
from casebase.library.picture_parts import JPEG_BEGINS, PNG_BEGINS, PictureParts, parts_of

if TYPE_CHECKING:
    from PIL.Image import Image

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
        made = _as_jpeg(_on_white(bare))
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
        with _decoded(content, "picture"):
            return None
    except InputError:
        return "it is damaged"


@contextmanager
def _decoded(content: bytes, name: str) -> Iterator[Image]:
    """Yield a picture with all its pixels read; raise `InputError` where that cannot be done or takes too much."""
    from PIL import Image  # noqa: PLC0415  a tenth of a second

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of damaged notes, which go anyway
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(BytesIO(content), formats=READ)
        _refuse_too_many_pixels(picture.size, name)
        picture.load()
    except InputError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _too_many(name) from None
    except Exception:  # a damaged file can bring up anything
        raise InputError(
            f"{name}: a picture that cannot be read: open it, save it as JPEG or PNG, and give that"
        ) from None
    with picture:
        yield picture


def _refuse_too_many_pixels(size: tuple[int, int], name: str) -> None:
    if size[0] * size[1] > MOST_PIXELS:
        raise _too_many(name)


def _too_many(name: str) -> InputError:
    return InputError(f"{name}: more than {MOST_PIXELS // 1_000_000} million pixels: save it smaller")


def _upright(picture: Image) -> Image:
    from PIL import ImageOps  # noqa: PLC0415

    with (
        suppress(Exception),
        warnings.catch_warnings(action="ignore"),
    ):  # a damaged note of how the camera was held: as it lies, then
        return ImageOps.exif_transpose(picture)
    return picture


def _bare(picture: Image) -> Image:
    """Return the pixels alone, made small enough: nothing that was read beside them is taken along."""
    from PIL import Image  # noqa: PLC0415

    plain = picture.convert(_mode_for(picture)) if not picture.mode.startswith("I") else _eight_bits(picture)
    plain.thumbnail((LONGEST_SIDE, LONGEST_SIDE), Image.Resampling.LANCZOS)
    bare = Image.new(plain.mode, plain.size)
    bare.paste(plain)
    return bare


def _mode_for(picture: Image) -> str:
    if picture.mode in ("L", "1"):
        return "L"
    return "RGBA" if picture.has_transparency_data else "RGB"


def _eight_bits(picture: Image) -> Image:
    """Grey of 16 bits, as some scanners write it."""
    return picture.convert("I").point([value >> 8 for value in range(65_536)], "L")


def _on_white(picture: Image) -> Image:
    from PIL import Image  # noqa: PLC0415

    if picture.mode != "RGBA":
        return picture
    white = Image.new("RGB", picture.size, "white")
    white.paste(picture, mask=picture.getchannel("A"))
    return white


def _as_jpeg(picture: Image) -> bytes:
    made = b""
    for quality in _QUALITIES:
        made = _written(picture, "JPEG", quality=quality)
        if len(made) <= MOST_BYTES_KEPT:
            break
    return made


def _written(picture: Image, kind: str, **options: int) -> bytes:
    stream = BytesIO()
    picture.save(stream, kind, **options)
    return stream.getvalue()
