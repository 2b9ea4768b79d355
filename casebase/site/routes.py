"""Which address shows which page; each handler reads its address and hands over at once.

A list has two addresses: one for its page and, with `.json`, one for the same as plain data.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import parse_qsl

from datasette import Response

from casebase.publish.edition import Edition
from casebase.site.asked_in_words import ANSWERED, address_of_message, alike_context
from casebase.site.case_page import attachment_bytes, case_context, case_json
from casebase.site.causes_page import CAUSE_FIELDS, cause_context, causes_context
from casebase.site.codes_page import code_context, codes_context
from casebase.site.connections import for_others
from casebase.site.edition_pages import about_context, changes_context, start_context
from casebase.site.job_page import job_context, job_file, job_json, job_qr, query_text, without_blanks
from casebase.site.layout_page import layout_context, layout_json, layouts_context
from casebase.site.lists import Asked, asked_of, plain
from casebase.site.modules_page import module_context, modules_context
from casebase.site.respond import (
    ASSETS,
    FOR_EVER,
    NotHereError,
    html_page,
    json_page,
    kept_html_page,
    kept_json_page,
)
from casebase.site.search_page import search_context
from casebase.site.state import OpenSite, site_of
from casebase.site.vehicles_page import VEHICLE_FIELDS, vehicle_context, vehicles_context

Build = Callable[[Edition, Asked], Mapping[str, Any]]
Beside = Callable[[Edition, OpenSite, Mapping[str, Any]], Mapping[str, Any]]

LONGEST_KEPT: Final = 500
"""Characters of a query; pages of longer ones are nobody's second visit, and are made anew."""


@dataclass(frozen=True)
class View:
    """A template and what fills it."""

    template: str
    build: Build
    beside: Beside | None = None
    """What the site's index and text model add to it."""

    def made(self, edition: Edition, site: OpenSite, asked: Asked) -> Mapping[str, Any]:
        """Return everything that fills the template."""
        context = self.build(edition, asked)
        return {**context, **self.beside(edition, site, context)} if self.beside else context


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


_LAYOUTS: Final = View("layouts", layouts_context)
_SEARCH: Final = View("search", search_context, alike_context)
_ABOUT: Final = View("about", about_context)
_CHANGES: Final = View("changes", changes_context)

LISTS: Final = (
    List("/vehicles", View("vehicles", vehicles_context), View("vehicle", vehicle_context), VEHICLE_FIELDS),
    List("/codes", View("codes", codes_context), View("code", code_context), ("code",)),
    List("/causes", View("causes", causes_context), View("cause", cause_context), CAUSE_FIELDS),
    List("/modules", View("modules", modules_context), View("module", module_context), ("module",)),
    List("/layouts", _LAYOUTS, _LAYOUTS),
    List("/search", _SEARCH, _SEARCH),
    List("/changes", _CHANGES, _CHANGES),
    List("/about", _ABOUT, _ABOUT),
)


def page_of(a_list: List) -> Callable[..., Any]:
    """Return the handler that shows a list as a page."""

    async def page(datasette: Any, request: Any) -> Response:
        site, asked = _site(datasette), asked_of(a_list.path, request.query_string)
        view = a_list.view(asked)
        as_data = f"{a_list.path}.json{f'?{request.query_string}' if request.query_string else ''}"

        async def context() -> Mapping[str, Any]:
            made = await site.read(lambda edition: view.made(edition, site, asked))
            return {"lacks": site.lacks, "as_data": as_data, **made}

        if len(request.query_string) > LONGEST_KEPT:
            return await html_page(datasette, request, view.template, await context())
        return await kept_html_page(datasette, request, view.template, context)

    return page


def data_of(a_list: List) -> Callable[..., Any]:
    """Return the handler that gives a list as plain data."""

    async def data(datasette: Any, request: Any) -> Response:
        site, asked = _site(datasette), asked_of(f"{a_list.path}.json", request.query_string)
        view = a_list.view(asked)
        return json_page(await site.read(lambda edition: plain(view.made(edition, site, asked))))

    return data


LIST_ROUTES: Final[list[tuple[str, Callable[..., Any]]]] = [
    route
    for a_list in LISTS
    for route in (
        (rf"{re.escape(a_list.path)}$", page_of(a_list)),
        (rf"{re.escape(a_list.path)}\.json$", data_of(a_list)),
    )
]


def _site(datasette: Any) -> OpenSite:
    site = site_of(datasette)
    assert site is not None  # without one there are no routes
    return site


def _address(datasette: Any, request: Any, path: str) -> str:
    """Return the whole address of a page, as a phone that reads it off paper can ask for it."""
    return for_others(datasette.absolute_url(request, path), getattr(datasette, "casebase_hosts", None))


async def start(datasette: Any, request: Any) -> Response:
    """Show the first page."""
    site, news = _site(datasette), getattr(datasette, "casebase_news", ())
    return await kept_html_page(
        datasette, request, "start", lambda: site.read(lambda edition: start_context(edition, news))
    )


async def case(datasette: Any, request: Any) -> Response:
    """Show one case."""
    site, case_id = _site(datasette), request.url_vars["case_id"]
    address = _address(datasette, request, f"/case/{case_id}")
    return await kept_html_page(
        datasette,
        request,
        "case",
        lambda: site.read(lambda edition: case_context(edition, site, case_id, address)),
    )


async def case_as_json(datasette: Any, request: Any) -> Response:
    """Give one case as plain data."""
    site, case_id = _site(datasette), request.url_vars["case_id"]
    return json_page(await site.read(lambda edition: case_json(edition, case_id)))


async def layout(datasette: Any, request: Any) -> Response:
    """Show one layout, and where the fault of a job in the address lies on it."""
    site, layout_id, pairs = _site(datasette), request.url_vars["layout_id"], _pairs(request)
    return await kept_html_page(
        datasette,
        request,
        "layout",
        lambda: site.answer(lambda edition: layout_context(edition, layout_id, pairs, request.query_string)),
    )


async def layout_as_json(datasette: Any, request: Any) -> Response:
    """Give one layout as plain data."""
    site, layout_id = _site(datasette), request.url_vars["layout_id"]
    return json_page(await site.read(lambda edition: layout_json(edition, layout_id)))


async def ask(datasette: Any, request: Any) -> Response:
    """Lead from a message in plain words to the job it tells, or to a search for its words."""
    typed = dict(_pairs(request))
    replies = {about: typed[about] for about in ANSWERED if about in typed}
    said = typed.get("say", "")
    found = await _site(datasette).read(lambda edition: address_of_message(edition, said, replies))
    return Response.redirect(datasette.urls.path(found))


async def job(datasette: Any, request: Any) -> Response:
    """Show the form of a stuck job and the answer to it."""
    pairs = _pairs(request)
    told = without_blanks(pairs)
    if len(told) < len(pairs):
        return Response.redirect(datasette.urls.path(f"/job?{query_text(told)}" if told else "/job"))
    site, address = _site(datasette), _address(datasette, request, request.full_path)
    return await kept_html_page(
        datasette,
        request,
        "job",
        lambda: site.answer(lambda edition: job_context(edition, site, pairs, address)),
    )


async def job_as_json(datasette: Any, request: Any) -> Response:
    """Give the answer to a stuck job as plain data."""
    site, pairs = _site(datasette), _pairs(request)
    return await kept_json_page(
        datasette, request, lambda: site.answer(lambda edition: job_json(edition, site, pairs))
    )


async def job_as_qr(datasette: Any, request: Any) -> Response:
    """Give the address of a stuck job as a QR code, for paper."""
    pairs, address = _pairs(request), _address(datasette, request, request.full_path.replace(".svg", "", 1))
    made = await _site(datasette).read(lambda _: job_qr(address, pairs))
    return Response(made, content_type="image/svg+xml; charset=utf-8")


async def job_as_file(request: Any) -> Response:
    """Give a stuck job as a record file to take home."""
    return Response(
        job_file(_pairs(request)),
        headers={"content-disposition": 'attachment; filename="job.yaml"'},
        content_type="application/yaml; charset=utf-8",  # RFC 9512
    )


async def attachment(datasette: Any, request: Any) -> Response:
    """Give an attached file; its address is its content's, so that browsers may keep it."""
    site, sha256 = _site(datasette), request.url_vars["sha256"]
    content, media_type = await site.read(lambda edition: attachment_bytes(edition, sha256))
    return Response(content, headers={"cache-control": FOR_EVER}, content_type=media_type)


async def asset(request: Any) -> Response:
    """Give a style sheet or script; its address changes with its content."""
    found = ASSETS.get(request.url_vars["name"])
    if found is None:
        raise NotHereError("There is no such file.")
    return Response(found.content, headers={"cache-control": FOR_EVER}, content_type=found.content_type)


async def robots(request: Any) -> Response:
    """Keep search engines out: these are a shop's own pages."""
    return Response.text("User-agent: *\nDisallow: /\n")


ROUTES: Final[list[tuple[str, Callable[..., Any]]]] = [
    (r"/$", start),
    (r"/case/(?P<case_id>[0-9a-z]{1,32})$", case),
    (r"/case/(?P<case_id>[0-9a-z]{1,32})\.json$", case_as_json),
    (r"/attachment/(?P<sha256>[0-9a-f]{64})$", attachment),
    (r"/layout/(?P<layout_id>[0-9a-z]{1,32})$", layout),
    (r"/layout/(?P<layout_id>[0-9a-z]{1,32})\.json$", layout_as_json),
    (r"/ask$", ask),
    (r"/job$", job),
    (r"/job\.json$", job_as_json),
    (r"/job\.yaml$", job_as_file),
    (r"/job\.svg$", job_as_qr),
    (r"/-/casebase/(?P<name>[a-z]+\.[a-z]+)$", asset),
    (r"/robots\.txt$", robots),
    *LIST_ROUTES,
]


def _pairs(request: Any) -> list[tuple[str, str]]:
    return parse_qsl(request.query_string, keep_blank_values=True)
