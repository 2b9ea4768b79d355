"""Logs ten thousand records and asks a library of that size: records per second, seconds per answer.

Run by hand: `python tests/bench/log_10000.py [RECORDS]`. Everything happens in a temporary folder.
"""

from __future__ import annotations

import json
import sys
import tempfile
from itertools import islice
from pathlib import Path

from measured import median_seconds, seconds_of
from multiplied_cases import DEMO_FOLDER, multiplied

from casebase.record.case import Case
from casebase.record.yaml_form import record_yaml

RUNS = 5


def main(count: int) -> None:
    """Print the figures for `count` records."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        large, small = _library(home / "large.db"), _library(home / "demo.db")
        _log_lines(home, large, count)
        _log_yaml(home, max(1, count // 10))
        seconds_of("log", str(DEMO_FOLDER), "--library", small)
        _ask(large, small)
        _print_seconds("casebase check", seconds_of("check", "--library", large)[0])
        _print_seconds("casebase rebuild", seconds_of("rebuild", "--library", large)[0])
        print(f"library file: {Path(large).stat().st_size / 1e6:.1f} MB")


def _library(path: Path) -> str:
    seconds_of("init", "--library", str(path))
    return str(path)


def _log_lines(home: Path, library: str, count: int) -> None:
    lines = home / "many.jsonl"
    with lines.open("w", encoding="utf-8") as file:
        for data in multiplied(count):
            file.write(json.dumps(data, ensure_ascii=False) + "\n")
    seconds, said = seconds_of("log", str(lines), "--library", library, "--json")
    new = sum(one["outcome"] == "new" for one in json.loads(said))
    print(
        f"one .jsonl file, one casebase log: {new} new of {count} in {seconds:.1f} s, {count / seconds:.0f} records/s"
    )


def _log_yaml(home: Path, count: int) -> None:
    folder = home / "yaml"
    folder.mkdir()
    for number, data in enumerate(islice(multiplied(count), count)):
        text = record_yaml(Case.model_validate(data))
        (folder / f"{number:05}.yaml").write_text(text, encoding="utf-8")
    library = _library(home / "yaml.db")
    seconds, _ = seconds_of("log", str(folder), "--library", library)
    print(
        f"a folder of YAML files, one casebase log: {count} in {seconds:.1f} s, {count / seconds:.0f} records/s"
    )


def _ask(large: str, small: str) -> None:
    print(f"casebase similar, a new process each time, median of {RUNS}: large library, demo library, ratio")
    for job in sorted((DEMO_FOLDER / "jobs").glob("*.yaml")):
        here, there = (
            median_seconds(RUNS, "similar", str(job), "--library", path) for path in (large, small)
        )
        print(f"  {job.stem}: {here:.2f} s, {there:.2f} s, {here / there:.1f}")
    for words in ("water splice", "U0100", "ABS lamp CAN", "no such word at all"):
        here, there = (
            median_seconds(RUNS, "list", "--find", words, "--library", path) for path in (large, small)
        )
        print(f"  list --find '{words}': {here:.2f} s, {there:.2f} s, {here / there:.1f}")
    _print_seconds("casebase list", median_seconds(RUNS, "list", "--library", large))


def _print_seconds(what: str, seconds: float) -> None:
    print(f"{what}, large library: {seconds:.2f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
