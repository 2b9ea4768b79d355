"""The addresses of the lists, each as a page and, with `.json`, as plain data."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from datasette import Response

from casebase.publish.edition import Edition
from casebase.site.about_page import about_context
from casebase.site.asked_text import Asked, asked_of
from casebase.site.causes_page import CAUSE_FIELDS, cause_context, causes_context
from casebase.site.changes_page import changes_context
from casebase.site.codes_page import code_context, codes_context
from casebase.site.held import Held, held_by
from casebase.site.listed import plain
from casebase.site.modules_page import module_context, modules_context
from casebase.site.respond import html_page, json_page, kept_html_page
from casebase.site.search_page import search_context
from casebase.site.vehicles_page import VEHICLE_FIELDS, vehicle_context, vehicles_context

Build = Callable[[Edition, Asked], Mapping[str, Any]]

LONGEST_KEPT: Final = 500
"""Characters of a query; pages of longer ones are nobody's second visit, and are made anew."""


@dataclass(frozen=True)
class View:
    """A template and what fills it."""

    template: str
    build: Build


@dataclass(frozen=True)
class List:
    """A list of everything, and what stands at the same address once one of its fields is asked for."""

    path: str
    everything: View
    one: View
    fields: tuple[str, ...] = ()

    def view(self, asked: Asked) -> View:
        """Return what an address asks for."""
        return self.one if asked.only(*self.fields) else self.everything


_SEARCH: Final = View("search", search_context)
_ABOUT: Final = View("about", about_context)
_CHANGES: Final = View("changes", changes_context)

LISTS: Final = (
    List("/vehicles", View("vehicles", vehicles_context), View("vehicle", vehicle_context), VEHICLE_FIELDS),
    List("/codes", View("codes", codes_context), View("code", code_context), ("code",)),
    List("/causes", View("causes", causes_context), View("cause", cause_context), CAUSE_FIELDS),
    List("/modules", View("modules", modules_context), View("module", module_context), ("module",)),
    List("/search", _SEARCH, _SEARCH),
    List("/changes", _CHANGES, _CHANGES),
    List("/about", _ABOUT, _ABOUT),
)


def page_of(a_list: List) -> Callable[..., Any]:
    """Return the handler that shows a list as a page."""

    async def page(datasette: Any, request: Any) -> Response:
        held, asked = _held(datasette), asked_of(a_list.path, request.query_string)
        view = a_list.view(asked)
        as_data = f"{a_list.path}.json{f'?{request.query_string}' if request.query_string else ''}"

        async def context() -> Mapping[str, Any]:
            made = await held.read(lambda edition: view.build(edition, asked))
            return {"lacks": held.lacks, "as_data": as_data, **made}

        if len(request.query_string) > LONGEST_KEPT:
            return await html_page(datasette, request, view.template, await context())
        return await kept_html_page(datasette, request, view.template, context)

    return page


def data_of(a_list: List) -> Callable[..., Any]:
    """Return the handler that gives a list as plain data."""

    async def data(datasette: Any, request: Any) -> Response:
        held, asked = _held(datasette), asked_of(f"{a_list.path}.json", request.query_string)
        view = a_list.view(asked)
        return json_page(await held.read(lambda edition: plain(view.build(edition, asked))))

    return data


LIST_ROUTES: Final[list[tuple[str, Callable[..., Any]]]] = [
    route
    for a_list in LISTS
    for route in (
        (rf"{re.escape(a_list.path)}$", page_of(a_list)),
        (rf"{re.escape(a_list.path)}\.json$", data_of(a_list)),
    )
]


def _held(datasette: Any) -> Held:
    held = held_by(datasette)
    assert held is not None  # without one there are no routes
    return held
