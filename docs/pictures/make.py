"""Makes the pictures of the site in README and docs, from the demonstration's cases, with Debian's chromium.

python docs/pictures/make.py
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Final
from urllib.parse import urlencode

sys.path.insert(0, str(Path(__file__).parents[2] / "tests" / "site"))

from browser import DESK, chromium, served
from job_as_link import query_of

from casebase import places
from casebase.demo import demo_folder, load_demo_job
from casebase.library.derived import StoredRecord
from casebase.library.matching import Means
from casebase.match.text.embedder import open_embedder
from casebase.publish.frozen import freeze
from casebase.record.case import Case
from casebase.record.json_form import canonical_json, id_from, sha256_of
from casebase.record.loading import load_file, record_files
from casebase.record.vocabulary import Review

PHONE: Final = {"width": 390, "height": 844}
CASE: Final = "k4-driver-door-loom-high-line-to-ground.yaml"


def case_id(case: Case) -> str:
    """Return the ID that a library gives the case."""
    return id_from(sha256_of(canonical_json(case)))


def main() -> None:
    """Write the pictures beside this file."""
    cases = [case for file in record_files([demo_folder()]) for case in load_file(file)]
    agreed = [
        StoredRecord(case_id(case), 1, "2026-11-25T09:00:00+00:00", case)
        for case in cases
        if case.review.state is Review.READ
    ]
    means = Means(places.simulation_folder(), open_embedder(places.text_model_folder()))
    job = f"/job?{urlencode(query_of(load_demo_job('tail-lift')))}"
    shown = f"/case/{case_id(load_file(demo_folder() / CASE)[0])}"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cases.db"
        freeze(
            agreed,
            path,
            {"frozen on": "2026-11-25", "cases from": "the demonstration: invented cases"},
            means,
        )
        with served(path) as address, chromium() as browser:
            for name, target, size, scheme in (
                ("job-phone", job, PHONE, "light"),
                ("start-phone", "/", PHONE, "dark"),
                ("case-desk", shown, DESK, "light"),
            ):
                page = browser.new_page(viewport=size, color_scheme=scheme, base_url=address)
                page.goto(target)
                page.screenshot(path=Path(__file__).parent / f"{name}.png")


if __name__ == "__main__":
    main()
