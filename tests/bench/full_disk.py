"""What people do in a shop whose disk is full: a small tmpfs, filled up but for some bytes.

python tests/bench/full_disk.py [SIZE_IN_MIB]     (as root on Linux: it mounts a tmpfs)

For each number of free bytes a shop's folder is laid on the disk, the rest filled, and one thing done by the real
command: log, import, publish, export, backup, restore, attach. It must be done whole, or refused in one sentence with
exit code 2 and everything as it was: the library, the edition that is shown, the copies. Exits with 1 when anything
was wrong, with 3 where no tmpfs can be mounted.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from shop_in_use import DOINGS, copied_shop, do, faults_after, make_shop, state_of

KIB: Final = 1024
FREE_KIB: Final = (0, 4, 8, 16, 32, 40, 64, 100, 200, 400, 700, 1000, 1300, 1700, 2000, 2500, 3000, 4000)
A_BLOCK: Final = 4 * KIB


@contextmanager
def small_disk(mebibytes: int) -> Iterator[Path]:
    """Yield the folder of a small disk in memory."""
    with tempfile.TemporaryDirectory() as place:
        mounting = ["mount", "-t", "tmpfs", "-o", f"size={mebibytes}m", "tmpfs", place]
        done = subprocess.run(mounting, check=False, capture_output=True, text=True)
        if done.returncode:
            print(f"no tmpfs can be mounted here: {done.stderr.strip()}")
            raise SystemExit(3)
        try:
            yield Path(place)
        finally:
            subprocess.run(["umount", place], check=True)


def fill(disk: Path, free_bytes: int) -> Path:
    """Fill the disk up but for some bytes."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"x" * A_BLOCK)
    with filler.open("rb+") as file:
        file.truncate(max(0, filler.stat().st_size - free_bytes))
    return filler


def one_doing(shop: Path, disk: Path, doing: str, free_bytes: int) -> tuple[str, list[str]]:
    """Do one thing with so many bytes free; return what came of it and what was wrong."""
    folder = disk / "shop"
    folder.mkdir(exist_ok=True)
    copied_shop(shop, folder)
    before = state_of(folder)
    filler = fill(disk, free_bytes)
    done = do(folder, doing)
    filler.unlink()
    lines = done.stderr.strip().splitlines()
    said = lines[-1].split(": ", 2)[-1] if lines and done.returncode else "done"
    return said, faults_after(folder, before, done)


def main(mebibytes: int) -> int:
    """Go through everything people do, print what was said."""
    wrong, runs = list[str](), 0
    with tempfile.TemporaryDirectory() as place, small_disk(mebibytes) as disk:
        shop = Path(place) / "shop"
        make_shop(shop)
        for doing in DOINGS:
            said = Counter[str]()
            for free in FREE_KIB:
                sentence, found = one_doing(shop, disk, doing, free * KIB)
                said[sentence] += 1
                runs += 1
                wrong += [f"{doing}, {free} KiB free: {fault}" for fault in found]
            print(f"{doing}:")
            print("\n".join(f"  {count:2} times: {sentence}" for sentence, count in said.items()))
    print(f"{runs} doings on a disk with {FREE_KIB[0]} to {FREE_KIB[-1]} KiB free, faults: {len(wrong)}")
    print("\n".join(wrong[:30]))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 16))
