"""News on a screen of eighty columns: the open question, the case that may explain it, why, and what differs."""

import io

import pytest
from rich.console import Console

from casebase.library.news import News
from casebase.terminal.lead import print_news
from casebase.terminal.page import Page

NEWS = News(
    open_case="8k2m4n6p",
    what="job not fixed",
    open_title="Lamps on,\nno speedometer",
    asked_by="ingrid",
    new_case="9a7c5e3g",
    new_title="CAN low open: ABS branch",
    cause="CAN low open, in the harness (ABS branch)",
    sent_by="Workshop North",
    score=0.91,
    probability=0.88,
    agree=["the most like it of all proven cases (likeness 0.91)", "codes in both: U0121"],
    differ=["2 years apart"],
    found_at="2026-11-25T09:00:00+00:00",
    read_at=None,
)


@pytest.fixture
def printed():
    """A function that prints news and returns the screen."""

    def screen(*news):
        text = io.StringIO()
        print_news(news, Page(Console(file=text, width=80, highlight=False)))
        return text.getvalue()

    return screen


def test_news_names_both_cases_the_sender_and_the_reasons(printed):
    """Enough to decide whether to look at the new case."""
    told = printed(NEWS)
    assert "Job not fixed 8k2m4n6p: Lamps on, no speedometer" in told
    assert "may be explained by 9a7c5e3g: CAN low open: ABS branch, sent by Workshop North" in told
    for words in (*NEWS.agree, *NEWS.differ, "ingrid", "casebase show 9a7c5e3g", "casebase news --read"):
        assert words in told


def test_news_sends_nobody_to_replace_parts(printed):
    """A likely cause is not a proven one."""
    assert "It may still be another fault: prove it on the vehicle." in printed(NEWS)


def test_no_news_is_said(printed):
    """An empty screen would leave in doubt."""
    assert printed() == "No news: no case that arrived later explains an open question well.\n"
