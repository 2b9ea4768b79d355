"""The commands as a user meets them: real processes, real files."""

import inspect
import json
import os
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest
import typer
from ruamel.yaml import YAML
from typer.testing import CliRunner

from casebase.commands.app import COMMANDS, GROUPS, app
from casebase.match.facets.measure import WEIGHTS

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_cases"
ABS_GROUND = DEMO / "k4-abs-ground-point-rotten.yaml"
JOB = DEMO / "jobs" / "k4-fjellet-abs-silent.yaml"


def casebase(*arguments, library=None, stdin="", **environment):
    """Run the command in a process of its own."""
    named = {"CASEBASE_LIBRARY": str(library)} if library else {}
    return subprocess.run(
        [sys.executable, "-m", "casebase", *map(str, arguments)],
        input=stdin,
        capture_output=True,
        text=True,
        env=os.environ | {"COLUMNS": "100"} | named | environment,
        timeout=240,
        check=False,
    )


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A library with all demo records."""
    path = tmp_path_factory.mktemp("shop") / "shop.db"
    assert casebase("init", library=path).returncode == 0
    assert casebase("log", DEMO, library=path).returncode == 0
    return path


def test_demo_answers_a_stuck_job_without_network(tmp_path):
    """The first command of README: the job, the nearest cases, what is normal, where to go next, cautions."""
    done = casebase(
        "demo",
        "--full",
        "--library",
        tmp_path / "demo.db",
        http_proxy="http://127.0.0.1:9",
        https_proxy="http://127.0.0.1:9",
    )

    assert done.returncode == 0, done.stderr
    for heading in (
        "The job",
        "Nearest past cases",
        "Is it normal here?",
        "Likely causes",
        "What would settle it",
        "Take care",
    ):
        assert heading in done.stdout
    assert "ground point behind the left headlamp" in done.stdout


def test_demo_never_touches_a_library_of_real_cases(shop, tmp_path):
    """What CASEBASE_LIBRARY names is not even looked at; named by hand it is refused, and stays as it is."""
    before = shop.read_bytes()
    beside = casebase("demo", library=shop, XDG_DATA_HOME=str(tmp_path))
    assert beside.returncode == 0, beside.stderr
    assert (tmp_path / "casebase" / "demo.db").exists()

    done = casebase("demo", "--library", shop)

    assert done.returncode == 2
    assert "holds cases of your own" in done.stderr
    assert shop.read_bytes() == before


def test_similar_as_json_has_the_promised_shape(shop):
    """What other programs build on: case_id, title, score, facets, agree, differ, status, cause; best first."""
    told = json.loads(casebase("similar", JOB, "--json", library=shop).stdout)

    scores = [match["score"] for match in told["matches"]]
    assert scores == sorted(scores, reverse=True)
    for match in told["matches"] + told["known_good"]:
        assert {"case_id", "title", "score", "facets", "agree", "differ", "status", "cause"} <= match.keys()
        for facet in match["facets"].values():
            assert facet["likeness"] is None or 0 <= facet["likeness"] <= 1
            assert 0 <= facet["weight"] <= 1
    assert set(told["matches"][0]["facets"]) == set(WEIGHTS)


def test_similar_takes_a_kept_case_by_the_beginning_of_its_id(shop):
    """A case that is kept may be the job, and is not its own answer."""
    told = json.loads(casebase("similar", "4km", "--json", library=shop).stdout)
    assert told["job"]["case_id"].startswith("4km")
    assert told["job"]["case_id"] not in [match["case_id"] for match in told["matches"]]


@pytest.mark.parametrize("arguments", [("list",), ("show", "4km"), ("check",), ("codes", "U0121")])
def test_every_answer_is_also_json(shop, arguments):
    """All commands that answer can be read by a program."""
    done = casebase(*arguments, "--json", library=shop)
    assert done.returncode == 0
    assert json.loads(done.stdout)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("show", "zzzzzz"), "no case with an ID that begins with 'zzzzzz'"),
        (("show", "not-an-id!"), "is no case ID"),
        (("similar", "missing.yaml"), "missing.yaml: cannot be read"),
        (("log", "missing.yaml"), "missing.yaml: cannot be read"),
        (("similar", JOB, "--medium", "lan"), "expected one of"),
        (("similar", JOB, "--since", "spring"), "expected a day such as"),
        (("similar", JOB, "--explain", "zzzz"), "no case with an ID"),
        (("codes", "X9"), "fits no known form"),
        (("list", "--fault", "low_opne"), "Did you mean 'low_open'?"),
        (("init",), "something stands there already"),
        (
            ("demo", "--job", "nonesuch", "--library", "elsewhere.db"),
            "no demonstration job called 'nonesuch'",
        ),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(shop, arguments, said, monkeypatch, tmp_path):
    """One line that begins with Error, exit code 2, no traceback."""
    monkeypatch.chdir(tmp_path)
    done = casebase(*arguments, library=shop)
    assert done.returncode == 2
    assert done.stderr.startswith("Error: ")
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_no_library_is_said_with_what_to_do(tmp_path):
    """A library named by mistake is not made silently."""
    done = casebase("list", library=tmp_path / "typo.db")
    assert done.returncode == 2
    assert "casebase init" in done.stderr
    assert not (tmp_path / "typo.db").exists()


def test_own_library_is_made_when_the_first_case_is_logged(tmp_path):
    """Nobody loses a case because init was forgotten; the place is told."""
    environment = {"XDG_DATA_HOME": str(tmp_path), "HOME": str(tmp_path)}
    done = casebase("log", ABS_GROUND, **environment)
    assert done.returncode == 0
    assert "New library" in done.stderr
    assert "Kept as" in done.stdout


def test_a_library_that_is_named_is_made_by_the_first_case_too(tmp_path):
    """By option or variable; where it cannot be made, that is the error, and asking still makes none."""
    assert casebase("log", ABS_GROUND, library=tmp_path / "new" / "shop.db").returncode == 0
    assert json.loads(casebase("list", "--json", library=tmp_path / "new" / "shop.db").stdout)

    (tmp_path / "file").write_text("")
    refused = casebase("log", ABS_GROUND, library=tmp_path / "file" / "shop.db")

    assert refused.returncode == 2
    assert "cannot be made" in refused.stderr or "cannot be read" in refused.stderr


def test_all_files_or_none(tmp_path):
    """One bad file among good ones: nothing of the call is kept."""
    library = tmp_path / "shop.db"
    casebase("init", library=library)
    bad = tmp_path / "bad.yaml"
    bad.write_text("kind: fault case\nvehicle: {make: Norrvik}\n")
    done = casebase("log", ABS_GROUND, bad, library=library)
    assert done.returncode == 2
    assert "vehicle.model: missing" in done.stderr
    assert json.loads(casebase("list", "--json", library=library).stdout) == []


def test_a_shown_file_can_be_logged_again(shop, tmp_path):
    """Taking a record out and logging it unchanged keeps no second copy."""
    out = tmp_path / "out.yaml"
    out.write_text(casebase("show", "4km", "--file", library=shop).stdout)
    done = casebase("log", out, library=shop)
    assert "Already there" in done.stdout


def test_readings_under_the_dash_need_no_file_and_no_library():
    """Three numbers in, the verdict out; nothing else is needed."""
    done = casebase("readings", "--pair", "61", "--high", "2.48", "--low", "2.47")
    assert done.returncode == 0
    assert "a bus awake without traffic" in done.stdout
    assert "Next test" in done.stdout
    assert len(done.stdout.splitlines()) <= 25
    assert "Levels" not in done.stdout
    assert (
        "Levels" in casebase("readings", "--pair", "61", "--high", "2.48", "--low", "2.47", "--full").stdout
    )


def test_readings_as_json_have_the_promised_shape():
    """What other programs build on."""
    told = json.loads(
        casebase("readings", DEMO / "jobs" / "k4-havik-dead-bus-comes-back.yaml", "--json").stdout
    )
    (network,) = told["networks"]
    assert {
        "name",
        "medium",
        "states",
        "credible_90",
        "evidence",
        "contradictions",
        "next_tests",
    } <= network.keys()
    assert network["states"][0]["state"] == "driver_stuck_dominant"
    assert sum(state["probability"] for state in network["states"]) == pytest.approx(1.0, abs=1e-3)
    assert network["module"]["name"] == "SAS"
    assert {"reading", "for", "against"} <= network["evidence"][0].keys()
    for test in network["next_tests"]:
        assert {"reading", "bits", "minutes", "splits", "cautions"} <= test.keys()


def test_readings_of_a_job_with_brakes_end_with_its_cautions():
    """What a job's modules ask for stands under what its readings mean, on the screen and in the data."""
    job = DEMO / "jobs" / "t2-velin-heavy-steering-high-reading-on-can-high.yaml"
    assert "no road test on a repair that is not proven" in " ".join(casebase("readings", job).stdout.split())
    told = json.loads(casebase("readings", job, "--json").stdout)
    assert told["cautions"][0].startswith("Brakes or steering")


def test_readings_of_a_kept_case_with_the_librarys_base_rates(shop):
    """A library's own cases may weigh the states; the prior is told."""
    told = json.loads(casebase("readings", "7vg", "--base-rates", "--json", library=shop).stdout)
    assert told["prior"]["low_open"] > 1
    assert told["networks"][0]["states"][0]["state"] == "low_open"


def test_a_wrong_reading_option_is_said_with_the_option():
    """The sentence names the option as it was typed."""
    done = casebase("readings", "--high-ohms", "2.4 V")
    assert done.returncode == 2
    assert "--high-ohms '2.4 V'" in done.stderr


def test_scan_report_from_a_pipe(tmp_path):
    """A pasted scan is read whatever its layout: codes, their modules, silent modules, and who blames whom."""
    report = "ECM\n  U0121-87 confirmed\nABS: no response\n"
    told = json.loads(casebase("codes", "-", "--json", stdin=report).stdout)
    assert told["codes"][0]["module"] == "ECM"
    assert "no road test" in told["cautions"][0], told["cautions"]
    assert told["blame"][0]["module"] == "anti-lock brakes (ABS)"
    assert told["silent_modules"] == ["ABS"]


def test_help_needs_nothing_heavy():
    """`casebase --help` imports no storage, no models, no YAML: it must answer at once."""
    code = (
        "import sys, typer; from casebase.commands.app import app; typer.main.get_command(app);"
        "print([name for name in ('pydantic', 'sqlite_utils', 'ruamel.yaml', 'numpy') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("asked", [("-h",), ("--help",), ("help",)])
def test_help_is_had_by_any_usual_name_and_tells_who_a_command_is_for(asked):
    """Somebody stuck reads the first group and no other."""
    told = CliRunner().invoke(app, [*asked]).output
    places = [told.index(f"{group}:\n") for group in GROUPS]
    assert places == sorted(places)


def test_help_of_one_command_is_had_from_either_side():
    """`help codes` and `codes -h` say the same; what is no command is told."""
    assert (
        CliRunner().invoke(app, ["help", "codes"]).output == CliRunner().invoke(app, ["codes", "-h"]).output
    )
    assert "No such command 'nonesuch'" in CliRunner().invoke(app, ["help", "nonesuch"]).output


def test_every_command_has_help_with_an_example():
    """Help is one sentence and an example that can be typed."""
    for name in COMMANDS:
        command = typer.main.get_command(app).get_command(None, name)
        assert "Example: casebase " in command.help, name
        assert CliRunner().invoke(app, [name, "--help"]).exit_code == 0


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_of_commands_says_what_their_help_says(name):
    """The list of commands comes from a table that imports none of them; each line opens the help of its command."""
    listed = COMMANDS[name]
    function = getattr(import_module(f"casebase.commands.{listed.module}"), listed.function)

    assert listed.help == inspect.getdoc(function).partition("\n\n")[0]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shell_completion_offers_commands(shell):
    """What the completion script asks for is answered with the commands."""
    asked = {
        "_CASEBASE_COMPLETE": f"complete_{shell}",
        "_TYPER_COMPLETE_ARGS": "casebase si",
        "COMP_WORDS": "casebase si",
        "COMP_CWORD": "1",
        "_TYPER_COMPLETE_FISH_ACTION": "get-args",
    }
    done = subprocess.run(
        [str(Path(sys.executable).parent / "casebase")],
        capture_output=True,
        text=True,
        env=os.environ | asked,
        check=False,
    )
    assert "similar" in done.stdout


def test_a_closed_pipe_is_no_error(shop):
    """`casebase list | head -1` ends quietly."""
    done = subprocess.run(
        ["bash", "-c", f"'{sys.executable}' -m casebase list | head -1"],
        capture_output=True,
        text=True,
        env=os.environ | {"CASEBASE_LIBRARY": str(shop)},
        check=False,
    )
    assert "Traceback" not in done.stderr


def test_similar_can_be_narrowed_down(shop):
    """Only cases on LIN, only of one make, only since a day: what does not fit is not compared."""
    told = json.loads(casebase("similar", JOB, "--medium", "lin", "--json", library=shop).stdout)
    everything = json.loads(casebase("similar", JOB, "--json", library=shop).stdout)
    assert 0 < told["compared_with"] < everything["compared_with"]
    nothing = casebase("similar", JOB, "--since", "2200-01-01", "--full", library=shop)
    assert nothing.returncode == 0
    assert "Nearest past cases of 0 records" in nothing.stdout


def test_one_pair_is_explained_facet_by_facet(shop):
    """Every facet of one comparison, with likeness and weight, on the screen and as JSON."""
    told = json.loads(casebase("similar", JOB, "--explain", "4km", "--json", library=shop).stdout)
    assert set(told["facets"]) == set(WEIGHTS)
    total = sum(facet["weight"] * (facet["likeness"] or 0) for facet in told["facets"].values())
    assert told["tempering"] * total == pytest.approx(told["score"], abs=1e-3)
    shown = casebase("similar", JOB, "--explain", "4km", library=shop).stdout
    assert f"Likeness {told['score']:.2f}" in shown


def test_the_solved_cases_can_be_asked_again(shop):
    """Evaluation says how often a right case came first, and how unsure that is."""
    told = json.loads(casebase("evaluate", "--json", library=shop).stdout)
    assert told["asked"] > 10
    shown = casebase("evaluate", library=shop).stdout
    assert "What each part is worth" in shown


def test_kept_weights_are_used_until_they_are_given_up(tmp_path):
    """`--keep` changes the weights that similar goes by, `--usual` brings them back."""
    library = tmp_path / "own.db"
    casebase("init", library=library)
    casebase("log", DEMO, library=library)

    def weight_of_meaning():
        told = json.loads(casebase("similar", JOB, "--json", library=library).stdout)
        return told["matches"][0]["facets"]["meaning"]["weight"]

    usual = weight_of_meaning()
    assert casebase("evaluate", "--fit", "--keep", library=library).returncode == 0
    assert weight_of_meaning() != usual
    assert casebase("evaluate", "--usual", library=library).returncode == 0
    assert weight_of_meaning() == usual


def test_without_the_text_model_everything_else_is_compared(shop):
    """A model that cannot be had is said on stderr; the answer comes from the other facets."""
    done = casebase("similar", JOB, "--full", library=shop, CASEBASE_TEXT_MODEL="/no/such/model")
    assert done.returncode == 0
    assert "Stories are left out of the comparison" in done.stderr
    assert "ground point behind the left headlamp" in done.stdout


def test_the_shop_lead_reviews_what_waits(shop):
    """The list, one record, a word on it, and the list without it."""
    listed = json.loads(casebase("review", "--json", library=shop).stdout)
    assert [one["points"] for one in listed] == sorted((one["points"] for one in listed), reverse=True)
    case_id = listed[0]["case_id"]
    shown = casebase("review", case_id, library=shop)
    assert shown.returncode == 0
    assert "Is it the same job told twice?" in shown.stdout
    done = casebase("review", case_id, "--return", "say what was measured", "--by", "ingrid", library=shop)
    assert "returned by ingrid" in done.stdout
    left = json.loads(casebase("review", "--json", library=shop).stdout)
    assert case_id not in [one["case_id"] for one in left]
    told = json.loads(casebase("review", case_id, "--json", library=shop).stdout)
    assert told["history"][0]["remark"] == "say what was measured"
    assert "say what was measured" in casebase("show", case_id, library=shop).stdout
    assert "Review" not in casebase("show", left[0]["case_id"], library=shop).stdout


def test_an_open_job_does_not_wait_to_be_read(tmp_path):
    """It is no case yet."""
    record, library = tmp_path / "open.yaml", tmp_path / "shop.db"
    record.write_text("kind: fault case\nvehicle: {make: Norrvik, model: Fjellet}\nsymptoms: [stays dark]\n")
    casebase("init", library=library)
    casebase("log", record, library=library)
    assert json.loads(casebase("review", "--json", library=library).stdout) == []


def test_a_job_told_twice_is_said_as_such(tmp_path):
    """Same codes, same model, near odometer; another case of the same model is not."""
    shop = tmp_path / "shop.db"
    casebase("init", library=shop)
    casebase("log", DEMO, library=shop)
    first = json.loads(casebase("list", "--json", library=shop).stdout)
    case_id = next(row["case_id"] for row in first if row["fault"] == "high_shorted_to_battery")
    told = YAML(typ="safe").load(casebase("show", case_id, "--file", library=shop).stdout)
    again = {key: value for key, value in told.items() if key not in {"id", "revision"}}
    again["vehicle"].pop("vin", None)
    record = tmp_path / "again.json"
    record.write_text(json.dumps(again | {"leftover": "told a second time"}, default=str))
    assert casebase("log", record, library=shop).returncode == 0
    near = json.loads(casebase("review", case_id, "--json", library=shop).stdout)["nearest"]
    assert near[0]["maybe_same_job"] == "same codes, same model, near odometer"
    assert [one["maybe_same_job"] for one in near[1:]] == [None, None]


@pytest.mark.parametrize(
    "arguments", [("--agree",), ("4km", "--agree"), ("4km", "--agree", "--keep-inside", "--by", "ingrid")]
)
def test_half_a_review_is_refused(shop, arguments):
    """Without an ID, without a name, two words at once."""
    done = casebase("review", *arguments, library=shop)
    assert done.returncode == 2
    assert done.stderr.startswith("Error: ")


def test_private_text_stops_the_publication_until_it_is_changed_or_cleared(shop, tmp_path, accept_all_words):
    """The place and a proposed text are told; cleared, it goes out."""
    record = tmp_path / "private.yaml"
    record.write_text(
        "kind: fault case\nvehicle: {make: Norrvik, model: Fjellet}\nsymptoms: [rang from +47 22 12 34 56]\n"
        "review: {state: read and agreed}\nprovenance: {ended: 2026-11-20}\n"
    )
    case_id = json.loads(casebase("log", record, "--json", library=shop).stdout)[0]["case_id"]
    accept_all_words(shop)
    stopped = casebase("publish", tmp_path / "editions", "--by", "ingrid", library=shop)
    assert stopped.returncode == 2
    assert "symptoms[0]: a telephone number" in stopped.stderr
    assert not (tmp_path / "editions").exists()
    found = casebase("private", case_id, library=shop)
    assert found.returncode == 1
    assert "[telephone number]" in found.stdout
    assert casebase("private", case_id, "--fine", "symptoms[0]", library=shop).returncode == 0
    done = casebase("publish", tmp_path / "editions", "--by", "ingrid", library=shop)
    assert done.returncode == 0
    assert done.stdout.startswith("Edition 1: ")


@pytest.mark.parametrize(
    "day",
    [
        "0001-01-01",
        "\u0662\u0660\u0662\u0666-\u0661\u0661-\u0662\u0665",
        "2026-02-30",
        "20261125",
        "2026-11-25T10:00",
        "9999-01-01",
    ],
)
def test_a_day_that_nothing_was_made_on_is_refused(tmp_path, day):
    """ISO 8601 in digits of ASCII, of this century or the next."""
    for command in (
        ["publish", str(tmp_path / "editions"), "--by", "ingrid"],
        ["export", str(tmp_path / "a.zip")],
    ):
        done = CliRunner().invoke(app, [*command, "--on", day])
        assert done.exit_code == 2
        assert "expected a day from 2000 on, as YYYY-MM-DD" in " ".join(done.output.split())


@pytest.mark.parametrize(
    ("code", "caution"), [("U0151", "squib circuit"), ("U0111", "High-voltage"), ("U0121", "no road test")]
)
def test_codes_of_a_module_that_may_hurt_end_with_its_caution(code, caution):
    """Restraints, high voltage, brakes: what they are is told by SAE J2012 (from memory)."""
    assert caution in casebase("codes", code).stdout.partition("Take care")[2]
    assert "Take care" not in casebase("codes", "U0140").stdout


def test_the_supply_read_at_a_silent_module_is_told_and_the_next_test_follows_it(tmp_path):
    """0.3 V at its plug: the fuse comes next, in words and as data."""
    job = tmp_path / "job.yaml"
    job.write_text(
        "kind: fault case\nvehicle: {make: Norrvik, model: Fjellet}\nconcern: ABS lamp on\n"
        "networks: [{name: chassis CAN, medium: high-speed CAN}]\n"
        "modules: [{name: ABS, network: chassis CAN, answers: no}]\n"
        "readings:\n"
        "  - {quantity: voltage, line: supply, against: ground, at: connector of ABS, ignition: on,"
        " unplugged: nothing, value: 0.3 V}\n"
    )
    shown = casebase("readings", job).stdout
    told = json.loads(casebase("readings", job, "--json").stdout)

    assert "ABS: supply missing: 0.3 V at its plug" in shown
    assert "1. fuse of ABS" in shown
    assert told["feeds"][0]["state"] == "supply missing"
    assert told["plain_tests"][0]["test"].startswith("fuse of ABS")
    assert "No reading here that can be computed" not in shown
