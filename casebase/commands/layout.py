"""The commands of wiring layouts: show them, draft one from past cases, and say where a fault lies on one."""

from __future__ import annotations

from typing import Annotated

import typer

from casebase import places
from casebase.commands.opening import open_library
from casebase.commands.shared import JsonOption, LibraryOption, own_page, print_json
from casebase.errors import LibraryError
from casebase.library.layout_draft import drafted_layout
from casebase.library.layouts import (
    LayoutSaid,
    LayoutStanding,
    StoredLayout,
    layout_named,
    layout_standings,
    layouts_in,
    revisions_of,
    say_of_layout,
)
from casebase.library.privacy import clear
from casebase.library.store import Library
from casebase.publish.private_text import texts_of
from casebase.record.json_form import plain_data
from casebase.record.yaml_form import record_yaml
from casebase.terminal.layout import layout_data, print_layout, print_layouts

WithdrawOption = Annotated[
    str | None, typer.Option("--withdraw", metavar="REMARK", help="Not to be published any more, and why.")
]


def layout(  # noqa: PLR0913, PLR0917  one parameter per option
    layout_id: Annotated[
        str | None, typer.Argument(metavar="[ID]", help="One layout, or the beginning of its ID.")
    ] = None,
    file: Annotated[bool, typer.Option("--file", help="As a file, to edit and log again.")] = False,
    revisions: Annotated[bool, typer.Option("--revisions", help="Every revision kept.")] = False,
    draft: Annotated[
        str | None,
        typer.Option("--draft", metavar="PLATFORM", help="A file to fill in, from what past cases name."),
    ] = None,
    agree: Annotated[bool, typer.Option("--agree", help="It may be published.")] = False,
    keep_inside: Annotated[bool, typer.Option("--keep-inside", help="It stays in the shop.")] = False,
    withdraw: WithdrawOption = None,
    fine: Annotated[
        str | None,
        typer.Option("--fine", metavar="FIELD", help="What looks private in this field is not."),
    ] = None,
    by: Annotated[
        str | None, typer.Option("--by", metavar="HANDLE", envvar=places.AUTHOR_VARIABLE, help="Who says so.")
    ] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """List the wiring layouts, draw one, or draft one from past cases.

    A layout is kept with `casebase log FILE`, like a case; `casebase template --layout` prints a file to fill in.
    A draft holds what the cases of a platform name: modules, networks, terminators, plugs and splices, all marked as
    guessed. The shop lead agrees to a layout before it is published or sent to other shops.

    Example: casebase layout --draft K4 > k4.yaml
    """
    words = [
        (LayoutSaid.AGREED, None) if agree else None,
        (LayoutSaid.INSIDE, None) if keep_inside else None,
        (LayoutSaid.WITHDRAWN, withdraw) if withdraw is not None else None,
    ]
    told = [word for word in words if word]
    with open_library(library) as kept:
        if draft is not None:
            head, drafted = drafted_layout(kept.records(), draft)
            return typer.echo(head + record_yaml(drafted), nl=False)
        if layout_id is None:
            if told:
                raise LibraryError(
                    "one word at a time, on one layout: casebase layout ID --agree --by HANDLE"
                )
            return _list(kept, json)
        one = layout_named(kept, layout_id)
        if fine is not None:
            return _mark_fine(kept, one, fine)
        if len(told) > 1:
            raise LibraryError("one word at a time: agree, keep inside, or withdraw")
        if told:
            said, remark = told[0]
            standing = say_of_layout(kept, one.layout_id, said, by or "", remark)
            return typer.echo(f"{one.layout_id}: {standing.words()}")
        if revisions:
            return print_json(revisions_of(kept, one.layout_id))
        standing = layout_standings(kept)[one.layout_id]
    return _show(one, standing, file=file, json=json)


def _list(kept: Library, json: bool) -> None:
    found, standings = layouts_in(kept), layout_standings(kept)
    if json:
        return print_json([layout_data(one, standings[one.layout_id]) for one in found])
    return print_layouts(found, standings, own_page())


def _mark_fine(kept: Library, one: StoredLayout, field: str) -> None:
    """Let the text of a field go out."""
    text = dict(texts_of(plain_data(one.layout))).get(field)
    if text is None:
        raise LibraryError(f"layout {one.layout_id}: no text under {field}: name a field as publish names it")
    clear(kept, one.layout_id, field, text)
    typer.echo(f"{one.layout_id}, {field}: may go out as it is")


def _show(one: StoredLayout, standing: LayoutStanding, *, file: bool, json: bool) -> None:
    if file:
        typer.echo(record_yaml(one.layout, one.layout_id, one.revision), nl=False)
    elif json:
        print_json(layout_data(one, standing))
    else:
        print_layout(one, standing, own_page())
