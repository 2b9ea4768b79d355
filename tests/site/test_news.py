"""News on the first page: the owner's alone, beside the frozen file, in words where the site has no page."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import DESK, PHONE, chromium, served

from casebase.library.news import News
from casebase.publish.edition import Edition, open_frozen
from casebase.record.vocabulary import Review
from casebase.site.edition_pages import start_context
from casebase.site.serving import site_over

pytestmark = pytest.mark.slow

SHOWN, HIDDEN = "case0001", "9a7c5e3g"


def news(new_case=SHOWN, **changes):
    """Return a piece of news of an open job."""
    plain = {
        "open_case": "8k2m4n6p",
        "what": "open job",
        "open_title": "Lamps on <b>again</b>",
        "asked_by": "ingrid",
        "new_case": new_case,
        "new_title": "CAN low open: ABS branch",
        "cause": "CAN low open, in the harness (ABS branch)",
        "sent_by": "",
        "score": 0.91,
        "probability": 0.88,
        "agree": ["the most like it of all proven cases (likeness 0.91)", "codes in both: U0121"],
        "differ": ["2 years apart"],
        "found_at": "2026-11-25T09:00:00+00:00",
        "read_at": None,
    }
    return News(**{**plain, **changes})


@pytest.fixture
def first_page(asking, frozen_demo):
    """A function from news to the text of the first page."""

    def page(*told, place=frozen_demo):
        return asking(place, told)("/").text

    return page


def test_the_first_page_tells_the_news_with_reasons(first_page):
    """The open job in words, for it has no page; the new case as a link."""
    page = first_page(news())
    assert "1 open question a later case may explain" in page
    assert "Open job 8k2m4n6p: Lamps on &lt;b&gt;again&lt;/b&gt;" in page
    assert f'<a href="/case/{SHOWN}">CAN low open: ABS branch</a>' in page
    assert "asked by ingrid" in page
    assert "codes in both: U0121" in page
    assert "2 years apart" in page
    assert "casebase show 8k2m4n6p" in page
    assert "/case/8k2m4n6p" not in page


def test_a_case_nobody_agreed_to_is_named_in_words(first_page):
    """The site has no page of it."""
    page = first_page(news(HIDDEN, sent_by="Workshop North"))
    assert f"casebase show {HIDDEN}" in page
    assert f"/case/{HIDDEN}" not in page
    assert "sent by Workshop North" in page


def test_without_news_the_first_page_says_nothing_of_it(first_page):
    """Quiet otherwise."""
    assert "may explain" not in first_page()


def test_no_news_stands_in_the_frozen_file(first_page, frozen_demo):
    """It leaves the shop; the news goes beside it."""
    first_page(news())
    content = frozen_demo.read_bytes()
    assert b"8k2m4n6p" not in content
    with open_frozen(frozen_demo) as connection:
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    assert "news" not in tables


def test_no_news_is_shown_over_an_edition(frozen_of, demo_cases, make_edition_facts):
    """An edition is everybody's."""
    agreed = next(case for case in demo_cases.values() if case.review.state is Review.READ)
    path = frozen_of(agreed, facts=make_edition_facts)
    with open_frozen(path) as connection:
        assert start_context(Edition(connection), [news()])["news"] == []


def test_no_news_is_shown_over_a_folder_of_editions(frozen_demo, monkeypatch):
    """Whatever was given."""
    monkeypatch.setattr("casebase.site.serving.edition_to_serve", lambda _: (frozen_demo, ""))
    assert site_over(frozen_demo.parent, [news()]).casebase_news == ()


@pytest.fixture
def make_edition_facts():
    """What a file knows of itself that is a published edition."""
    return {"number": "7", "frozen on": "2026-11-25", "signed off by": "ingrid"}


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_on_the_first_page_with_news(frozen_demo, size, scheme):
    """axe-core (Deque), all rules that it runs by itself; and nothing scrolls sideways."""
    with served(frozen_demo, [news(), news(HIDDEN)]) as address, chromium() as browser:
        page = browser.new_page(base_url=address, viewport=size, color_scheme=scheme)
        page.goto("/")
        assert "open questions a later case may explain" in page.locator("main").inner_text()
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
