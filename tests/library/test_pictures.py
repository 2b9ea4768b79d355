"""Pictures are kept as pixels alone: what a camera or an editor noted is gone, and nothing else gets in."""

import struct
import sys
import zlib
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

sys.path.insert(0, str(Path(__file__).parent))

from pictures_given import PLACES, PNG_PLACES, drawing, file_of, jpeg_of_a_telephone, png_of_an_editor

from casebase.errors import InputError
from casebase.library.accepted_files import kept_form
from casebase.library.pictures import LONGEST_SIDE, MOST_BYTES_KEPT, cleaned, parts_of, what_is_wrong_with


def opened(content: bytes) -> Image.Image:
    """Return a picture read again."""
    picture = Image.open(BytesIO(content))
    picture.load()
    return picture


def refusal(content: bytes) -> str:
    """Return why a file is not taken; empty where it is, which then has to be one that casebase keeps."""
    try:
        return what_is_wrong_with(cleaned(content, "x")) or ""
    except InputError as error:
        return str(error)


def test_nothing_a_telephone_noted_is_kept():
    """GPS, maker note, thumbnail, XMP, comment, profile and what stands behind the end are not in ours."""
    given = jpeg_of_a_telephone()
    assert all(f"PLANTED-{place}".encode() in given for place in PLACES)
    kept = cleaned(given, "splice.jpg")
    assert b"PLANTED" not in kept
    assert b"Brandvoll" not in kept
    assert set(opened(kept).info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert not opened(kept).getexif()


def test_no_text_chunk_of_a_png_is_kept():
    """tEXt, zTXt, iTXt, eXIf, iCCP and bytes after IEND (PNG, third edition, chapter 11)."""
    given = png_of_an_editor()
    assert len(parts_of(given).besides) >= len(PNG_PLACES)
    kept = cleaned(given, "plan.png")
    assert b"PLANTED" not in kept
    assert parts_of(kept).besides == []
    assert opened(kept).info == {}


def test_a_page_of_html_behind_a_picture_vanishes():
    """A file that is a picture to one reader and a page to another is only a picture after."""
    kept = cleaned(file_of(drawing(), "GIF") + b"<html><script>alert(1)</script></html>", "x.gif")
    assert b"<" + b"script" not in kept
    assert parts_of(kept).besides == []


@pytest.mark.parametrize(
    ("orientation", "dark_corner"), [(1, (5, 5)), (3, (-6, 5)), (6, (5, 5)), (8, (5, -6))]
)
def test_a_picture_stands_as_the_camera_was_held(orientation, dark_corner):
    """Orientation (EXIF 2.32, tag 0x0112): 3 is upside down, 6 and 8 are turned by a quarter."""
    kept = opened(cleaned(jpeg_of_a_telephone(orientation=orientation), "a.jpg")).convert("L")
    assert kept.size == ((320, 200) if orientation in (1, 3) else (200, 320))
    x, y = (place % side for place, side in zip(dark_corner, kept.size, strict=True))
    other = (kept.size[0] - 1 - x, kept.size[1] - 1 - y)
    assert kept.getpixel((x, y)) < 100 < kept.getpixel(other)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "GIF"])
def test_four_kinds_are_read_and_two_are_kept(kind):
    """A photograph becomes JPEG; what came without loss stays so, as PNG. The name ends as the file is."""
    taken = kept_form(f"x.{kind.lower()}", file_of(drawing(), kind))
    expected = "PNG" if kind in ("PNG", "GIF") else "JPEG"
    assert opened(taken.content).format == expected
    assert Path(taken.name).suffix in ((".png",) if expected == "PNG" else (".jpg", ".jpeg"))
    assert what_is_wrong_with(taken.content) is None


def test_only_the_first_picture_of_a_moving_gif_is_kept():
    """The others would be seen by nobody."""
    frames = [Image.new("L", (20, 20), shade) for shade in (250, 10, 130)]
    given = file_of(frames[0], "GIF", save_all=True, append_images=frames[1:])
    kept = opened(cleaned(given, "x.gif"))
    assert getattr(kept, "n_frames", 1) == 1
    assert kept.convert("L").getpixel((5, 5)) == 250


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGBA", "I;16"])
def test_every_kind_of_pixel_is_kept_as_what_is_seen(mode):
    """Light stays light, dark stays dark, sixteen bits of grey included."""
    drawn = drawing(mode="L")
    picture = (
        drawn.convert("I").point(lambda it: it * 257).convert("I;16")
        if mode == "I;16"
        else drawn.convert(mode, dither=Image.Dither.NONE)
    )
    kept = opened(cleaned(file_of(picture, "PNG"), "x.png")).convert("L")
    assert kept.getpixel((5, 5)) < 100 < kept.getpixel((310, 5))


@pytest.mark.parametrize(("kind", "mode"), [("PNG", "RGBA"), ("PNG", "LA"), ("WEBP", "RGBA")])
def test_what_lies_under_transparency_is_not_kept(kind, mode):
    """An editor that rubs something out leaves its colours there, seen through: no alpha, no colours (PNG, 12.3)."""
    secret = drawing(mode="L")
    rubbed_out = Image.merge("RGBA", [secret, secret, secret, Image.new("L", secret.size, 0)]).convert(mode)
    options = {"lossless": True, "exact": True} if kind == "WEBP" else {}
    kept = opened(cleaned(file_of(rubbed_out, kind, **options), f"x.{kind.lower()}"))
    assert not kept.has_transparency_data
    least, most = kept.convert("L").getextrema()
    assert least >= 254
    assert most == 255


@pytest.mark.parametrize("seen", [0, 1, 254])
def test_a_kept_picture_that_is_seen_through_does_not_leave_the_shop(seen):
    """One kept by an earlier casebase, or come from elsewhere: refused until it is attached again."""
    drawn = drawing(mode="RGB").resize((300, 200)).convert("RGBA")
    drawn.putalpha(Image.new("L", drawn.size, seen))
    assert "transparent" in what_is_wrong_with(file_of(drawn, "PNG"))
    drawn.putalpha(Image.new("L", drawn.size, 255))
    assert what_is_wrong_with(file_of(drawn, "PNG")) is None


@pytest.mark.slow
def test_a_large_picture_is_made_small():
    """Longest side and bytes are bounded, whatever comes in."""
    noise = Image.effect_noise((2600, 1900), 90).convert("RGB")
    kept = cleaned(file_of(noise, "PNG", compress_level=1), "noise.png")
    assert max(opened(kept).size) == LONGEST_SIDE
    assert len(kept) <= MOST_BYTES_KEPT


def png_that_says(width: int, height: int) -> bytes:
    """Return a PNG file of a few bytes that claims to be a large picture."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("side", [8_001, 10_000, 60_000])
def test_a_picture_that_would_fill_the_memory_is_refused_before_it_is_read(side):
    """A decompression bomb: few bytes, billions of pixels."""
    with pytest.raises(InputError, match="more than 64 million pixels"):
        cleaned(png_that_says(side, side), "bomb.png")


@pytest.mark.parametrize(
    "content", [b"\xff\xd8\xff\xe0", file_of(drawing(), "JPEG")[:900], png_that_says(10, 10), b"GIF89a\x01"]
)
def test_a_damaged_picture_is_refused_in_a_sentence(content):
    """Cut short, or with nothing in it."""
    with pytest.raises(InputError, match="cannot be read"):
        cleaned(content, "x.jpg")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (jpeg_of_a_telephone(), "it holds more than a picture"),
        (png_of_an_editor(), "it holds more than a picture"),
        (cleaned(file_of(drawing(), "PNG"), "x") + b"x", "1 bytes after its end"),
        (cleaned(file_of(drawing(), "JPEG"), "x") + b"<html>", "6 bytes after its end"),
        (cleaned(file_of(drawing(), "JPEG"), "x")[:-400], "cut short"),
        (file_of(drawing(2100, 10), "PNG"), "expected at most 2000"),
        (png_that_says(10, 10), "it is damaged"),
    ],
)
def test_what_another_shop_sends_has_to_be_as_bare_as_ours(content, said):
    """Metadata, something behind the end, too many pixels, no picture in it."""
    assert said in what_is_wrong_with(content)


def test_the_size_in_pixels_is_that_which_pillow_finds():
    """Two readers of the same header."""
    for kind in ("PNG", "JPEG"):
        content = file_of(drawing(123, 77), kind)
        told = parts_of(content)
        assert (told.width, told.height) == opened(content).size == (123, 77)


@pytest.mark.slow
@given(
    st.binary(max_size=300),
    st.sampled_from([b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"GIF89a", b"RIFF\x10\0\0\0WEBP"]),
)
@settings(max_examples=150, deadline=None)
def test_no_bytes_bring_a_traceback(rest, begins):
    """Whatever follows a beginning that is known, it is taken or refused in a sentence, and the walk ends."""
    content = begins + rest
    assert isinstance(parts_of(content).besides, list)
    assert "\n" not in refusal(content)


@pytest.mark.slow
@given(st.integers(0, 3000), st.integers(0, 255))
@settings(max_examples=100, deadline=None)
def test_a_picture_with_one_byte_changed_is_taken_or_refused(place, value):
    """Bit rot in a camera's card."""
    content = bytearray(jpeg_of_a_telephone())
    content[place % len(content)] = value
    assert "\n" not in refusal(bytes(content))
