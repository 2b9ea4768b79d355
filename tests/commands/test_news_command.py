"""News as people meet it: one line after a case arrives, the list, the mark that it was read; else quiet."""

import json
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from casebase import places
from casebase.commands import browse
from casebase.library.store import Library

pytestmark = pytest.mark.slow

DEMO = Path(__file__).parents[2] / "demo_cases"
JOB = DEMO / "jobs" / "t2-velin-heavy-steering-high-reading-on-can-high.yaml"
ITS_TWIN = DEMO / "t2-velin-steering-rack-driver-stuck-dominant.yaml"
OTHER = DEMO / "t2-solenne-climate-lin-no-pull-up.yaml"
LINE = "1 open job may be explained by a case that arrived now: casebase news\n"


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


@pytest.fixture
def shop(tmp_path):
    """A library with one open job."""
    places.simulation_folder().mkdir(parents=True, exist_ok=True)
    path = tmp_path / "shop.db"
    assert casebase("init", library=path).returncode == 0
    assert casebase("log", JOB, library=path).stderr == ""
    return path


def test_the_case_that_answers_an_open_job_brings_one_line(shop):
    """On stderr: what others read from stdout stays as it was."""
    done = casebase("log", ITS_TWIN, "--json", library=shop)
    assert done.stderr == LINE
    assert [one["outcome"] for one in json.loads(done.stdout)] == ["new"]


def test_a_case_that_answers_nothing_brings_none(shop):
    """Quiet otherwise."""
    done = casebase("log", OTHER, library=shop)
    assert (done.returncode, done.stderr) == (0, "")
    assert casebase("news", library=shop).stdout.startswith("No news")


def test_news_is_listed_until_it_is_read(shop):
    """With --all it is found again."""
    casebase("log", ITS_TWIN, library=shop)
    told = casebase("news", library=shop).stdout
    assert told.lstrip().startswith("Open job")
    assert "driver stuck dominant" in told
    (news,) = json.loads(casebase("news", "--json", library=shop).stdout)
    assert casebase("news", "--read", news["open_case"][:6], library=shop).stdout == "1 marked as read.\n"
    assert casebase("news", library=shop).stdout.startswith("No news")
    assert "read 20" in casebase("news", "--all", library=shop).stdout


def test_an_id_without_read_is_refused(shop):
    """One sentence, exit code 2."""
    done = casebase("news", "abc", library=shop)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "Error: an ID goes with --read: casebase news --read ID\n"


def test_agreeing_to_a_returned_case_brings_the_line(shop):
    """It was returned at once, so that nobody was told of it before."""
    library = Library.open(shop)
    from casebase.library.reviews import Said, say  # noqa: PLC0415
    from casebase.record.loading import load_file  # noqa: PLC0415

    with library:
        twin = library.log(load_file(ITS_TWIN))[0].case_id
        say(library, twin, Said.RETURNED, "ingrid", "which wire?")
    assert casebase("log", OTHER, library=shop).stderr == ""
    done = casebase("review", twin, "--agree", "--by", "ingrid", library=shop)
    assert (done.returncode, done.stderr) == (0, LINE)


def test_an_imported_case_brings_the_line_and_says_who_sent_it(shop, tmp_path, accept_all_words):
    """Another shop solved it."""
    north = tmp_path / "north.db"
    casebase("init", library=north)
    casebase("log", ITS_TWIN, library=north)
    accept_all_words(north)
    assert casebase("export", tmp_path / "n.zip", "--by", "Workshop North", library=north).returncode == 0
    key = casebase("sources", "--own", library=north).stdout.strip()
    done = casebase("import", tmp_path / "n.zip", "--fingerprint", key, library=shop)
    assert LINE in done.stderr, done.stderr
    assert "sent by Workshop North" in casebase("news", library=shop).stdout


def test_nothing_is_simulated_in_passing(shop, tmp_path):
    """Where the simulated buses are not at hand the line says what waits, and `casebase news` does it."""
    done = casebase("log", ITS_TWIN, library=shop, XDG_CACHE_HOME=str(tmp_path / "empty"))
    assert done.returncode == 0
    assert done.stderr == "1 open question not held against what is new yet: casebase news\n"
    assert not (tmp_path / "empty" / "casebase" / "simulated-buses").exists()


@pytest.mark.parametrize(("host", "count"), [("127.0.0.1", 1), ("0.0.0.0", 0)])
def test_only_the_owner_sees_the_news_on_the_site(shop, monkeypatch, host, count):
    """On this computer's own address; what a whole network reads does not tell of open jobs."""
    casebase("log", ITS_TWIN, library=shop)
    shown = []

    def server(path, host, port, news, names):
        shown.extend(news)
        return SimpleNamespace(run=lambda sockets: None)

    monkeypatch.setattr(browse, "server_over", server)
    monkeypatch.setattr(browse, "_freeze", lambda library, out: None)
    browse.browse(None, host=host, port=8601, demo=False, library=str(shop))
    assert len(shown) == count
