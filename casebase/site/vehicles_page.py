"""The lists by vehicle: every make and model, platforms together; what one of them had, and what is normal there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

from casebase.errors import CasebaseError
from casebase.publish.edition import Edition
from casebase.record.words import proved, readings_in_short
from casebase.site import catalogue
from casebase.site.catalogue import (
    EVERY_RECORD,
    FAULT_CASES,
    KNOWN_GOOD,
    Selection,
    count_of,
    selected,
    statuses,
)
from casebase.site.layout_page import layouts_for
from casebase.site.lists import (
    Asked,
    CaseRow,
    Counted,
    address,
    counted_faults,
    listed,
    listed_cases,
    newest_cases,
    part_of,
    record_counts,
    shown,
    so_many,
    without_cause,
)
from casebase.site.respond import NotHereError

VEHICLE_FIELDS: Final = ("make", "model", "platform")

MOST_KNOWN_GOOD: Final = 20
MOST_MODELS: Final = 100
_VEHICLES: Final = ("/vehicles", "Vehicles")


@dataclass(frozen=True)
class PlatformModels:
    """The models of one make on one platform, or on none that is known; which other makes share it."""

    platform: str | None
    address: str | None
    shared_with: list[str]
    models: list[Counted]


@dataclass(frozen=True)
class MakeModels:
    """The models of one make, by platform."""

    make: str
    address: str
    platforms: list[PlatformModels]


@dataclass(frozen=True)
class KnownGood:
    """A record of a healthy vehicle, and its readings in short."""

    row: CaseRow
    readings: str


def vehicles_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return every make and model, by name."""
    rows = catalogue.models_by_name(edition)
    part = part_of(rows, asked)
    makes = len({make.casefold() for make, *_ in rows})
    return {
        "title": f"{so_many(len(rows), 'model')} by {so_many(makes, 'make')}",
        "crumbs": [_VEHICLES],
        "said": f"{record_counts(edition, EVERY_RECORD)} in all.",
        "makes": _by_make(edition, part.rows),
        "layouts": so_many(count, "wiring layout") if (count := len(edition.layouts())) else None,
        "part": listed(part.total, part.before, [None] * len(part.rows), asked),
    }


def _by_make(edition: Edition, rows: Iterable[Any]) -> list[MakeModels]:
    makes_of: dict[str, list[str]] = {}
    for platform, make in catalogue.makes_on_platforms(edition):
        makes_of.setdefault(platform.casefold(), []).append(make)
    found = []
    for _, of_make in groupby(rows, key=lambda row: row[0].casefold()):
        its_rows = list(of_make)
        make = its_rows[0][0]
        platforms = groupby(its_rows, key=lambda row: (row[1] or "").casefold())
        found.append(
            MakeModels(
                make,
                address("/vehicles", make=make),
                [_platform_models(make, list(group), makes_of) for _, group in platforms],
            )
        )
    return found


def _platform_models(make: str, rows: list[Any], makes_of: dict[str, list[str]]) -> PlatformModels:
    platform = rows[0][1]
    models = [
        Counted(model, count, address("/vehicles", make=make, model=model)) for _, _, model, count in rows
    ]
    if not platform:
        return PlatformModels(None, None, [], models)
    others = [other for other in makes_of[platform.casefold()] if other.casefold() != make.casefold()]
    return PlatformModels(platform, address("/vehicles", platform=platform), others, models)


def vehicle_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return what is known of a make, a model or a platform; raise `NotHereError` where no record is of it."""
    given = asked.only(*VEHICLE_FIELDS)
    these, make = selected(**given), given.get("make")
    return {
        "title": _name_as_recorded(edition, given, these),
        "crumbs": [
            _VEHICLES,
            *([(address("/vehicles", make=make), make)] if make and len(given) > 1 else []),
        ],
        "said": f"{record_counts(edition, these)}.",
        "statuses": [(proved(status, None), count) for status, count in statuses(edition, these)],
        "faults": counted_faults(edition, these),
        "without_cause": without_cause(edition, these),
        "known_good": [
            KnownGood(row, _readings(edition, row.case_id))
            for row in newest_cases(edition, these & KNOWN_GOOD, MOST_KNOWN_GOOD)
        ],
        "known_good_count": count_of(edition, these & KNOWN_GOOD),
        "all_known_good": address("/search", **given, status="known good"),
        "models": [] if "model" in given else _models(edition, these),
        "platforms": _platforms(edition, these) if "model" in given else [],
        "cases": listed_cases(edition, asked, these & FAULT_CASES),
        "job": address("/job", **given),
        "layouts": layouts_for(edition, given),
    }


def _name_as_recorded(edition: Edition, given: dict[str, str], these: Selection) -> str:
    row = catalogue.vehicle_as_recorded(edition, these)
    if row is None:
        asked_for = ", ".join(f"{field} {shown(text)}" for field, text in given.items())
        raise NotHereError(
            f"No record here is of {asked_for}. Look for it among all makes and models under Vehicles; if it is not"
            " recorded yet, ask with its readings and codes under Stuck job: cases of other"
            " vehicles are compared too."
        )
    recorded = dict(zip(VEHICLE_FIELDS, row, strict=True))
    named = " ".join(recorded[field] for field in ("make", "model") if field in given)
    platform = f"platform {recorded['platform']}" if "platform" in given else ""
    told = ", ".join(part for part in (named, platform) if part)
    return told[:1].upper() + told[1:]


def _readings(edition: Edition, case_id: str) -> str:
    try:
        return readings_in_short(edition.get(case_id).case)
    except CasebaseError:  # another casebase wrote it; its own page says so
        return ""


def _models(edition: Edition, these: Selection) -> list[Counted]:
    return [
        Counted(f"{make} {model}", count, address("/vehicles", make=make, model=model))
        for make, model, count in catalogue.models(edition, these, MOST_MODELS)
    ]


def _platforms(edition: Edition, these: Selection) -> list[Counted]:
    """Return the platforms of a model, each with all records of it, whichever model they are of."""
    return [
        Counted(f"Platform {platform}", count, address("/vehicles", platform=platform))
        for platform, count in catalogue.platforms_of(edition, these)
    ]
