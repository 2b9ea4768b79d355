"""The site on a shop's network: reading only, nothing of the computer told, hostile text shown as text."""

import asyncio
import re
import socket
import sqlite3
import subprocess
import sys
import time

import httpx
import pytest
from datasette.app import Datasette

from casebase.bus.diagnose import bank_for
from casebase.library.store import Library
from casebase.record.case import Case
from casebase.record.vocabulary import Fault, Medium
from casebase.site import routes
from casebase.site.guard import LONGEST_QUERY_BYTES, guarded
from casebase.site.serving import site_over
from casebase.site.state import MOST_SETS, BusyError, KeptPages, Simulating

EVERY_KIND = [
    "/",
    "/job",
    "/case/case0001",
    "/nothing",
    "/cases",
    "/cases/cases",
    "/cases/cases.json",
    "/robots.txt",
]
CASE = {
    "kind": "fault case",
    "vehicle": {"make": "Norrvik", "model": "Fjellet"},
    "concern": "dies in the wet",
    "cause": {"fault": "low_open"},
    "fix": {"done": "wire mended"},
}
SCRIPT = "<script>alert('x')</script>"
IMAGE = '"><img src=x onerror=alert(1)>'


@pytest.mark.slow
@pytest.mark.parametrize("path", EVERY_KIND)
def test_every_answer_closes_the_page_to_foreign_code(ask, path):
    """No script or style but the site's own, in no frame; no cookie."""
    headers = ask(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe-inline" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert "set-cookie" not in headers


@pytest.mark.slow
def test_own_pages_hold_no_inline_script_or_style(ask):
    """What the policy would stop is not there."""
    for path in ("/", "/job", "/case/case0001", "/search?q=ABS", "/about"):
        text = ask(path).text
        assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son\w+=", text), path


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_everything_but_reading_is_refused(frozen_demo, method):
    """405, with what is allowed, and a sentence."""
    answer = asked_by_itself(frozen_demo, method, "/job")
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET, HEAD"
    assert "for reading" in answer.text


def asked_by_itself(path, method, address):
    """Return the answer of a site over `path` to one request."""

    async def answer():
        site = site_over(path)
        transport = httpx.ASGITransport(app=site.app())
        async with httpx.AsyncClient(transport=transport, base_url="http://shop.local") as client:
            return await client.request(method, address)

    return asyncio.run(answer())


def without_own_picture(page):
    """Return a page without the one picture that is its own: the QR code of a job's link."""
    own = r'<img class="qr" src="/job\.svg\?[^"<>]*" alt="QR code of this address" loading="lazy">'
    return re.sub(own, "", page)


@pytest.mark.slow
def test_head_tells_the_headers_without_the_page(frozen_demo):
    """As RFC 9110, 9.3.2 has it."""
    answer = asked_by_itself(frozen_demo, "HEAD", "/robots.txt")
    assert answer.status_code == 200
    assert answer.content == b""


@pytest.mark.parametrize(
    "path",
    [
        "/-/databases.json",
        "/-/versions",
        "/-/settings",
        "/-/plugins",
        "/-/threads",
        "/-/messages",
        "/-/auth-token",
    ],
)
def test_the_inside_of_the_server_is_closed(ask, path):
    """Paths of files, versions and settings are nobody's business."""
    assert ask(path).status_code == 404


@pytest.mark.parametrize(
    "path", ["/-/casebase/../held.py", "/-/casebase/nothing.css", "/-/static/../../x", "/case/../../etc"]
)
def test_no_way_out_of_the_served_files(ask, path):
    """Only the site's own style sheets and scripts."""
    assert ask(path).status_code == 404


def test_an_address_beyond_any_link_gets_a_sentence():
    """414, before anything is read."""
    sent = []

    async def send(message):
        sent.append(message)

    async def never(*_):
        raise AssertionError("the application was asked")

    scope = {
        "type": "http",
        "method": "GET",
        "path": "/job",
        "query_string": b"a" * (LONGEST_QUERY_BYTES + 1),
    }
    asyncio.run(guarded(never)(scope, None, send))
    assert sent[0]["status"] == 414
    assert b"more than a link can hold" in sent[1]["body"]


@pytest.mark.slow
def test_ten_thousand_codes_get_a_sentence_and_the_rest_an_answer(ask):
    """The address still holds the readings."""
    codes = "%0A".join(f"U{number:04d}" for number in range(8000))
    answer = ask(f"/job?medium=high-speed+CAN&r1.what=ohm-pair&r1.value=60&codes={codes}")
    assert answer.status_code == 200
    assert "not used" in answer.text
    assert "What the readings can mean" in answer.text
    assert len(answer.content) < 150_000


@pytest.mark.slow
@pytest.mark.parametrize("text", ["%00", "%E2%80%AE", "%ED%A0%80", "%FF%FE", "%0D%0ASet-Cookie:a=b"])
def test_text_that_is_no_text_is_no_error(ask, text):
    """NUL, marks that turn the direction, half characters, bytes of no encoding, line ends."""
    for path in (
        f"/job?wrong={text}&codes={text}&r1.value={text}",
        f"/search?q={text}",
        f"/codes?code={text}",
        f"/job.json?make={text}",
    ):
        answer = ask(path)
        assert answer.status_code in (200, 302, 400, 404), path
        assert "set-cookie" not in answer.headers


@pytest.mark.slow
def test_scripts_in_a_record_are_shown_as_text(frozen_of, asking, make_case):
    """Cases are written by many hands: in a title, a module, a code's text, a step, a place, a shop."""
    hostile = make_case(
        title=f"Lamp {SCRIPT}",
        vehicle={"make": f"Norrvik {IMAGE}", "model": f"Fjellet {SCRIPT}", "platform": IMAGE},
        symptoms=[SCRIPT, IMAGE],
        networks=[{"name": f"bus {IMAGE}", "medium": "high-speed CAN"}],
        modules=[{"name": f"ABS {SCRIPT}", "answers": "no"}],
        codes=[{"module": f"ECM {IMAGE}", "code": "U0121", "status": SCRIPT, "text": IMAGE}],
        readings=[
            {
                "quantity": "voltage",
                "line": "CAN high",
                "against": "ground",
                "at": f"connector {IMAGE}",
                "value": "2.5 V",
                "note": SCRIPT,
            }
        ],
        steps=[{"did": SCRIPT, "found": IMAGE}],
        cause={"fault": str(Fault.LOW_OPEN), "where": {"place": "harness", "text": IMAGE}, "proof": SCRIPT},
        fix={"done": SCRIPT, "parts": [{"name": IMAGE}]},
        leftover=SCRIPT,
        provenance={"author": "x", "shop": IMAGE, "ended": "2026-01-02"},
    )
    ask = asking(
        frozen_of(hostile, facts={"name": f"Cases {SCRIPT}", "cases from": IMAGE, "licence": SCRIPT})
    )
    pages = [
        "/",
        "/case/case0001",
        "/search?q=script",
        "/vehicles",
        "/codes",
        "/codes?code=U0121",
        "/causes",
        "/modules",
        "/about",
        "/job?wrong=x",
    ]
    for path in pages:
        answer = ask(path)
        assert answer.status_code == 200, path
        assert "<script>alert" not in answer.text, path
        assert "<img" not in without_own_picture(answer.text), path
    assert "&lt;script&gt;" in ask("/case/case0001").text


def test_scripts_in_an_address_are_shown_as_text(ask):
    """A link may come from anybody."""
    for path in (
        f"/job?make={SCRIPT}&wrong={IMAGE}&r1.what={IMAGE}&r1.value={SCRIPT}",
        f"/search?q={SCRIPT}",
        f"/codes?code={IMAGE}",
    ):
        text = ask(path).text
        assert "<script>alert" not in text
        assert "<img" not in without_own_picture(text)


@pytest.mark.parametrize(
    "asked", ["/cases?sql=", "/cases.json?sql=", "/cases.csv?sql=", "/cases/cases.json?_where="]
)
@pytest.mark.parametrize(
    "statement",
    [
        "select+1",
        "select+length(hex(randomblob(400000000)))",
        "select+*+from+pragma_database_list",
        "attach+':memory:'+as+other",
    ],
)
def test_no_reader_asks_in_sql_of_his_own(ask, asked, statement):
    """One function can take gigabytes before time is looked at, and a pragma tells paths of this computer."""
    answer = ask(asked + statement)
    assert answer.status_code in (302, 400, 403)
    assert "/tmp" not in answer.text


def test_values_and_patterns_of_datasettes_pages_are_bounded(frozen_demo):
    """SQLITE_LIMIT_LENGTH and SQLITE_LIMIT_LIKE_PATTERN_LENGTH (SQLite, "Implementation Limits")."""

    async def refused(sql):
        site = site_over(frozen_demo)
        with pytest.raises(sqlite3.Error, match=r"too (big|complex)"):
            await site.get_database("cases").execute(sql)

    asyncio.run(refused("select length(hex(randomblob(400000000)))"))
    asyncio.run(refused("select zeroblob(30000000)"))
    asyncio.run(refused(f"select 'x' like '{'%x' * 200}'"))


@pytest.mark.slow
@pytest.mark.parametrize(
    "query", ["%00=1", "_sort=nothing", "_facet=%7B%7B7*7%7D%7D", "nothing__exact=1", "_next=%00"]
)
def test_tables_asked_for_oddly_are_no_error_of_the_server(ask, query):
    """Datasette makes SQL of the address."""
    assert ask(f"/cases/cases?{query}").status_code in (200, 400)


def test_datasettes_own_tables_lead_to_the_cases(ask):
    """An ID in a table is a link to the case; what only machines read is not listed."""
    assert 'href="/case/case0001"' in ask("/cases/codes").text
    listed = ask("/cases").text
    assert ">codes<" in listed
    assert "match_index" not in listed.split("hidden table")[0].split("<form")[0]


@pytest.mark.slow
def test_plain_datasette_shows_the_same_pages(frozen_demo, ask):
    """The plugin is found by its entry point; another database is left to Datasette."""

    async def first_page(site):
        await site.invoke_startup()
        transport = httpx.ASGITransport(app=site.app())
        async with httpx.AsyncClient(transport=transport, base_url="http://shop.local:8601") as client:
            return (await client.get("/")).text

    assert asyncio.run(first_page(Datasette([], immutables=[str(frozen_demo)]))) == ask("/").text
    assert "Has somebody solved this before?" not in asyncio.run(first_page(Datasette([], memory=True)))


def free_port():
    """Return a port that nobody listens on."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


def browse(*arguments):
    """Start `casebase browse`."""
    return subprocess.Popen(
        [sys.executable, "-m", "casebase", "browse", *map(str, arguments)], stderr=subprocess.PIPE, text=True
    )


@pytest.mark.slow
def test_the_command_serves_a_file_until_stopped(frozen_demo):
    """From the command to the first page, and out again by Ctrl+C."""
    port = free_port()
    running = browse(frozen_demo, "--port", port)
    try:
        answer = None
        while answer is None and running.poll() is None:
            try:
                answer = httpx.get(f"http://127.0.0.1:{port}/", timeout=120)
            except httpx.ConnectError:
                time.sleep(0.1)
        assert answer is not None
        assert "Has somebody solved this before?" in answer.text
    finally:
        running.send_signal(2)
    assert running.wait(timeout=240) in (0, 130)
    assert f"http://127.0.0.1:{port}/" in running.stderr.read()


@pytest.mark.slow
def test_a_port_in_use_is_told(frozen_demo):
    """One sentence, exit code 2."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        running = browse(frozen_demo, "--port", taken.getsockname()[1])
        assert running.wait(timeout=240) == 2
    assert "name another --port" in running.stderr.read()


@pytest.mark.slow
def test_a_file_that_is_not_frozen_is_told(tmp_path):
    """A library is not served: it holds what must not leave the shop."""
    path = tmp_path / "library.db"
    Library.create(path).close()
    running = browse(path)
    assert running.wait(timeout=240) == 2
    assert "not a file of frozen records" in running.stderr.read()


def test_simulating_what_nobody_asked_for_before_ends_after_two_minutes_of_it_and_goes_on_later():
    """What was begun is finished; half of the time that passes may go into more."""
    seconds = iter([0.0, 1.0, 61.0, 62.0, 123.0, 124.0, 130.0])
    watched = Simulating(clock=lambda: next(seconds))
    watched.tell(1, 3)
    watched.tell(2, 3)
    watched.tell(1, 2)
    watched.tell(2, 2)
    with pytest.raises(BusyError, match="Nothing is lost"):
        watched.tell(1, 2)
    watched.tell(1, 2)


@pytest.mark.slow
def test_a_job_that_would_have_to_be_simulated_is_told_to_come_back_and_others_are_answered(
    asking, frozen_of, tmp_path, monkeypatch
):
    """One plain sentence and 503; what needs no simulation goes on."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr("casebase.site.state.MOST_SIMULATING", 0.0)
    ask = asking(frozen_of(Case.model_validate(CASE)))
    job = "medium=LIN&r1.what=volt-line&r1.value=0.8&r1.unplugged=rain+sensor"
    page, data = ask(f"/job?{job}"), ask(f"/job.json?{job}")
    assert (page.status_code, data.status_code) == (503, 503)
    assert "Open it again in two minutes" in page.text
    assert "Open it again in two minutes" in data.json()["error"]
    assert ask("/job").status_code == 200


def test_simulated_sets_leave_the_memory_once_there_are_many():
    """Eight are held; with the ninth all go, to be read from their folder again."""
    watched = Simulating(clock=lambda: 0.0)
    held = bank_for(Medium.LIN)
    for _ in range(MOST_SETS):
        watched.tell(1, 5)
    watched.let_go()
    assert bank_for(Medium.LIN) is held
    watched.tell(1, 5)
    watched.let_go()
    assert bank_for(Medium.LIN) is not held


def test_pages_are_kept_up_to_so_many(monkeypatch):
    """Count and bytes have a bound each."""
    monkeypatch.setattr("casebase.site.state.MOST_PAGES", 2)

    async def asked() -> list[int]:
        pages, made = KeptPages(), []

        async def make() -> str:
            made.append(len(made))
            return "x"

        for key in "abca":
            await pages.get(key, make)
        return made

    assert asyncio.run(asked()) == [0, 1, 2, 3]


@pytest.mark.slow
def test_an_answer_as_data_is_worked_out_once_for_all_who_ask_at_the_same_time(frozen_demo, monkeypatch):
    """The same link from ten programs at once, and again later: one answer."""
    asked = []
    monkeypatch.setattr(
        routes, "job_json", lambda _edition, _site, pairs: asked.append(pairs) or {"answer": len(asked)}
    )

    async def ask_all() -> list[httpx.Response]:
        site = site_over(frozen_demo)
        await site.invoke_startup()
        link = "/job.json?silent=TCM"
        first = await asyncio.gather(*(site.client.get(link) for _ in range(10)))
        return [*first, await site.client.get(link)]

    answers = asyncio.run(ask_all())
    assert len(asked) == 1
    assert {answer.text for answer in answers} == {'{"answer": 1}'}
    assert answers[0].headers["content-type"].startswith("application/json")


@pytest.mark.slow
def test_the_qr_code_of_a_job_is_a_picture_of_its_own(ask):
    """SVG for who prints; of a link too long to be read off paper there is none, and that is said."""
    made = ask("/job.svg?silent=TCM")
    assert made.headers["content-type"].startswith("image/svg+xml")
    assert 'xmlns="http://www.w3.org/2000/svg"' in made.text
    assert ask(f"/job.svg?concern={'x' * 1100}").status_code == 404
