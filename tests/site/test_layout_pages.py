"""Layouts on the site: each has a page, a job its drawing, and nothing is told by a shade alone."""

import json
import re
from xml.etree import ElementTree

import pytest

from casebase.bus.layout.whereabouts import ElementKind, StateThere, Suspect, WhereOnNetwork
from casebase.demo import demo_layouts
from casebase.record.json_form import plain_data
from casebase.record.layout import DLC
from casebase.record.loading import layout_from_data
from casebase.site.layout_picture import layout_picture

JOB = (
    "medium=high-speed+CAN&make=Tessaro&model=Velin&platform=T2&terminators=CGW%2C+parking+assist"
    "&codes=BCM+U0140-87&silent=tailgate+module%2C+audio+amplifier%2C+parking+assist&answer=BCM%2C+cluster%2C+HVAC"
)
K4, T2 = demo_layouts()
BODY = next(network for network in T2.networks if network.name == "body CAN")


def found_on_body(**probabilities):
    """Return a result for the body network: what is silent, and the probability of some places."""
    suspects = tuple(
        Suspect(name, ElementKind.SPLICE, share, (StateThere("open", share),))
        for name, share in probabilities.items()
    )
    rest = 1 - sum(probabilities.values())
    return WhereOnNetwork("body CAN", suspects, rest, 0.0, (), (), (), ("parking assist",), ("BCM",))


def drawn(found=None, **options):
    """Return the drawing as a tree of elements, and the sentences beside it."""
    markup = str(layout_picture(T2, BODY, found, **options))
    svg = re.search(r"<svg.*</svg>", markup, re.DOTALL)[0]
    sentences = [text.removesuffix("</li>") for text in re.findall(r"<li>(.*?)</li>", markup, re.DOTALL)]
    return ElementTree.fromstring(svg), sentences


def words_in(tree):
    """Return every text of a drawing."""
    return ["".join(text.itertext()) for text in tree.iter("text")]


def test_every_layout_has_a_page_that_draws_each_of_its_networks(ask):
    """The list leads there; a vehicle's page too; the same as data."""
    assert "Norrvik K4, all three networks" in ask("/layouts").text
    assert '<a href="/layout/layout01">' in ask("/vehicles?platform=K4").text
    page = ask("/layout/layout01").text
    assert page.count('<svg class="ly-drawing"') == len(K4.networks)
    assert "bulkhead, left, behind the battery tray; pins 21 and 22 (powertrain CAN); about 12 min" in page
    assert ask("/layout/layout01.json").json()["layout"]["title"] == K4.title
    assert ask("/layouts.json").json()["layouts"][1]["title"] == T2.title


def test_a_layout_that_is_not_there_says_what_to_do(ask):
    """A link may be older than the edition."""
    gone = ask("/layout/nothere1")
    assert gone.status_code == 404
    assert "look under Wiring layouts" in gone.text


@pytest.mark.slow
def test_the_page_of_a_job_draws_where_and_leads_to_the_whole_layout(ask):
    """The network that is spoken of, what is silent there, the next place to open; one link on, the whole layout."""
    page = ask(f"/job?{JOB}").text
    assert '<details id="where">' in page
    assert page.count('<svg class="ly-drawing"') == 1
    whole = re.search(r'href="(/layout/layout02\?[^"]*)"', page)[1].replace("&amp;", "&")
    layout = ask(whole).text
    assert "Where the fault lies: body CAN" in layout
    assert layout.count('<svg class="ly-drawing"') == len(T2.networks)
    assert "Open this next" in layout
    assert f'href="/job?{JOB}"'.replace("&", "&amp;") in layout


def test_a_job_without_a_layout_has_no_such_section(ask):
    """Nothing is drawn of a harness that nobody recorded."""
    assert 'id="where"' not in ask("/job?medium=high-speed+CAN&make=Oskarn&model=H18&silent=ABS").text


def test_a_job_that_says_nothing_of_a_layout_is_told_so(ask):
    """The page of the layout shows its drawings all the same."""
    page = ask("/layout/layout01?wrong=no+start").text
    assert "This job tells no place on this layout yet" in page


def test_what_a_shade_tells_stands_there_in_figures_and_words():
    """Per cent at the row's end, silence as a word; nothing where it would read 0 %."""
    tree, sentences = drawn(found_on_body(S417=0.51, X70=0.18, S410=0.001))
    words = words_in(tree)
    assert {"51 %", "18 %"} <= set(words)
    assert not any(word.startswith("0 %") for word in words)
    assert any("silent" in word for word in words)
    assert "splice S417, from plug X70: 51 % that the fault lies here." in sentences
    assert "parking assist, from splice S418, terminator 120 ohm, silent." in sentences


def test_a_drawing_names_itself_and_every_place_once():
    """For a screen reader the list beside it; for the eye each place on a row of its own."""
    tree, sentences = drawn()
    assert tree.get("role") == "img"
    assert tree.find("title").text == "Drawing of body CAN; the list below says the same"
    called = [T2.called(name) for name in BODY.places()]
    rows = ["".join(text.itertext()) for text in tree.iter("text") if text.get("class") == "ly-name"]
    assert [rows.count(name) for name in called] == [1] * len(called)
    assert all(any(sentence.startswith(name) for sentence in sentences) for name in called)


def test_a_small_drawing_leaves_out_quiet_ends_and_names_them():
    """What is likely, silent or on the way to it keeps its row."""
    tree, _ = drawn(found_on_body(S417=0.9), small=True)
    words = words_in(tree)
    assert "BCM" not in words
    assert any("and BCM, cluster, HVAC" in word for word in words)
    assert "parking assist" in words


def test_nothing_runs_out_of_the_drawing():
    """With names as long as a record takes, at the width of a telephone."""
    long = "a very long name of a module that nobody would put on a diagram but a record takes " * 2
    text = json.dumps(plain_data(T2)).replace("audio amplifier", long.strip())
    layout = layout_from_data(json.loads(text), "long")
    network = next(one for one in layout.networks if one.name == "body CAN")
    svg = re.search(r"<svg.*</svg>", str(layout_picture(layout, network)), re.DOTALL)[0]
    assert all(len(word) < 60 for word in words_in(ElementTree.fromstring(svg)))
    assert DLC in layout.kinds


@pytest.mark.parametrize("text", ['<script>alert("x")</script>', "a & b", "\u202eevil"])
def test_names_are_text_never_markup(text):
    """Whatever stands in a record."""
    data = {
        "kind": "network layout",
        "vehicles": {"make": "Norrvik", "platform": "K4"},
        "source": "guessed",
        "networks": [{"name": text, "medium": "high-speed CAN", "wires": [["DLC", text + "2"]]}],
        "modules": [text + "2"],
    }
    layout = layout_from_data(data, "hostile")
    markup = str(layout_picture(layout, layout.networks[0]))
    assert "<script>" not in markup
    assert "\u202e" not in markup
    ElementTree.fromstring(re.search(r"<svg.*</svg>", markup, re.DOTALL)[0])
