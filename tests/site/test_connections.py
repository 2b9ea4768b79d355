"""The server on a network that means it ill: foreign names, half requests, floods of connections."""

import socket
import threading
import time
from contextlib import contextmanager

import httpx
import pytest

from casebase.site import connections
from casebase.site.connections import Hosts
from casebase.site.serving import server_over

pytestmark = pytest.mark.slow


@contextmanager
def served(path, **told):
    """Serve a file from a thread, on a port of this computer; yield the port."""
    server = server_over(path, "127.0.0.1", 0, **told)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    try:
        yield server.servers[0].sockets[0].getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(60)


def status(port, host):
    """Return the answer's status to a request that names a host."""
    return httpx.get(f"http://127.0.0.1:{port}/robots.txt", headers={"host": host}, timeout=30).status_code


def test_on_this_computer_alone_only_its_own_names_are_answered(frozen_of, make_case):
    """A stranger's page that has its name point here (DNS rebinding) gets 421 (RFC 9110, 15.5.20)."""
    with served(frozen_of(make_case(symptoms=["no start"])), names=["cases.shop.example"]) as port:
        for host in ("localhost", f"localhost:{port}", f"127.0.0.1:{port}", "[::1]", "cases.shop.example"):
            assert status(port, host) == 200, host
        for host in (
            "evil.example",
            f"evil.example:{port}",
            "127.0.0.1.evil.example",
            "192.168.1.20",
            "",
            "a b",
        ):
            assert status(port, host) == 421, host


@pytest.mark.parametrize(
    ("listening", "host", "is_answered"),
    [
        ("0.0.0.0", "192.168.1.20:8601", True),
        ("0.0.0.0", "[fe80::1]:8601", True),
        ("0.0.0.0", socket.gethostname(), True),
        ("0.0.0.0", socket.gethostname().upper() + ".", True),
        ("0.0.0.0", "evil.example", False),
        ("0.0.0.0", "localhost", True),
        ("192.168.1.20", "192.168.1.20", True),
        ("127.0.0.1", "127.0.0.1", True),
        ("127.0.0.1", "192.168.1.20", False),
        ("::1", "[::1]:8601", True),
        ("127.0.0.1", "localhost:", False),
        ("127.0.0.1", "localhost@evil.example", False),
        ("127.0.0.1", "[127.0.0.1]evil", False),
    ],
)
def test_hosts_of_a_site(listening, host, is_answered):
    """In figures nobody can be led astray; names have to be this machine's, or given at the start."""
    assert Hosts(listening).are_these(host) is is_answered


def half_request(port, sent=b"GET /robots.txt HTTP/1.1\r\nHost: localhost\r\nX-Slow: "):
    """Return a connection on which half a request was sent."""
    connection = socket.create_connection(("127.0.0.1", port), timeout=30)
    connection.sendall(sent)
    return connection


def is_ended(connection):
    """Wait for the other side to end a connection; return whether it did."""
    try:
        return connection.recv(1) == b""
    except ConnectionResetError:
        return True


def is_cut_off(send, times):
    """Send again and again; return whether the other side ended the connection."""
    try:
        for _ in range(times):
            send()
    except (ConnectionResetError, BrokenPipeError):
        return True
    return False


def test_half_requests_are_let_go_and_keep_nobody_waiting(frozen_of, make_case, monkeypatch):
    """More of them than there are connections: a page is answered at once, and none of them stays."""
    monkeypatch.setattr(connections, "REQUEST_SECONDS", 3.0)
    monkeypatch.setattr(connections, "MOST_CONNECTIONS", 40)
    with served(frozen_of(make_case(symptoms=["no start"]))) as port:
        halves = [half_request(port) for _ in range(100)]
        assert status(port, "localhost") == 200
        assert sum(map(is_ended, halves)) == 100


def test_a_request_that_comes_drop_by_drop_is_let_go(frozen_of, make_case, monkeypatch):
    """Each byte is no new beginning."""
    monkeypatch.setattr(connections, "REQUEST_SECONDS", 1.0)
    with served(frozen_of(make_case(symptoms=["no start"]))) as port:
        slow = half_request(port)
        assert is_cut_off(lambda: slow.sendall(b"x") or time.sleep(0.1), times=600)


def test_what_half_requests_hold_is_bounded(frozen_of, make_case, monkeypatch):
    """Megabytes of a request that never ends, many times over: the largest goes."""
    monkeypatch.setattr(connections, "MOST_HELD_BYTES", 1_000_000)
    with served(frozen_of(make_case(symptoms=["no start"]))) as port:
        first = half_request(port, b"GET / HTTP/1.1\r\nX: " + b"x" * 300_000)
        _others = [half_request(port, b"GET / HTTP/1.1\r\nX: " + b"x" * 200_000) for _ in range(3)]
        assert is_cut_off(lambda: first.sendall(b"x" * 100_000) or time.sleep(0.05), times=60)
        assert status(port, "localhost") == 200


def test_whoever_takes_nothing_of_an_answer_is_let_go(frozen_of, make_case, monkeypatch):
    """Pages asked for one behind the other and never read."""
    monkeypatch.setattr(connections, "STALLED_SECONDS", 1.0)
    with served(frozen_of(make_case(symptoms=["no start"]))) as port:
        request = b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"
        greedy = socket.create_connection(("127.0.0.1", port), timeout=60)
        assert is_cut_off(lambda: greedy.sendall(request * 20), times=20_000)
        assert status(port, "localhost") == 200
