"""What somebody who means harm can try at a hub: refused, at once or in bounds, and nothing of it is kept."""

from __future__ import annotations

import hashlib
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from casebase.errors import ExchangeError
from casebase.exchange import client as client_module
from casebase.exchange import inbox, refusals, service
from casebase.exchange.service import Settings
from casebase.library.shop_tokens import make_token, revoke_token
from casebase.library.sources import key_of, pin_key
from casebase.library.store import Library
from casebase.publish.bundle import export_bundle
from casebase.publish.signing import fingerprint, fingerprint_digits, own_public_key
from tests.exchange.running import Shop, client, let_in, nobody
from tests.publish.exchanged_bundles import changed_line, members_of, packed, sent, with_right_sums

pytestmark = pytest.mark.slow

MakeShop = Callable[..., Shop]

SOME = "ab" * 32


def asked(url: str, method: str, path: str, shop: Shop | None = None, **headers: str) -> httpx.Response:
    """Ask a service; the headers are named with underlines."""
    told = {name.replace("_", "-"): value for name, value in headers.items()}
    if shop is not None:
        told["authorization"] = f"Bearer {shop.token}"
    return httpx.request(method, f"{url}{path}", headers=told, timeout=30)


def records_in(hub: Path) -> int:
    """Return how many records a hub holds."""
    with Library.open(hub) as library:
        return library.count()


AUTHORIZATIONS = [
    None,
    "",
    "Bearer",
    "Bearer casebase-" + "A" * 43,
    "Basic bm9ydGg6c2VjcmV0",
    "Bearer " + "x" * 3000,
    "Bearer ' OR 1=1 --",
    "{token}",
    "Basic {token}",
    "Bearer {token}x",
    "Bearer x{token}",
    "Bearer {sha256}",
]


@pytest.mark.parametrize("method", ["GET", "PATCH"])
def test_without_the_token_nobody_is_let_in(served: str, north: Shop, method: str) -> None:
    """Nor with its SHA-256, which stands in the library."""
    known = {"token": north.token, "sha256": hashlib.sha256(north.token.encode()).hexdigest()}
    for told in AUTHORIZATIONS:
        headers = {} if told is None else {"authorization": told.format(**known)}
        for path in (f"/bundles/{SOME}", "/offer"):
            if (method, path) != ("PATCH", "/offer"):
                answer = httpx.request(method, f"{served}{path}", headers=headers)
                assert answer.status_code == 401, told
                assert answer.headers["www-authenticate"] == "Bearer"
                assert north.token not in answer.text


def test_a_revoked_token_ends(served: str, file_hub: Path, north: Shop) -> None:
    """Within a second or two."""
    with client(served, north) as there:
        there.send(north.bundle, nobody)
        with Library.open(file_hub) as hub:
            revoke_token(hub, north.name)
        time.sleep(service._TOKENS_KEPT_SECONDS + 0.2)
        with pytest.raises(ExchangeError, match="lets nobody in"):
            there.send(north.bundle, nobody)


@pytest.fixture
def south(make_shop: MakeShop, file_hub: Path) -> Shop:
    """Another shop that may send."""
    shop = make_shop("Workshop South", cases=3)
    let_in(file_hub, shop)
    return shop


def refused(url: str, shop: Shop, bundle: Path, match: str) -> None:
    """Try to send a bundle as a shop: refused."""
    with client(url, shop) as there, pytest.raises(ExchangeError, match=match):
        there.send(bundle, nobody)


def test_the_token_of_another_shop_takes_only_that_shops_bundles(
    served: str, file_hub: Path, north: Shop, south: Shop
) -> None:
    """A stolen token does not do without the key, nor a bundle of another's without its token."""
    refused(served, south, north.bundle, "signed by another key than that of Workshop South")
    with client(served, north) as there:
        there.send(north.bundle, nobody)
    refused(served, south, north.bundle, "signed by another key than that of Workshop South")
    assert records_in(file_hub) == 2


def test_a_bundle_that_calls_itself_by_another_name_stays_its_senders(
    served: str, file_hub: Path, north: Shop, tmp_path: Path
) -> None:
    """The source is the token's, whatever the bundle says."""
    with Library.open(north.place) as own:
        bundle = sent(own, tmp_path / "named.zip", "Workshop South")
    with client(served, north) as there:
        there.send(bundle, nobody)
    with Library.open(file_hub) as hub, hub.reading() as db:
        assert {row[0] for row in db.execute("SELECT name FROM sources").fetchall()} == {"Workshop North"}


def test_what_one_shop_sends_is_not_seen_by_another(served: str, north: Shop, south: Shop) -> None:
    """Neither that it is there nor how many cases it brought."""
    with client(served, north) as there:
        there.send(north.bundle, nobody)
    sha256 = hashlib.sha256(north.bundle.read_bytes()).hexdigest()
    assert asked(served, "GET", f"/bundles/{sha256}", north).status_code == 200
    assert asked(served, "GET", f"/bundles/{sha256}", south).status_code == 404


def test_a_key_that_was_replaced_does_not_come_back_with_an_old_token(
    served: str, file_hub: Path, north: Shop, tmp_path: Path
) -> None:
    """Who stole the key that was lost cannot become the shop again."""
    with client(served, north) as there:
        there.send(north.bundle, nobody)
    with Library.open(file_hub) as hub:
        new = "cd" * 32
        pin_key(hub, north.name, new, key_of(hub, north.name))
    with Library.open(north.place) as own:
        own.log([own.records()[0].case.model_copy(update={"symptoms": ["told with the old key"]})])
        refused(
            served, north, sent(own, tmp_path / "old.zip", north.name), "has taken another key as that of"
        )


def test_a_new_key_comes_with_a_new_token(served: str, file_hub: Path, north: Shop, tmp_path: Path) -> None:
    """The lead was told its fingerprint when the token was made."""
    with client(served, north) as there:
        there.send(north.bundle, nobody)
    with Library.open(north.place) as own:
        export_bundle(own, own.records(), tmp_path / "new.zip", north.name, "2026-11-26", new_key=True)
        told = fingerprint_digits(fingerprint(str(own_public_key(own))))
    refused(served, north, tmp_path / "new.zip", "signed by another key")
    with Library.open(file_hub) as hub:
        north.token = make_token(hub, north.name, told)
    time.sleep(service._TOKENS_KEPT_SECONDS + 0.2)
    with client(served, north) as there:
        assert there.send(tmp_path / "new.zip", nobody).cases["already there"] == 2


def test_what_import_refuses_a_hub_refuses(served: str, file_hub: Path, north: Shop, tmp_path: Path) -> None:
    """The same sentences, without a place of the hub's disk in them; the inbox is empty afterwards."""
    members = members_of(north.bundle)
    hostile = {
        "no zip file": _file(tmp_path / "a", b"not at all"),
        "not signed": packed(tmp_path / "b.zip", with_right_sums(members).items()),
        "not a file of a bundle": packed(tmp_path / "c.zip", {**members, "../../etc/passwd": b"x"}.items()),
        "do not unpack to": packed(
            tmp_path / "d.zip", {**members, "records.jsonl": b"\0" * 60_000_000}.items()
        ),
        "does not match its SHA-256": packed(
            tmp_path / "e.zip", {**members, "records.jsonl": members["records.jsonl"][:-9]}.items()
        ),
        "the signature is not of these files": packed(
            tmp_path / "f.zip",
            {
                **with_right_sums(members),
                "signature.json": members["signature.json"].replace(b"a", b"b"),
            }.items(),
        ),
        "not signed: a hub": changed_line(
            north.bundle, tmp_path / "g.zip", lambda data: data.update(id="zzzzzzzz")
        ),
    }
    for told, bundle in hostile.items():
        with client(served, north) as there, pytest.raises(ExchangeError) as error:
            there.send(bundle, nobody)
        assert told in str(error.value), told
        assert str(tmp_path) not in str(error.value)
    assert records_in(file_hub) == 0
    assert not [path for path in (tmp_path / "inbox").glob("*/*") if path.name != "lock"]


def _file(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


def test_a_bundle_that_was_refused_can_be_mended_and_sent(served: str, north: Shop, tmp_path: Path) -> None:
    """A refusal is of what was sent, not of the shop."""
    refused(served, north, _file(tmp_path / "a", b"not at all"), "no zip file")
    refused(served, north, tmp_path / "a", "no zip file")
    with client(served, north) as there:
        assert there.send(north.bundle, nobody).cases["new"] == 2


def test_ten_gigabytes_announced_are_refused_before_a_byte(served: str, north: Shop, tmp_path: Path) -> None:
    """Nothing is set aside for them."""
    answer = asked(
        served,
        "PATCH",
        f"/bundles/{SOME}",
        north,
        upload_offset="0",
        upload_length="10000000000",
        upload_complete="?0",
    )
    assert answer.status_code == 413
    assert "at most" in answer.json()["detail"]
    assert not list((tmp_path / "inbox").glob("*/*"))


WRONG = [
    {},
    {"upload_offset": "0", "upload_length": "10"},
    {"upload_offset": "-1", "upload_length": "10", "upload_complete": "?0"},
    {"upload_offset": "1e3", "upload_length": "10", "upload_complete": "?0"},
    {"upload_offset": "0", "upload_length": "0", "upload_complete": "?1"},
    {"upload_offset": "0", "upload_length": "9" * 40, "upload_complete": "?1"},
    {"upload_offset": "٣", "upload_length": "10", "upload_complete": "?1"},
    {"upload_offset": "11", "upload_length": "10", "upload_complete": "?1"},
    {"upload_offset": "0", "upload_length": "10", "upload_complete": "yes"},
]


@pytest.mark.parametrize("headers", WRONG)
def test_what_is_announced_wrongly_is_refused(served: str, north: Shop, headers: dict[str, str]) -> None:
    """No error of the hub, whatever stands there."""
    with socket.create_connection(("127.0.0.1", int(served.rsplit(":", 1)[1])), timeout=10) as line:
        told = "".join(f"{name.replace('_', '-')}: {value}\r\n" for name, value in headers.items())
        head = f"PATCH /bundles/{SOME} HTTP/1.1\r\nHost: hub\r\nAuthorization: Bearer {north.token}\r\n{told}\r\n"
        line.sendall(head.encode())
        assert line.recv(4096).split(b" ")[1] in (b"400", b"413")


@pytest.mark.parametrize(
    "path",
    [
        "/bundles/../../etc/passwd",
        "/bundles/..%2f..%2fetc%2fpasswd",
        "/bundles/%2e%2e",
        "/bundles/" + "A" * 64,
        "/bundles/" + "0" * 63,
        "/bundles/" + "0" * 65,
        "/bundles/",
        "/bundles/lock",
        "/offer/../bundles",
        "/",
        "/inbox",
    ],
)
def test_tricks_with_the_address_lead_nowhere(served: str, north: Shop, tmp_path: Path, path: str) -> None:
    """What names no bundle is not there, whoever asks; nothing is made of it."""
    for method in ("GET", "PATCH", "PUT", "POST", "DELETE", "OPTIONS"):
        with socket.create_connection(("127.0.0.1", int(served.rsplit(":", 1)[1])), timeout=10) as line:
            head = (
                f"{method} {path} HTTP/1.1\r\nHost: hub\r\nAuthorization: Bearer {north.token}\r\n"
                "Upload-Offset: 0\r\nUpload-Length: 4\r\nUpload-Complete: ?1\r\nContent-Length: 4\r\n\r\nabcd"
            )
            line.sendall(head.encode())
            assert line.recv(4096).split(b" ")[1] in (b"307", b"404", b"405")
    assert not list((tmp_path / "inbox").glob("*/*"))


def test_more_than_was_announced_is_not_kept(served: str, north: Shop, tmp_path: Path) -> None:
    """Chunks without a length (RFC 9112, 7.1) are counted as they come."""

    def chunks():
        for _ in range(100):
            yield b"x" * 1000

    answer = httpx.patch(
        f"{served}/bundles/{SOME}",
        content=chunks(),
        headers={
            "authorization": f"Bearer {north.token}",
            "upload-offset": "0",
            "upload-length": "5000",
            "upload-complete": "?1",
        },
    )
    assert answer.status_code == 413
    assert sum(path.stat().st_size for path in (tmp_path / "inbox").glob("*/*")) <= 5000


def test_a_slow_sender_is_let_go(served: str, north: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """A byte now and then keeps no connection open; what came is kept."""
    monkeypatch.setattr(service, "PART_SECONDS", 1.5)
    with socket.create_connection(("127.0.0.1", int(served.rsplit(":", 1)[1])), timeout=20) as line:
        head = (
            f"PATCH /bundles/{SOME} HTTP/1.1\r\nHost: hub\r\nAuthorization: Bearer {north.token}\r\n"
            "Upload-Offset: 0\r\nUpload-Length: 1000\r\nUpload-Complete: ?1\r\nContent-Length: 1000\r\n\r\n"
        )
        line.sendall(head.encode())
        line.settimeout(0.2)
        answer, begun = b"", time.monotonic()
        while not answer and time.monotonic() - begun < 15:
            line.sendall(b"x")
            try:
                answer = line.recv(4096)
            except TimeoutError:
                continue
        assert answer.split(b" ")[1] == b"408"
    kept = asked(served, "GET", f"/bundles/{SOME}", north)
    assert int(kept.headers["upload-offset"]) >= 2


def test_half_requests_keep_nobody_waiting(served: str, north: Shop) -> None:
    """Two hundred of them: a shop sends meanwhile."""
    place = ("127.0.0.1", int(served.rsplit(":", 1)[1]))
    halves = [socket.create_connection(place) for _ in range(210)]
    try:
        for half in halves:
            half.sendall(b"GET /health HTTP/1.1\r\nHo")
        with client(served, north) as there:
            assert there.send(north.bundle, nobody).cases["new"] == 2
    finally:
        for half in halves:
            half.close()


def test_a_shop_that_asks_too_much_waits(
    served: str, north: Shop, south: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the others do not."""
    monkeypatch.setattr(refusals, "REQUESTS_A_SECOND", 0.01)
    with httpx.Client(headers={"authorization": f"Bearer {north.token}"}) as http:
        codes = [
            http.get(f"{served}/bundles/{SOME}").status_code for _ in range(int(refusals.REQUESTS_SAVED) + 5)
        ]
        last = http.get(f"{served}/bundles/{SOME}")
    assert codes.count(404) == int(refusals.REQUESTS_SAVED)
    assert last.status_code == 429
    assert int(last.headers["retry-after"]) >= 1
    assert asked(served, "GET", f"/bundles/{SOME}", south).status_code == 404


def test_the_same_bundle_again_and_again_is_kept_once(served: str, file_hub: Path, north: Shop) -> None:
    """Requests that somebody recorded and plays again change nothing."""
    content = north.bundle.read_bytes()
    sha256 = hashlib.sha256(content).hexdigest()
    headers = {
        "authorization": f"Bearer {north.token}",
        "upload-offset": "0",
        "upload-length": str(len(content)),
        "upload-complete": "?1",
    }
    answers = []
    for _ in range(5):
        answers.append(httpx.patch(f"{served}/bundles/{sha256}", content=content, headers=headers))
        until = time.monotonic() + 30
        while (
            asked(served, "GET", f"/bundles/{sha256}", north).status_code == 202 and time.monotonic() < until
        ):
            time.sleep(0.02)
    assert {answer.status_code for answer in answers} <= {200, 202}
    with Library.open(file_hub) as hub, hub.reading() as db:
        assert db.execute("SELECT count(*) FROM records").fetchone()[0] == 2
        assert db.execute("SELECT count(*) FROM received_bundles").fetchone()[0] == 1


def test_many_connections_of_one_bundle_at_once_keep_it_once(
    served: str, file_hub: Path, north: Shop
) -> None:
    """A command that was started twelve times by mistake."""
    done: list[int] = []

    def send() -> None:
        with client(served, north, pauses=(0.05,) * 100) as there:
            done.append(sum(there.send(north.bundle, nobody).cases.values()))

    threads = [threading.Thread(target=send) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert done == [2] * 6
    assert records_in(file_hub) == 2


def test_another_bundle_of_the_shop_takes_the_place_of_one_left_unfinished(
    served: str, north: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a shop can fill of the disk is one bundle."""
    monkeypatch.setattr(inbox, "IDLE_SECONDS", 0.0)
    for number in range(4):
        headers = {"upload_offset": "0", "upload_length": "9000000", "upload_complete": "?0"}
        assert asked(served, "PATCH", f"/bundles/{number}{SOME[1:]}", north, **headers).status_code == 200
    assert len(list((tmp_path / "inbox").glob("*/*"))) == 1


def test_where_the_disk_is_full_it_is_said(served: str, north: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is begun that cannot be finished."""
    monkeypatch.setattr(inbox, "_LEFT_FREE_BYTES", 1 << 60)
    refused(served, north, north.bundle, "no room for it on its disk")


def test_a_hub_is_told_by_its_answers(served: str, file_hub: Path, tmp_path: Path) -> None:
    """Two services never share an inbox."""
    with (
        pytest.raises(ExchangeError, match="another casebase hub takes bundles there"),
        Settings(file_hub, tmp_path / "inbox").owned_inbox(),
    ):
        pass


def test_an_answer_of_a_stranger_is_no_answer(north: Shop, tmp_path: Path) -> None:
    """Whatever a program at that address says: a sentence, no traceback, and no command to the terminal."""
    told = [
        b"HTTP/1.1 200 OK\r\nContent-Length: 4\r\n\r\nnull",
        b'HTTP/1.1 200 OK\r\nContent-Length: 14\r\n\r\n{"state": [1]}',
        b'HTTP/1.1 403 No\r\nContent-Length: 25\r\n\r\n{"detail":"\\u001b[2Jgone"}',
        b"HTTP/1.1 302 Found\r\nLocation: http://192.0.2.1/\r\nContent-Length: 0\r\n\r\n",
        b"\0\1\2\3" * 100,
        b'HTTP/1.1 200 OK\r\nUpload-Offset: 999999999999999\r\nContent-Length: 20\r\n\r\n{"state":"arriving"}',
    ]
    for answer in told:
        with _stranger(answer) as url, client(url, north, pauses=(0.0,)) as there:
            for act in (
                lambda: there.send(north.bundle, nobody),
                lambda: there.fetch(tmp_path / "f", None, nobody),
            ):
                with pytest.raises(ExchangeError) as error:
                    act()
                assert "\x1b" not in str(error.value)
                assert north.token not in str(error.value)


class _stranger:  # noqa: N801  used like a function
    """A program that answers everything alike."""

    def __init__(self, answer: bytes) -> None:
        self._answer = answer

    def __enter__(self) -> str:
        self._bound = socket.create_server(("127.0.0.1", 0))
        threading.Thread(target=self._serve, daemon=True).start()
        return f"http://127.0.0.1:{self._bound.getsockname()[1]}"

    def __exit__(self, *_: object) -> None:
        self._bound.close()

    def _serve(self) -> None:
        while True:
            try:
                line, _ = self._bound.accept()
            except OSError:
                return
            with line:
                line.settimeout(1)
                try:
                    line.recv(1 << 16)
                    line.sendall(self._answer)
                    line.shutdown(socket.SHUT_WR)
                    while line.recv(1 << 16):
                        pass
                except OSError:
                    continue


def test_a_refused_bundle_of_many_parts_is_sent_anew(
    served: str, north: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A refusal of before does not stand in the way of its first part."""
    monkeypatch.setattr(client_module, "PART_BYTES", 1000)
    bundle = _file(tmp_path / "a", b"not at all" * 500)
    refused(served, north, bundle, "no zip file")
    refused(served, north, bundle, "no zip file")
    with client(served, north) as there:
        assert there.send(north.bundle, nobody).cases["new"] == 2
