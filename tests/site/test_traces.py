"""The capture that was kept with a case: drawn on its page, told in words, and never drawn from what is no trace."""

import hashlib
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

from axe_playwright_python.sync_playwright import Axe
from browser import PHONE, chromium, served
from synthetic_captures import Bus, Sent, volts_of

from casebase.intake.capture.samples import Wanted
from casebase.intake.capture.trace import read_with_trace, trace_text
from casebase.library.derived import StoredRecord
from casebase.library.matching import Means
from casebase.publish.frozen import freeze
from casebase.publish.private_text import hits_in

FRAMES = [Sent(0x123, bytes(4)), Sent(0x7DF, b"\x02\x10", spoil="crc"), Sent(0x100, bytes(8))]


@pytest.fixture(scope="module")
def trace(tmp_path_factory):
    """The trace of a capture whose second frame is broken."""
    folder = tmp_path_factory.mktemp("capture")
    volts, _ = volts_of(FRAMES, (20, 30, 30), Bus(samples_per_second=20e6), np.random.default_rng(1))
    np.save(folder / "pair.npy", volts)
    return trace_text(read_with_trace(folder / "pair.npy", wanted=Wanted(samples_per_second=20e6))[1])


@pytest.fixture
def kept_with(make_case):
    """A function that returns a kept case with these texts as attachments for others, and what gives their bytes."""

    def make(*texts):
        contents = {hashlib.sha256(text.encode()).hexdigest(): text.encode() for text in texts}
        attachments = [
            {
                "file": f"pair-{place}.trace.csv",
                "shows": f"scope {place}",
                "for_others": "yes",
                "sha256": sha256,
            }
            for place, sha256 in enumerate(contents)
        ]
        return StoredRecord(
            "case0001", 1, "", make_case(symptoms=["lamps"], attachments=attachments)
        ), contents.__getitem__

    return make


@pytest.fixture
def frozen(tmp_path, kept_with):
    """A function that freezes a case with these traces and returns the file."""

    def make(*texts):
        kept, contents = kept_with(*texts)
        freeze([kept], tmp_path / "cases.db", {}, Means(), contents=contents)
        return tmp_path / "cases.db"

    return make


@pytest.mark.slow
def test_a_trace_is_drawn_with_its_broken_frame_and_told_in_words(frozen, asking, trace):
    """The whole capture and the frame close up; the figures themselves are a link."""
    page = asking(frozen(trace))("/case/case0001").text
    assert page.count('class="tr-drawing"') == 2
    assert "7DF, CRC does not fit" in page
    assert "Expected: CAN high recessive 2.00 to 3.00 V" in page
    assert "the figures," in page


@pytest.mark.slow
def test_what_only_bears_the_name_of_a_trace_is_not_drawn(frozen, asking, trace):
    """It stands there as the text that it is."""
    page = asking(frozen(trace + "<script>alert(1)</script>\n"))("/case/case0001").text
    assert "tr-drawing" not in page
    assert "<script>alert(1)" not in page


@pytest.mark.slow
def test_no_more_than_three_captures_are_drawn_and_the_page_stays_small(frozen, asking, trace):
    """A case with five of them; the others are links."""
    texts = [trace + f"whole,{place}.0,2.0,3.0,2.0,3.0\n" for place in range(5)]
    page = asking(frozen(*texts))("/case/case0001").text
    assert page.count('class="tr-picture"') == 3
    assert len(page.encode()) < 150_000


def test_the_figures_of_a_trace_are_no_telephone_numbers_and_its_head_is_read(kept_with, trace):
    """Volts and microseconds say nothing of anybody; words in the head might."""
    kept, contents = kept_with(trace)
    assert hits_in([kept], [], frozenset(), contents) == []
    kept, contents = kept_with(trace.replace("CRC does not fit", "call +47 22 12 34 56"))
    (hit,) = hits_in([kept], [], frozenset(), contents)
    assert "trace.csv line 4" in hit.field


@pytest.mark.slow
def test_a_browser_draws_it_on_a_phone_and_axe_finds_nothing(frozen, trace):
    """No sideways scroll; the policy of the site lets it stand."""
    with served(frozen(trace)) as base, chromium() as browser:
        page = browser.new_page(viewport=PHONE)
        said: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.goto(f"{base}/case/case0001")
        box = page.locator(".tr-drawing").first.bounding_box()
        assert box["width"] > 250
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        assert said == []
