"""Codes with their modules in 80 invented layouts of scan reports: `python tests/bench/scan_layouts.py [unseen|all]`.

Every layout is our own (no scan tool's); it holds three modules, known and unknown ones, whose codes accuse others. A
third of the layouts was not looked at while the reader was mended: `unseen` shows that third alone.
"""

from __future__ import annotations

import itertools
import random
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from casebase.intake.scan_report import read_report
from casebase.record.codes import parse_code
from casebase.record.modules import module_identity

NAMES = (
    "ABS", "ECM", "TCM", "BCM", "EPS", "Body Control Module", "Instrument Cluster", "Anti-lock brakes", "Gateway",
    "FACM", "IC", "QZ4", "RDCM", "Winch controller", "HVAC", "Transmission Control Module", "TPMS", "SGCM",
)  # fmt: skip
ACCUSED = (
    ("U0140", "Body Control Module"),
    ("U0121", "ABS Control Module"),
    ("U0100", "ECM/PCM"),
    ("U0155", "IPC"),
)
OTHERS = (
    ("P0562", "System voltage low"),
    ("C0035", "Wheel speed sensor left front"),
    ("B1234", "Circuit open"),
)


@dataclass(frozen=True)
class Stored:
    """One code as it stands in a report."""

    code: str
    text: str
    accused: str
    number: int


Block = tuple[str, tuple[Stored, ...]]


def blocks_of(chance: random.Random) -> list[Block]:
    """Return three modules with one to three codes each; none accuses itself."""
    found = []
    for name in chance.sample(NAMES, 3):
        codes = []
        for _ in range(chance.randint(1, 3)):
            base, accused = chance.choice(ACCUSED)
            if chance.random() < 0.3 or parse_code(base).about == module_identity(name):
                base, text = chance.choice(OTHERS)
                accused = "Sensor supply"
            else:
                text = f"Lost communication with {accused}"
            code = base + chance.choice(("", "-00", "-87"))
            codes.append(Stored(code, text, accused, chance.randint(10_000, 19_999)))
        found.append((name, tuple({one.code[:5]: one for one in codes}.values())))
    return found


HEADS: dict[str, Callable[[int, str, int], str]] = {
    "address": lambda at, name, count: f"Address {at:02d}: {name}",
    "number": lambda at, name, count: f"{at:02d} - {name}",
    "brackets": lambda at, name, count: f"[{name}]",
    "rules": lambda at, name, count: f"=== {name} ===",
    "label": lambda at, name, count: f"Module: {name}",
    "counted": lambda at, name, count: f"{name} ({count} codes)",
    "counted behind": lambda at, name, count: f"{name}: {count} DTCs",
    "underlined": lambda at, name, count: f"{name}\n{'-' * len(name)}",
    "part number": lambda at, name, count: f"Node 0x{at:02X}  {name}\n  Part no. 4{at:04d}-22  SW 0200",
    "two languages": lambda at, name, count: f"Control unit / Steuergerät: {name}",
}
ENTRIES: dict[str, Callable[[int, Stored], str]] = {
    "indented": lambda at, one: f"    {one.code}  {one.text}",
    "numbered": lambda at, one: f"  {at}. {one.code} - {one.text} (stored)",
    "number above": lambda at, one: f"{one.number} - {one.accused}\n        {one.code} - {one.text}",
    "labelled": lambda at, one: f"Code: {one.code}\nDescription: {one.text}\nStatus: active",
    "wrapped": lambda at, one: f"- {one.code}: {one.text[:22]}\n      {one.text[22:]}",
    "tabs": lambda at, one: f"{one.code}\tstored\t{one.text}",
}


def _flat(blocks: list[Block]) -> Iterator[tuple[str, Stored]]:
    return ((name, one) for name, codes in blocks for one in codes)


def _rows(head: str, row: Callable[[str, Stored], str]) -> Callable[[list[Block]], str]:
    return lambda blocks: "\n".join(
        ([head] if head else []) + [row(name, one) for name, one in _flat(blocks)]
    )


LINES: dict[str, Callable[[list[Block]], str]] = {
    "module: codes": lambda blocks: "\n".join(
        f"{name}: {', '.join(one.code for one in codes)}" for name, codes in blocks
    ),
    "one line": lambda blocks: "; ".join(
        f"{name}: {', '.join(one.code for one in codes)}" for name, codes in blocks
    ),
    "csv": _rows("module,code,status,text", lambda name, one: f"{name},{one.code},stored,{one.text}"),
    "csv quoted": _rows(
        '"code","module","text"', lambda name, one: f'"{one.code}","{name}","{one.text}"'
    ),
    "semicolons": _rows("", lambda name, one: f"{name};{one.code};{one.text};stored"),
    "pipes": _rows("| ECU | DTC | Meaning |", lambda name, one: f"| {name} | {one.code} | {one.text} |"),
    "markdown": _rows(
        "| Module | Code | Text |\n|---|---|---|", lambda name, one: f"| {name} | {one.code} | {one.text} |"
    ),
    "tabs": _rows("", lambda name, one: f"{name}\t{one.code}\t{one.text}"),
    "stored in": _rows("", lambda name, one: f"{one.code} stored in {name}"),
    "fixed columns": _rows(
        f"{'Module':<30}{'Code':<12}Text", lambda name, one: f"{name:<30}{one.code:<12}{one.text}"
    ),
    "arrow": _rows("", lambda name, one: f"{name} -> {one.code}"),
    "code (module)": _rows("", lambda name, one: f"{one.code} ({name}) {one.text}"),
    "name in front": _rows("", lambda name, one: f"{name} {one.code} {one.text}"),
    "cells as lines": lambda blocks: "Module\nCode\nText\n"
    + "\n".join(f"{name}\n{one.code}\n{one.text}" for name, one in _flat(blocks)),
    "cells with blanks": lambda blocks: "\n\n".join(
        f"{name}\n\n" + "\n".join(f"{one.code}\n{one.text}" for one in codes) for name, codes in blocks
    ),
    "numbered rows": lambda blocks: "\n".join(
        f"{at}) {name} | {one.code} | {one.text}" for at, (name, one) in enumerate(_flat(blocks), 1)
    ),
    "labels in a line": _rows("", lambda name, one: f"ECU: {name}  DTC: {one.code}  Text: {one.text}"),
    "objects": _rows("", lambda name, one: f'{{"module": "{name}", "code": "{one.code}", "text": "{one.text}"}}'),
    "code above module": lambda blocks: "\n\n".join(
        f"Code {one.code}\n{one.text}\nModule: {name}" for name, one in _flat(blocks)
    ),
    "answers": lambda blocks: "\n".join(
        f"{name} answered: {', '.join(f'{one.code} {one.text}' for one in codes)}" for name, codes in blocks
    ),
}  # fmt: skip


def layouts() -> dict[str, Callable[[list[Block]], str]]:
    """Return every layout by its name, in an order that does not change."""
    found = dict(LINES)
    for (head, head_of), (entry, entry_of) in itertools.product(HEADS.items(), ENTRIES.items()):

        def block_layout(blocks: list[Block], head_of: object = head_of, entry_of: object = entry_of) -> str:
            parts = []
            for at, (name, codes) in enumerate(blocks, start=1):
                lines = [head_of(at, name, len(codes))]  # type: ignore[operator]
                lines += [entry_of(place, one) for place, one in enumerate(codes, 1)]  # type: ignore[operator]
                parts.append("\n".join(lines))
            return "\n\n".join(parts) + "\n"

        found[f"{head} / {entry}"] = block_layout
    return found


def judged(layout: Callable[[list[Block]], str], seed: int) -> tuple[int, int, int, str]:
    """Return codes in a report, codes with the right module, codes credited to who is accused, and what went wrong."""
    blocks = blocks_of(random.Random(seed))
    text = layout(blocks)
    truth = [(module_identity(name), one.code) for name, one in _flat(blocks)]
    read = [
        (module_identity(found.module) if found.module else None, found.code)
        for found in read_report(text).findings
    ]
    right = sum((module, parse_code(code)) in read for module, code in truth)
    accused = sum(module is not None and module == code.about for module, code in read)
    return len(truth), right, accused, f"{text}\n  read {[(m, c.text) for m, c in read]}\n  truth {truth}"


def main(which: str = "seen") -> None:
    """Print each layout that is not read whole, and the shares."""
    codes = right = accused = 0
    for place, (name, layout) in enumerate(layouts().items()):
        if which != "all" and ((place + place // 6) % 3 == 2) != (which == "unseen"):
            continue
        told = [judged(layout, seed) for seed in range(100 * place, 100 * place + 10)]
        of_layout = [sum(one[part] for one in told) for part in (0, 1, 2)]
        codes, right, accused = codes + of_layout[0], right + of_layout[1], accused + of_layout[2]
        if of_layout[1] < of_layout[0] or of_layout[2]:
            print(f"{name}: {of_layout[1]} of {of_layout[0]}, {of_layout[2]} to the accused")
    print(
        f"{which}: {right} of {codes} codes with their module ({right / codes:.3f}); {accused} to the accused"
    )


if __name__ == "__main__":
    main(*sys.argv[1:2])
