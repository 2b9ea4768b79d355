"""Every command shown in README and docs is run, in order, and must print what the page shows.

`CASEBASE_WRITE_DOCS=1 python -m pytest tests/test_docs.py` puts today's output into the pages; read it before you
commit it.
"""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer

from casebase.commands.app import COMMANDS, GROUPS, app

ROOT = Path(__file__).parent.parent
REFERENCE = ROOT / "docs" / "commands.md"
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted({*(ROOT / "docs").glob("*.md")} - {REFERENCE})]
BLOCK = re.compile(r"^```console\n(.*?)^```$", re.DOTALL | re.MULTILINE)
TIME = re.compile(r"\d{4}-\d\d-\d\dT[\d:+]+")
END = "@@end@@"
WRITE = os.environ.get("CASEBASE_WRITE_DOCS") == "1"


@pytest.fixture
def workshop(tmp_path, embedder):
    """A folder with the demo cases in it, and an environment in which `casebase` keeps everything there."""
    (tmp_path / "demo_cases").symlink_to(ROOT / "demo_cases")
    environment = {
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "HOME": str(tmp_path),
        "XDG_DATA_HOME": str(tmp_path / "data"),
        "XDG_CACHE_HOME": os.environ["XDG_CACHE_HOME"],
        "PYTHONPATH": os.environ.get("PYTHONPATH", ""),
        "COLUMNS": "80",
        "LANG": "C.UTF-8",
        "TERM": "dumb",
    }
    return tmp_path, environment


def printed_by(commands, workshop):
    """Return what each command line prints, errors included, all run in one shell."""
    folder, environment = workshop
    script = "".join(f"{{ {command}\n}} 2>&1\necho {END}\n" for command in commands)
    done = subprocess.run(
        ["bash", "-c", script],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    told = TIME.sub("2026-11-25T09:00:00+00:00", done.stdout.replace(str(folder), "~"))
    return told.split(f"{END}\n")[:-1]


def steps_of(block):
    """Return (command, output shown) for every command of a block."""
    parts = re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]
    return [tuple(part.split("\n", 1)) for part in parts]


def tidy(text):
    """Trailing blanks are not worth a difference."""
    return "\n".join(line.rstrip() for line in text.rstrip().splitlines())


@pytest.mark.slow
@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_print_what_the_page_shows(page, workshop):
    """A reader who types what a page shows sees what the page shows."""
    text = page.read_text(encoding="utf-8")
    shown = [step for match in BLOCK.finditer(text) for step in steps_of(match[1])]
    printed = printed_by([command for command, _ in shown], workshop)
    assert len(printed) == len(shown)
    if WRITE:
        page.write_text(BLOCK.sub(rewritten(iter(printed)), text), encoding="utf-8")
        return
    for (command, expected), found in zip(shown, printed, strict=True):
        assert tidy(found) == tidy(expected), f"{page.name}: $ {command}"


def rewritten(printed):
    """Return what puts the next outputs into a block."""

    def block(match):
        steps = [f"$ {command}\n{tidy(next(printed))}".rstrip() for command, _ in steps_of(match[1])]
        return "```console\n" + "\n".join(steps) + "\n```"

    return block


def test_no_page_asks_for_a_case_that_is_not_there():
    """IDs follow from the records: where those of the demonstration change, commands that name one are to follow."""
    for page in PAGES:
        assert "no case with an ID that begins with" not in page.read_text(encoding="utf-8"), page.name


def reference():
    """Return the page that lists every command with its arguments and options, from the commands themselves."""
    lines = ["# Commands", "", "Made from the commands' own help by `tests/test_docs.py`.", ""]
    firsts = {next(iter(commands)): title for title, commands in GROUPS.items()}
    for name in COMMANDS:
        lines += [f"## {firsts[name]}", ""] if name in firsts else []
        command = typer.main.get_command(app).get_command(None, name)
        paragraphs = [" ".join(part.split()) for part in (command.help or "").split("\n\n")]
        example = next(part for part in paragraphs if part.startswith("Example: "))
        told = " ".join(part for part in paragraphs if not part.startswith("Example: "))
        lines += [f"### casebase {name}", "", told, "", f"    {example.removeprefix('Example: ')}", ""]
        lines += [
            f"- `{spelled(parameter)}`: {parameter.help}" for parameter in command.params if parameter.help
        ]
        lines += [""]
    return "\n".join(lines).rstrip() + "\n"


def spelled(parameter):
    """Return how an argument or option is typed."""
    if parameter.param_type_name == "argument":
        return parameter.metavar or parameter.name
    return parameter.opts[0]


@pytest.mark.slow
def test_every_command_and_option_is_in_the_reference():
    """docs/commands.md is the commands' own help; `--help` and the page cannot disagree."""
    made = reference()
    if WRITE:
        REFERENCE.write_text(made, encoding="utf-8")
    assert REFERENCE.read_text(encoding="utf-8") == made


def test_ci_runs_the_readme_test_command():
    """`.ci/run` ends with the very command that README gives for the tests."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    command = next(line for line in script.splitlines() if "-m pytest" in line)
    assert command in readme


def test_what_stands_around_casebase_on_a_page_has_its_form_in_powershell():
    """Every program and sign of a POSIX shell in a command shown stands in the table of docs/install.md."""
    table = "\n".join(
        line.split(" | ")[0]
        for line in (ROOT / "docs" / "install.md").read_text(encoding="utf-8").splitlines()
        if line.startswith("| `")
    )
    programs, signs = set(), set()
    for page in PAGES:
        for block in BLOCK.findall(page.read_text(encoding="utf-8")):
            for command, _ in steps_of(block):
                bare = re.sub(r"""'[^']*'|"[^"]*\"""", "", command)
                programs |= {part.split()[0] for part in re.split(r"&&|[|;]", bare) if part.split()}
                signs |= set(re.findall(r"&&|<<|> /dev/null|2>&1|\$\(", bare))
    programs -= {"casebase"}
    assert not {name for name in programs if not re.search(rf"(?<![\w/]){re.escape(name)}(?!\w)", table)}
    assert not {sign for sign in signs if sign not in table}


def test_links_between_pages_lead_somewhere():
    """No page points at a file that is not there."""
    for page in PAGES:
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_every_module_that_a_page_names_is_there():
    """A reader who opens what a page names finds it; names stand with their folder, or alone where they are unique."""
    package = ROOT / "casebase"
    there = {str(path.relative_to(package)) for path in package.rglob("*.py")}
    for page in PAGES:
        for named in re.findall(
            r"`(?:casebase/)?((?:[a-z_]+/)*[a-z_]+\.py)`", page.read_text(encoding="utf-8")
        ):
            if named.startswith(("tests/", "docs/")):
                assert (ROOT / named).exists(), f"{page.name}: {named}"
            else:
                assert named in there or any(f"/{path}".endswith(f"/{named}") for path in there), (
                    f"{page.name}: {named}"
                )
