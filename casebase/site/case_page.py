"""One case, told in the order of the work: found, work, cause, fix, proof, what stayed open, its files, its like."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import segno
from markupsafe import Markup

from casebase.errors import CaptureError
from casebase.intake.capture.trace import ENDING, trace_from
from casebase.library.accepted_files import FileKind
from casebase.library.derived import StoredRecord
from casebase.library.records import case_data
from casebase.match.facets.base import Match
from casebase.match.index.search import nearest_of_its_kind
from casebase.publish.edition import Edition, EditionAttachment
from casebase.record.case import Attachment, Case, CodeEntry, status_of
from casebase.record.cautions import cautions_beside, cautions_of
from casebase.record.inference import with_networks
from casebase.record.reading import Reading
from casebase.record.vocabulary import Stage
from casebase.record.words import (
    capital,
    cause_line,
    fix_words,
    network_line,
    origin_words,
    others_line,
    proof_words,
    proved,
    reading_line,
    title_of,
    verification_words,
)
from casebase.site.level_picture import level_picture
from casebase.site.lists import address
from casebase.site.respond import NotHereError
from casebase.site.state import OpenSite
from casebase.site.trace_picture import trace_picture

LONGEST_SHOWN: Final = 4_000
"""Bytes of a text file that stand on the page itself; a longer one is a link (judged)."""

MOST_SHOWN: Final = 20_000
"""Bytes of all text files that stand on one page, which is to stay small."""


MOST_TRACES: Final = 3
"""Captures drawn on one page: each is some 15 kB (measured)."""

LIKE_CASES: Final = 4
_SHORT_ADDRESS: Final = 300
_LONGEST_ADDRESS: Final = 1000
"""A QR code of more is too fine for a phone to read off paper (judged)."""


@dataclass(frozen=True)
class Shown:
    """A file of a case as its page shows it: a picture with its size in pixels, a text with its words, or a link."""

    name: str
    alt: str
    caption: str
    address: str
    kilobytes: int
    width: int | None = None
    height: int | None = None
    text: str | None = None
    drawn: Markup | None = None


def attachments_shown(edition: Edition, case: Case) -> list[Shown]:
    """Return the attachments that a case shows; those of an edition made before there were any are left out."""
    shown, left = [], MOST_SHOWN
    traces = 0
    for attachment in case.attachments:
        told = edition.attachment(attachment.sha256) if attachment.sha256 else None
        if told is None:
            continue
        one = _shown(
            attachment, told, _text(edition, told) if told.bytes <= min(left, LONGEST_SHOWN) else None
        )
        if attachment.file.endswith(ENDING) and traces < MOST_TRACES:
            one = replace(one, drawn=_drawn(edition, told), text=None)
            traces += 1
        left -= told.bytes if one.text is not None else 0
        shown.append(one)
    return shown


def attachment_bytes(edition: Edition, sha256: str) -> tuple[bytes, str]:
    """Return the bytes of an attachment and their media type; raise `NotHereError` where there is none."""
    told = edition.attachment(sha256)
    if told is None:
        raise NotHereError("There is no such file in this collection: it may have been taken off its case.")
    kind = FileKind(told.kind)
    media_type = f"{kind}; charset=utf-8" if kind is FileKind.TEXT else str(kind)
    return edition.attachment_content(sha256), media_type


def _text(edition: Edition, told: EditionAttachment) -> str | None:
    if told.kind != FileKind.TEXT:
        return None
    return edition.attachment_content(told.sha256).decode("utf-8", "replace").strip("\ufeff")


def _drawn(edition: Edition, told: EditionAttachment) -> Markup | None:
    """Return the picture of a trace; None where the file is another one with the name of a trace."""
    try:
        return trace_picture(trace_from(_text(edition, told) or ""))
    except CaptureError:
        return None


def _shown(attachment: Attachment, told: EditionAttachment, text: str | None) -> Shown:
    return Shown(
        name=attachment.file,
        alt=attachment.shows or f"picture {attachment.file}",
        caption=attachment.shows or attachment.file,
        address=f"/attachment/{told.sha256}",
        kilobytes=max(1, round(told.bytes / 1000)),
        width=told.width,
        height=told.height,
        text=text,
    )


def case_context(edition: Edition, site: OpenSite, case_id: str, own_address: str) -> dict[str, Any]:
    """Return what the page of a case shows; raise `NotHereError` where there is none of that ID."""
    kept = _kept(edition, case_id)
    case = kept.case
    status = status_of(case)
    return {
        "case": case,
        "kept": kept,
        "title": title_of(case),
        "proved": capital(proved(status, proof_words(case))),
        "crumbs": [
            ("/vehicles", "Vehicles"),
            (vehicle_address(case), f"{case.vehicle.make} {case.vehicle.model}"),
        ],
        "networks": network_line(case),
        "silent": case.silent_modules(),
        "others": others_line(case),
        "codes": codes_by_module(case),
        "pictures": level_pictures(with_networks(case)),
        "attachments": attachments_shown(edition, case),
        "stages": readings_by_stage(case),
        "steps": [(step, cautions_beside(case, step)) for step in case.steps],
        "cautions": cautions_of(case),
        "cause": cause_line(case.cause) if case.cause else None,
        "more_causes": [(cause_line(cause), cause.proof) for cause in case.more_causes],
        "fix": fix_words(case.fix) if case.fix else None,
        "proof": verification_words(case.verification) if case.verification else None,
        "origin": origin_words(case),
        "like": like_cases(edition, site, case_id),
        "lacks": site.lacks,
        "qr": qr_code(own_address),
        "own_address": own_address,
    }


def case_json(edition: Edition, case_id: str) -> dict[str, Any]:
    """Return a case as plain data."""
    return case_data(_kept(edition, case_id))


def codes_by_module(case: Case) -> list[tuple[str, list[CodeEntry]]]:
    """Return the codes by the module that stores them, in the order of the record."""
    found: dict[str, list[CodeEntry]] = {}
    for entry in case.codes:
        found.setdefault(entry.module or "Module not stated", []).append(entry)
    return list(found.items())


def level_pictures(case: Case) -> list[tuple[str, Markup]]:
    """Return a picture of the levels of each network on which anything was read that can be drawn."""
    pictures = []
    for network in case.networks:
        readings = [reading for reading in case.readings if case.network_of(reading.network) == network]
        picture = level_picture(readings, network.medium)
        if picture is not None:
            pictures.append((network.name, picture))
    return pictures


def readings_by_stage(case: Case) -> list[tuple[str, list[tuple[Reading, str]]]]:
    """Return every reading in words, by stage."""
    staged = [
        (
            str(stage),
            [(reading, reading_line(reading)) for reading in case.readings if reading.stage is stage],
        )
        for stage in Stage
    ]
    return [(stage, readings) for stage, readings in staged if readings]


def like_cases(edition: Edition, site: OpenSite, case_id: str) -> list[tuple[Match, str]]:
    """Return the cases most like this one, each with how it was proved."""
    collection = site.collection(edition)
    if collection is None:
        return []
    rows = collection.rows_of_case(case_id)
    profiles = collection.profiles(rows)
    found = nearest_of_its_kind(profiles[0], collection, LIKE_CASES) if profiles else []
    return [(match, proved(match.profile.status, match.profile.proof)) for match in found]


def vehicle_address(case: Case) -> str:
    """Return where the other cases of this vehicle are: by platform where one is known."""
    vehicle = case.vehicle
    if vehicle.platform:
        return address("/vehicles", platform=vehicle.platform)
    return address("/vehicles", make=vehicle.make, model=vehicle.model)


def has_qr_code(text: str) -> bool:
    """Return whether an address is short enough for a QR code that a phone reads off paper."""
    return len(text) <= _LONGEST_ADDRESS


def qr_code(text: str) -> Markup | None:
    """Return the address as a QR code (ISO/IEC 18004) in SVG, for the printed sheet; None of one too long for it."""
    if not has_qr_code(text):
        return None
    # Any mask can be read; choosing the best of eight takes five times as long. A long one is drawn less redundant.
    short = len(text) <= _SHORT_ADDRESS
    made = segno.make_qr(text, error="m" if short else "l", mask=2)
    return Markup(
        made.svg_inline(
            scale=3 if short else 1.5,
            border=2,
            svgclass="qr",
            lineclass=None,
            title="QR code of this address",
        )
    )


def _kept(edition: Edition, case_id: str) -> StoredRecord:
    if not edition.has(case_id):
        raise NotHereError(
            f"There is no case {case_id} in this collection: it may have been taken out, or the link is cut short."
            " Search for what it was about."
        )
    return edition.get(case_id)
