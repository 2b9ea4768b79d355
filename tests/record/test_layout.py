"""A wiring layout as a technician writes it: what is read from it, and each thing wrong in one sentence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import networkx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebase.bus.layout.drawing import tree_rows
from casebase.errors import InputError, RecordError
from casebase.intake.layout_template import LAYOUT_TEMPLATE
from casebase.record import layout as layout_models
from casebase.record.json_form import canonical_json, stored_layout
from casebase.record.layout import Layout, PlaceKind, metres_in
from casebase.record.loading import layout_from_data, load_any_file, load_text
from casebase.record.vehicle import Vehicle
from casebase.record.yaml_form import record_yaml

RUNS = [["ECM", "0.4 m", "X12", "1.8 m", "S417", "BCM"], ["S417", "60 cm", "ABS"], ["DLC", "S417"]]


def data_of(**changes: Any) -> dict[str, Any]:
    """Return a small whole layout as plain data, with some of its keys changed."""
    network = {"name": "HS CAN", "medium": "high-speed CAN", "terminators": ["ECM", "BCM"], "wires": RUNS}
    return {
        "kind": "network layout",
        "vehicles": {"make": "Norrvik", "models": ["Skarn"], "platform": "K4"},
        "source": "from the maker's diagram",
        "networks": [network],
        "modules": ["ECM", "BCM", "ABS"],
        "plugs": ["X12"],
        "splices": ["S417"],
        "feeds": [{"name": "F11", "modules": ["ABS"]}],
        "grounds": [{"name": "G5", "modules": "ABS"}],
    } | changes


def on_network(**changes: Any) -> dict[str, Any]:
    """Return the same with some keys of its only network changed."""
    data = data_of()
    return data | {"networks": [data["networks"][0] | changes]}


def read(**changes: Any) -> Layout:
    """Return the small layout, checked."""
    return layout_from_data(data_of(**changes), "k4.yaml")


def refused(data: dict[str, Any]) -> str:
    """Return what is said of a layout that does not fit: one sentence."""
    with pytest.raises(RecordError) as raised:
        layout_from_data(data, "k4.yaml")
    (problem,) = raised.value.problems
    return problem.sentence()


def test_a_run_is_wires_from_place_to_place_with_the_lengths_between_them() -> None:
    """Lengths stand between the places that they part; of a wire without one nothing is known."""
    layout = read()
    wires = layout.wires(layout.networks[0])
    assert [(wire.name, wire.metres) for wire in wires] == [
        ("ECM to X12", 0.4),
        ("X12 to S417", 1.8),
        ("S417 to BCM", None),
        ("S417 to ABS", 0.6),
        ("DLC to S417", None),
    ]
    assert {wire.source for wire in wires} == {"from the maker's diagram"}


def test_a_foot_is_0_3048_metres() -> None:
    """The international foot (NIST SP 811, appendix B.8)."""
    assert metres_in("1 ft") == pytest.approx(0.3048)


def test_places_are_called_as_people_say_them() -> None:
    """The kind goes before the name, unless the name says it; modules and the DLC have names of their own."""
    layout = read(feeds=[{"name": "R3", "kind": "relay", "modules": ["ECM"]}])
    assert [layout.called(name) for name in layout.kinds] == [
        *("DLC", "ECM", "BCM", "ABS", "plug X12", "splice S417", "relay R3", "ground point G5"),
    ]


def test_a_terminator_of_another_name_is_a_resistor_of_its_own() -> None:
    """It is listed nowhere else, and wires reach it."""
    data = on_network(terminators=["ECM", {"at": "R1", "ohms": "124 ohm"}], wires=[*RUNS, ["BCM", "R1"]])
    layout = layout_from_data(data, "k4.yaml")
    assert layout.kinds["R1"] is PlaceKind.TERMINATOR
    assert layout.passed_through(layout.networks[0]) == ("BCM",)


WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "a loose end": (
        data_of(splices=["S417", "S418"])
        | {"networks": on_network(wires=[*RUNS, ["ABS", "S418"]])["networks"]},
        "networks[0].wires is 'S418': a loose end: the wire goes on to where? Expected the next place, or"
        " partly_known: yes",
    ),
    "two names for one plug": (
        data_of(plugs=["X12", "plug X-12"]),
        "plugs[1] is 'plug X-12': two names for one plug: 'X12' differs in capitals or dashes alone; keep one of them",
    ),
    "one name for two things": (
        data_of(splices=["S417", "X12"]),
        "splices[1] is 'X12': a plug has that name already ('X12'): expected another for each place",
    ),
    "a circle where no ring is": (
        on_network(wires=[*RUNS, ["ABS", "BCM"]]),
        "networks[0].wires: the wire ABS to BCM closes a circle: take a wire out, or say ring: yes",
    ),
    "a ring that does not close": (
        on_network(ring="yes"),
        "networks[0].ring: no wire closes the ring: expected one, or leave ring out",
    ),
    "a module that nobody listed": (
        on_network(wires=[["ECM", "X12", "S417", "BCM"], ["S417", "ASB"], ["DLC", "S417"], ["S417", "ABS"]]),
        "networks[0].wires[1] is 'ASB': did you mean 'ABS'? Listed neither under modules nor under plugs or splices:"
        " expected a place of this layout",
    ),
    "a module that no wire reaches": (
        data_of(modules=["ECM", "BCM", "ABS", "TCM"]),
        "modules[3] is 'TCM': no wire reaches it: Expected the next place, or partly_known: yes",
    ),
    "a harness in two parts": (
        on_network(wires=[["ECM", "X12", "S417", "DLC"], ["BCM", "ABS"]]),
        "networks[0].wires: in 2 parts, no wire joins ABS, BCM to DLC, ECM, S417, X12: Expected the next place, or"
        " partly_known: yes",
    ),
    "a plug with three wires": (
        on_network(wires=[RUNS[0], ["X12", "ABS"], ["DLC", "S417"]]),
        "networks[0].wires is 'X12': 3 wires of HS CAN meet in it, a plug joins two: list it as a splice",
    ),
    "a network out of the tester's reach": (
        on_network(wires=RUNS[:2]),
        "networks[0] is 'HS CAN': neither at the DLC nor behind a gateway: expected a wire to DLC, or its gateway under"
        " gateways",
    ),
    "a terminator at a plug": (
        on_network(terminators=["ECM", "X12"]),
        "networks[0].terminators[1] is 'X12': no terminator sits in a plug: expected the module or splice that holds"
        " it, or a name of its own",
    ),
    "a terminator that hangs nowhere": (
        on_network(terminators=["ECM", "R7"]),
        "networks[0].terminators[1] is 'R7': no wire of HS CAN reaches it: expected a module or splice of this network,"
        " or wires to the resistor",
    ),
    "a wire given twice": (
        on_network(wires=[*RUNS, ["BCM", "S417"]]),
        "networks[0].wires is 'BCM and S417': the wire between them is given 2 times: expected once",
    ),
    "a feed of an unknown module": (
        data_of(feeds=[{"name": "F11", "modules": ["ABBS"]}]),
        "feeds[0].modules is 'ABBS': did you mean 'ABS'? Not listed under modules",
    ),
    "no vehicle": (
        data_of(vehicles={"make": "Norrvik"}),
        "vehicles: which is not said: expected models, or the platform they share",
    ),
    "years that run backwards": (
        data_of(vehicles={"make": "Norrvik", "platform": "K4", "first_year": 2019, "last_year": 2012}),
        "vehicles.last_year is 2012: lies before first_year (2019): expected the later year",
    ),
    "ten thousand places": (
        data_of(splices=[f"S{number}" for number in range(10_000)]),
        "splices is a list: too many entries: expected at most 2000",
    ),
    "a wire with one end": (
        on_network(wires=[["ECM", "0.4 m"]]),
        "networks[0].wires[0].through is a list: a wire needs two ends: expected such as [DLC, X12] or"
        " [DLC, 0.6 m, X12]",
    ),
    "a length at the end": (
        on_network(wires=[["ECM", "X12", "0.4 m"]]),
        "networks[0].wires[0].through is a list: a length stands between two places: expected such as"
        " [DLC, 0.6 m, X12]",
    ),
    "an unknown source": (
        data_of(source="measurred"),
        "source is 'measurred': did you mean 'measured'? Not a word of this list: expected one of measured, from the"
        " maker's diagram, guessed",
    ),
    "an unknown key": (
        data_of(plugs=[{"name": "X12", "minuts": 5}]),
        "plugs[0].minuts: did you mean 'minutes'? Unknown key: expected one of name, at, minutes, source, pins",
    ),
}


@pytest.mark.parametrize("wrong", WRONG.values(), ids=WRONG.keys())
def test_what_is_wrong_is_said_in_one_sentence(wrong: tuple[dict[str, Any], str]) -> None:
    """Where it stands, what stands there, what was expected."""
    data, sentence = wrong

    said = refused(data)

    assert said == sentence


def test_a_partly_known_layout_may_have_loose_ends_and_modules_that_no_wire_reaches() -> None:
    """As a draft has them; what contradicts itself is refused all the same."""
    loose = on_network(wires=[["ECM", "X12"]]) | {"partly_known": "yes"}
    assert layout_from_data(loose, "k4.yaml").is_partly_known
    twice = data_of(plugs=["X12", "X12"]) | {"partly_known": "yes"}
    assert refused(twice) == "plugs[1] is 'X12': given twice: expected each place once"


def test_the_line_of_a_problem_is_told(tmp_path: Path) -> None:
    """A file is mended by its line numbers."""
    file = tmp_path / "k4.yaml"
    file.write_text(LAYOUT_TEMPLATE.replace("[S15, DLC]", "[S15, DLQ]"), encoding="utf-8")
    with pytest.raises(RecordError) as raised:
        load_any_file(file)
    line = next(
        number for number, text in enumerate(file.read_text().splitlines(), 1) if "[S15, DLQ]" in text
    )
    assert f"line {line}, networks[0].wires[1] is 'DLQ': did you mean 'DLC'?" in str(raised.value)


def test_a_layout_is_no_case() -> None:
    """Where a case is asked for, one sentence says what keeps a layout."""
    with pytest.raises(InputError, match="a network layout, no case: casebase log keeps it"):
        load_text(LAYOUT_TEMPLATE, "k4.yaml")


def test_the_template_loads_as_it_stands_and_names_every_key(tmp_path: Path) -> None:
    """But those that the library gives."""
    (tmp_path / "k4.yaml").write_text(LAYOUT_TEMPLATE, encoding="utf-8")
    (layout,) = load_any_file(tmp_path / "k4.yaml")
    assert isinstance(layout, Layout)
    models = [layout_models.Layout, layout_models.Fitted, layout_models.LayoutNetwork, layout_models.Feed]
    models += [layout_models.Plug, layout_models.Splice, layout_models.GroundPoint, layout_models.Run]
    keys = {key for model in models for key in model.model_fields} - {"id", "revision", "title"}
    assert [key for key in sorted(keys) if key not in LAYOUT_TEMPLATE] == []


def test_a_layout_fits_its_models_and_years_best_then_its_platform() -> None:
    """Another make on the same platform shares the harness, and is said to be another."""
    fitted = read(
        vehicles={"make": "Norrvik", "models": ["Skarn"], "platform": "K4", "last_year": 2019}
    ).vehicles

    def fit(**vehicle: Any) -> int:
        return fitted.fit(Vehicle(**{"make": "Norrvik", "model": "Skarn", "platform": "K4", **vehicle}))

    assert fit(model_year=2018) > fit(model="Havik") > fit(model_year=2021) >= fit(make="Maruvo") > 0
    assert fit(make="Maruvo", platform="T2") == fit(model="Havik", platform="T2") == 0


@st.composite
def trees(draw: st.DrawFn) -> dict[str, Any]:
    """Draw a layout whose places hang together in any tree, with any names."""
    count = draw(st.integers(2, 30))
    splices = [f"S{number}" for number in range(count)]
    runs = [["DLC", "S0"]]
    ends = []
    runs += [
        [splices[draw(st.integers(0, number - 1))], f"{draw(st.integers(1, 400))} cm", splices[number]]
        for number in range(1, count)
    ]
    for number, splice in enumerate(splices):
        ends += [f"module {number}", f"unit {number}"]
        runs += [[splice, f"module {number}"], [splice, f"unit {number}"]]
    network = {
        "name": "CAN",
        "medium": "high-speed CAN",
        "terminators": ends[:2],
        "wires": draw(st.permutations(runs)),
    }
    return data_of(networks=[network], modules=ends, plugs=[], splices=splices, feeds=[], grounds=[])


@pytest.mark.slow
@given(trees())
@settings(max_examples=60, deadline=None)
def test_a_drawing_holds_every_place_once_under_one_it_is_wired_to(data: dict[str, Any]) -> None:
    """Against networkx as the graph library: the rows are a spanning tree, the trunk its path between terminators."""
    layout = layout_from_data(data, "drawn")
    network = layout.networks[0]
    graph = networkx.Graph(wire.ends for wire in layout.wires(network))

    rows = tree_rows(layout, network)

    assert sorted(row.name for row in rows) == sorted(graph.nodes)
    assert all(row.parent is None or row.parent < place for place, row in enumerate(rows))
    drawn = {frozenset((row.name, rows[row.parent].name)) for row in rows if row.parent is not None}
    assert drawn == set(map(frozenset, graph.edges))
    first, last = (terminator.at for terminator in network.terminators)
    trunk = [row.name for row in rows if row.column == 0]
    assert trunk in (
        [*networkx.shortest_path(graph, first, last)],
        [*networkx.shortest_path(graph, last, first)],
    )


@pytest.mark.slow
@given(trees())
@settings(max_examples=30, deadline=None)
def test_a_layout_written_as_yaml_is_read_as_the_same(data: dict[str, Any]) -> None:
    """And so is one that was kept as canonical JSON."""
    layout = layout_from_data(data, "drawn")
    text = record_yaml(layout)
    again = layout_from_data(_only_document(text), "again")
    assert (
        canonical_json(again)
        == canonical_json(layout)
        == canonical_json(stored_layout(canonical_json(layout)))
    )


def _only_document(text: str) -> Any:
    from casebase.record.yaml_form import yaml_documents  # noqa: PLC0415

    (document,) = yaml_documents(text)
    return document


@pytest.mark.slow
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(max_size=10),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(st.sampled_from(sorted(data_of())), inner, max_size=4)
        ),
        max_leaves=20,
    ),
    st.sampled_from(sorted(data_of())),
)
@settings(max_examples=200, deadline=None)
def test_whatever_is_typed_is_read_or_refused_in_words(value: Any, key: str) -> None:
    """Never with a traceback."""
    problems = []
    try:
        layout_from_data(data_of() | {key: value}, "fuzzed")
    except RecordError as error:
        problems = error.problems

    assert all(problem.sentence() for problem in problems)


def test_a_ring_is_cut_where_it_closes_and_says_so() -> None:
    """The last wire leads back to a place above."""
    wires = [["ECM", "X12", "S417", "BCM", "ECM"], ["S417", "ABS"], ["DLC", "S417"]]
    layout = layout_from_data(on_network(wires=wires, ring="yes"), "k4.yaml")
    rows = tree_rows(layout, layout.networks[0])
    assert [row.name for row in rows if row.closes] == ["ECM"]
    assert sum(not row.closes for row in rows) == 6
