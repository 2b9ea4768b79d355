"""A layout as a line drawing, and `casebase where` as a technician meets it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from casebase.bus.layout.drawing import where_words
from casebase.bus.layout.whereabouts import ElementKind, StateThere, Suspect, WhereOnNetwork
from casebase.commands.app import app
from casebase.demo import build_demo_library, demo_folder, demo_layouts
from casebase.match.whereabouts import MOST_COMPUTED, evidence_of, proven_at, too_large, where_of
from casebase.record.case import Case
from casebase.record.loading import layout_from_data, load_file
from casebase.terminal.layout import drawing_lines

K4, T2 = demo_layouts()
POWERTRAIN = K4.networks[0]
FIRST_JOB = demo_folder() / "jobs" / "k4-fjellet-abs-silent.yaml"


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The library of the demonstration."""
    path = tmp_path_factory.mktemp("demo") / "demo.db"
    build_demo_library(path).close()
    return path


def run(*arguments: object) -> Result:
    """Run a command."""
    return CliRunner().invoke(app, list(map(str, arguments)))


def test_trunk_downwards_branches_beside_it() -> None:
    """The trunk from one terminator to the other; each branch before the trunk goes on."""
    assert drawing_lines(K4, POWERTRAIN, None, 80) == [
        "■ ECM, terminator 120 ohm",
        "● splice S11 (0.4 m)",
        "├─■ TCM (0.5 m)",
        "● splice S12 (0.7 m)",
        "├─≍ plug X21 (0.8 m)",
        "│ ■ ABS (0.6 m)",
        "≍ plug X40 (1.1 m)",
        "● splice S13 (0.6 m)",
        "├─■ EPS (0.7 m)",
        "● splice S14 (0.5 m)",
        "├─■ SAS (0.6 m)",
        "├─■ cluster (0.4 m)",
        "● splice S15 (0.9 m)",
        "├─D DLC (0.5 m)",
        "■ BCM, terminator 120 ohm (0.3 m)",
    ]


def test_probability_stands_in_figures_beside_its_bar() -> None:
    """A wire worth one has a line of its own; what would read 0 % is not printed; no line is wider than asked."""
    suspects = (
        Suspect("S12 to X21", ElementKind.WIRE, 0.6, (StateThere("CAN low open", 0.6),)),
        Suspect("X21", ElementKind.PLUG, 0.3, ()),
        Suspect("S12", ElementKind.SPLICE, 0.001, ()),
    )
    found = WhereOnNetwork("powertrain CAN", suspects, 0.099, 0.0, (), (), (), ("ABS",), ("ECM",))

    lines = drawing_lines(K4, POWERTRAIN, found, 78)

    wire = next(line for line in lines if "wire 0.8 m" in line)
    assert wire.split() == ["│", "wire", "0.8", "m", wire.split()[4], "60", "%", "██████"]
    assert any("□ ABS, silent" in line for line in lines)
    assert any("■ ECM, terminator 120 ohm, answers" in line for line in lines)
    assert not any("0 %" in line.replace("60 %", "").replace("30 %", "") for line in lines)
    assert max(map(len, lines)) <= 78


def test_a_silent_module_is_not_called_dead_where_its_ground_may_be_missing() -> None:
    """All that may be wrong at the place is named with its share: the module is not ordered for the first of them."""

    def said(*ways: StateThere) -> str:
        place = Suspect("ABS", ElementKind.MODULE, 0.71, ways)
        return where_words(K4, WhereOnNetwork("powertrain CAN", (place,), 0.1, 0.19, (), (), ()))

    dead, ground = StateThere("does not work", 0.42), StateThere("its ground missing or poor", 0.12)
    assert said(dead, ground) == (
        "Most likely ABS: 71 %. What is wrong there: does not work 42 %, its ground missing or poor 12 %."
    )
    assert said(StateThere("does not work", 0.70), StateThere("CAN low open", 0.01)) == (
        "Most likely ABS: 71 %, does not work."
    )


@pytest.mark.slow
def test_where_draws_the_layout_of_the_vehicle_and_names_what_to_open(library: Path) -> None:
    """One command from the question to the drawing."""
    done = run("where", FIRST_JOB, "--library", library)
    assert done.exit_code == 0, done.output
    assert "On the layout: Norrvik K4, all three networks" in done.output
    assert "□ ABS, silent" in done.output
    assert "Next place to open" in done.output
    assert "comfort CAN" not in done.output, "nothing was said of it"


@pytest.mark.slow
def test_where_as_data_has_what_is_promised(library: Path) -> None:
    """Per network: elements with states, the credible set, what nothing tells apart, the next tests."""
    told = json.loads(run("where", FIRST_JOB, "--library", library, "--json").stdout)
    (network,) = told["networks"]
    assert network["network"] == "powertrain CAN"
    assert {"elements", "credible_90", "indistinct", "next_tests"} <= set(network)
    first = network["elements"][0]
    assert {"name", "kind", "probability", "states"} <= set(first)
    whole = sum(one["probability"] for one in network["elements"]) + network["sound"] + network["outside"]
    assert whole == pytest.approx(1.0, abs=0.01)


@pytest.mark.slow
def test_where_takes_a_file_as_layout_and_needs_no_library_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As before anything was logged."""
    monkeypatch.setenv("CASEBASE_LIBRARY", str(tmp_path / "none.db"))
    layout = demo_folder() / "layouts" / "k4-norrvik.yaml"
    assert run("where", FIRST_JOB, "--layout", layout).exit_code == 0
    assert not (tmp_path / "none.db").exists()
    wrong = run("where", FIRST_JOB, "--layout", FIRST_JOB)
    assert wrong.exit_code == 2
    assert "holds no network layout: casebase template --layout prints a file to fill in" in wrong.output


@pytest.mark.slow
def test_where_without_a_layout_says_how_to_get_one(tmp_path: Path, library: Path) -> None:
    """Keep one, name one, or draft one."""
    job = tmp_path / "job.yaml"
    job.write_text(
        FIRST_JOB.read_text(encoding="utf-8").replace("K4", "K9").replace("Fjellet", "Other"),
        encoding="utf-8",
    )
    refused = run("where", job, "--library", library)
    assert refused.exit_code == 2
    said = " ".join(refused.output.split())
    assert "no layout holds for Norrvik Other" in said
    assert "casebase layout --draft K9 drafts one from past cases" in said


@pytest.mark.slow
def test_a_layout_of_another_make_or_year_says_so(library: Path) -> None:
    """The platform is the same; whether the harness is, nobody said."""
    other = demo_folder() / "jobs" / "t2-velin-heavy-steering-high-reading-on-can-high.yaml"
    assert "is of another make" not in run("where", other, "--library", library).output
    job = Path(str(library)).with_name("other.yaml")
    job.write_text(
        other.read_text(encoding="utf-8").replace("make: Tessaro", "make: Maruvo"), encoding="utf-8"
    )
    said = " ".join(run("where", job, "--library", library).output.split())
    assert "is of another make or other years than this vehicle: hold it against the vehicle first" in said


@pytest.mark.slow
def test_similar_and_readings_lead_to_the_layout(library: Path) -> None:
    """They end with the command that draws it."""
    said = " ".join(run("readings", FIRST_JOB, "--library", library).output.split())
    assert f"casebase where {FIRST_JOB} draws Norrvik K4" in said


def job(name: str) -> Case:
    """Return a stuck job of the demonstration."""
    return load_file(demo_folder() / "jobs" / f"{name}.yaml")[0]


def test_what_a_job_says_becomes_evidence_on_the_layout() -> None:
    """Readings as found under the layout's name of their network, silent modules, who lost whom."""
    evidence = evidence_of(job("k4-fjellet-abs-silent"), K4)
    assert {reading.network for reading in evidence.readings} == {"powertrain CAN"}
    assert evidence.silent == ("ABS",)
    assert {lost for _, lost in evidence.lost} == {"anti-lock brakes"}


def test_networks_are_found_by_name_else_by_the_only_one_of_their_medium() -> None:
    """Of several high-speed networks none is guessed; readings of a network that is not there are no evidence."""
    stuck = job("t2-solenne-tailgate-lost-dlc-flat")
    assert {network.name for network in stuck.networks} == {"CAN at OBD"}
    assert evidence_of(stuck, T2).readings == ()
    renamed = stuck.model_copy(
        update={"networks": [stuck.networks[0].model_copy(update={"name": "Body-CAN"})]}
    )
    assert {reading.network for reading in evidence_of(renamed, T2).readings} <= {"body CAN"}


def test_proven_causes_with_a_place_are_counted(demo_cases: dict[str, Case]) -> None:
    """By the name of the place in their words, else the module; of a cause without proof nothing."""
    counted = proven_at(T2, (case for case in demo_cases.values() if case.vehicle.platform == "T2"))
    assert counted["S417"] == 2
    assert counted["F47"] == 1
    assert counted["EPS"] == 1
    assert "CGW" not in counted, "that the gateway isolates is no fault of its place"
    on_k4 = proven_at(K4, (case for case in demo_cases.values() if case.vehicle.platform == "K4"))
    assert on_k4["G5"] == 1, "a ground point, by where it is found"
    assert "X21" not in on_k4, "a wire that chafed near a plug is no fault of the plug"


def test_a_network_larger_than_any_vehicle_has_is_drawn_and_not_computed() -> None:
    """It would take minutes and gigabytes; the sentence says so."""
    splices = [f"S{number}" for number in range(MOST_COMPUTED)]
    data = {
        "kind": "network layout",
        "vehicles": {"make": "Norrvik", "platform": "K4"},
        "source": "guessed",
        "networks": [
            {"name": "powertrain CAN", "medium": "high-speed CAN", "wires": [["DLC", *splices, "ABS"]]},
        ],
        "modules": ["ABS"],
        "splices": splices,
    }
    layout = layout_from_data(data, "large")
    assert where_of(job("k4-fjellet-abs-silent"), layout).networks == ()
    assert too_large(layout) == ["powertrain CAN has 122 places: computed are up to 120; give a part of it."]
    assert len(drawing_lines(layout, layout.networks[0], None, 80)) == 122


def test_a_job_that_says_nothing_of_a_layout_has_no_network() -> None:
    """Nothing is computed from nothing."""
    stuck = job("k4-fjellet-abs-silent").model_copy(update={"readings": [], "modules": [], "codes": []})
    assert where_of(stuck, K4).networks == ()
