"""Kills `casebase attach` at random moments (SIGKILL), and looks at what is left.

python tests/bench/kill_while_attaching.py [ROUNDS] [SEED]

After each kill every confirmed attachment must be there, `casebase check` must find the library whole, and no record
may name a file that is not. Exits with 1 when anything was lost or torn.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "library"))

from pictures_given import file_of
from PIL import Image

from casebase.library.store import Library
from casebase.record.case import Case

RECORD = {"kind": "fault case", "vehicle": {"make": "Norrvik", "model": "Fjellet"}, "concern": "dead"}


def main(rounds: int, seed: int) -> int:
    """Print the figures; return the exit code."""
    chance, wrong = random.Random(seed), []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.db"
        Library.create(path).close()
        whole = _seconds(path, _new_case(path, 0), _picture(Path(folder), 0))
        killed = confirmed = 0
        for number in range(1, rounds + 1):
            case_id = _new_case(path, number)
            done = _attach(path, case_id, _picture(Path(folder), number), chance.uniform(0.3, 1.1) * whole)
            killed, confirmed = killed + (done != 0), confirmed + (done == 0)
            wrong += _wrong(path, case_id, done == 0)
        with Library.open(path) as library:
            parts = list(Path(f"{path}.files").glob("*/.casebase-parts-*"))
            named = sum(bool(one.case.attachments) for one in library.records())
            lying = len(list(Path(f"{path}.files").glob("*/*"))) - len(parts)
    print(
        f"{rounds} rounds, {killed} killed, {confirmed} confirmed; {named} cases name a file, {lying} files lie there,"
    )
    print(f"{len(parts)} half files under another name; wrong: {len(wrong)}")
    print("\n".join(wrong))
    return bool(wrong)


def _new_case(path: Path, number: int) -> str:
    with Library.open(path) as library:
        return library.log([Case.model_validate(RECORD | {"concern": f"dead {number}"})])[0].case_id


def _picture(folder: Path, number: int) -> Path:
    path = folder / f"{number}.png"
    path.write_bytes(file_of(Image.effect_noise((300, 200 + number), 60), "PNG"))
    return path


def _seconds(path: Path, case_id: str, picture: Path) -> float:
    began = time.monotonic()
    _attach(path, case_id, picture, 60)
    return time.monotonic() - began


def _attach(path: Path, case_id: str, picture: Path, seconds: float) -> int:
    command = [sys.executable, "-m", "casebase", "attach", case_id, str(picture), "--library", str(path)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    try:
        return process.wait(seconds)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        return process.wait()


def _wrong(path: Path, case_id: str, was_confirmed: bool) -> list[str]:
    with Library.open(path) as library:
        found = library.faults()
        if was_confirmed and not library.get(case_id).case.attachments:
            found.append(f"{case_id}: a confirmed attachment is lost")
    return found


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    sys.exit(main(*(given + [100, 1][len(given) :])))
