"""The lists of the site and its search: what they count, how they lead on, and what hostile addresses get."""

import html
import json
import random
import re
from urllib.parse import quote, urlencode

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from casebase.publish.edition import Edition, open_frozen
from casebase.site.lists import LONGEST_QUERY, MOST_ROWS, asked_of, part_of, plain_text
from casebase.site.routes import LISTS
from casebase.site.search_page import parts_of

HEAVIEST_PAGE = 150_000
PATHS = [a_list.path for a_list in LISTS]
FIELDS = [
    "make",
    "model",
    "platform",
    "code",
    "fault",
    "place",
    "mechanism",
    "lamp",
    "module",
    "q",
    "medium",
    "status",
]


@pytest.fixture(scope="module")
def edition(frozen_demo):
    """The frozen demonstration, read beside the site."""
    return Edition(open_frozen(frozen_demo))


@pytest.fixture(scope="module")
def count(edition):
    """A function that counts rows straight from the tables."""
    return lambda sql, *values: edition.connection.execute(f"SELECT count(*) FROM {sql}", values).fetchone()[
        0
    ]


def seen(response) -> str:
    """Return what a reader sees of the main part, as one line."""
    main = re.search(r"<main.*</main>", response.text, re.DOTALL)[0]
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", main)).split())


def heading(response) -> str:
    """Return the heading of a page."""
    return html.unescape(re.sub(r"<[^>]+>", "", re.search(r"<h1>(.*?)</h1>", response.text, re.DOTALL)[1]))


def data(ask, address):
    """Return a list as plain data."""
    response = ask(address)
    assert response.status_code == 200
    assert response.headers["content-type"].startswith("application/json")
    return response.json()


@pytest.mark.parametrize("path", PATHS)
def test_every_list_is_a_page_with_crumbs_and_the_same_as_data(ask, path):
    """A heading, the way back, and the same address with .json."""
    page = ask(path)
    assert page.status_code == 200
    assert heading(page)
    assert 'aria-label="Where this page is"' in page.text
    assert data(ask, f"{path}.json")["title"] == heading(page)


def test_every_make_and_model_is_listed_with_those_of_its_platform(ask, edition):
    """Models on one platform stand under it; a platform of several makes says so under each."""
    makes = {group["make"]: group for group in data(ask, "/vehicles.json")["makes"]}
    listed = {
        (make, model["words"])
        for make, group in makes.items()
        for part in group["platforms"]
        for model in part["models"]
    }
    assert listed == set(edition.connection.execute("SELECT DISTINCT make, model FROM cases"))
    on_k4 = next(part for part in makes["Norrvik"]["platforms"] if part["platform"] == "K4")
    assert {model["words"] for model in on_k4["models"]} == {"Fjellet", "Havik", "Skarn"}
    on_t2 = next(part for part in makes["Tessaro"]["platforms"] if part["platform"] == "T2")
    assert on_t2["shared_with"] == ["Maruvo"]


def test_known_good_readings_stand_apart_from_the_cases(ask, count):
    """What is normal on the platform, with its readings; not among the fault cases."""
    told = data(ask, "/vehicles.json?platform=K4")
    faults = count("cases WHERE platform = 'K4' AND kind = 'fault case'")
    assert told["cases"]["total"] == faults
    assert len(told["known_good"]) == count("cases WHERE platform = 'K4' AND kind = 'known good'") > 0
    assert "CAN high 2.6" in " ".join(good["readings"] for good in told["known_good"])
    assert sum(fault["count"] for fault in told["faults"]) + told["without_cause"] == faults
    page = seen(ask("/vehicles?platform=K4"))
    assert (
        page.index("What was at fault")
        < page.index("What is normal here")
        < page.index("proven repairs first")
    )


def test_a_make_is_found_in_any_capitals(ask):
    """Names are typed as people type them."""
    assert heading(ask("/vehicles?make=NORRVIK&model=fjellet")).startswith("Norrvik Fjellet")


def test_u0121_names_the_abs_and_counts_who_stores_it_and_what_it_came_from(ask, count):
    """U0121 is lost communication with the anti-lock brake module (SAE J2012-DA, as in public lists)."""
    told = data(ask, "/codes.json?code=U0121")
    assert told["says"] == "no messages arrive from anti-lock brakes (ABS)"
    cases = count("(SELECT DISTINCT case_id FROM codes WHERE base = 'U0121')")
    assert told["count"] == told["cases"]["total"] == cases
    assert sum(fault["count"] for fault in told["faults"]) + told["without_cause"] == cases
    stored_by = {one["words"]: one["count"] for one in told["reporters"]}
    assert stored_by["instrument cluster (IPC)"] == count(
        "(SELECT DISTINCT case_id FROM codes WHERE base = 'U0121'"
        " AND module IN ('cluster', 'instrument cluster', 'IPC'))"
    )
    assert [one["words"].split(":")[0] for one in told["variants"]] == ["U0121-87", "U0121"]


@pytest.mark.parametrize("typed", ["U0121-87", "u0121 87", "C1 21 87", "U0121:87"])
def test_a_code_with_its_failure_type_is_found_however_it_is_written(ask, typed):
    """The same code in text and in bytes; fewer cases than the base code."""
    told = data(ask, f"/codes.json?{urlencode({'code': typed})}")
    assert told["code"] == "U0121-87"
    assert 0 < told["count"] < data(ask, "/codes.json?code=U0121")["count"]


def test_a_parameter_of_j1939_is_listed_with_its_failure_modes(ask):
    """SPN 639 stands for J1939 network 1; its page is reached from the case pages by the number alone."""
    told = data(ask, "/codes.json?code=SPN+639")
    assert told["says"] == "J1939 network 1"
    assert all(one["words"].startswith("SPN 639 FMI ") for one in told["variants"])


def test_a_valid_code_that_no_case_has_says_what_it_means_and_what_to_do(ask):
    """U0028 with another failure type, U0999 and an unknown SPN are no errors."""
    for code, words in (
        ("U0293", "no messages arrive"),
        ("U0073-88", "went off the bus"),
        ("SPN 84", "not named here"),
    ):
        page = ask(f"/codes?{urlencode({'code': code})}")
        assert page.status_code == 200
        assert words in heading(page)
        assert "None of the" in seen(page)
        assert "What to do next" in seen(page)
        assert f"/job?{urlencode({'codes': code})}" in html.unescape(page.text)


def test_what_is_no_code_gets_the_forms_that_are(ask):
    """A near miss is offered."""
    page = ask("/codes?code=UO121")
    assert page.status_code == 400
    assert "did you mean U0121?" in seen(page)


@pytest.mark.slow
def test_causes_are_counted_by_fault_place_and_what_brought_them_about(ask, count):
    """Each count is the length of the list that it leads to."""
    told = data(ask, "/causes.json")
    assert sum(one["count"] for one in told["faults"]) == count("cases WHERE fault IS NOT NULL")
    for part in ("faults", "places", "mechanisms", "lamps"):
        for one in told[part]:
            behind = data(ask, one["address"].replace("/causes?", "/causes.json?"))
            assert behind["cases"]["total"] == one["count"], one


def test_a_cause_shows_its_codes_and_lamps_and_proven_repairs_first(ask):
    """Lines shorted together: one of two is proven; it stands first although it is the older one."""
    told = data(ask, "/causes.json?fault=lines_shorted_together")
    assert [row["status"] for row in told["cases"]["rows"]] == ["fixed, verified", "fixed, cause not proven"]
    assert told["codes"][0]["words"].startswith("U0121:")
    assert told["lamps"][0] == {
        "words": "anti-lock brake system",
        "count": 2,
        "address": "/causes?fault=lines_shorted_together&lamp=anti-lock+brake+system",
    }


def test_a_cause_that_nobody_recorded_says_so(ask):
    """A word of the format without a case is an empty list, not an error."""
    page = ask("/causes?fault=line_open")
    assert page.status_code == 200
    assert heading(page) == "Line open: no case yet"
    assert "Ask with the readings" in seen(page)


def test_a_module_is_one_however_its_name_is_written(ask):
    """ABS and ABS/ESC are the anti-lock brakes: silent, blamed and at fault are counted together."""
    told = data(ask, "/modules.json?module=ABS%2FESC")
    assert told["title"] == "Anti-lock brakes (ABS)"
    assert set(told["names"]) == {"ABS", "ABS/ESC"}
    assert told["said"] == "silent in 11, blamed by codes in 8, at fault in 1"
    assert told["cases"]["rows"][0]["role"].startswith("at fault")


@pytest.mark.slow
def test_a_module_that_names_itself_is_not_blamed_by_others(asking, frozen_of, make_case):
    """U0121 stored by the ABS itself says nothing against it; a healthy vehicle's silent module neither."""
    own = make_case(codes=[{"module": "ABS", "code": "U0121"}])
    other = make_case(codes=[{"module": "ECM", "code": "U0121"}], modules=[{"name": "ABS", "answers": "no"}])
    reading = {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": "60 ohm"}
    healthy = make_case(
        kind="known good", concern=None, readings=[reading], modules=[{"name": "ABS", "answers": "no"}]
    )
    told = data(asking(frozen_of(own, other, healthy)), "/modules.json?module=ABS")
    assert told["said"] == "silent in 1, blamed by codes in 1, never at fault"
    assert told["in_records"] == 2


@pytest.mark.parametrize(
    "address",
    [
        "/vehicles?make=Nobody",
        "/vehicles?platform=K4&make=Oskarn",
        "/modules?module=flux+capacitor",
        "/causes?fault=gremlins",
    ],
)
def test_what_is_not_here_is_a_page_that_says_where_to_look(ask, address):
    """404, with a sentence that leads on; as data too."""
    page = ask(address)
    assert page.status_code == 404
    assert re.search(r"under (Vehicles|Modules|Causes)", seen(page))
    refused = ask(address.replace("?", ".json?"))
    assert refused.status_code == 404
    assert refused.json()["ok"] is False


def test_search_marks_what_was_typed(ask):
    """What is typed in one piece is marked in one piece: the 87 of another code is not."""
    page = ask("/search?q=U0121-87")
    assert "<mark>U0121-87</mark>" in page.text
    assert "<mark>87</mark>" not in page.text
    assert heading(page) == "5 records for U0121-87"


def test_search_finds_other_endings_and_marks_them(ask):
    """The full text knows stems (Porter): corroded, corrosion."""
    page = ask("/search?q=connectors")
    assert re.search(r"<mark>connector</mark>", page.text, re.IGNORECASE)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("typed", "address"),
    [
        ("U0121", "/codes?code=U0121"),
        ("steering U0121-87", "/codes?code=U0121-87"),
        ("abs", "/modules?module=anti-lock+brakes"),
        ("k4", "/vehicles?platform=K4"),
        ("norrvik", "/vehicles?make=Norrvik"),
        ("norrvik fjellet", "/vehicles?make=Norrvik&model=Fjellet"),
        ("CAN low open", "/causes?fault=low_open"),
        ("chafed", "/causes?mechanism=chafing"),
        ("case0003", "/case/case0003"),
        ("CASE000", "/case/case0001"),
    ],
)
def test_the_name_of_something_leads_to_its_page(ask, typed, address):
    """A code, a module, a vehicle, a cause, a case; every lead can be followed."""
    leads = [lead["address"] for lead in data(ask, f"/search.json?{urlencode({'q': typed})}")["leads"]]
    assert address in leads
    assert ask(address).status_code == 200


def test_search_is_narrowed_and_says_so(ask, count):
    """By network, make and how far the case came; without words the newest proven ones."""
    told = data(ask, "/search.json?medium=LIN")
    assert told["found"]["total"] == count("(SELECT DISTINCT case_id FROM networks WHERE medium = 'LIN')")
    told = data(ask, "/search.json?make=norrvik&status=known+good")
    assert told["found"]["total"] == count("cases WHERE make = 'Norrvik' AND kind = 'known good'")
    assert {row["row"]["status"] for row in told["found"]["rows"]} == {"known good"}
    assert data(ask, "/search.json?medium=hs-can&q=water")["narrowed"]["medium"] == "high-speed CAN"


def test_a_narrowing_that_is_no_word_is_told_and_left_out(ask):
    """The rest is searched."""
    told = data(ask, "/search.json?q=water&medium=steam")
    assert told["found"]["total"] == data(ask, "/search.json?q=water")["found"]["total"] > 0
    assert "'steam' is not a kind of network" in told["not_used"][0]


def test_no_hit_says_which_word_alone_has_some(ask):
    """And offers the job page, which needs no word to be the same."""
    page = ask("/search?q=water+zebra")
    assert heading(page) == "No record for water zebra"
    assert "Only water" in seen(page)
    assert "Only zebra" not in seen(page)
    assert "/job?wrong=water+zebra" in page.text


def test_an_empty_search_says_what_can_be_typed(ask):
    """Blanks and signs alone are no question either."""
    assert "What can be typed" in seen(ask("/search"))
    assert "What can be typed" in seen(ask("/search?q=+%00+"))
    assert "What to do next" in seen(ask("/search?q=%28%22*"))


def test_the_edition_tells_what_it_holds_and_what_is_missing(ask, count):
    """Counts as in the tables; what is left out is named; Datasette's tables are linked."""
    told = data(ask, "/about.json")
    assert told["fault_cases"] + told["known_good"] == count("cases")
    assert sum(one["count"] for one in told["statuses"]) == told["fault_cases"]
    missing = dict(told["missing"])
    leftover = count("cases WHERE kind = 'fault case' AND leftover IS NOT NULL")
    assert missing["with something that still makes no sense"] == f"{leftover} cases"
    page = ask("/about")
    assert "the VIN" in seen(page)
    assert ask(re.search(r'href="([^"]+/cases)"', page.text)[1]).status_code == 200


@pytest.mark.slow
def test_a_published_edition_tells_its_number_and_licence(asking, frozen_of, make_case):
    """And any other fact that stands in the file, as text."""
    facts = {
        "name": "Bay 3",
        "number": "7",
        "frozen on": "2026-11-25",
        "licence": "CC BY 4.0",
        "note": "<b>x</b>",
    }
    page = asking(frozen_of(make_case(), facts=facts))("/about")
    assert "Edition 7, frozen on 2026-11-25" in seen(page)
    assert "CC BY 4.0" in seen(page)
    assert "&lt;b&gt;x&lt;/b&gt;" in page.text


@pytest.mark.slow
def test_recorded_text_is_never_markup(asking, frozen_of, make_case):
    """Cases are written by many hands: a script in every name stays text on every list."""
    bad = "<script>alert(1)</script>"
    hostile = make_case(
        title=f"{bad} title",
        symptoms=[f"water {bad}"],
        vehicle={"make": bad, "model": bad, "platform": bad},
        modules=[{"name": bad, "answers": "no"}],
        codes=[{"module": bad, "code": "U1300", "text": bad, "status": bad}],
        cause={"fault": "low_open", "module": bad, "where": {"place": "harness", "text": bad}},
        provenance={"shop": bad, "author": bad},
    )
    ask = asking(frozen_of(hostile))
    named = [
        f"/vehicles?make={quote(bad)}",
        f"/vehicles?platform={quote(bad)}",
        f"/modules?module={quote(bad)}",
    ]
    for address in [
        *PATHS,
        *named,
        "/codes?code=U1300",
        "/causes?fault=low_open",
        "/search?q=water",
        f"/search?q={quote(bad)}",
    ]:
        page = ask(address)
        assert page.status_code == 200, address
        assert "<script>" not in page.text, address


def hostile_addresses():
    """Yield addresses that nobody types."""
    texts = [
        "%00",
        "a%00b",
        "%ff%fe",
        "%ed%a0%80",
        "%E2%80%AEabc",
        "'; DROP TABLE cases; --",
        '"*(NOT',
        "%",
        "x" * 5000,
    ]
    for path in PATHS:
        for field in FIELDS:
            for text in texts:
                safe = text if text.startswith(("%", "a%")) and text != "%" else quote(text)
                yield f"{path}?{field}={safe}"
        yield f"{path}?from=-1"
        yield f"{path}?from=99999999999999999999"
        yield f"{path}?from=%D9%A3&from=2"
        yield f"{path}?{'&' * 3000}=&=&a[]=1"


@pytest.mark.slow
def test_hostile_addresses_get_a_clear_page(ask):
    """Never a 5xx, never a traceback, and the page is small; the same as data."""
    for address in hostile_addresses():
        for asked in (address, address.replace("?", ".json?", 1)):
            answer = ask(asked)
            assert answer.status_code in {200, 400, 404}, asked[:100]
            assert "Traceback" not in answer.text
            assert len(answer.content) < HEAVIEST_PAGE


def test_an_address_without_end_is_refused_with_what_to_do(ask):
    """Sixty thousand letters."""
    page = ask(f"/search?q={'a' * 60_000}")
    assert page.status_code == 400
    assert "Type the few words" in seen(page)


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(path=st.sampled_from(PATHS), field=st.sampled_from(FIELDS), text=st.text(max_size=60))
def test_any_text_in_any_field_is_answered(ask, path, field, text):
    """Whatever Unicode holds."""
    encoded = quote(text.encode("utf-8", "surrogatepass"))
    assert ask(f"{path}?{field}={encoded}").status_code in {200, 400, 404}


@pytest.mark.slow
@given(st.text())
def test_what_was_asked_can_always_be_bound_and_shown(text):
    """No control character, no lone surrogate, one line."""
    plain = plain_text(text)
    assert plain.encode("utf-8").decode() == plain
    assert plain == " ".join(plain.split())
    assert not re.search(r"[\x00-\x1f\x7f-\x9f]", plain)


@given(st.text(alphabet="ab \n\x02\x03<"))
def test_parts_hold_all_of_the_text_but_the_marks(marked):
    """However the marks stand, nothing else is lost and none is left over."""
    kept = "".join(words for words, _ in parts_of(marked))
    assert "\x02" not in kept
    assert "\x03" not in kept
    assert [letter for letter in kept if letter in "ab<"] == [letter for letter in marked if letter in "ab<"]


@pytest.mark.slow
def test_a_long_list_comes_in_parts_that_join(asking, frozen_of, make_case):
    """A hundred rows a page, every case once, no page heavy; a start past the end shows the last rows."""
    chance = random.Random(11898)
    cases = [
        make_case(
            title=f"Case {number} with water in a connector of the left door, found late " + "long " * 20,
            vehicle={"make": f"Make {number % 7}", "model": f"Model {number}", "platform": f"P{number % 50}"},
            codes=[{"module": "ECM", "code": f"U1{number:03X}"}, {"module": f"M {number}", "code": "U0121"}],
            modules=[{"name": f"module number {number}", "answers": chance.choice(["yes", "no"])}],
            cause={"fault": "low_open", "mechanism": "water"},
        )
        for number in range(230)
    ]
    ask = asking(frozen_of(*cases))
    found, address = [], "/search.json?q=water"
    while address:
        part = data(ask, address)["found"]
        assert len(part["rows"]) <= MOST_ROWS
        found += [row["row"]["case_id"] for row in part["rows"]]
        address = part["later"]
    assert len(found) == len(set(found)) == 230
    assert "Records 201 to 230 of 230" in seen(ask("/search?q=water&from=200"))
    assert "Cases 201 to 230 of 230" in seen(ask("/causes?fault=low_open&from=5000"))
    for path in (
        *PATHS,
        "/codes?code=U0121",
        "/causes?fault=low_open",
        "/search?q=water",
        "/vehicles?make=Make+1",
    ):
        page = ask(path)
        assert page.status_code == 200
        assert len(page.content) < HEAVIEST_PAGE, path


def test_rows_asked_for_by_number():
    """From a row on; anything but a number is the beginning."""
    rows = list(range(250))
    assert part_of(rows, asked_of("/codes", "from=100")).rows == rows[100:200]
    assert part_of(rows, asked_of("/codes", "from=100&code=x")).later == "/codes?code=x&from=200"
    assert part_of(rows, asked_of("/codes", "from=abc")).before == 0
    assert part_of(rows, asked_of("/codes", "from=999")).rows == rows[200:]


def test_bytes_that_were_not_encoded_are_read_as_utf_8():
    """Some clients send them bare; they come as Latin-1."""
    assert asked_of("/search", "q=" + "Küste".encode().decode("latin-1")).text("q") == "Küste"
    assert len("q=" + "%F0%9F%98%80" * 300) < LONGEST_QUERY


def test_data_is_plain_json(ask):
    """Nothing but what JSON has; addresses beside what they are of."""
    told = data(ask, "/codes.json")
    assert told == json.loads(json.dumps(told))
    assert {"words", "count", "address"} == set(told["codes"]["rows"][0])
    assert "crumbs" not in told


@pytest.mark.parametrize(
    ("address", "caution"),
    [
        ("/modules?module=restraints", "squib circuit"),
        ("/modules?module=drive+motor", "High-voltage vehicle"),
        ("/codes?code=U0151", "squib circuit"),
        ("/codes?code=U0121", "no road test"),
    ],
)
def test_pages_of_modules_that_may_hurt_carry_their_caution(ask, address, caution):
    """Restraints, high voltage, brakes; a page of a module that hurts nobody carries none."""
    assert caution in seen(ask(address)).partition("Take care")[2]
    assert "Take care" not in seen(ask("/codes?code=U0140"))


def test_the_feed_read_at_a_plug_stands_on_the_page_of_the_job(ask):
    """One line for supply and ground, and where to look for what is lost."""
    row = {
        "r1.what": "volt-supply",
        "r1.value": "0.3 V",
        "r1.at": "connector of ABS",
        "r1.unplugged": "nothing",
    }
    page = seen(ask(f"/job?{urlencode({'silent': 'ABS', 'medium': 'high-speed CAN'} | row)}"))

    assert "ABS: supply missing: 0.3 V at its plug." in page
    assert "Fuse of ABS" in page.partition("Do this next")[2].partition("Likely causes")[0]


def test_with_nothing_read_the_page_of_a_job_begins_with_supply_and_ground(ask):
    """The DLC, then the silent module, then the pair."""
    page = seen(ask("/job?silent=ABS")).partition("Other tests")[2]
    places = [
        page.index(words)
        for words in (
            "supply and ground of the DLC",
            "at the plug of ABS",
            "ohms between CAN high and CAN low",
        )
    ]
    assert places == sorted(places)
