"""The commands between shops: write a bundle, take one in, say how much each sender's cases weigh."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Final

import typer

from casebase.commands.news import tell_news
from casebase.commands.opening import means_to_compare, open_library
from casebase.commands.shared import DayOption, JsonOption, LibraryOption, own_page, print_json
from casebase.errors import BundleError
from casebase.library.layouts import agreed_layouts
from casebase.library.near_duplicates import MOST_COMPARED, NearDuplicate, near_duplicates
from casebase.library.sources import set_weight, sources_in
from casebase.library.store import Library
from casebase.publish.bundle import Exported, export_bundle
from casebase.publish.bundle_checks import CheckedBundle, checked_bundle, is_source_name
from casebase.publish.judging import unjudged_of, what_is_unjudged
from casebase.publish.private_text import hits_of, hits_of_words, what_stops
from casebase.publish.public_fields import public_case, public_contents
from casebase.publish.public_layouts import private_in_layouts
from casebase.publish.senders import NOBODY, sender_of
from casebase.publish.signing import fingerprint, own_public_key
from casebase.publish.taking_in import Became, TakenIn, take_in
from casebase.terminal.lead import (
    exported_data,
    print_exported,
    print_sources,
    print_taken_in,
    sources_data,
    taken_in_data,
)

_OUR_NAME: Final = "name of the shop"

ToldOption = Annotated[
    str | None,
    typer.Option("--fingerprint", metavar="DIGITS", help="Of the sender's key, as the sender told you."),
]
ChangedOption = Annotated[
    bool, typer.Option("--key-changed", help="The sender has a new key, and told you so.")
]
CompareOption = Annotated[
    bool, typer.Option("--compare/--no-compare", help="Look for jobs that are told twice.")
]
WeightOption = Annotated[
    float | None,
    typer.Option(
        "--weight", metavar="0..1", help="How much its cases count beside your own in likely causes."
    ),
]


def export(  # noqa: PLR0913, PLR0917  one parameter per option
    out: Annotated[Path, typer.Argument(metavar="OUT.zip", help="The bundle to write.")],
    by: Annotated[
        str | None, typer.Option("--by", metavar="SHOP", help="Your shop's name; kept for the next time.")
    ] = None,
    on: DayOption = None,
    new_key: Annotated[
        bool, typer.Option("--new-key", help="Sign with a new key, where the one before is lost.")
    ] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Write the agreed records to a bundle for other shops.

    A zip file of open formats, with the public fields alone. What looks private in their text stops it, and so does a
    word that no list knows and nobody accepted (casebase words). It is signed with a key that lies beside the library;
    tell the other shop its fingerprint by another way, such as the telephone.

    Example: casebase export north.zip --by "Workshop North"
    """
    with open_library(library) as kept:
        made, shop = written_bundle(kept, out, by, on, new_key=new_key)
    return print_json(exported_data(made)) if json else print_exported(made, shop, own_page())


def written_bundle(
    kept: Library, out: Path, by: str | None, on: date | None, *, new_key: bool = False
) -> tuple[Exported, str]:
    """Write what was agreed to as a bundle of a shop; return it and the shop's name, which is kept for the next time.

    Raises `BundleError` where something in it looks private, or there is nothing to send.
    """
    shop = by or kept.fact(_OUR_NAME)
    if not shop:
        raise BundleError("say which shop sends this bundle with --by SHOP")
    if wrong := hits_of_words(kept, {"--by": shop}):
        raise BundleError("\n".join([*wrong, "no bundle was written"]))
    records = kept.read_and_agreed()
    if found := hits_of(kept, records):
        raise BundleError(what_stops(found, "no bundle was written"))
    layouts = agreed_layouts(kept)
    if private := private_in_layouts(kept, layouts):
        raise BundleError("\n".join([*private, "no bundle was written"]))
    if words := unjudged_of(kept, records, layouts):
        raise BundleError(what_is_unjudged(words, "no bundle was written"))
    day, read = str(on or date.today()), kept.files.read
    made = export_bundle(
        kept, records, out, shop, day, lambda: public_contents(records, read), layouts, new_key=new_key
    )
    if by:
        kept.set_fact(_OUR_NAME, by)
    return made, shop


def import_bundle(  # noqa: PLR0913, PLR0917  one parameter per option
    file: Annotated[Path, typer.Argument(metavar="FILE.zip", help="A bundle from another shop.")],
    source: Annotated[
        str | None, typer.Option("--as", metavar="SOURCE", help="The sender's name here; else the bundle's.")
    ] = None,
    weight: WeightOption = None,
    told: ToldOption = None,
    changed: ChangedOption = False,
    compare: CompareOption = True,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Take in a bundle from another shop.

    All of it is checked before anything is kept, and all is kept or nothing. A case edited on both sides stands
    beside yours. What came in waits to be read, as your own records do. The first bundle of a shop needs the
    fingerprint of its key, which the shop tells you; one that nobody signed is taken in as from nobody, without weight.

    Example: casebase import north.zip --weight 0.7
    """
    if source is not None and not is_source_name(source):
        raise BundleError("the sender's name must be some printable characters, without spaces around them")
    bundle = checked_bundle(file, public_case)
    with open_library(library, make=True) as kept:
        taken = taken_from_sender(kept, bundle, source, weight, told, changed=changed)
        tell_taken_in(kept, taken, bundle, compare=compare, json=json)


def taken_from_sender(  # noqa: PLR0913  what the lead says of the sender
    kept: Library,
    bundle: CheckedBundle,
    source: str | None,
    weight: float | None,
    told: str | None,
    *,
    changed: bool,
) -> TakenIn:
    """Take in a checked bundle from whoever sent it; see `sender_of` for what the lead has to say of them."""
    sender = sender_of(kept, bundle, source, told, changed=changed)
    if not sender.is_known and weight:
        raise BundleError(
            f"{bundle.path}: not signed, so it has no weight: ask the sender for one that casebase signed"
        )
    taken = take_in(kept, bundle, sender.name, weight if sender.is_known else 0.0, is_known=sender.is_known)
    if sender.alike:
        typer.echo(f"Take care: {sender.name} reads like {sender.alike}, who is another sender.", err=True)
    return taken


def tell_taken_in(kept: Library, taken: TakenIn, bundle: CheckedBundle, *, compare: bool, json: bool) -> None:
    """Print what became of a bundle's cases, which of them may be told twice, and news."""
    twice = _told_twice(kept, taken) if compare else []
    if json:
        print_json(taken_in_data(taken, twice, bundle))
    else:
        print_taken_in(taken, twice, bundle, own_page())
    tell_news(kept)


def sources(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="One of them.")] = None,
    weight: WeightOption = None,
    own: Annotated[
        bool, typer.Option("--own", help="Print the fingerprint of this library's key and nothing else.")
    ] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """List the shops whose bundles were taken in, or set how much one of them weighs.

    Its cases count that much beside your own when past cases are pooled into likely causes: 1 in full, 0 not at all.

    Example: casebase sources "Workshop North" --weight 0.5
    """
    if (name is None) != (weight is None):
        raise BundleError("a name and a weight go together: casebase sources NAME --weight 0.5")
    with open_library(library) as kept:
        if own:
            return typer.echo(_own_fingerprint(kept))
        if weight and name is not None and name.startswith(NOBODY):
            raise BundleError(
                f"'{name}': nobody signed its bundles, so they have no weight: ask for signed ones"
            )
        if name is not None and weight is not None:
            set_weight(kept, name, weight)
        found = [one for one in sources_in(kept) if name in (None, one.name)]
    return print_json(sources_data(found)) if json else print_sources(found, own_page())


def _own_fingerprint(library: Library) -> str:
    public = own_public_key(library)
    if public is None:
        raise BundleError("this library has no key yet: it is made by casebase export")
    return fingerprint(public)


def _told_twice(library: Library, taken: TakenIn) -> list[NearDuplicate]:
    """Return which new cases may tell a job that is here already; of a large bundle the first ones are looked at."""
    new = [one.case_id for one in taken.of(Became.NEW)]
    if not new:
        return []
    if len(new) > MOST_COMPARED:
        typer.echo(
            f"Looking at the first {MOST_COMPARED} of {len(new)} new cases for jobs told twice; review looks at each.",
            err=True,
        )
    return near_duplicates(library, new[:MOST_COMPARED], means_to_compare())
