"""The level picture: what stands where, what is read out, and that nothing runs out of it."""

import re
import unicodedata
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebase.bus.explain import sentences
from casebase.bus.levels import levels_of
from casebase.record.reading import Reading
from casebase.record.vocabulary import Line, Medium
from casebase.site.level_picture import LEFT, RIGHT, level_picture
from casebase.site.svg import beside, width_of

NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def volts(line: str, value: str, **state: object) -> Reading:
    """Return a voltage to ground read with the ignition on."""
    told = {"quantity": "voltage", "line": line, "against": "ground", "ignition": "on", "value": value}
    return Reading.model_validate({**told, **state})


def ohms(value: str, **state: object) -> Reading:
    """Return a resistance between the lines."""
    told = {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": value}
    return Reading.model_validate({**told, **state})


def drawn(*readings: Reading, medium: Medium = Medium.HIGH_SPEED_CAN) -> ET.Element:
    """Return the picture as a tree."""
    picture = level_picture(readings, medium)
    assert picture is not None
    return ET.fromstring(str(picture))


def with_class(figure: ET.Element, name: str) -> list[ET.Element]:
    """Return every element of a class, without what explains the shapes."""
    in_legend = {id(it) for group in figure.iter("g") if group.get("transform") for it in group.iter()}
    return [it for it in figure.iter() if name in it.get("class", "").split() and id(it) not in in_legend]


def strip_ends(figure: ET.Element) -> list[tuple[float, float]]:
    """Return the left and right end of every hatched strip."""
    edges = [
        [float(it) for it in NUMBER.findall(edge.get("d", ""))] for edge in with_class(figure, "lv-edge")
    ]
    return [(steps[0], steps[3]) for steps in edges]


def test_healthy_lines_stand_symmetric_about_the_middle_of_the_scale():
    """2.7 and 2.3 V are as far from 2.5 V on either side, and the eye sees it: one scale for both."""
    high, low = with_class(drawn(volts("CAN high", "2.7 V"), volts("CAN low", "2.3 V")), "lv-found")
    assert float(high.get("cx", "")) + float(low.get("cx", "")) == pytest.approx(LEFT + RIGHT, abs=0.2)


def test_healthy_line_lies_in_its_strip_and_a_shorted_one_outside():
    """CAN low shorted to ground shows as a mark left of its strip."""
    figure = drawn(volts("CAN high", "2.7 V"), volts("CAN low", "0.1 V"))
    marks = [float(mark.get("cx", "")) for mark in with_class(figure, "lv-found")]
    (high_left, high_right), (low_left, _) = strip_ends(figure)
    assert high_left < marks[0] < high_right
    assert marks[1] < low_left


def test_over_limit_stands_at_the_far_right_end():
    """An open pair: more ohms than the meter can show."""
    (mark,) = with_class(drawn(ohms("OL")), "lv-found")
    assert float(mark.get("cx", "")) == RIGHT


def test_stages_differ_by_shape_alone():
    """Filled circle, filled diamond, open circle: legible in black and white."""
    figure = drawn(ohms("118 ohm"), ohms("OL", stage="isolation"), ohms("60 ohm", stage="after repair"))
    found, isolation, after = (
        with_class(figure, name)[0] for name in ("lv-found", "lv-isolation", "lv-after")
    )
    assert (found.tag, found.get("fill")) == ("circle", "currentColor")
    assert (isolation.tag, isolation.get("fill")) == ("path", "currentColor")
    assert (after.tag, after.get("fill"), after.get("stroke")) == ("circle", "none", "currentColor")


def test_value_and_place_are_printed_beside_the_mark():
    """A mark without its figure would have to be read off the scale."""
    (label,) = with_class(drawn(volts("CAN high", "2.69 V", at="connector of ABS")), "lv-label")
    assert " ".join("".join(line.itertext()) for line in label) == "2.69 V at connector of ABS"
    assert next(it for it in label.iter() if it.get("font-weight") == "bold").text == "2.69 V"


def test_sum_of_both_lines_is_printed():
    """2.7 and 2.3 V make 5 V, as on a healthy pair."""
    figure = drawn(volts("CAN high", "2.7 V"), volts("CAN low", "2.3 V"))
    assert "sum of both lines 5.00 V as found" in [text.text for text in figure.iter("text")]


def test_strip_says_what_it_is():
    """A hatched strip without words could be anything."""
    texts = [text.text for text in drawn(volts("CAN high", "2.7 V"), ohms("60 ohm")).iter("text")]
    assert "average with traffic 2.5 to 3.0 V" in texts
    assert "healthy with nothing unplugged 50 to 70 ohm" in texts


@pytest.mark.parametrize("place", ["<script>alert(1)</script>", '"><img src=x>', "a & b", "{{ 7 * 7 }}"])
def test_hostile_text_is_printed_and_never_run(place):
    """Everything recorded is written by many hands."""
    picture = str(level_picture([volts("CAN high", "2.7 V", at=place)], Medium.HIGH_SPEED_CAN))
    assert not re.search(r"<(script|img)", picture)
    assert place in "".join(next(ET.fromstring(picture).iter("li")).itertext())


def test_writing_direction_cannot_be_turned():
    """A character that turns what follows it would make one value look like another."""
    assert "\u202e" not in str(level_picture([ohms("60 ohm", at="DLC \u202e 06")], Medium.J1939))


@pytest.mark.slow
def test_every_mark_has_its_sentence(demo_cases):
    """Who hears the page gets every mark, the sums, and nothing twice."""
    pictures = 0
    for case in demo_cases.values():
        for network in case.networks:
            readings = [it for it in case.readings if case.network_of(it.network) == network]
            levels = levels_of(readings, network.medium)
            if not levels.marks:
                continue
            figure = drawn(*readings, medium=network.medium)
            assert [it.text for it in figure.iter("li")] == list(sentences(levels))
            assert len(with_class(figure, "lv-mark")) == len(levels.marks)
            assert len(list(figure.iter("li"))) >= len(levels.marks)
            pictures += 1
    assert pictures > 30


def test_drawing_is_hidden_from_who_hears_it_and_has_no_inline_style():
    """A screen reader reads the sentences, not the letters of the drawing; the pages forbid inline style."""
    figure = drawn(volts("CAN high", "2.7 V"), ohms("60 ohm"))
    assert next(figure.iter("svg")).get("aria-hidden") == "true"
    assert not [it for it in figure.iter() if it.get("style") or it.get("id") or it.tag == "style"]


@pytest.mark.parametrize(
    "readings",
    [
        [],
        [ohms("60 ohm", line="supply", against="ground")],
        [volts("CAN high", "unchanged")],
        [Reading.model_validate({"quantity": "waveform", "waveform": {"traffic": "no"}})],
    ],
)
def test_no_picture_of_nothing(readings):
    """What has no level cannot be drawn."""
    assert level_picture(readings, Medium.HIGH_SPEED_CAN) is None


def test_label_stands_where_it_fits():
    """Right of the mark as a rule, left of it at the end of the scale, broken where neither side has room."""
    assert not beside(100.0, 100.0, "2.7 V", "at DLC").ends_there
    assert beside(336.0, 336.0, "OL", "at DLC").ends_there
    assert len(beside(180.0, 180.0, "2.2 kohm", "at connector of the power steering").lines) > 1


places = st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=80).filter(
    lambda text: unicodedata.normalize("NFC", text).split()
)
states = {
    "at": places,
    "stage": st.sampled_from(["as found", "isolation", "after repair"]),
    "ignition": st.sampled_from(["on", "off", "running", None]),
    "unplugged": st.one_of(st.none(), st.lists(places, max_size=2)),
}
lines = st.sampled_from([str(line) for line in Line])
volt_values = st.one_of(
    st.decimals(-15, 60, places=2).map("{} V".format),
    st.tuples(st.integers(0, 20), st.integers(20, 60)).map(lambda ends: f"{ends[0]} to {ends[1]} V"),
)
ohm_values = st.one_of(st.just("OL"), st.decimals(0, 10**7, places=1).map("{} ohm".format))
read_volts = st.fixed_dictionaries(
    {"quantity": st.just("voltage"), "line": lines, "value": volt_values, **states}
)
read_ohms = st.fixed_dictionaries(
    {"quantity": st.just("resistance"), "line": lines, "against": lines, "value": ohm_values, **states}
).filter(lambda told: told["line"] != told["against"])
read_scope = st.fixed_dictionaries(
    {
        "quantity": st.just("waveform"),
        "waveform": st.fixed_dictionaries(
            {
                "traffic": st.just("yes"),
                "recessive": st.dictionaries(lines, volt_values, max_size=2),
                "dominant": st.dictionaries(lines, volt_values, max_size=2),
            }
        ),
        **states,
    }
)


def reach(element: ET.Element) -> tuple[list[float], list[float]]:
    """Return every x and y that an element touches; text by its estimated width."""
    get = element.get
    if element.tag == "circle":
        r = float(get("r", "")) + 1
        x, y = float(get("cx", "")), float(get("cy", ""))
        return [x - r, x + r], [y - r, y + r]
    if element.tag == "path":
        return path_reach(get("d", ""))
    if element.tag not in ("text", "tspan") or not get("x"):
        return [], []
    x, y, width = float(get("x", "")), float(get("y", "")), width_of("".join(element.itertext()))
    return [x], [y - 11, y + 3] if width else [y]


def path_reach(steps: str) -> tuple[list[float], list[float]]:
    """Follow a path of the steps M, H, V, l and v."""
    xs, ys, x, y = [], [], 0.0, 0.0
    for name, told in re.findall(r"([MHVlvz])([^MHVlvz]*)", steps):
        at = [float(it) for it in NUMBER.findall(told)]
        if name == "M":
            x, y = at
        elif name == "H":
            x = at[0]
        elif name == "V":
            y = at[0]
        elif name == "v":
            y += at[0]
        elif name == "l":
            for dx, dy in zip(at[::2], at[1::2], strict=True):
                x, y = x + dx, y + dy
                xs.append(x)
                ys.append(y)
        xs.append(x)
        ys.append(y)
    return xs, ys


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(st.lists(st.one_of(read_volts, read_ohms, read_scope), max_size=6), st.sampled_from(list(Medium)))
def test_any_readings_give_a_whole_picture(told, medium):
    """Whatever was read, wherever: well-formed, every coordinate in the picture, a sentence for every mark."""
    readings = [Reading.model_validate(it) for it in told]
    picture = level_picture(readings, medium)
    if picture is None:
        return
    figure = ET.fromstring(str(picture))
    svg = next(figure.iter("svg"))
    _, _, width, height = (float(it) for it in svg.get("viewBox", "").split())
    in_legend = {id(it) for group in svg.iter("g") if group.get("transform") for it in group.iter()}
    for element in svg.iter():
        if id(element) in in_legend:
            continue
        xs, ys = reach(element)
        assert all(0 <= x <= width for x in xs), ET.tostring(element)
        assert all(0 <= y <= height for y in ys), ET.tostring(element)
    assert len(with_class(figure, "lv-mark")) == len(levels_of(readings, medium).marks)


@pytest.mark.slow
@given(st.floats(LEFT, RIGHT), places, places)
def test_no_line_of_a_label_runs_out_of_the_picture(place, value, words):
    """Labels of any length break, and end in an ellipsis where too much is told."""
    label = beside(place, place, value, words)
    for line in label.lines:
        width = width_of(" ".join(word.text for word in line))
        assert (label.x - width if label.ends_there else label.x) >= 0
        assert (label.x if label.ends_there else label.x + width) <= 360
