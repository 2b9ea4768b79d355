"""How long functions over texts take on a megabyte made to be awkward for them: the time grows with the text alone.

python tests/bench/text_functions.py [CHARACTERS]

Each function is given each of 56 patterns, repeated, and texts in which no word comes twice. A tenth of the size goes
first: what takes half of LIMIT_SECONDS there is told and not asked again. What counts is processor time, the least of
three: other programs hardly change it.
Prints the slowest pattern of each function; exits with 1 where one takes more than LIMIT_SECONDS.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).parent))

from warm_clock import markdown

from casebase.library.records import words_in
from casebase.publish.private_kinds import found_in
from casebase.publish.unknown_words import unknown_in
from casebase.record.modules import module_family, module_identity, module_label, modules_named_in
from casebase.record.problems import printable
from casebase.site.job_fields import names_in
from casebase.site.search_page import parts_of

LIMIT_SECONDS: Final = 1.0
CHARACTERS: Final = 1_000_000
TIMES: Final = 3
NAMES: Final = ["Siv Oddleif", "Dahl", "Ola"]

FUNCTIONS: Final[dict[str, Callable[[str], Any]]] = {
    "found_in": lambda text: found_in(text, NAMES, ("GB", "DE", "US")),
    "lines of an attachment": lambda text: [
        found_in(line, NAMES, ("GB", "DE", "US")) for line in text.splitlines() if line.strip()
    ],
    "unknown_in": lambda text: unknown_in(text, ()),
    "module_family": module_family,
    "module_label": module_label,
    "module_identity": module_identity,
    "modules_named_in": modules_named_in,
    "names_in": names_in,
    "parts_of": parts_of,
    "words_in": words_in,
    "printable": printable,
}

PATTERNS: Final = (
    "a", "A", "0", "1", ".", "-", "@", '"', " ", "\n", "\t", ",", ";", ":", "(", "[", "\x02", "\x03", "<", "+",
    "a.", "a-", "a@", "@a", "a@b.", "a@b.c", '"a', '"a"@', "a ", "a,", "a\n", "  \n", ".\n", " .", "A1", "A1 ",
    "01 ", "0.1,", "0.1\n", "12 ", "+49 ", "00 ", "(0", "2026-11-25 ", "1HGCM82633A004352", "reg ", "plate A", "ABS ",
    "control module ", "door module left ", "Siv ", "Dahl ", "é", "e\u0301", "ﬁ", "\u200b",
)  # fmt: skip


def _never_twice(characters: int) -> dict[str, str]:
    """Return texts in which no number and no word comes twice: nothing that was judged before helps."""
    letters = "etaoinsrhl"
    words = ["".join(letters[int(digit)] for digit in str(number)) for number in range(1000, characters // 4)]
    texts = {
        "numbers": " ".join(map(str, range(characters // 5))),
        "words": " ".join(words),
        "words with a capital": " ".join(map(str.title, words)),
        "words that look inflected": " ".join(f"re{word}ing" for word in words),
        "modules with numbers": " ".join(f"ABS {number}" for number in range(characters // 8)),
    }
    return {name: text[:characters] for name, text in texts.items()}


def seconds(function: Callable[[str], Any], text: str) -> float:
    """Return the processor time that a function takes over a text, the least of three where it counts."""
    least = float("inf")
    for _ in range(TIMES):
        begun = time.process_time()
        function(text)
        least = min(least, time.process_time() - begun)
        if least < LIMIT_SECONDS / 4:
            break
    return least


def slowest(function: Callable[[str], Any], characters: int) -> tuple[float, str]:
    """Return the longest time over all texts of this size, and which; a long tenth counts tenfold."""
    repeated = {repr(one): (one * (characters // len(one) + 1))[:characters] for one in PATTERNS}
    found = []
    for name, text in (repeated | _never_twice(characters)).items():
        tenth = seconds(function, text[: characters // 10])
        whole = seconds(function, text) if tenth < LIMIT_SECONDS / 2 else 10 * tenth
        found.append((whole, name))
    return max(found)


def main(arguments: list[str]) -> int:
    """Print the table."""
    characters = int(arguments[0]) if arguments else CHARACTERS
    times = {name: slowest(function, characters) for name, function in FUNCTIONS.items()}
    rows = [[name, f"{taken:.2f}", pattern] for name, (taken, pattern) in times.items()]
    print(markdown(("function", "seconds at most", "pattern"), rows))
    return 1 if max(taken for taken, _ in times.values()) > LIMIT_SECONDS else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
