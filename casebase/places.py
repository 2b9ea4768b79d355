"""Where casebase keeps things when nobody says otherwise, and the tables that come with it."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

from platformdirs import user_cache_path, user_data_path

_TABLES: Final = Path(__file__).parent / "record" / "data"

LIBRARY_VARIABLE: Final = "CASEBASE_LIBRARY"
"""The environment variable that names the library."""

AUTHOR_VARIABLE: Final = "CASEBASE_AUTHOR"
"""The environment variable whose handle is offered as the author of a record."""

TEXT_MODEL_VARIABLE: Final = "CASEBASE_TEXT_MODEL"
"""The environment variable that names another text model: a folder, or a name on the model hub."""

PROCESSES_VARIABLE: Final = "CASEBASE_PROCESSES"
"""The environment variable that says how many processes may share what takes long."""


def data_folder() -> Path:
    """Return the user's data folder for casebase, by the conventions of the operating system."""
    return user_data_path("casebase", appauthor=False)


def simulation_folder() -> Path:
    """Return the folder in which simulated buses are kept between runs; it may be emptied at any time."""
    return user_cache_path("casebase", appauthor=False) / "simulated-buses"


def text_model_folder() -> Path:
    """Return the folder in which exported text models are kept between runs; it may be emptied at any time."""
    return user_cache_path("casebase", appauthor=False) / "text-models"


def default_library() -> Path:
    """Return the path of the user's own library."""
    return data_folder() / "library.db"


def demo_library() -> Path:
    """Return the path of the demonstration library."""
    return data_folder() / "demo.db"


def draft_folder() -> Path:
    """Return the folder of interviews not finished yet."""
    return data_folder() / "drafts"


def read_table(name: str) -> list[dict[str, str]]:
    """Return the rows of `record/data/<name>.csv` by column name, in the order of the file."""
    with (_TABLES / f"{name}.csv").open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))
