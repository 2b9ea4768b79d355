"""The attachments of a case on its page: pictures with their words and size, texts as text, each under its address."""

import hashlib
import sqlite3
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "library"))

from axe_playwright_python.sync_playwright import Axe
from browser import PHONE, chromium, served
from pictures_given import drawing, file_of

from casebase.library.accepted_files import kept_form
from casebase.library.derived import StoredRecord
from casebase.library.matching import Means
from casebase.publish.frozen import freeze

pytestmark = pytest.mark.slow

HOSTILE = b"<script>alert(1)</script>\nABS: U0121\n"
LONG = b"0001 7DF 02 01 00\n" * 1000


@pytest.fixture
def frozen(tmp_path, make_case):
    """A file of one case with pictures and texts for others, and of a case with none."""
    files = {
        "splice.jpg": kept_form("splice.jpg", file_of(drawing(1600, 1200), "JPEG")).content,
        "plan.png": kept_form("plan.png", file_of(drawing(90, 60), "PNG")).content,
        "scan.txt": HOSTILE,
        "bus.log": LONG,
    }
    shas = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    attachments = [
        {"file": name, "shows": f'what {name} "shows" <b>', "for_others": "yes", "sha256": sha256}
        for name, sha256 in shas.items()
    ]
    cases = [make_case(symptoms=["no start"], attachments=attachments), make_case(symptoms=["lamps"])]
    path = tmp_path / "cases.db"
    by_sha256 = {shas[name]: content for name, content in files.items()}
    kept = [StoredRecord(f"case{place:04}", 1, "", case) for place, case in enumerate(cases, 1)]
    freeze(kept, path, {}, Means(), contents=by_sha256.__getitem__)
    return path, shas, files


def test_a_picture_stands_with_its_words_and_its_size(frozen, asking):
    """Loaded when it is come to, in its place from the start, what it shows told to those who do not see it."""
    path, shas, _ = frozen
    page = asking(path)("/case/case0001").text
    assert f'<img src="/attachment/{shas["splice.jpg"]}"' in page
    assert 'alt="what splice.jpg &#34;shows&#34; &lt;b&gt;" width="1600" height="1200" loading="lazy"' in page
    assert len(page.encode()) < 150_000


def test_a_short_text_stands_on_the_page_and_a_long_one_is_a_link(frozen, asking):
    """As text: what looks like a script is words."""
    path, shas, _ = frozen
    page = asking(path)("/case/case0001").text
    assert "<pre>&lt;script&gt;alert(1)&lt;/script&gt;\nABS: U0121\n</pre>" in page
    assert "7DF" not in page
    assert f'href="/attachment/{shas["bus.log"]}">bus.log</a>, 18 kB of text' in page
    assert "Attached" not in asking(path)("/case/case0002").text


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("splice.jpg", "image/jpeg"),
        ("plan.png", "image/png"),
        ("scan.txt", "text/plain; charset=utf-8"),
        ("bus.log", "text/plain; charset=utf-8"),
    ],
)
def test_the_bytes_are_what_they_say_and_may_be_kept_for_ever(frozen, asking, name, kind):
    """The media type is that of the content, and no browser may guess another."""
    path, shas, files = frozen
    answer = asking(path)(f"/attachment/{shas[name]}")
    assert answer.content == files[name]
    assert answer.headers["content-type"] == kind
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "immutable" in answer.headers["cache-control"]
    assert "default-src 'none'" in answer.headers["content-security-policy"]


def test_an_unknown_file_has_a_page_that_says_so(frozen, asking):
    """Taken off its case, or never there."""
    ask = asking(frozen[0])
    answer = ask("/attachment/" + "0" * 64)
    assert (answer.status_code, "There is no such file" in answer.text) == (404, True)
    assert ask("/attachment/nothing").status_code == 404


def test_an_older_edition_without_files_still_opens(frozen, asking):
    """Frozen by a casebase that knew none."""
    path, shas, _ = frozen
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TABLE files")
    ask = asking(path)
    assert ask("/case/case0001").status_code == 200
    assert ask(f"/attachment/{shas['plan.png']}").status_code == 404
    assert ask("/about").status_code == 200


def test_the_table_of_files_is_not_given_page_by_page(frozen, asking):
    """A thousand pictures in one answer help nobody; each has its address."""
    ask = asking(frozen[0])
    for address in ("/cases/files", "/cases/files.json", "/cases/files.csv"):
        assert ask(address).status_code == 403
    assert ask("/cases/cases.json").status_code == 200


def test_about_says_which_files_are_not_shown(frozen, asking):
    """Those that are not for others."""
    assert "attached files that are not for others" in asking(frozen[0])("/about").text


def test_a_browser_shows_the_picture_and_axe_finds_nothing(frozen):
    """On a telephone, without sideways scroll, under the policy of the site."""
    with served(frozen[0]) as base, chromium() as browser:
        page = browser.new_page(viewport=PHONE)
        said: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.goto(f"{base}/case/case0001")
        page.locator(".attached img").first.scroll_into_view_if_needed()
        page.wait_for_function(
            "document.querySelector('.attached img').naturalWidth === 1600", timeout=120_000
        )
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        assert said == []
