"""A wheel that is whole: built as anybody builds it, installed with no working copy near, and tried."""

import os
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import venv
import zipfile
from pathlib import Path

import pytest

from casebase import __version__

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parent.parent


def run(*command: object, folder: Path, **variables: str) -> subprocess.CompletedProcess[str]:
    """Run a program in a folder, with nothing of the working copy in its environment."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"} | variables
    return subprocess.run(
        list(map(str, command)), cwd=folder, env=environment, capture_output=True, text=True, check=False
    )


def tracked_files() -> list[str]:
    """Return the files of the working copy that git knows or would know."""
    told = run("git", "ls-files", "--cached", "--others", "--exclude-standard", folder=ROOT)
    return [name for name in told.stdout.splitlines() if (ROOT / name).is_file()]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a source distribution and of the wheel built from it, without a network."""
    folder = tmp_path_factory.mktemp("built")
    for name in tracked_files():
        target = folder / "source" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(ROOT / name, target)
    done = run(
        *(sys.executable, "-m", "build", "--no-isolation", "--outdir", folder / "dist", folder / "source"),
        folder=folder,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return folder / "dist"


@pytest.fixture(scope="module")
def installed(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The programs of a new environment with the wheel, which borrows the packages it depends on."""
    folder = tmp_path_factory.mktemp("installed")
    venv.create(folder, with_pip=False)
    (site,) = folder.glob("lib/python*/site-packages")
    (site / "borrowed.pth").write_text(sysconfig.get_path("purelib"))
    (wheel,) = built.glob("*.whl")
    python = folder / "bin" / "python"
    done = run(
        *(sys.executable, "-m", "pip", "--python", python, "install", "--quiet", "--no-deps", wheel),
        folder=folder,
    )
    assert done.returncode == 0, done.stderr
    return folder / "bin"


def test_the_wheel_holds_what_the_package_holds(built):
    """Modules, tables, templates, pictures of the site; the invented cases; the schema; the text model; the licence."""
    (wheel,) = built.glob("*.whl")
    held = set(zipfile.ZipFile(wheel).namelist())
    wanted = {name for name in tracked_files() if name.startswith("casebase/")}
    wanted |= {f"casebase/{name}" for name in tracked_files() if name.startswith(("demo_cases/", "schemas/"))}
    wanted |= {"casebase/match/text/data/all-minilm-l6-v2/model.safetensors"}
    wanted |= {f"casebase-{__version__}.dist-info/licenses/LICENSE"}
    assert wanted <= held
    assert {name.split("/")[0] for name in held} == {"casebase", f"casebase-{__version__}.dist-info"}


def test_the_source_distribution_holds_all_that_git_knows(built):
    """So that the wheel, the tests and the pages can be made from it."""
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as packed:
        held = {name.split("/", 1)[1] for name in packed.getnames() if "/" in name}
    assert {name for name in tracked_files() if not name.startswith(".")} <= held


def test_the_demo_runs_with_no_working_copy_near(installed, tmp_path):
    """As after `pip install casebase`: stories are compared too, by the wheel's own text model."""
    done = run(installed / "casebase", "demo", folder=tmp_path, XDG_DATA_HOME=str(tmp_path / "data"))
    assert done.returncode == 0, done.stderr
    assert "Stories are left out" not in done.stderr
    assert "casebase list --library" in done.stdout


def test_the_version_says_where_it_runs_from(installed, tmp_path):
    """Which of several installations it is, for whoever is asked for help."""
    done = run(installed / "casebase", "--version", folder=tmp_path)
    version, place = done.stdout.splitlines()[0].split(" from ")
    assert version == f"casebase {__version__}"
    assert Path(place.split(" (Python ")[0]).is_relative_to(installed.parent)
