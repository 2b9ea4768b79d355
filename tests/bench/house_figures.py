"""The shape of a checkout in figures: its modules, its functions, who imports whom, and what a command runs through.

`python tests/bench/house_figures.py [CHECKOUT]`: the same script for the checkout of today and for an older one, so
that both columns of a comparison are counted alike. Nothing is imported from the checkout; its commands run in
processes of their own, with PYTHONPATH set to it and a library of the demonstration cases in a temporary folder.
"""

from __future__ import annotations

import ast
import os
import re
import signal
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import closing
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import Final

from warm_clock import markdown

ROUNDS: Final = 5
JOB: Final = "k4-fjellet-abs-silent.yaml"
CASE: Final = "k4-abs-ground-point-rotten.yaml"
CAPTURE: Final = "k4-pair-one-frame-broken.csv"

CACHE: Final = Path(tempfile.gettempdir()) / "casebase-house-figures"
"""Where simulated buses and the text model's export are kept from one run to the next."""

TRACED: Final = """
import atexit, os, runpy, sys, threading
out, sys.argv = sys.argv[1], ["casebase", *sys.argv[2:]]
ran = set()
def seen(frame, event, argument):
    if event == "call" and frame.f_code.co_name != "<module>":
        ran.add(frame.f_code.co_filename)
def write():
    sys.setprofile(None)
    loaded = {name for name in sys.modules if name == "casebase" or name.startswith("casebase.")}
    files = {getattr(sys.modules[name], "__file__", None) for name in loaded}
    open(out, "w").write(f"{len(loaded)} {len(files & ran)}")
atexit.register(write)
threading.setprofile(seen)
sys.setprofile(seen)
runpy.run_module("casebase", run_name="__main__")
"""
"""Runs a command and writes how many modules of casebase it imported, and of how many a function was called."""

Function = ast.FunctionDef | ast.AsyncFunctionDef


class Checkout:
    """The parsed modules of a checkout's `casebase`, by dotted name."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.files = {
            ".".join(path.relative_to(folder).with_suffix("").parts).removesuffix(".__init__"): path
            for path in sorted((folder / "casebase").rglob("*.py"))
        }
        self.texts = {name: path.read_text(encoding="utf-8") for name, path in self.files.items()}
        self.trees = {name: ast.parse(text) for name, text in self.texts.items()}

    def functions(self) -> Iterator[Function]:
        """Yield every function and method, inner ones included."""
        for tree in self.trees.values():
            yield from (node for node in ast.walk(tree) if isinstance(node, Function))

    def imports(self, module: str) -> set[str]:
        """Return the modules of casebase that a module imports: at the top, in functions, for the type checker."""
        found: set[str] = set()
        for node in ast.walk(self.trees[module]):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                inner = {f"{node.module}.{alias.name}" for alias in node.names}
                found |= inner & self.files.keys()
                found |= set() if inner <= self.files.keys() else {node.module}
        return found & self.files.keys() - {module}

    @cache  # noqa: B019 (one checkout, one run)
    def importers(self) -> Mapping[str, set[str]]:
        """Return, for each module, the modules of casebase that import it."""
        arrows = {name: self.imports(name) for name in self.files}
        return {name: {other for other, names in arrows.items() if name in names} for name in arrows}

    def private_functions_by_uses(self) -> list[int]:
        """Return the uses, in their own module, of every module-level function with a leading underscore."""
        uses = []
        for tree in self.trees.values():
            private = [
                node.name for node in tree.body if isinstance(node, Function) and node.name.startswith("_")
            ]
            names = [node.id for node in ast.walk(tree) if isinstance(node, ast.Name)]
            uses += [names.count(name) for name in private]
        return uses

    def single_importers_beside(self) -> list[str]:
        """Return the modules that one module alone imports, which stands in the same folder."""
        return [
            name
            for name, found in self.importers().items()
            if len(found) == 1 and self.files[name].name != "__init__.py"
            if self.files[next(iter(found))].parent == self.files[name].parent
        ]

    def floors(self, part: str) -> int | str:
        """Return how many modules stand in the longest chain of imports inside a folder."""
        inside = {name for name in self.files if name.startswith(f"casebase.{part}.")}
        arrows = {name: self.imports(name) & inside for name in inside}
        floor: dict[str, int] = {}
        try:
            for name in TopologicalSorter(arrows).static_order():
                floor[name] = 1 + max((floor[under] for under in arrows[name]), default=0)
        except CycleError as error:
            return f"a circle of {len(error.args[1]) - 1}"
        return max(floor.values())


class Commands:
    """The commands of a checkout, run on a library of its demonstration cases."""

    def __init__(self, checkout: Path, folder: Path) -> None:
        self.demo = checkout / "demo_cases"
        self.folder = folder
        self.environment = {**os.environ, "PYTHONPATH": str(checkout), "PYTHONDONTWRITEBYTECODE": ""}
        self.environment |= {"CASEBASE_LIBRARY": str(folder / "shop.db"), "XDG_CACHE_HOME": str(CACHE)}
        self.run("init")
        self.run("log", str(self.demo))
        self.accept_words()
        self.run("publish", str(folder / "editions"), "--by", "lead", "--on", "2026-11-25")
        self.run("init", "--library", str(folder / "empty.db"))
        self.run("similar", str(self.demo / "jobs" / JOB))  # simulates buses and exports the text model

    def accept_words(self) -> None:
        """Accept every word that no list knows, as a lead who read the whole list would."""
        listed = self.run("words", "--list", fails=True)
        if shown := re.search(r"--accept-shown (\S+)", listed):
            self.run("words", "--accept-shown", shown[1], "--by", "lead")

    def run(self, *arguments: str, traced: bool = False, fails: bool = False) -> str:
        """Run a command to its end; return what it printed, or what the tracer wrote."""
        out = self.folder / "traced"
        head = ["-c", TRACED, str(out)] if traced else ["-m", "casebase"]
        done = subprocess.run(
            [sys.executable, *head, *arguments],
            cwd=self.folder,  # Python looks for modules in the current folder first
            env=self.environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode and not fails:
            raise SystemExit(
                f"casebase {' '.join(arguments)}: exit code {done.returncode}\n{done.stderr[-2000:]}"
            )
        return out.read_text() if traced else done.stdout

    def case_page(self) -> str:
        """Serve the site with the tracer, ask for one case's page, stop it; return what the tracer wrote."""
        out = self.folder / "traced"
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        with subprocess.Popen(
            [
                sys.executable,
                "-c",
                TRACED,
                str(out),
                "browse",
                str(self.folder / "editions"),
                "--port",
                str(port),
            ],
            cwd=self.folder,
            env=self.environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        ) as server:
            try:
                while server.poll() is None and not answers(f"http://127.0.0.1:{port}/robots.txt"):
                    time.sleep(0.2)
                next(case for case in self.case_ids() if answers(f"http://127.0.0.1:{port}/case/{case}"))
            finally:
                server.send_signal(signal.SIGINT)
        return out.read_text()

    def case_ids(self) -> list[str]:
        """Return the IDs of the records, those not agreed, which have no page, among them."""
        with closing(sqlite3.connect(self.folder / "shop.db")) as connection:
            return [row[0] for row in connection.execute("SELECT id FROM cases ORDER BY id")]

    def seconds(self, *arguments: str) -> str:
        """Return the median wall seconds of a command in a process of its own."""
        times = []
        for _ in range(ROUNDS):
            begun = time.perf_counter()
            self.run(*arguments)
            times.append(time.perf_counter() - begun)
        return f"{statistics.median(times):.2f}"


def answers(address: str) -> bool:
    """Return whether a server gives the page of an address; False while it is starting or has no such page."""
    try:
        with urllib.request.urlopen(address, timeout=60) as answer:
            return bool(answer.read())
    except urllib.error.URLError:
        return False


def of_the_code(checkout: Checkout) -> Iterator[tuple[str, object]]:
    """Yield the figures that the text of the modules gives."""
    lines = sorted(len(text.splitlines()) for text in checkout.texts.values())
    lengths = sorted((node.end_lineno or node.lineno) - node.lineno + 1 for node in checkout.functions())
    uses = checkout.private_functions_by_uses()
    yield "modules", len(lines)
    yield "lines", f"{sum(lines):,}"
    yield "median lines of a module", statistics.median(lines)
    yield "functions", f"{len(lengths):,}"
    yield "median lines of a function", statistics.median(lengths)
    yield "90th percentile", lengths[int(0.9 * len(lengths))]
    yield "over 50 lines", f"{sum(length > 50 for length in lengths) / len(lengths):.1%}"
    yield (
        "private functions of a module used once",
        f"{uses.count(1)} of {len(uses)}, {uses.count(1) / len(uses):.0%}",
    )
    yield "modules with one importer, beside them", len(checkout.single_importers_beside())
    yield "longest chain of imports inside match/", checkout.floors("match")
    yield "lazy imports (PLC0415)", sum(text.count("PLC0415") for text in checkout.texts.values())


def of_the_commands(commands: Commands) -> Iterator[tuple[str, object]]:
    """Yield the figures that running the commands gives."""
    demo = commands.demo
    for name, arguments in {
        "similar": ["similar", str(demo / "jobs" / JOB)],
        "readings": ["readings", "--pair", "119", "--high", "2.7", "--low", "2.3"],
        "log FILE": ["log", str(demo / CASE), "--library", str(commands.folder / "empty.db")],
        "capture FILE": ["capture", str(demo / "captures" / CAPTURE)],
    }.items():
        loaded, ran = commands.run(*arguments, traced=True).split()
        yield f"modules that `{name}` runs functions of (imports)", f"{ran} ({loaded})"
    loaded, ran = commands.case_page().split()
    yield (
        "modules that a case page runs functions of (imports), starting the server included",
        f"{ran} ({loaded})",
    )
    yield f"`--help`, seconds, median of {ROUNDS}", commands.seconds("--help")
    yield f"`similar`, seconds, median of {ROUNDS}", commands.seconds("similar", str(demo / "jobs" / JOB))


def print_figures(folder: Path) -> None:
    """Print the table of one checkout."""
    rows = [[name, str(value)] for name, value in of_the_code(Checkout(folder))]
    with tempfile.TemporaryDirectory() as made:
        rows += [[name, str(value)] for name, value in of_the_commands(Commands(folder, Path(made)))]
    print(markdown(("figure", folder.name), rows))


if __name__ == "__main__":
    print_figures(Path(sys.argv[1] if len(sys.argv) > 1 else ".").resolve())
