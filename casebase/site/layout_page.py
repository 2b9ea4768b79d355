"""The pages of layouts: all there are, one of them drawn, and one with where the fault of a stuck job lies on it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from casebase.bus.layout.drawing import (
    WEIGHED_ALONE,
    element_called,
    level_words,
    remarks_on,
    rest_words,
    where_words,
)
from casebase.bus.layout.whereabouts import PlaceToOpen, Whereabouts, WhereOnNetwork
from casebase.library.layouts import StoredLayout, best_fitting
from casebase.match.whereabouts import MOST_PAST, proven_at, where_of
from casebase.publish.edition import Edition
from casebase.record.case import Case
from casebase.record.json_form import plain_data
from casebase.record.layout import Layout
from casebase.site.catalogue import ids_of_platform
from casebase.site.job_link import job_from_query
from casebase.site.layout_picture import layout_picture
from casebase.site.lists import Asked, listed, part_of, so_many
from casebase.site.respond import NotHereError

_LAYOUTS: Final = ("/layouts", "Wiring layouts")


@dataclass(frozen=True)
class LayoutRow:
    """One layout of a list."""

    address: str
    title: str
    words: str


def layouts_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return every layout."""
    found = edition.layouts()
    part = part_of(found, asked)
    return {
        "title": so_many(len(found), "wiring layout"),
        "crumbs": [_LAYOUTS],
        "layouts": [_row(one) for one in part.rows],
        "part": listed(part.total, part.before, [None] * len(part.rows), asked),
    }


def _row(one: StoredLayout) -> LayoutRow:
    layout = one.layout
    networks = ", ".join(network.name for network in layout.networks)
    partly = "; partly known" if layout.is_partly_known else ""
    words = f"{layout.vehicles.line()}. Networks: {networks}; {len(layout.kinds) - 1} places{partly}"
    return LayoutRow(f"/layout/{one.layout_id}", layout.name(), words)


def layouts_for(edition: Edition, given: dict[str, str]) -> list[LayoutRow]:
    """Return the layouts that hold for a make, model or platform, as an address names it."""
    wanted = {field: text.casefold() for field, text in given.items()}
    return [_row(one) for one in edition.layouts() if _holds(one.layout, wanted)]


def _holds(layout: Layout, wanted: dict[str, str]) -> bool:
    fitted = layout.vehicles
    told = {
        "make": [fitted.make],
        "model": fitted.models or [wanted.get("model", "")],
        "platform": [fitted.platform or ""],
    }
    return all(text in {name.casefold() for name in told[field]} for field, text in wanted.items())


def _named(edition: Edition, layout_id: str) -> StoredLayout:
    found = next((one for one in edition.layouts() if one.layout_id == layout_id), None)
    if found is None:
        raise NotHereError(
            "There is no such layout here. It may have been taken out of this collection: look under Wiring layouts."
        )
    return found


def layout_context(
    edition: Edition, layout_id: str, pairs: Sequence[tuple[str, str]], query: str
) -> dict[str, Any]:
    """Return what the page of a layout shows; with a job in its address, where the fault lies."""
    stored = _named(edition, layout_id)
    layout = stored.layout
    job = job_from_query(pairs).case if pairs else None
    found = where_of(job, layout, proven_on(edition, stored)) if job is not None else None
    told = () if found is None else found.networks
    spoken = {one.network for one in told}
    return {
        "title": layout.name(),
        "crumbs": [_LAYOUTS, (f"/layout/{layout_id}", layout.name())],
        "layout": layout,
        "holds_for": layout.vehicles.line(),
        "where": [network_context(layout, one) for one in told],
        "back": f"/job?{query}" if job is not None else None,
        "asked": job is not None,
        "pictures": [
            (network.name, str(network.medium), layout_picture(layout, network))
            for network in layout.networks
            if network.name not in spoken
        ],
        "places": [
            (str(kind), [(layout.called(place.name), _found_at(place)) for place in places])
            for kind, places in layout.listed_places()
            if any(_found_at(place) for place in places)
        ],
        "revision": stored.revision,
        "as_data": f"/layout/{layout_id}.json",
    }


def _found_at(place: Any) -> str:
    """Return where a place is found and how long it takes to get there, in words."""
    pins = "; ".join(
        f"pins {pins} ({network})" for network, pins in (getattr(place, "pins", None) or {}).items()
    )
    minutes = f"about {place.minutes:.0f} min" if place.minutes is not None else ""
    return "; ".join(part for part in (place.at or "", pins, minutes) if part)


def layout_json(edition: Edition, layout_id: str) -> dict[str, Any]:
    """Return a layout as plain data."""
    stored = _named(edition, layout_id)
    return {"layout_id": layout_id, "revision": stored.revision, "layout": plain_data(stored.layout)}


def proven_on(edition: Edition, stored: StoredLayout) -> dict[str, int]:
    """Return how many proven causes lay at each place of a layout, counted once for a file."""
    counted = edition.proven_on.get(stored.layout_id)
    if counted is None:
        counted = proven_at(stored.layout, _past_cases(edition, stored.layout))
        edition.proven_on[stored.layout_id] = counted
    return counted


def _past_cases(edition: Edition, layout: Layout) -> Iterator[Case]:
    """Yield the cases of the vehicles that a layout holds for."""
    fitted = layout.vehicles
    for case_id in ids_of_platform(edition, fitted.make, fitted.models, fitted.platform, MOST_PAST):
        yield edition.get(case_id).case


def network_context(layout: Layout, found: WhereOnNetwork, *, small: bool = False) -> dict[str, Any]:
    """Return what is shown of where the fault lies on one network."""
    network = next(one for one in layout.networks if one.name == found.network)
    return {
        "name": found.network,
        "words": where_words(layout, found),
        "rest": rest_words(found),
        "picture": layout_picture(layout, network, found, small=small),
        "level": level_words(found),
        "tests": [_test(layout, test) for test in found.next_tests],
        "remarks": remarks_on(layout, found),
        "unused": [f"reading {index + 1}: {why}" for index, why in found.unused],
    }


def _test(layout: Layout, test: PlaceToOpen) -> dict[str, Any]:
    return {
        "place": element_called(layout, test.place),
        "what": test.what,
        "minutes": f"{test.minutes:.0f}",
        "needs": test.precondition,
        "tells": [f"{one.shows}: {one.means}" for one in test.outcomes],
        "cautions": test.cautions,
    }


def where_context(edition: Edition, job: Case, query: str | None) -> dict[str, Any] | None:
    """Return what the page of a job shows of where the fault lies; None where no layout holds for its vehicle."""
    stored = best_fitting(edition.layouts(), job.vehicle)
    if stored is None:
        return None
    found: Whereabouts = where_of(job, stored.layout, proven_on(edition, stored))
    if not found.networks:
        return None
    address = f"/layout/{stored.layout_id}" + (f"?{query}" if query else "")
    return {
        "title": stored.layout.name(),
        "partly": stored.layout.is_partly_known,
        "remark": stored.layout.vehicles.unlike(job.vehicle),
        "address": address,
        "weighs": WEIGHED_ALONE,
        "networks": [network_context(stored.layout, one, small=True) for one in found.networks],
    }
