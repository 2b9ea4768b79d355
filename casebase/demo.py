"""The demonstration: a library of invented cases, and one stuck job to try it on."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Final

from casebase.errors import CasebaseError
from casebase.library.layouts import LayoutSaid, agreed_layouts, layouts_in, say_of_layout
from casebase.library.store import Library
from casebase.publish.judging import accept, unjudged_of
from casebase.record.case import Case
from casebase.record.json_form import canonical_json
from casebase.record.layout import Layout
from casebase.record.loading import load_any_file, load_file, record_files

DEMO_PURPOSE: Final = "demonstration: invented cases"
FIRST_JOB: Final = "k4-fjellet-abs-silent.yaml"
_DEMO_LEAD: Final = "ingrid"


def demo_folder() -> Path:
    """Return the folder of the invented cases: in the package when installed, beside it in a checkout."""
    package = Path(str(files("casebase")))
    found = next(
        (folder for folder in (package / "demo_cases", package.parent / "demo_cases") if folder.is_dir()),
        None,
    )
    if found is None:
        raise CasebaseError(
            "the demonstration cases are not installed: install casebase again from a whole checkout"
        )
    return found


def job_files() -> list[Path]:
    """Return the files of the stuck jobs."""
    return record_files([demo_folder() / "jobs"])


def load_demo_job(name: str | None = None) -> Case:
    """Return the stuck job called `name` (a file name, or a part of one)."""
    wanted = name or FIRST_JOB
    found = [path for path in job_files() if wanted in path.name]
    if not found:
        names = ", ".join(path.stem for path in job_files())
        raise CasebaseError(f"no demonstration job called '{wanted}': expected one of {names}")
    return load_file(found[0])[0]


def build_demo_library(path: Path) -> Library:
    """Return a library of the invented cases at `path`; refuse to touch a library of real ones.

    One that holds just these cases already is left as it is, with the index beside it.
    """
    cases = [case for file in record_files([demo_folder()]) for case in load_file(file)]
    layouts = demo_layouts()
    if path.exists():
        there = Library.open(path)
        if there.fact("purpose") != DEMO_PURPOSE:
            there.close()
            raise CasebaseError(f"{path}: holds cases of your own: name another file for the demonstration")
        if there.count() == len(cases) and there.holds(cases) and _holds_layouts(there, layouts):
            return there
        there.close()
        for part in (path, path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-shm")):
            part.unlink(missing_ok=True)
    library = Library.create(path)
    library.set_fact("purpose", DEMO_PURPOSE)
    for one in library.log(cases, layouts=layouts)[len(cases) :]:
        say_of_layout(library, one.case_id, LayoutSaid.AGREED, _DEMO_LEAD)
    accept(library, unjudged_of(library, library.records(), agreed_layouts(library)), "demo")
    return library


def demo_layouts() -> list[Layout]:
    """Return the invented layouts of the demonstration's platforms."""
    found = [one for file in record_files([demo_folder() / "layouts"]) for one in load_any_file(file)]
    return [one for one in found if isinstance(one, Layout)]


def _holds_layouts(library: Library, layouts: list[Layout]) -> bool:
    """Return whether a library holds just these layouts."""
    there = {canonical_json(one.layout) for one in layouts_in(library)}
    return there == set(map(canonical_json, layouts))
