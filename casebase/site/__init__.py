"""The read-only site: a Datasette plugin with its own pages over a file of frozen records.

Datasette takes this package as the plugin: it finds `templates/` and `static/` here. Beside a file that
casebase did not freeze it does nothing at all.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pluggy import HookimplMarker

# Datasette's own marker, without Datasette: importing that looks for this package, and must find it whole.
hookimpl = HookimplMarker("datasette")


@hookimpl
def register_routes(datasette: Any) -> list[tuple[str, Callable[..., Any]]]:
    """Give the pages of the site, where there is a frozen file to show."""
    from casebase.site.routes import ROUTES  # noqa: PLC0415

    return ROUTES if _is_shown(datasette) else []


@hookimpl
def asgi_wrapper(datasette: Any) -> Callable[[Any], Any]:
    """Refuse what only writing needs, and send the headers that a browser guards readers by."""
    from casebase.site.following import following  # noqa: PLC0415
    from casebase.site.guard import guarded  # noqa: PLC0415

    if not _is_shown(datasette):
        return lambda app: app
    folder = getattr(datasette, "casebase_folder", None)
    return lambda app: guarded(app if folder is None else following(app, datasette, folder))


@hookimpl
def startup(datasette: Any) -> Callable[[], Any] | None:
    """Load the index and the text model once, before the first page."""
    from casebase.site.state import held_by  # noqa: PLC0415

    held = held_by(datasette)
    return held.load if held else None


@hookimpl(tryfirst=True)
def handle_exception(datasette: Any, request: Any, exception: Exception) -> Callable[[], Any] | None:
    """Answer with a page that says what to do."""
    from casebase.site.respond import error_answer  # noqa: PLC0415

    return error_answer(datasette, request, exception) if _is_shown(datasette) else None


@hookimpl
def menu_links(datasette: Any) -> list[dict[str, str]]:
    """Lead from Datasette's own pages back to the cases."""
    return [{"href": datasette.urls.path("/"), "label": "The cases"}] if _is_shown(datasette) else []


@hookimpl
def render_cell(value: Any, column: str, table: str | None, datasette: Any) -> Any:
    """Lead from the ID of a case in Datasette's own tables to its page."""
    from casebase.site.lists import linked_id  # noqa: PLC0415

    names_a_case = column == "case_id" or (table, column) == ("cases", "id")
    return linked_id(value) if names_a_case and value and _is_shown(datasette) else None


def _is_shown(datasette: Any) -> bool:
    from casebase.site.state import held_by  # noqa: PLC0415

    return held_by(datasette) is not None
