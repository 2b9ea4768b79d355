"""Bundles as two shops meet them: real processes, real files."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

DEMO = Path(__file__).parents[2] / "demo_cases"


def casebase(*arguments, library, **environment):
    """Run the command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "casebase", *map(str, arguments), "--library", str(library)],
        capture_output=True,
        text=True,
        env=os.environ | {"COLUMNS": "100"} | environment,
        timeout=240,
        check=False,
    )


@pytest.fixture(scope="module")
def north(tmp_path_factory, accept_all_words):
    """A shop with the demonstration cases, and its bundle."""
    place = tmp_path_factory.mktemp("north")
    assert casebase("init", library=place / "north.db").returncode == 0
    assert casebase("log", DEMO, library=place / "north.db").returncode == 0
    accept_all_words(place / "north.db")
    done = casebase("export", place / "north.zip", "--by", "Workshop North", library=place / "north.db")
    assert done.returncode == 0, done.stderr
    return place


def trust(north):
    """The words by which another shop takes the key of the north as theirs."""
    return ("--fingerprint", casebase("sources", "--own", library=north / "north.db").stdout.strip())


@pytest.fixture
def south(tmp_path):
    """A shop with nothing yet."""
    assert casebase("init", library=tmp_path / "south.db").returncode == 0
    return tmp_path / "south.db"


def test_a_bundle_goes_from_shop_to_shop(north, south):
    """What came is counted, listed with its sender, weighed, and waits; a second time nothing is new."""
    done = casebase(
        "import", north / "north.zip", "--weight", "0.5", "--no-compare", *trust(north), library=south
    )
    assert done.returncode == 0, done.stderr
    assert "From Workshop North" in done.stdout
    assert "They wait to be read: casebase review" in done.stdout
    again = casebase("import", north / "north.zip", "--no-compare", library=south)
    assert again.stdout.startswith("Nothing new from Workshop North: all")
    assert "from Workshop North" in casebase("list", library=south).stdout
    (source,) = json.loads(casebase("sources", "--json", library=south).stdout)
    assert (source["name"], source["weight"]) == ("Workshop North", 0.5)
    listed = json.loads(casebase("list", "--json", library=south).stdout)
    assert "Workshop North" in casebase("show", listed[0]["case_id"], library=south).stdout
    waits = casebase("review", library=south)
    assert f"{len(listed)} wait to be read" in waits.stdout
    assert waits.stdout.rstrip().endswith("casebase review --all")


def test_likely_causes_name_the_shop_that_sent_a_case(north, south):
    """With what it weighs, where that is less than the shop's own."""
    assert (
        casebase(
            "import", north / "north.zip", "--weight", "0.5", "--no-compare", *trust(north), library=south
        ).returncode
        == 0
    )
    told = casebase("similar", DEMO / "jobs" / "k4-fjellet-abs-silent.yaml", "--full", library=south)
    assert "sent by Workshop North, weight 0.5" in " ".join(told.stdout.split())


def test_a_second_bundle_needs_no_name(north):
    """The shop's name is kept."""
    done = casebase("export", north / "again.zip", library=north / "north.db")
    assert done.returncode == 0, done.stderr
    assert "of Workshop North" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("import", "missing.zip"), "cannot be read"),
        (("import", DEMO), "cannot be read"),
        (("import", DEMO / "k4-abs-ground-point-rotten.yaml"), "no zip file"),
        (("sources", "Nobody", "--weight", "0.5"), "sent nothing yet"),
        (("sources", "Nobody"), "go together"),
        (("sources", "Nobody", "--weight", "2"), "expected a number from 0 to 1"),
        (("export", "north.tar", "--by", "South"), "ends in .zip"),
        (("export", "north.zip"), "say which shop sends this bundle"),
        (("export", "north.zip", "--by", " "), "some printable characters"),
        (("export", "no/such/folder/north.zip", "--by", "South"), "no record is agreed to"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(south, arguments, told):
    """Exit code 2, no traceback, and the library as it was."""
    done = casebase(*arguments, library=south)
    assert done.returncode == 2
    assert done.stderr.startswith("Error: ")
    assert told in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr
    assert json.loads(casebase("list", "--json", library=south).stdout) == []


def test_a_folder_that_cannot_be_written_is_said(north):
    """And no half file is left."""
    done = casebase("export", north / "no" / "such" / "n.zip", library=north / "north.db")
    assert done.returncode == 2
    assert "cannot be written" in done.stderr


def test_private_text_stops_a_bundle(tmp_path):
    """With the place and a proposed text; nothing is written."""
    record, library = tmp_path / "told.yaml", tmp_path / "shop.db"
    record.write_text(
        "kind: fault case\nvehicle: {make: Norrvik, model: Fjellet}\n"
        "symptoms: [owner's telephone is +47 22 12 34 56, stays dark]\n"
        "cause: {fault: low_open, proof: seen}\nfix: {done: joined}\nverification: {rescan: clean}\n"
        "review: {state: read and agreed, by: ingrid}\nprovenance: {ended: 2026-11-02}\n"
    )
    assert casebase("init", library=library).returncode == 0
    assert casebase("log", record, library=library).returncode == 0
    done = casebase("export", tmp_path / "n.zip", "--by", "North", library=library)
    assert done.returncode == 2
    assert "symptoms" in done.stderr
    assert "no bundle was written" in done.stderr
    assert not (tmp_path / "n.zip").exists()
