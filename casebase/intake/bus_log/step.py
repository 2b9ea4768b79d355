"""What a case keeps of a log: a step that tells it.

A log shows no levels and asks no module for an answer, so neither a reading nor a module's answer comes of it.
"""

from __future__ import annotations

from typing import Final

from casebase.intake.bus_log.report import Report
from casebase.intake.bus_log.words import found_words, headline
from casebase.record.case import Case, Step

_LONGEST_FOUND: Final = 4000


def step_of(report: Report) -> Step:
    """Return the step that tells a log: its file's name, how long it is, what was found."""
    good = report.known_good
    beside = f", compared with the known-good log {good.path.name}" if good else ""
    lines = [f"{line[:1].upper()}{line[1:].rstrip('.')}." for line in found_words(report)]
    found, left = "", len(lines)
    for line in lines:
        if len(found) + len(line) > _LONGEST_FOUND:
            break
        found += f"{line}\n"
        left -= 1
    more = f"And {left} findings more.\n" if left else ""
    name = "".join(letter if letter.isprintable() else "?" for letter in report.traffic.path.name)
    return Step(did=f"logged the bus ({name}: {headline(report)}{beside})", found=f"{found}{more}".strip())


def with_step(case: Case, report: Report) -> Case:
    """Return the case with the step; unchanged where it has that very step already."""
    step = step_of(report)
    return case if step in case.steps else case.model_copy(update={"steps": [*case.steps, step]})
