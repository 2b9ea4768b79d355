"""What people do on the site, in a real browser: phone and desk, light and dark, with and without JavaScript."""

import re
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import DESK, PHONE
from playwright.sync_api import expect

pytestmark = pytest.mark.slow

HEAVIEST_PAGE = 150_000
LEAST_TARGET = 44
"""Pixels: the target size of WCAG 2.2, 2.5.5; links within a sentence are exempt there."""

PROBLEM_LINK = (
    "/job?medium=high-speed+CAN&r1.what=ohm-pair&r1.value=61&r2.what=volt-high&r2.value=abc&year=19"
)
ANSWERED_LINK = (
    "/job?medium=high-speed+CAN&make=Norrvik&model=Fjellet&r1.what=ohm-pair&r1.value=60.1&r2.what=volt-high"
    "&r2.value=2.7&r3.what=volt-low&r3.value=2.3&codes=ECM+U0121-87%0ATCM+U0121-87&silent=ABS&lamps=steering"
)
BODY_JOB = (
    "medium=high-speed+CAN&make=Tessaro&model=Velin&platform=T2&terminators=CGW%2C+parking+assist"
    "&codes=BCM+U0140-87&silent=tailgate+module%2C+audio+amplifier%2C+parking+assist&answer=BCM%2C+cluster%2C+HVAC"
)
"""A job whose silent modules share the far end of a trunk."""

PAGES = [
    "/",
    "/job",
    ANSWERED_LINK,
    PROBLEM_LINK,
    "/vehicles",
    "/vehicles?platform=K4",
    "/codes",
    "/codes?code=U0121",
    "/causes",
    "/causes?fault=low_open",
    "/modules",
    "/search",
    "/search?q=bracket",
    "/about",
    "/changes",
    "/layouts",
    "/layout/layout01",
    "/layout/layout02?" + BODY_JOB,
    "/job?" + BODY_JOB,
    "/nothing-here",
]


@pytest.fixture
def page(browser, address):
    """A page at phone size; whatever the browser complains of, or asks elsewhere, fails the test."""
    context = browser.new_context(base_url=address, viewport=PHONE)
    page, complaints = context.new_page(), []
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "request",
        lambda asked: None if asked.url.startswith((address, "data:")) else complaints.append(asked.url),
    )
    yield page
    context.close()
    assert [said for said in complaints if "404" not in said] == []


def a_case(page):
    """Return the address of a case."""
    page.goto("/search?q=bracket")
    return page.locator(".cases a").first.get_attribute("href")


def fill_three_readings(page):
    """Give what a meter shows at the DLC of a bus with a missing terminator."""
    page.get_by_label("Kind of network").select_option(label="high-speed CAN")
    for place, value in enumerate(("120.4", "2,62", "2.38 V")):
        page.get_by_label("Value", exact=True).nth(place).fill(value)


def measured(page):
    """Return what can be chosen as measured, of every row that is not folded away."""
    return page.locator(".readings").get_by_label("Measured")


def values(page):
    """Return the fields for a value, of the same rows."""
    return page.locator(".readings").get_by_label("Value", exact=True)


def test_three_numbers_at_the_dlc_are_answered_on_the_first_screen(page):
    """From the first page: stuck, the kind of network, three numbers; the sentence is seen without scrolling."""
    page.goto("/")
    page.get_by_role("link", name="Stuck").first.click()
    fill_three_readings(page)
    page.get_by_role("button", name="Answer").click()
    said = page.get_by_text("a terminator missing").first
    expect(said).to_be_visible()
    assert said.bounding_box()["y"] < PHONE["height"]


def test_the_link_is_the_job(page, browser, address):
    """A colleague who opens the address sees the same answer; nothing but what was typed is in it."""
    page.goto("/job")
    fill_three_readings(page)
    page.get_by_role("button", name="Answer").click()
    page.wait_for_url(re.compile("value="))
    assert page.url.count("=") == 1 + 2 * 3
    other = browser.new_page()
    other.goto(page.url)
    assert other.locator("main").inner_text() == page.locator("main").inner_text()
    other.close()


def test_one_more_reading_is_two_taps_and_a_number(page):
    """The form is folded above the answer; opening it offers an empty row."""
    page.goto(ANSWERED_LINK)
    page.get_by_text("Change or add").click()
    measured(page).last.select_option(label="volts supply to ground")
    values(page).last.fill("12.1")
    page.get_by_role("button", name="Answer").click()
    expect(page.get_by_text("4 readings")).to_be_visible()


def test_more_rows_than_the_page_came_with(page):
    """With JavaScript a row is added without asking the server, and its reading counts."""
    page.goto("/job")
    rows = measured(page).count()
    page.get_by_role("button", name="One more reading").click()
    measured(page).last.select_option(label="ohms CAN high to ground")
    values(page).last.fill("2.2k")
    assert measured(page).count() == rows + 1
    page.get_by_role("button", name="Answer").click()
    expect(page.get_by_text("Change or add: 1 reading")).to_be_visible()


def test_a_slip_in_one_field_costs_no_other(page):
    """What cannot be read is told beside its field, as typed; the rest is kept and answered."""
    page.goto(PROBLEM_LINK)
    expect(page.get_by_role("alert")).to_contain_text("not used")
    assert page.get_by_label("Value", exact=True).nth(0).input_value() == "61"
    assert page.get_by_label("Value", exact=True).nth(1).input_value() == "abc"
    assert page.get_by_label("Value", exact=True).nth(1).get_attribute("aria-invalid") == "true"
    expect(page.get_by_role("heading", name="Do this next")).to_be_visible()


def test_everything_works_without_javascript(browser, address):
    """Scripts only add comfort."""
    context = browser.new_context(base_url=address, viewport=PHONE, java_script_enabled=False)
    page = context.new_page()
    page.goto("/job")
    fill_three_readings(page)
    page.get_by_role("button", name="Answer").click()
    expect(page.get_by_text("a terminator missing").first).to_be_visible()
    page.get_by_text("What the readings can mean").click()
    expect(page.get_by_role("table").first).to_be_visible()
    context.close()


def test_the_job_goes_home_as_a_case_file(page, tmp_path):
    """The file saved from the page is kept by `casebase log`."""
    page.goto(ANSWERED_LINK)
    page.get_by_text("Keep this job").click()
    with page.expect_download() as loading:
        page.get_by_role("link", name="Save as a case file").click()
    file, library = tmp_path / "job.yaml", tmp_path / "own.db"
    loading.value.save_as(file)
    casebase = [sys.executable, "-m", "casebase"]
    subprocess.run([*casebase, "init", "--library", library], check=True, capture_output=True)
    done = subprocess.run(
        [*casebase, "log", file, "--library", library], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_from_a_word_to_the_case_and_its_like(page):
    """Search, open a case, read how it was solved, go on to one like it."""
    page.goto("/")
    page.get_by_label("What you have, in your own words").fill("strut tower")
    page.get_by_role("button", name="Ask").click()
    page.locator(".cases a").first.click()
    for heading in ("Found", "Take care", "Done, step by step", "Cause, fix, proof", "Cases like this one"):
        expect(page.get_by_role("heading", name=heading)).to_be_visible()
    page.get_by_role("navigation", name="Within this case").get_by_role(
        "link", name="Cause, fix, proof"
    ).click()
    assert page.url.endswith("#cause")
    expect(page.get_by_role("heading", name="Cause, fix, proof")).to_be_in_viewport()
    first = page.url
    page.locator(".like .cases a").first.click()
    assert page.url != first


def test_keyboard_alone_reaches_the_answer(page):
    """Tab, type; Enter in a field sends nothing, on the button it answers; the first stop leads past the navigation."""
    page.goto("/job")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the content"
    page.get_by_label("Kind of network").focus()
    tab_to(page, values(page).first)
    page.keyboard.type("120.4")
    page.keyboard.press("Enter")
    assert values(page).first.input_value() == "120.4"
    expect(page.get_by_role("heading", name="Do this next")).to_have_count(0)
    tab_to(page, page.get_by_role("button", name="Answer"))
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Do this next")).to_be_visible()


def tab_to(page, wanted):
    """Press Tab until what is wanted has the focus."""
    for _ in range(80):
        page.keyboard.press("Tab")
        if wanted.evaluate("field => field === document.activeElement"):
            return
    pytest.fail("the keyboard alone does not reach it")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_axe_finds_nothing_and_nothing_scrolls_sideways(browser, address, size, scheme):
    """axe-core (Deque), all rules that it runs by itself, WCAG 2 AA contrast among them."""
    context = browser.new_context(base_url=address, viewport=size, color_scheme=scheme)
    page = context.new_page()
    for path in [*PAGES, a_case(page)]:
        page.goto(path)
        found = Axe().run(page)
        assert found.violations_count == 0, f"{path}: {found.generate_report()}"
        width = page.evaluate("document.documentElement.scrollWidth")
        assert width <= size["width"], path
    context.close()


def test_targets_are_as_large_as_a_gloved_finger_needs(page):
    """Whatever can be pressed and is no word within a sentence."""
    for path in [*PAGES, a_case(page)]:
        page.goto(path)
        small = page.evaluate(
            """least => [...document.querySelectorAll(
                "nav a, button, .press, summary, select, input:not([type=checkbox]), textarea, .ticks label,"
                + " .cases > li > a, .counts a, dl.codes a")]
            .filter(item => item.checkVisibility() && !item.closest(".skip"))
            .filter(item => item.getBoundingClientRect().height < least - 0.5)
            .map(item => item.outerHTML.slice(0, 120))""",
            LEAST_TARGET,
        )
        assert small == [], path


def test_pages_are_light(page):
    """Style sheets and scripts included: poor signal, no patience."""
    weights = {}
    page.on(
        "response", lambda answer: weights.update({answer.url: len(answer.body())}) if answer.ok else None
    )
    for path in [*PAGES[:-1], a_case(page)]:
        weights.clear()
        page.goto(path)
        page.wait_for_load_state("networkidle")
        assert 0 < sum(weights.values()) < HEAVIEST_PAGE, (path, weights)


def test_every_case_prints_on_two_sheets(page, address):
    """A4, with the QR code of its own address."""
    page.goto("/vehicles?platform=K4")
    cases = {link.get_attribute("href") for link in page.locator(".cases a").all()}
    assert cases
    for case in sorted(cases):
        page.goto(case)
        page.emulate_media(media="print")
        assert page.locator("svg.qr").is_visible()
        page.emulate_media(media=None)
        sheets = page.pdf(format="A4").count(b"/Type /Page\n")
        assert 1 <= sheets <= 2, case


def test_from_a_message_to_its_answer(page):
    """One box on the first page: the message becomes the job, its entries show the words they came from."""
    page.goto("/")
    page.get_by_label("What you have, in your own words").fill(
        "119 ohm 6 to 14, no comms with TCM, U0101 in ECM"
    )
    page.get_by_role("button", name="Ask").click()
    assert "/job?" in page.url
    page.get_by_text("Change or add").click()
    expect(page.get_by_text("119 ohm 6 to 14", exact=True)).to_be_visible()
    expect(page.get_by_label("Value").first).to_have_value("119 ohm")
