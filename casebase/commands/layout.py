"""The commands of wiring layouts: show them, draft one from past cases, and say where a fault lies on one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer

from casebase import places
from casebase.bus.layout.whereabouts import Whereabouts, whereabouts_data
from casebase.commands.opening import job_named, load_records, names_a_file, open_library
from casebase.commands.shared import JsonOption, LibraryOption, by_option, own_page, print_json
from casebase.demo import build_demo_library, load_demo_job
from casebase.errors import InputError, LibraryError
from casebase.library.layout_draft import drafted_layout
from casebase.library.layouts import (
    LayoutSaid,
    LayoutStanding,
    StoredLayout,
    layout_for,
    layout_named,
    layout_standings,
    layouts_in,
    revisions_of,
    say_of_layout,
)
from casebase.library.privacy import clear
from casebase.library.store import Library
from casebase.match.whereabouts import MOST_PAST, proven_at, too_large, where_of
from casebase.publish.private_text import texts_of
from casebase.record.case import Case
from casebase.record.json_form import plain_data
from casebase.record.layout import Layout
from casebase.record.loading import load_any_file
from casebase.record.yaml_form import record_yaml
from casebase.terminal.layout import layout_data, print_layout, print_layouts, print_where

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
    by: Annotated[str | None, by_option("Who says so.")] = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """List the wiring layouts, draw one, or draft one from past cases.

    A layout is kept with `casebase log FILE`, like a case; `casebase template --layout` prints a file to fill in.
    A draft holds what the cases of a platform name: modules, networks, terminators, plugs and splices, all marked as
    guessed. The shop lead agrees to a layout before it is published or sent to other shops.

    Example: casebase layout --draft K4 > k4.yaml
    """
    told = _words(agree=agree, keep_inside=keep_inside, withdraw=withdraw)
    with open_library(library) as kept:
        if draft is not None:
            head, drafted = drafted_layout(kept.records(), draft)
            return typer.echo(head + record_yaml(drafted), nl=False)
        if len(told) + (fine is not None) > (layout_id is not None):
            raise LibraryError(_ONE_WORD)
        if layout_id is None:
            return _list(kept, json)
        one = layout_named(kept, layout_id)
        if fine is not None:
            return _mark_fine(kept, one, fine)
        if told:
            said, remark = told[0]
            standing = say_of_layout(kept, one.layout_id, said, by or "", remark, one.revision)
            return typer.echo(f"{one.layout_id}: {standing.words()}")
        if revisions:
            return print_json(revisions_of(kept, one.layout_id))
        standing = layout_standings(kept)[one.layout_id]
    return _show(one, standing, file=file, json=json)


_ONE_WORD: Final = (
    "one word at a time, on one layout: casebase layout ID --agree, --keep-inside, --withdraw or --fine"
)


def _words(*, agree: bool, keep_inside: bool, withdraw: str | None) -> list[tuple[LayoutSaid, str | None]]:
    """Return the lead's words that were given, each with its remark."""
    words: list[tuple[LayoutSaid, str | None]] = [(LayoutSaid.AGREED, None)] if agree else []
    words += [(LayoutSaid.INSIDE, None)] if keep_inside else []
    return words + ([(LayoutSaid.WITHDRAWN, withdraw)] if withdraw is not None else [])


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


def where(
    job: Annotated[str, typer.Argument(metavar="FILE|ID", help="A record file of the job, or a case ID.")],
    on_layout: Annotated[
        str | None,
        typer.Option("--layout", metavar="FILE|ID", help="The layout; left out, the one for its vehicle."),
    ] = None,
    demo: Annotated[
        bool, typer.Option("--demo", help="A stuck job of the demonstration, on its layouts.")
    ] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Say where on its wiring layout the fault of a job lies.

    Computed from the readings, who is silent and who lost whom; past causes with a place on the layout count too.
    The layout is drawn with the probability of each place, and the next place to open is named.

    Example: casebase where job.yaml --layout k4.yaml
    """
    found, layout, remark = _where(job, on_layout, library, demo=demo)
    remark = " ".join(filter(None, [remark, *too_large(layout)]))
    if json:
        return print_json(whereabouts_data(found) | {"remark": remark})
    return print_where(layout, found, own_page(), remark)


def _where(
    job: str, on_layout: str | None, library: str | None, *, demo: bool
) -> tuple[Whereabouts, Layout, str]:
    """Return where the fault of a job lies, the layout that it is told on, and whether that may be another one's."""
    if demo:
        with build_demo_library(places.demo_library()) as kept:
            return _where_in(kept, load_demo_job(job), on_layout)
    if names_a_file(job) and on_layout is not None and names_a_file(on_layout):
        stuck, layout = load_records([Path(job)])[0], _layout_in(Path(on_layout))
        return where_of(stuck, layout), layout, layout.vehicles.unlike(stuck.vehicle)
    with open_library(library) as kept:
        return _where_in(kept, job_named(job, kept), on_layout)


def _where_in(kept: Library, stuck: Case, on_layout: str | None) -> tuple[Whereabouts, Layout, str]:
    layout, remark = _layout_for(stuck, on_layout, kept)
    return (
        where_of(stuck, layout, proven_at(layout, _past(kept, layout, stuck))),
        layout,
        " ".join(filter(None, [remark, layout.vehicles.unlike(stuck.vehicle)])),
    )


def _layout_in(path: Path) -> Layout:
    found = [one for one in load_any_file(path) if isinstance(one, Layout)]
    if not found:
        raise InputError(
            f"{path}: holds no network layout: casebase template --layout prints a file to fill in"
        )
    return found[0]


def _layout_for(stuck: Case, named: str | None, kept: Library) -> tuple[Layout, str]:
    """Return the layout named, else the one of the library that fits the vehicle; and a caution where one is due.

    Raises `LibraryError` where there is none.
    """
    if named is not None:
        layout = _layout_in(Path(named)) if names_a_file(named) else layout_named(kept, named).layout
        return layout, ""
    found, caution = layout_for(kept, stuck.vehicle)
    if found is None:
        named_here = stuck.vehicle.line() or "a vehicle that is not named"
        raise LibraryError(
            f"no layout holds for {named_here}: keep one with casebase log, or name a file with --layout;"
            f" casebase layout --draft {stuck.vehicle.platform or stuck.vehicle.model} drafts one from past cases"
        )
    return found.layout, caution


def _past(kept: Library, layout: Layout, stuck: Case) -> list[Case]:
    """Return the past cases of the vehicles that a layout holds for, without the one that is asked about."""
    fitted = layout.vehicles
    wanted = (
        [{"platform": fitted.platform}]
        if fitted.platform
        else [{"make": fitted.make, "model": model} for model in fitted.models]
    )
    rows = [row for one in wanted for row in kept.summaries(**one)][:MOST_PAST]
    bare = stuck.model_copy(update={"id": None, "revision": None})
    past = (kept.get(row["id"]).case for row in rows if row["fault"])
    return [case for case in past if case != bare]
