"""The lists by vehicle: every make and model, platforms together; what one of them had, and what is normal there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

from casebase.errors import CasebaseError
from casebase.publish.edition import Edition
from casebase.record.words import readings_in_short
from casebase.site.catalogue import FAULT_CASES, Counted, address, faults_among, statuses_among, without_cause
from casebase.site.lists import (
    KNOWN_GOOD,
    Asked,
    CaseRow,
    case_rows,
    count_of,
    listed,
    listed_cases,
    part_of,
    record_counts,
    shown,
    so_many,
)
from casebase.site.respond import NotHereError

VEHICLE_FIELDS: Final = ("make", "model", "platform")

MOST_KNOWN_GOOD: Final = 20
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
    rows = edition.connection.execute(
        "SELECT make, platform, model, count(*) FROM cases"
        " GROUP BY make COLLATE NOCASE, platform COLLATE NOCASE, model COLLATE NOCASE"
        " ORDER BY make COLLATE NOCASE, platform IS NULL, platform COLLATE NOCASE, model COLLATE NOCASE"
    ).fetchall()
    part = part_of(rows, asked)
    makes = len({make.casefold() for make, *_ in rows})
    return {
        "title": f"{so_many(len(rows), 'model')} by {so_many(makes, 'make')}",
        "crumbs": [_VEHICLES],
        "said": f"{record_counts(edition, '1')} in all.",
        "makes": _by_make(edition, part.rows),
        "part": listed(part.total, part.before, [None] * len(part.rows), asked),
    }


def vehicle_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return what is known of a make, a model or a platform; raise `NotHereError` where no record is of it."""
    given = asked.only(*VEHICLE_FIELDS)
    where = " AND ".join(f"{field} = ? COLLATE NOCASE" for field in given)
    values = tuple(given.values())
    name = _name_as_recorded(edition, given, where, values)
    good = count_of(edition, f"({where}) AND {KNOWN_GOOD}", values)
    return {
        "title": name,
        "crumbs": [_VEHICLES, *_make_crumb(given)],
        "said": f"{record_counts(edition, where, values)}.",
        "statuses": statuses_among(edition, where, values),
        "faults": faults_among(edition, where, values),
        "without_cause": without_cause(edition, where, values),
        "known_good": _known_good(edition, where, values),
        "known_good_count": good,
        "all_known_good": address("/search", **given, status="known good"),
        "models": _models(edition, given, where, values),
        "platforms": _platforms(edition, given, where, values),
        "cases": listed_cases(edition, asked, f"({where}) AND {FAULT_CASES}", values),
        "job": address("/job", **given),
    }


def _by_make(edition: Edition, rows: Iterable[Any]) -> list[MakeModels]:
    makes_of = _makes_by_platform(edition)
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


def _makes_by_platform(edition: Edition) -> dict[str, list[str]]:
    rows = edition.connection.execute(
        "SELECT platform, make FROM cases WHERE platform IS NOT NULL"
        " GROUP BY platform COLLATE NOCASE, make COLLATE NOCASE ORDER BY make COLLATE NOCASE"
    )
    found: dict[str, list[str]] = {}
    for platform, make in rows:
        found.setdefault(platform.casefold(), []).append(make)
    return found


def _name_as_recorded(edition: Edition, given: dict[str, str], where: str, values: tuple[str, ...]) -> str:
    row = edition.connection.execute(
        f"SELECT make, model, platform FROM cases WHERE {where} LIMIT 1", values
    ).fetchone()
    if row is None:
        asked_for = ", ".join(f"{field} {shown(text)}" for field, text in given.items())
        raise NotHereError(
            f"No record here is of {asked_for}. Look for it among all makes and models under Vehicles; if it is a"
            " vehicle that nobody recorded yet, ask with its readings and codes under Stuck job: cases of other"
            " vehicles are compared too."
        )
    recorded = dict(zip(VEHICLE_FIELDS, row, strict=True))
    named = " ".join(recorded[field] for field in ("make", "model") if field in given)
    platform = f"platform {recorded['platform']}" if "platform" in given else ""
    told = ", ".join(part for part in (named, platform) if part)
    return told[:1].upper() + told[1:]


def _make_crumb(given: dict[str, str]) -> list[tuple[str, str]]:
    make = given.get("make")
    return [(address("/vehicles", make=make), make)] if make and len(given) > 1 else []


def _known_good(edition: Edition, where: str, values: tuple[str, ...]) -> list[KnownGood]:
    rows = case_rows(edition, f"({where}) AND {KNOWN_GOOD}", values, most=MOST_KNOWN_GOOD)
    return [KnownGood(row, _readings(edition, row.case_id)) for row in rows]


def _readings(edition: Edition, case_id: str) -> str:
    try:
        return readings_in_short(edition.get(case_id).case)
    except CasebaseError:  # another casebase wrote it; its own page says so
        return ""


def _models(edition: Edition, given: dict[str, str], where: str, values: tuple[str, ...]) -> list[Counted]:
    """Return the models among the records, where more than one is asked for."""
    if "model" in given:
        return []
    rows = edition.connection.execute(
        f"SELECT make, model, count(*) FROM cases WHERE {where}"
        " GROUP BY make COLLATE NOCASE, model COLLATE NOCASE ORDER BY count(*) DESC, make, model LIMIT 100",
        values,
    )
    return [
        Counted(f"{make} {model}", count, address("/vehicles", make=make, model=model))
        for make, model, count in rows
    ]


def _platforms(edition: Edition, given: dict[str, str], where: str, values: tuple[str, ...]) -> list[Counted]:
    """Return the platforms of a model, each with all records of it, whichever model they are of."""
    if "model" not in given:
        return []
    rows = edition.connection.execute(
        "SELECT platform, count(*) FROM cases WHERE platform IN"
        f" (SELECT platform FROM cases WHERE {where} AND platform IS NOT NULL) GROUP BY platform ORDER BY platform",
        values,
    )
    return [
        Counted(f"Platform {platform}", count, address("/vehicles", platform=platform))
        for platform, count in rows
    ]
