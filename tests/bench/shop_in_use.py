"""A small shop's folder, what people do in it, and whether it is whole afterwards: for benches and tests of no room."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Final

from multiplied_cases import multiplied
from PIL import Image

from casebase.errors import EditionError
from casebase.library.authorship import Authorship, Made
from casebase.library.backup import back_up
from casebase.library.matching import Means
from casebase.library.sources import pin_key
from casebase.library.store import Library
from casebase.publish.bundle import export_bundle
from casebase.publish.edition import kept_digest, shown_path
from casebase.publish.judging import accept, unjudged_of
from casebase.publish.publication import Imprint, publish
from casebase.publish.signing import own_public_key
from casebase.record.json_form import canonical_json
from casebase.record.loading import case_from_data

COMMAND: Final = str(Path(sys.executable).parent / "casebase")
LIBRARY: Final = "shop.db"

DOINGS: Final[dict[str, list[str]]] = {
    "log": ["log", "more.jsonl"],
    "import": ["import", "north.zip", "--no-compare"],
    "publish": ["publish", "editions", "--by", "ingrid"],
    "export": ["export", "south.zip", "--by", "Workshop South"],
    "backup": ["backup", "copies/shop.db"],
    "restore": ["restore", "copies/old.db"],
    "attach": ["attach", "ID", "splice.png", "notes.txt"],
    "edit": ["edit", "ID", "--set", "leftover=radio code lost", "--by", "tova"],
    "undo": ["undo", "ID", "--by", "tova"],
    "remove": ["remove", "ID", "--by", "tova"],
    "review": ["review", "ID", "--keep-inside", "--by", "ingrid"],
}
"""What people do, by the arguments of the real command; ID stands for a case of the library."""


@dataclass(frozen=True)
class State:
    """What the library, the edition that is shown, the copies and the bundles are.

    `records` are all revisions, `said` who made them and what the shop lead said.
    """

    records: frozenset[tuple[str, int, str]]
    said: frozenset[tuple[object, ...]]
    shown: str
    copies: dict[str, str]
    bundles: dict[str, str]


def make_shop(folder: Path, cases: int = 60) -> None:
    """Make the folder: a library, an edition of a part of it, copies, a bundle from elsewhere, records to log."""
    records = multiplied(cases + 110)
    (folder / "copies").mkdir(parents=True)
    with Library.create(folder / LIBRARY) as shop:
        shop.log([case_from_data(data, "a bench") for data in islice(records, cases // 2)])
        back_up(shop, folder / "copies" / "shop.db")
        back_up(shop, folder / "copies" / "old.db")
        publish(shop.read_and_agreed(), folder / "editions", Imprint("2026-11-24", "ingrid"), Means())
        shop.log([case_from_data(data, "a bench") for data in islice(records, cases - cases // 2)])
    with Library.open(folder / LIBRARY) as shop:
        of_tova(shop, a_case_in(folder))
    with Library.create(folder / "north.db") as north:
        north.log([case_from_data(data, "a bench") for data in islice(records, 50)])
        export_bundle(north, north.records(), folder / "north.zip", "Workshop North", "2026-11-25")
        key = str(own_public_key(north))
    with Library.open(folder / LIBRARY) as shop:
        pin_key(shop, "Workshop North", key, None)
        accept(shop, unjudged_of(shop, shop.records()), "ingrid")
    (folder / "north.db").unlink()
    lines = (canonical_json(case_from_data(data, "a bench")) for data in records)
    (folder / "more.jsonl").write_text("\n".join(lines), encoding="utf-8")
    Image.effect_noise((500, 400), 60).save(folder / "splice.png")
    (folder / "notes.txt").write_text("green copper in the splice\n" * 4000, encoding="utf-8")


def of_tova(shop: Library, case_id: str) -> None:
    """Make a case one of tova's, who edited it: she may take that back, and remove it."""
    case = shop.get(case_id).case
    provenance = case.provenance.model_copy(update={"author": "tova"})
    for note in ("the first", "the second"):
        told = {"id": case_id, "note": note, "provenance": provenance}
        shop.log([case.model_copy(update=told)], Authorship(Made.EDITED, "tova"))


def do(
    folder: Path, doing: str, before: Callable[[], None] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run the real command in the folder, without a text model; `before` is called in its process first."""
    return subprocess.run(
        [
            COMMAND,
            *(a_case_in(folder) if word == "ID" else word for word in DOINGS[doing]),
            "--library",
            LIBRARY,
        ],
        cwd=folder,
        env=os.environ | {"CASEBASE_TEXT_MODEL": "/no/model"},
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=before,
    )


def a_case_in(folder: Path) -> str:
    """Return the ID of a case of a library that nobody has open; where there is no room, this needs none."""
    address = f"{(folder / LIBRARY).as_uri()}?immutable=1"
    with closing(sqlite3.connect(address, uri=True)) as connection:
        return str(connection.execute("SELECT min(case_id) FROM records").fetchone()[0])


def state_of(folder: Path) -> State:
    """Return what stands in the folder, the library read by sqlite3 alone."""
    with closing(sqlite3.connect(folder / LIBRARY)) as connection:
        rows = frozenset(connection.execute("SELECT case_id, revision, sha256 FROM records").fetchall())
        said = frozenset(
            row for table in ("authorship", "reviews") for row in connection.execute(f"SELECT * FROM {table}")
        )
    copies = {path.name: digest(path) for path in (folder / "copies").glob("*.db")}
    bundles = {path.name: digest(path) for path in folder.glob("*.zip")}
    try:
        shown = shown_path(folder / "editions").name
    except EditionError as error:
        shown = str(error)
    return State(rows, said, shown, copies, bundles)


def digest(path: Path) -> str:
    """Return the SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def faults_after(folder: Path, before: State, done: subprocess.CompletedProcess[str]) -> list[str]:
    """Return what is wrong after a command that found no room, or some: refused with a sentence, or done whole."""
    after, found = state_of(folder), what_is_not_whole(folder)
    if done.returncode == 2:
        found += [] if after == before else [f"refused, and yet something changed: {done.stderr}"]
        found += [] if is_one_sentence(done.stderr) else [f"no clear sentence: {done.stderr[-600:]}"]
        found += [f"{path.name} left lying" for path in folder.rglob(".*")]
    elif done.returncode != 0:
        found.append(f"exit code {done.returncode}: {done.stderr[-600:]}")
    elif after == before:
        found.append("nothing was done, and nothing was said")
    return found


def is_one_sentence(stderr: str) -> bool:
    """Return whether one line tells the error; that stories are left out without a text model is told before."""
    told = [
        line for line in stderr.splitlines() if not line.startswith(("Stories are left out", "Simulating"))
    ]
    return len(told) == 1 and told[0].startswith("Error: ") and "Traceback" not in stderr


def what_is_not_whole(folder: Path) -> list[str]:
    """Return what is wrong with the library, those put aside, the copies, and the edition that is shown."""
    found = []
    for path in [folder / LIBRARY, *folder.glob("shop-before-*.db"), *(folder / "copies").glob("*.db")]:
        with Library.open(path) as library:
            found += [f"{path.name}: {fault}" for fault in library.faults()]
    with suppress(EditionError):
        shown = shown_path(folder / "editions")
        if kept_digest(shown) != digest(shown):
            found.append(f"{shown.name}: not what its SHA-256 says")
        return found
    return [*found, "no edition is shown"]


def copied_shop(shop: Path, folder: Path) -> None:
    """Copy the shop's folder, as it was made, into another."""
    for path in folder.iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    shutil.copytree(shop, folder, dirs_exist_ok=True)
