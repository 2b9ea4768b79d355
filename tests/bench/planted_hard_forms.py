"""Private texts in hard forms, as people write them: how many are shown to the lead, by kind.

python tests/bench/planted_hard_forms.py [--all]

The forms stand in `hard_forms.yaml`, written before the code; without --all every third of a kind is held back. A text
is found where the patterns or what is not known to be harmless touch it. Then the demo records by the words of half of
them: marks in a clean record after the other half was accepted.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from statistics import median
from typing import Final

from ruamel.yaml import YAML

sys.path.insert(0, str(Path(__file__).parent))

from warm_clock import markdown

from casebase.demo import demo_folder
from casebase.publish.private_kinds import found_in
from casebase.publish.private_text import texts_of
from casebase.publish.public_fields import public_case
from casebase.publish.unknown_words import unknown_in, words_of
from casebase.record.json_form import plain_data
from casebase.record.loading import load_file, record_files

FORMS: Final = Path(__file__).parent / "hard_forms.yaml"
NAMES: Final = ["Sunniva Halvard", "Torvald Reine"]
REGIONS: Final = ("GB", "DE", "US", "NO")
PLANTED: Final = re.compile(r"\[\[(.+?)\]\]", re.DOTALL)


def is_found(sentence: str) -> bool:
    """Return whether something that is shown touches what was planted."""
    match = PLANTED.search(sentence)
    assert match
    text = sentence[: match.start()] + match[1] + sentence[match.end() :]
    begin, end = match.start(), match.start() + len(match[1])
    shown = [*found_in(text, NAMES, REGIONS), *unknown_in(text, ())]
    return any(one.begin < end and begin < one.end for one in shown)


def clean_marks(*, one_shop: bool = False) -> list[tuple[int, list[str]]]:
    """Return, of every demo record in order, how many distinct marks it has after those before it were accepted.

    Almost every record of the demonstration comes from another shop and hand, whose names are new words each. As of one
    shop those two names are left out: there they are accepted once.
    """
    accepted: set[str] = set()
    counts = []
    for file in record_files([demo_folder()]):
        for case in load_file(file):
            new = []
            for field, text in texts_of(plain_data(public_case(case))):
                if one_shop and field.startswith("provenance."):
                    continue
                for one in unknown_in(text, accepted):
                    new.append(text[one.begin : one.end])
                    accepted.update(words_of(new[-1]))
                    accepted.add(new[-1])
            counts.append((len(new), new))
    return counts


def main(arguments: list[str]) -> int:
    """Print the tables."""
    forms = YAML(typ="safe").load(FORMS)
    rows, missed, whole, seen = [], [], 0, 0
    for kind, sentences in forms.items():
        asked = [text for place, text in enumerate(sentences) if "--all" in arguments or place % 3 != 2]
        if "--held" in arguments:
            asked = sentences[2::3]
        found = [is_found(text) for text in asked]
        missed += [text for text, is_seen in zip(asked, found, strict=True) if not is_seen]
        rows.append((kind, str(len(asked)), str(sum(found))))
        whole, seen = whole + len(asked), seen + sum(found)
    print(
        markdown(("kind", "planted", "shown to the lead"), [*map(list, rows), ["all", str(whole), str(seen)]])
    )
    print("Missed:", missed or "none")
    counts = clean_marks()
    print("marks per demo record, those before accepted:", [count for count, _ in counts])
    print("median of the later half:", median(count for count, _ in counts[len(counts) // 2 :]))
    alone = [count for count, _ in clean_marks(one_shop=True)]
    print("as of one shop:", alone)
    print("median of the later half, as of one shop:", median(alone[len(alone) // 2 :]))
    if "--words" in arguments:
        for _, new in counts:
            print(new)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
