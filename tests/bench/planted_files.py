"""Attached files for the bench of private text: pictures with strings in all their metadata, texts with lines."""

from __future__ import annotations

import hashlib
import random
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).parents[1] / "library"))

from pictures_given import file_of, jpeg_of_a_telephone, png_of_an_editor
from PIL import Image

from casebase.library.accepted_files import kept_form
from casebase.library.derived import StoredRecord
from casebase.publish.private_text import Hit
from casebase.record.case import Case
from casebase.record.json_form import plain_data

Told = list[tuple[str, str, str]]

LINES: Final = (
    "ABS 12:04:31 U0121-87 lost communication with anti-lock brake system control module",
    "BCM 12:04:33 U0155-00 confirmed, 3 times, 84210 km",
    "part 5Q0 907 379 C, software 0212, coding 0x3A10FF",
    "0001.250 7E8 8 06 41 00 BE 3E B8 11 00",
    "pair 60.2 ohm, CAN high 2.61 V, CAN low 2.38 V",
)
NAMES: Final = (
    "IMG_20260302_{:06}.jpg",
    "PXL_20260302_{:06}123.jpg",
    "2026-03-02 10.11.{:02}.jpg",
    "DSC_{:04}.jpg",
)


class Files:
    """Attached files by their SHA-256, as a library holds them."""

    def __init__(self, seed: int) -> None:
        self.contents: dict[str, bytes] = {}
        self._chosen = random.Random(seed)

    def __getitem__(self, sha256: str) -> bytes:
        return self.contents[sha256]

    def keep(self, name: str, content: bytes) -> dict[str, str]:
        """Take a file in, and return what a record tells of it."""
        taken = kept_form(name, content)
        sha256 = hashlib.sha256(taken.content).hexdigest()
        self.contents[sha256] = taken.content
        return {"file": taken.name, "sha256": sha256}

    def attach(self, records: list[dict[str, Any]], name: str, content: bytes, for_others: bool) -> None:
        """Attach a file to a record."""
        told = self.keep(name, content) | ({"for_others": "yes"} if for_others else {})
        self._chosen.choice(records).setdefault("attachments", []).append(told)


def planted_in_files(
    files: Files, records: list[dict[str, Any]], string_of: Callable[[int], tuple[str, str]], count: int
) -> Told:
    """Attach as many files, each with a private string; half of them for others. Return (kind, field, string)."""
    told = []
    for number in range(count):
        kind, string = string_of(number)
        for_others = number % 4 < 2
        reach = "for others" if for_others else "inside"
        if number % 2:
            lines = [*LINES, f"noted: {string}", *LINES]
            files.attach(records, f"scan-{number}.txt", "\n".join(lines).encode(), for_others)
            told.append((kind, f"attached text, {reach}", string))
        else:
            make = jpeg_of_a_telephone if number % 8 < 4 else png_of_an_editor
            files.attach(records, f"picture-{number}.jpg", make(string), for_others)
            told.append((kind, f"picture metadata, {reach}", string))
    return told


def clean_files(files: Files, records: list[dict[str, Any]], count: int) -> None:
    """Attach files for others with nothing private in them, named as cameras name them."""
    picture = file_of(Image.new("RGB", (60, 40), "grey"), "JPEG")
    for number in range(count):
        files.attach(records, NAMES[number % len(NAMES)].format(number % 60), picture, True)
        files.attach(records, f"scan report {number}.txt", "\n".join(LINES).encode(), True)


def with_line_put_in(kept: StoredRecord, hit: Hit, files: Files) -> StoredRecord | None:
    """Return a record whose text file has the proposed line, as attached anew by a shop lead; None for other hits."""
    found = re.fullmatch(r"attachments\[(\d+)\] .* line (\d+)", hit.field)
    if found is None:
        return None
    data = plain_data(kept.case)
    attachment = data["attachments"][int(found[1])]
    lines = files[attachment["sha256"]].decode().splitlines()
    lines[int(found[2]) - 1] = hit.proposed
    attachment.update(files.keep(attachment["file"], "\n".join(lines).encode()))
    return StoredRecord(kept.case_id, 1, "", Case.model_validate(data))
