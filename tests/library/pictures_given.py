"""Pictures as cameras and other programs give them, with planted strings in every place that holds more than pixels."""

from __future__ import annotations

from io import BytesIO
from typing import Any

from PIL import Image
from PIL.PngImagePlugin import PngInfo

PLACES = ("DESCRIPTION", "MAKERNOTE", "GPSPLACE", "THUMBNAIL", "XMPNAME", "COMMENT", "ICCNAME", "AFTERWARDS")
"""What is planted in a JPEG file, each by the place it stands in."""

PNG_PLACES = ("TEXTCHUNK", "ITXTCHUNK", "ZTXTCHUNK", "PNGEXIF", "PNGXMP", "PNGICC", "PNGAFTER")


def drawing(width: int = 320, height: int = 200, mode: str = "RGB") -> Image.Image:
    """Return a picture that is darker on its left half, so that it tells how it is turned."""
    picture = Image.new("L", (width, height), 200)
    picture.paste(40, (0, 0, width // 2, height))
    return picture.convert(mode)


def file_of(picture: Image.Image, kind: str, **options: Any) -> bytes:
    """Return a picture as a file of a kind."""
    stream = BytesIO()
    picture.save(stream, kind, **options)
    return stream.getvalue()


def jpeg_of_a_telephone(mark: str = "PLANTED", orientation: int = 1, **size: int) -> bytes:
    """Return a JPEG file with GPS, maker note, thumbnail, XMP, comment, ICC profile, and a page of HTML behind it."""
    exif = Image.Exif()
    exif[0x010E], exif[0x0112], exif[0x013B] = f"{mark}-DESCRIPTION", orientation, "Ottilie Brandvoll"
    exif.get_ifd(0x8769)[0x927C] = f"{mark}-MAKERNOTE".encode()
    exif.get_ifd(0x8825).update({1: "N", 2: (59.0, 54.0, 46.0), 27: f"{mark}-GPSPLACE".encode()})
    thumbnail = file_of(drawing(40, 30), "JPEG", comment=f"{mark}-THUMBNAIL".encode())
    return (
        file_of(
            drawing(**size),
            "JPEG",
            exif=exif.tobytes() + thumbnail,
            xmp=f"<x:xmpmeta>{mark}-XMPNAME</x:xmpmeta>".encode(),
            comment=f"{mark}-COMMENT".encode(),
            icc_profile=f"{mark}-ICCNAME".encode(),
        )
        + f"<html><script>alert('{mark}-AFTERWARDS')</script>".encode()
    )


def png_of_an_editor(mark: str = "PLANTED") -> bytes:
    """Return a PNG file with every kind of text chunk, EXIF, XMP, a profile, and something behind its end."""
    told = PngInfo()
    told.add_text("Author", f"{mark}-TEXTCHUNK")
    told.add_text("Long", f"{mark}-ZTXTCHUNK", zip=True)
    told.add_itxt("Title", f"{mark}-ITXTCHUNK")
    told.add_itxt("XML:com.adobe.xmp", f"<x:xmpmeta>{mark}-PNGXMP</x:xmpmeta>")
    exif = Image.Exif()
    exif[0x010E] = f"{mark}-PNGEXIF"
    made = file_of(drawing(), "PNG", pnginfo=told, exif=exif, icc_profile=f"{mark}-PNGICC".encode())
    return made + f"{mark}-PNGAFTER".encode()
