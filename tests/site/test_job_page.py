"""The page of a stuck job in a real browser: what is seen first, what the form keeps, what it prints.

Sizes: 390 by 844 is a usual phone, 320 wide is what WCAG 2.2 (1.4.10) asks for, 200 % text is 1.4.4.
"""

import json
import re
import sys
from pathlib import Path
from urllib.parse import parse_qsl, urlencode, urlsplit

sys.path.insert(0, str(Path(__file__).parent))

import pytest
from axe_playwright_python.sync_playwright import Axe
from job_as_link import query_of
from playwright.sync_api import expect

from casebase.site.job_link import job_from_query

pytestmark = pytest.mark.slow

PHONE = {"width": 390, "height": 844}
NARROW = {"width": 320, "height": 700}
MOST_WORDS = 350


@pytest.fixture
def page(browser, address):
    """A page at phone size; whatever the browser complains of fails the test."""
    context = browser.new_context(base_url=address, viewport=PHONE)
    page, complaints = context.new_page(), []
    page.set_default_timeout(120_000)  # the first job on a medium may wait for its buses to be simulated
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    yield page
    context.close()
    assert complaints == []


@pytest.fixture(scope="module")
def links(demo_jobs):
    """The link of every job of the demonstration."""
    return [f"/job?{urlencode(query_of(job))}" for job in demo_jobs.values()]


def job_of(address):
    """Return the job that an address holds."""
    return job_from_query(parse_qsl(urlsplit(address).query))


def words_seen(page):
    """Return how many words are seen without unfolding anything."""
    return len(page.locator("body").inner_text().split())


def test_verdict_and_next_test_are_whole_on_the_first_screen_and_the_page_is_short(page, links):
    """What to do, what each outcome means and what to mind, without scrolling; then few words."""
    for link in links:
        page.goto(link)
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        box = page.locator(".next").bounding_box()
        assert box["y"] + box["height"] <= PHONE["height"], link
        assert words_seen(page) < MOST_WORDS, link


def test_the_parts_come_in_the_order_of_the_terminal(page, links):
    """Verdict, test, causes, silent, cases, normal, and everything else folded."""
    page.goto(links[0])
    told = [one.strip() for one in page.locator("main h2:visible").all_inner_texts()]
    assert told == [
        "Do this next",
        "Likely causes",
        "Silent and blamed",
        "Nearest cases",
        "Is it normal here?",
        "The whole answer",
    ]
    assert page.locator(".folded details[open]").count() == 0


def test_chances_are_bars_with_words_and_counts_stand_in_the_detail_only(page, links):
    """Nobody reads 60 % where ten cases speak; how a case was proved stands in its own words."""
    page.goto(links[2])
    seen = page.locator("main").inner_text()
    assert not re.search(r"\d ?%", seen)
    assert "verified" not in seen
    assert "rescan clean" in seen
    assert page.locator(".chances .bar").count() == page.locator(".chances > li").count()
    page.get_by_text("Every cause, with its cases").click()
    assert re.search(r"\d ?%", page.locator("main").inner_text())


def test_a_keypad_of_digits_can_type_every_value(page):
    """Kilo-ohms and an open line are chosen beside the number; nothing but digits is typed."""
    page.goto("/job")
    values, units = page.get_by_label("Value", exact=True), page.get_by_label("Unit", exact=True)
    assert values.first.get_attribute("inputmode") == "decimal"
    values.nth(0).fill("1.2")
    units.nth(0).select_option(label="kohm")
    units.nth(1).select_option(label="mV")
    values.nth(1).fill("600")
    page.get_by_role("button", name="Answer").click()
    page.wait_for_url(re.compile("unit="))
    ohms, volts = job_of(page.url).case.readings
    assert (ohms.number, volts.number) == (1200, 0.6)


def test_over_range_alone_is_a_reading(page):
    """An open line needs no number at all."""
    page.goto("/job")
    page.get_by_label("Unit", exact=True).first.select_option(label="OL, over range")
    page.get_by_role("button", name="Answer").click()
    page.wait_for_url(re.compile("unit=OL"))
    assert str(job_of(page.url).case.readings[0].value) == "OL"


@pytest.mark.parametrize("scripts", [True, False], ids=["with scripts", "without"])
def test_lin_gets_its_rows_at_once(browser, address, scripts):
    """Choosing the network brings its own lines; without scripts by one press; what was typed stays."""
    context = browser.new_context(base_url=address, viewport=PHONE, java_script_enabled=scripts)
    page = context.new_page()
    page.goto("/job")
    page.get_by_label("What is wrong, in words").fill("blower dead")
    page.get_by_label("Kind of network").select_option(label="LIN")
    if not scripts:
        page.get_by_role("button", name="Show the rows of this network").click()
    page.wait_for_url(re.compile("LIN"))
    first = page.get_by_label("Measured").first
    assert first.evaluate("field => field.selectedOptions[0].label") == "volts LIN to ground"
    assert page.get_by_label("What is wrong, in words").input_value() == "blower dead"
    context.close()


def test_what_is_typed_survives_a_reload(page):
    """The address holds it from the first digit on."""
    page.goto("/job")
    page.get_by_label("Value", exact=True).nth(1).fill("2,6")
    page.get_by_label("Modules that do not answer").fill("ABS")
    page.reload()
    assert page.locator("[id$='.what']").first.is_visible()
    kept = [field.input_value() for field in page.get_by_label("Value", exact=True).all()]
    assert "2,6" in kept
    assert page.get_by_label("Modules that do not answer").input_value() == "ABS"


def test_answer_is_always_within_reach(page):
    """However long the form, its button stays on the screen."""
    page.goto("/job")
    page.get_by_text("More about the network").scroll_into_view_if_needed()
    for down in (0, 300, 900):
        page.evaluate("down => window.scrollTo(0, down)", down)
        box = page.get_by_role("button", name="Answer").bounding_box()
        assert 0 <= box["y"] <= PHONE["height"] - box["height"]


def test_labels_are_whole(page):
    """No choice of what was measured is wider than its field."""
    for size in (PHONE, NARROW):
        page.set_viewport_size(size)
        page.goto("/job")
        cut = page.evaluate(
            """() => { const field = document.querySelector('.readings select');
            const drawn = document.createElement('canvas').getContext('2d');
            drawn.font = getComputedStyle(field).font;
            return [...field.options].map(option => option.label)
                .filter(label => drawn.measureText(label).width > field.clientWidth - 34); }"""
        )
        assert cut == [], size


def test_the_lines_read_tell_the_network():
    """Nobody has to choose LIN where the line is called that (ISO 17987-4: one line)."""
    asked = job_of("/job?r1.what=volt-lin&r1.value=0.2")
    assert asked.problems == []
    assert [str(line) for line in asked.case.readings[0].lines] == ["LIN", "ground"]


def test_several_networks_keep_their_readings_apart():
    """A dead LIN behind a sound CAN: two networks, each reading on its own; the second's keys begin with 2."""
    asked = job_of(
        "/job?medium=high-speed+CAN&medium2=LIN&r1.what=ohm-pair&r1.value=60&r2.what=2.volt-line&r2.value=0.1"
        "&r3.what=volt-supply&r3.value=12.3&r3.at=plug+of+HVAC"
    )
    assert asked.problems == []
    assert [network.name for network in asked.case.networks] == ["high-speed CAN", "LIN"]
    assert [reading.network for reading in asked.case.readings] == ["high-speed CAN", "LIN", None]


def test_levels_of_a_scope_are_levels_of_the_record():
    """At rest 2.5 V on both lines, driven 3.5 and 1.5 V (ISO 11898-2, table 2 and 4, from memory)."""
    asked = job_of(
        "/job?medium=high-speed+CAN&r1.what=scope&r1.resthigh=2.5&r1.restlow=2.5&r1.drivenhigh=3.5&r1.drivenlow=1.5"
    )
    assert asked.problems == []
    seen = asked.case.readings[0].waveform
    assert {str(line): level.number for line, level in seen.dominant.items()} == {
        "CAN high": 3.5,
        "CAN low": 1.5,
    }
    assert {str(line): level.number for line, level in seen.recessive.items()} == {
        "CAN high": 2.5,
        "CAN low": 2.5,
    }


def test_feed_readings_have_rows_of_their_own(page):
    """Supply and ground at a plug: where and in which state stand open beside the number."""
    page.goto("/job")
    page.get_by_text("Supply and ground at a module's plug").click()
    feed = page.locator(".feeds > li").first
    feed.get_by_label("Value", exact=True).fill("0.3")
    feed.get_by_label("Where (left empty: DLC)").fill("plug of ABS")
    feed.get_by_label("State of the vehicle").select_option(value="loaded")
    page.get_by_role("button", name="Answer").click()
    page.wait_for_url(re.compile("value="))
    reading = job_of(page.url).case.readings[0]
    assert (str(reading.line), reading.at, str(reading.loaded)) == ("supply", "plug of ABS", "yes")


def test_a_job_prints_as_a_sheet(page, links):
    """On paper: the answer, the job with its codes, its link also as a QR code, and the picture of its levels."""
    page.goto(links[2])
    assert page.locator(".sheet").is_hidden()
    page.emulate_media(media="print")
    sheet = page.locator(".sheet")
    for words in ("Oskarn H12", "SPN 639 FMI 9", "/job?make=Oskarn"):
        expect(sheet).to_contain_text(words)
    expect(sheet.locator("img.qr")).to_be_visible()
    assert sheet.locator("svg.lv-drawing").first.is_visible()
    assert page.locator(".form").is_hidden()
    page.emulate_media(media=None)
    assert page.pdf(format="A4").count(b"/Type /Page\n") <= 2


def test_a_qr_code_is_drawn_for_paper_alone(page, links):
    """Reading an answer asks for none; printing asks for it, and it is drawn before the sheet is made."""
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(links[2])
    page.wait_for_load_state("networkidle")
    assert not [url for url in asked if "/job.svg?" in url]
    page.pdf(format="A4")
    assert [url for url in asked if "/job.svg?" in url]
    assert page.locator("img.qr").evaluate("image => image.complete && image.naturalWidth > 0")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_narrow_and_with_large_text_nothing_is_lost(browser, address, links, scheme):
    """320 px wide, and text at 200 %: nothing scrolls sideways, axe-core (Deque) finds nothing, unfolded too."""
    for size, script in (
        (NARROW, ""),
        ({"width": 780, "height": 844}, "document.documentElement.style.fontSize='200%'"),
    ):
        context = browser.new_context(base_url=address, viewport=size, color_scheme=scheme, bypass_csp=True)
        page = context.new_page()
        for link in ("/job", *links[:3]):
            page.goto(link)
            page.evaluate(script or "1")
            page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
            assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], link
            found = Axe().run(page)
            assert found.violations_count == 0, f"{link}: {json.dumps(found.response['violations'])[:900]}"
        context.close()
