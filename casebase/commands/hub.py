"""The commands between shops and a hub over the network: serve a hub, let shops in, send to it, fetch from it."""

from __future__ import annotations

import gc
import logging
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from casebase import places
from casebase.commands.exchange import (
    ChangedOption,
    CompareOption,
    ToldOption,
    WeightOption,
    taken_from_sender,
    tell_taken_in,
    written_bundle,
)
from casebase.commands.opening import library_place, open_library
from casebase.commands.shared import JsonOption, LibraryOption, own_page, print_json
from casebase.errors import ExchangeError
from casebase.exchange.client import HubClient, Received, hub_url, own_token
from casebase.files import make_owners_folder
from casebase.library.shop_tokens import ShopToken, make_token, revoke_token, tokens_in
from casebase.library.sources import key_of, keys_of_sources
from casebase.library.store import Library
from casebase.publish.bundle_checks import checked_bundle, is_source_name
from casebase.publish.public_fields import public_case
from casebase.publish.senders import NOBODY, name_like
from casebase.publish.signing import fingerprint, fingerprint_digits
from casebase.site.connections import is_loopback
from casebase.terminal.page import Counted, Page

_FINGERPRINT_DIGITS: Final = 32
_FETCHED: Final = "fetched from "
"""With the hub's address behind it, the fact that tells which of its bundles was taken in last."""

HubArgument = Annotated[str, typer.Argument(metavar="HUB", help="Its address, such as https://hub.example.")]
TokenFileOption = Annotated[
    Path | None,
    typer.Option(
        "--token-file",
        metavar="FILE",
        help="Where this shop's token stands, if not in CASEBASE_TOKEN.",
        show_default="hub-token among your own data",
    ),
]


def hub(  # noqa: PLR0913, PLR0917  one parameter per option
    host: Annotated[
        str, typer.Option(help="The address to answer on, for the proxy before it.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535, help="The port to answer on.")] = 8602,
    socket_at: Annotated[
        Path | None,
        typer.Option("--socket", metavar="PATH", help="A socket of this system in the place of a port."),
    ] = None,
    offer: Annotated[
        Path | None,
        typer.Option("--offer", metavar="FILE.zip", help="The bundle of this hub that shops fetch."),
    ] = None,
    inbox: Annotated[
        Path | None,
        typer.Option(
            "--inbox", metavar="FOLDER", help="Where bundles arrive.", show_default="beside the library"
        ),
    ] = None,
    most: Annotated[
        int, typer.Option("--most", metavar="MB", min=1, max=4000, help="The largest bundle that it takes.")
    ] = 1000,
    library: LibraryOption = None,
) -> None:
    """Take in bundles of shops over the network, and hand one out.

    A shop sends with its token (casebase tokens), and each bundle is checked as casebase import does. It speaks HTTP in
    clear to this computer alone: before it stands a proxy that speaks HTTPS with the shops. /health is for monitors.

    Example: casebase hub --library postgresql:///casebase --offer agreed.zip
    """
    try:
        from casebase.exchange.service import Settings, server_of  # noqa: PLC0415  an extra brings Starlette
    except ImportError:
        raise ExchangeError(
            "a hub needs the extra hub: install it with pip install 'casebase[hub]'"
        ) from None
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(message)s")
    with open_library(library) as kept:
        folder = inbox or kept.path.with_name(f"{kept.path.name}-inbox")
    settings = Settings(library_place(library), folder, offer, most * 1_000_000)
    listening = _socket_at(socket_at) if socket_at else _port_at(host, port)
    with listening as bound, settings.owned_inbox():
        if not socket_at and not is_loopback(host):
            typer.echo(
                "Take care: tokens and cases pass here in clear. Let nothing but your own HTTPS proxy reach it.",
                err=True,
            )
        typer.echo(f"Hub: {socket_at or f'http://{host}:{port}'} (Ctrl+C stops it)", err=True)
        gc.enable()  # a server lives for weeks, unlike a command
        server_of(settings).run(sockets=[bound])


@contextmanager
def _port_at(host: str, port: int) -> Iterator[socket.socket]:
    from casebase.site.serving import address_taken  # noqa: PLC0415  it imports all of the site

    with address_taken(host, port) as bound:
        yield bound


@contextmanager
def _socket_at(path: Path) -> Iterator[socket.socket]:
    """Yield a socket at a path for this user and its group; what a hub left there that was stopped goes."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as bound:
        try:
            if path.is_socket():
                _refuse_answered(path)
                path.unlink()
            umask = os.umask(0o117)
            try:
                bound.bind(str(path))
            finally:
                os.umask(umask)
        except OSError as error:
            raise ExchangeError(
                f"{path}: cannot be answered on ({error.strerror or error}): name another --socket"
            ) from None
        try:
            yield bound
        finally:
            path.unlink(missing_ok=True)


def _refuse_answered(path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe, suppress(ConnectionRefusedError):
        probe.connect(str(path))
        raise ExchangeError(f"{path}: another program answers there: end it, or name another --socket")


def tokens(  # noqa: PLR0913, PLR0917  one parameter per option
    shop: Annotated[str | None, typer.Argument(metavar="[SHOP]", help="The name of one shop here.")] = None,
    make: Annotated[bool, typer.Option("--make", help="Make its token; the one before ends.")] = False,
    revoke: Annotated[bool, typer.Option("--revoke", help="Let its token end.")] = False,
    told: Annotated[
        str | None,
        typer.Option("--fingerprint", metavar="DIGITS", help="Of the shop's key, as the shop told you."),
    ] = None,
    changed: Annotated[
        bool, typer.Option("--key-changed", help="The shop has a new key, and told you so.")
    ] = False,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """List the tokens by which shops send to this hub, make one or revoke it.

    A shop writes under its own name alone, with bundles that its own key signed: ask it for the fingerprint that
    casebase sources --own prints there. The token is shown once and kept nowhere: give it to the shop by a way you
    trust.

    Example: casebase tokens "Workshop North" --make --fingerprint "7ad1 63c5 ..."
    """
    if (shop is None) == (make or revoke) or (make and revoke):
        raise ExchangeError("a shop and --make or --revoke go together: casebase tokens SHOP --make")
    with open_library(library) as kept:
        if shop is not None and make:
            print(make_token(kept, shop, _key_of_shop(kept, shop, told, changed=changed)))
            return typer.echo(
                "Shown once: the shop puts it into CASEBASE_TOKEN or a file of its own.", err=True
            )
        if shop is not None:
            revoke_token(kept, shop)
        found = [one for one in tokens_in(kept) if shop in (None, one.source)]
    return print_json([_token_data(one) for one in found]) if json else _print_tokens(found, own_page())


def _key_of_shop(kept: Library, shop: str, told: str | None, *, changed: bool) -> str:
    """Return the fingerprint of the key that a token is for; raise `ExchangeError` where that cannot be this shop's."""
    if not is_source_name(shop) or shop.startswith(NOBODY):
        raise ExchangeError("the shop's name must be some printable characters, without spaces around them")
    known = key_of(kept, shop)
    if known is None and told is None:
        raise ExchangeError(
            f"the key of {shop} is not known here: ask them for what casebase sources --own prints, and add it as"
            " --fingerprint"
        )
    digits = fingerprint_digits(told if told is not None else fingerprint(str(known)))
    if len(digits) != _FINGERPRINT_DIGITS:
        raise ExchangeError(f"'{told}': a fingerprint has {_FINGERPRINT_DIGITS} digits from 0 to f")
    by_key = {fingerprint_digits(fingerprint(key)): name for name, key in keys_of_sources(kept).items()}
    if by_key.get(digits, shop) != shop:
        raise ExchangeError(f"that is the fingerprint of {by_key[digits]}, and a key is of one shop")
    if known is not None and digits != fingerprint_digits(fingerprint(known)) and not changed:
        raise ExchangeError(
            f"{shop} had another key before ({fingerprint(known)}): ask them by a way you trust, and where the new one"
            " is theirs add --key-changed"
        )
    names = {*keys_of_sources(kept), *(one.source for one in tokens_in(kept))}
    if alike := name_like(shop, names):
        typer.echo(f"Take care: {shop} reads like {alike}, who is another sender.", err=True)
    return digits


def _token_data(one: ShopToken) -> dict[str, Any]:
    return {name: value for name, value in asdict(one).items() if name not in ("sha256", "key_before")}


def _print_tokens(found: list[ShopToken], page: Page) -> None:
    if not found:
        page.line("No shop has a token yet: casebase tokens SHOP --make --fingerprint DIGITS")
    for one in found:
        used = f"used last on {one.used_at[:10]}" if one.used_at else "never used"
        ended = f"; revoked on {one.revoked_at[:10]}" if one.revoked_at else ""
        page.line(f"{one.source}: made on {one.made_at[:10]}, {used}{ended}", 0, 2)


def send(  # noqa: PLR0913, PLR0917  one parameter per option
    address: HubArgument,
    bundle: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE.zip]", help="A bundle written before; left out, one is written now."),
    ] = None,
    by: Annotated[
        str | None, typer.Option("--by", metavar="SHOP", help="Your shop's name; kept for the next time.")
    ] = None,
    token_file: TokenFileOption = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Send the agreed records to a hub.

    As casebase export writes them, with the same stops, over HTTPS. Where the line breaks the same command goes on from
    what arrived; the hub takes in all of it or nothing. What it had already it says so.

    Example: casebase send https://hub.example
    """
    url, token = hub_url(address), own_token(token_file or _token_place())
    bar = Counted("Sending, KB", worth_from=4096)
    with HubClient(url, token) as there:
        if bundle is None:
            with open_library(library) as kept:
                folder = _folder_beside(kept)
                bundle = folder / "outgoing.zip"
                written_bundle(kept, bundle, by, None)
        elif not bundle.is_file():
            raise ExchangeError(f"{bundle}: no bundle there: write one with casebase export, or leave it out")
        done = there.send(bundle, lambda sent, whole: bar.tell(sent >> 10, whole >> 10))
    if json:
        return print_json({"hub": url, "already_there": done.already, "cases": done.cases})
    return _print_sent(done, url, own_page())


def _print_sent(done: Received, url: str, page: Page) -> None:
    counted = [f"{count} {what}" for what, count in done.cases.items() if count and what != "layouts"]
    if layouts := done.cases.get("layouts"):
        counted.append(f"{layouts} new layouts" if layouts > 1 else "1 new layout")
    told = f"{url} has this bundle already; when it came" if done.already else f"Sent to {url}"
    page.line(f"{told}: {', '.join(counted) or 'nothing in it'}.")


def fetch(  # noqa: PLR0913, PLR0917  one parameter per option
    address: HubArgument,
    source: Annotated[
        str | None, typer.Option("--as", metavar="SOURCE", help="The hub's name here; else the bundle's.")
    ] = None,
    weight: WeightOption = None,
    told: ToldOption = None,
    changed: ChangedOption = False,
    compare: CompareOption = True,
    token_file: TokenFileOption = None,
    library: LibraryOption = None,
    json: JsonOption = False,
) -> None:
    """Fetch from a hub what its lead agreed to, and take it in.

    As casebase import takes in a file, with the same checks; the first time it needs the fingerprint of the hub's key.
    What was taken in already is not fetched again.

    Example: casebase fetch https://hub.example --weight 0.7
    """
    url, token = hub_url(address), own_token(token_file or _token_place())
    bar = Counted("Fetching, KB", worth_from=4096)
    with HubClient(url, token) as there, open_library(library, make=True) as kept:
        found = there.fetch(
            _folder_beside(kept),
            kept.fact(_FETCHED + url),
            lambda done, whole: bar.tell(done >> 10, whole >> 10),
        )
        if found is None:
            return print_json({"hub": url, "new": False}) if json else typer.echo(f"Nothing new from {url}.")
        path, sha256 = found
        bundle = checked_bundle(path, public_case)
        taken = taken_from_sender(kept, bundle, source, weight, told, changed=changed)
        kept.set_fact(_FETCHED + url, sha256)
        tell_taken_in(kept, taken, bundle, compare=compare, json=json)
        path.unlink(missing_ok=True)
    return None


def _token_place() -> Path:
    return places.data_folder() / "hub-token"


def _folder_beside(kept: Library) -> Path:
    """Return the folder beside a library in which bundles lie on their way."""
    folder = kept.path.with_name(f"{kept.path.name}-exchange")
    make_owners_folder(folder)
    return folder
