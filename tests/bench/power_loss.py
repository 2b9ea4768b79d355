"""What a power loss leaves of a library and of a folder of editions, modelled from the calls to the system.

python tests/bench/power_loss.py [LOSSES] [SEED]

`strace` writes down what a process writes, flushes, renames and removes while it logs records one by one, and while it
publishes. The losses then strike at random moments of that list. What was flushed (fsync, fdatasync) is on the disk; of
what was not, each write may be there, be missing, or end at a sector of 512 bytes; names made, changed or removed since
their folder was flushed are there up to a random one. Each disk made so is read as after a start: the library must open
and be whole, with every record whose ID was printed; the shown edition must be whole, and every publication that ended
there. Exits with 1 when anything was lost or torn. Needs strace (`apt-get install strace`).
"""

from __future__ import annotations

import json
import random
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Final

from kill_while_publishing import PUBLISHER
from kill_while_publishing import faults_in as faults_of_editions
from multiplied_cases import multiplied

from casebase.errors import CasebaseError
from casebase.library.store import Library
from casebase.publish.edition import editions_in

SECTOR: Final = 512
LOGGED: Final = 12
PUBLISHED: Final = 2
LOOP: Final = str(Path(__file__).with_name("log_one_by_one.py"))
CALLS: Final = (
    "openat,close,write,pwrite64,writev,pwritev,pwritev2,sendfile,copy_file_range,fallocate,ftruncate,lseek,fsync,"
    "fdatasync,rename,renameat,renameat2,link,linkat,unlink,unlinkat,mkdir,mkdirat"
)
NOT_MODELLED: Final = frozenset(
    {"writev", "pwritev", "pwritev2", "sendfile", "copy_file_range", "fallocate", "linkat", "link"}
)

_LINE: Final = re.compile(r"^(?:\d+ +)?(\w+)\((.*)\) += (-?\d+)")
_STRING: Final = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_OPEN_FILE: Final = re.compile(r"^(\d+)<((?:\\x[0-9a-f]{2})*)")
_RESULT: Final = re.compile(r"= (\d+)<((?:\\x[0-9a-f]{2})*)")


def _bytes(escaped: str) -> bytes:
    return bytes.fromhex(escaped.replace("\\x", ""))


# --- the disk -----------------------------------------------------------------------------------------------------


@dataclass
class Stored:
    """A file: what was flushed, and what was written since: (offset, bytes), or (length, None) where it was cut."""

    flushed: bytes = b""
    length: int = 0
    since: list[tuple[int, bytes | None]] = field(default_factory=list)

    def flush(self) -> None:
        """Let what was written since hold."""
        self.flushed, self.since = applied(self.flushed, self.since), []


def applied(content: bytes, changes: list[tuple[int, bytes | None]]) -> bytes:
    """Return a content after writes and cuts."""
    made = bytearray(content)
    for place, written in changes:
        if written is None:
            del made[place:]
            made.extend(bytes(place - len(made)))
        else:
            made.extend(bytes(max(0, place - len(made))))
            made[place : place + len(written)] = written
    return bytes(made)


@dataclass
class Disk:
    """A folder as the calls leave it: names as they are and as they were flushed, and the changes to them between."""

    root: str
    names: dict[str, Stored] = field(default_factory=dict)
    flushed_names: dict[str, Stored] = field(default_factory=dict)
    since: list[tuple[str, Stored | None]] = field(default_factory=list)
    opened: dict[int, tuple[Stored, int]] = field(default_factory=dict)

    def here(self, path: str) -> bool:
        """Return whether a path lies in the folder."""
        return path == self.root or path.startswith(f"{self.root}/")

    def put(self, path: str, stored: Stored | None) -> None:
        """Give a file a name, or take the name away."""
        self.since.append((path, stored))
        if stored is None:
            self.names.pop(path, None)
        else:
            self.names[path] = stored

    def flush_names(self, folder: str) -> None:
        """Flush a folder: what changed in it holds; the rest may still be lost."""
        inside = [change for change in self.since if change[0].rpartition("/")[0] == folder]
        self.since = [change for change in self.since if change[0].rpartition("/")[0] != folder]
        _rename_all(self.flushed_names, inside)

    def write(self, stored: Stored, place: int, written: bytes) -> None:
        """Write to a file."""
        stored.since.append((place, written))
        stored.length = max(stored.length, place + len(written))

    def cut(self, stored: Stored, length: int) -> None:
        """Cut a file, or lengthen it with zeros."""
        stored.since.append((length, None))
        stored.length = length

    def after_loss(self, chance: random.Random) -> dict[str, bytes]:
        """Return what the disk may hold after a loss now: by path."""
        names = dict(self.flushed_names)
        _rename_all(names, self.since[: chance.randint(0, len(self.since))])
        contents: dict[int, bytes] = {}
        for stored in names.values():
            if id(stored) not in contents:
                contents[id(stored)] = applied(stored.flushed, list(_survived(stored, chance)))
        return {path: contents[id(stored)] for path, stored in names.items()}


def _rename_all(names: dict[str, Stored], changes: list[tuple[str, Stored | None]]) -> None:
    for path, stored in changes:
        if stored is None:
            names.pop(path, None)
        else:
            names[path] = stored


def _survived(stored: Stored, chance: random.Random) -> Iterator[tuple[int, bytes | None]]:
    kept = chance.choice((0.0, 0.5, 1.0))
    for place, written in stored.since:
        if chance.random() >= kept:
            continue
        if written is None or chance.random() < 0.8:
            yield place, written
        else:
            yield place, written[: chance.randint(0, len(written) // SECTOR) * SECTOR]


# --- the calls ----------------------------------------------------------------------------------------------------


def obey(disk: Disk, line: str) -> str:
    """Let a line of strace change the disk; return what it printed on the standard output."""
    found = _LINE.match(line)
    if "<unfinished" in line and disk.here(
        _bytes("".join(re.findall(r"<((?:\\x[0-9a-f]{2})+)>", line)[:1])).decode()
    ):
        raise SystemExit(f"two threads at once are not modelled: {line[:200]}")
    if found is None or int(found[3]) < 0:
        return ""
    call, given, result = found[1], found[2], int(found[3])
    strings = [_bytes(text) for text in _STRING.findall(given)]
    held = _OPEN_FILE.match(given)
    number, path = (int(held[1]), _bytes(held[2]).decode(errors="replace")) if held else (-1, "")
    if call == "write" and number == 1:
        return strings[0].decode(errors="replace")
    if call in NOT_MODELLED and disk.here(path):
        raise SystemExit(f"{call} on {path} is not modelled")
    if call == "openat":
        _opened(disk, line, given)
    elif call in {"rename", "renameat", "renameat2"}:
        _renamed(disk, *(text.decode() for text in strings[:2]))
    elif call in {"unlink", "unlinkat"} and disk.here(gone := strings[0].decode()):
        disk.put(gone, None)
    elif call in {"fsync", "fdatasync"} and disk.here(path):
        _flushed(disk, number, path)
    elif number in disk.opened and disk.here(path):
        _changed(disk, call, number, given, strings, result)
    return ""


def _opened(disk: Disk, line: str, given: str) -> None:
    found = _RESULT.search(line)
    path = _bytes(found[2]).decode(errors="replace") if found else ""
    if found is None or not disk.here(path):
        if found:
            disk.opened.pop(int(found[1]), None)
        return
    if "O_DIRECTORY" in given or (path not in disk.names and "O_CREAT" not in given):
        disk.opened.pop(int(found[1]), None)
        return
    if path not in disk.names:
        disk.put(path, Stored())
    stored = disk.names[path]
    if "O_TRUNC" in given and stored.length:
        disk.cut(stored, 0)
    disk.opened[int(found[1])] = (stored, stored.length if "O_APPEND" in given else 0)


def _renamed(disk: Disk, old: str, new: str) -> None:
    """Rename a file, or every file of a folder."""
    if not disk.here(old):
        return
    for path in [path for path in disk.names if path == old or path.startswith(f"{old}/")]:
        stored = disk.names[path]
        disk.put(path, None)
        disk.put(new + path.removeprefix(old), stored)


def _flushed(disk: Disk, number: int, path: str) -> None:
    if number in disk.opened:
        disk.opened[number][0].flush()
    else:
        disk.flush_names(path)


def _changed(  # noqa: PLR0913, PLR0917  a call with all that it was given
    disk: Disk, call: str, number: int, given: str, strings: list[bytes], result: int
) -> None:
    stored, place = disk.opened[number]
    if call == "write":
        disk.write(stored, place, strings[0][:result])
        place += result
    elif call == "pwrite64":
        disk.write(stored, int(given.rpartition(", ")[2]), strings[0][:result])
    elif call == "ftruncate":
        disk.cut(stored, int(given.rpartition(", ")[2]))
    elif call == "lseek":
        place = result
    elif call == "close":
        disk.opened.pop(number)
        return
    disk.opened[number] = (stored, place)


# --- losses -------------------------------------------------------------------------------------------------------


def traced(folder: Path, *command: str) -> tuple[Disk, list[str]]:
    """Run a command on a folder; return the folder's disk before it, and the calls."""
    disk = Disk(str(folder))
    for path in (path for path in folder.rglob("*") if path.is_file()):
        content = path.read_bytes()
        disk.names[str(path)] = Stored(content, len(content))
    disk.flushed_names = dict(disk.names)
    calls = folder.with_name(f"{folder.name}.strace")
    subprocess.run(
        ["strace", "-f", "-y", "-xx", "-s", "99999999", "-e", f"trace={CALLS}", "-o", str(calls), *command],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    return disk, calls.read_text(encoding="ascii", errors="replace").splitlines()


def moments(
    disk: Disk, calls: list[str], losses: int, chance: random.Random
) -> Iterator[tuple[dict[str, bytes], str]]:
    """Yield what the disk holds after each loss, and what had been printed by then."""
    touching = [
        place for place, line in enumerate(calls) if disk.root.encode().hex() in line.replace("\\x", "")
    ]
    struck = sorted(chance.choices(touching, k=losses))
    printed = ""
    for place, line in enumerate(calls):
        printed += obey(disk, line)
        for _ in range(struck.count(place)):
            yield disk.after_loss(chance), printed


def laid_out(contents: dict[str, bytes], folder: Path, place: Path) -> None:
    """Write a disk into an empty folder."""
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    for path, content in contents.items():
        to = place / Path(path).relative_to(folder)
        to.parent.mkdir(parents=True, exist_ok=True)
        to.write_bytes(content)


def logging(folder: Path, losses: int, chance: random.Random) -> list[str]:
    """Strike while records are logged one by one."""
    kept, file = folder / "logging", folder / "records.jsonl"
    kept.mkdir()
    file.write_text(
        "\n".join(json.dumps(data) for data in islice(multiplied(LOGGED), LOGGED)), encoding="utf-8"
    )
    Library.create(kept / "library.db").close()
    disk, calls = traced(kept, sys.executable, LOOP, str(file), str(kept / "library.db"))
    wrong, confirmed = [], 0
    for number, (contents, printed) in enumerate(moments(disk, calls, losses, chance)):
        told = printed.removeprefix("ready").split()
        confirmed += len(told)
        laid_out(contents, kept, folder / "after")
        try:
            with Library.open(folder / "after" / "library.db") as library:
                faults = library.faults()
                there = {stored.case_id for stored in library.records()}
        except (sqlite3.Error, CasebaseError) as error:
            faults, there = [str(error)], set()
        wrong += [f"logging, loss {number}: {fault}" for fault in faults]
        wrong += [f"logging, loss {number}: {case_id} is lost" for case_id in told if case_id not in there]
    print(f"{losses} losses while logging, {confirmed / losses:.1f} records confirmed before, on average")
    return wrong


def publishing(folder: Path, losses: int, chance: random.Random) -> list[str]:
    """Strike while an edition is published beside one that is shown."""
    editions = folder / "editions"
    editions.mkdir()
    publish = (sys.executable, "-c", PUBLISHER, str(editions), "--once")
    subprocess.run(publish, check=True, stdout=subprocess.DEVNULL)
    wrong, ended = [], 0
    for turn in range(PUBLISHED):
        before = len(editions_in(editions))
        disk, calls = traced(editions, *publish)
        for number, (contents, _) in enumerate(moments(disk, calls, losses // PUBLISHED, chance)):
            laid_out(contents, editions, folder / "after")
            found, there = seen(folder / "after")
            ended += there > before
            if there < before:
                found.append(f"{before - there} editions are lost")
            wrong += [f"publishing {turn}, loss {number}: {fault}" for fault in found]
        laid_out(disk.after_loss(chance), editions, folder / "after")
        if seen(folder / "after")[1] != before + 1:
            wrong.append(f"publishing {turn}: it ended, and is lost with the power")
    print(f"{losses} losses while publishing, after {ended} of them the new edition was there")
    return wrong


def seen(editions: Path) -> tuple[list[str], int]:
    """Return what is wrong with a folder of editions, and how many it holds."""
    try:
        return faults_of_editions(editions), len(editions_in(editions))
    except (sqlite3.Error, CasebaseError) as error:
        return [str(error)], 0


def main(losses: int, seed: int) -> int:
    """Print what was found; return the exit code."""
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as place:
        wrong = logging(Path(place), losses, chance) + publishing(Path(place), losses, chance)
    print("\n".join(wrong[:20]) or "nothing lost, nothing torn")
    return bool(wrong)


if __name__ == "__main__":
    asked = [int(text) for text in sys.argv[1:]]
    sys.exit(main(asked[0] if asked else 240, asked[1] if len(asked) > 1 else 1))
