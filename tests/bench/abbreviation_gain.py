"""What spelling out workshop shorthand gains: the same fault told in other words, found among all the others.

python tests/bench/abbreviation_gain.py [CACHE]

Each story of `pairs_of_stories.yaml` is the question once; all stories on the other side of the pairs are the library.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
from ruamel.yaml import YAML
from sklearn.feature_extraction.text import TfidfVectorizer

from casebase.match.text.embedder import open_embedder
from casebase.match.text.shorthand import spelled_out

PAIRS = YAML(typ="safe").load(Path(__file__).with_name("pairs_of_stories.yaml"))
PARTS = ("tuned on", "held out", "written after")


def hits(likeness, rows, first):
    """Return the share of questions in `rows` whose partner is among the `first` nearest, both ways."""
    found = 0
    for table in (likeness, likeness.T):
        own = np.diag(table)[:, None]
        better = (table > own).sum(axis=1)
        found += int((better[rows] < first).sum())
    return found / (2 * len(rows))


def likeness_of_vectors(vectors, ones, others):
    """Return the cosine of every pair of stories, by vectors of length 1."""
    return vectors(ones) @ vectors(others).T


def likeness_of_words(ones, others):
    """Return the cosine of every pair of stories, by words weighted with their rarity (scikit-learn)."""
    table = TfidfVectorizer(sublinear_tf=True).fit([*ones, *others])
    return (table.transform(ones) @ table.transform(others).T).toarray()


def main():
    """Print the figures."""
    ones, others = ([pair[side] for pair in PAIRS] for side in ("one", "other"))
    ones_out, others_out = ([spelled_out(text) for text in side] for side in (ones, others))
    with tempfile.TemporaryDirectory() as folder:
        embedder = open_embedder(Path(sys.argv[1] if len(sys.argv) > 1 else folder))
        measured = {
            "words (tf-idf) as told": likeness_of_words(ones, others),
            "words (tf-idf) spelled out": likeness_of_words(ones_out, others_out),
            "meaning as told": likeness_of_vectors(embedder.vectors, ones, others),
            "meaning spelled out": likeness_of_vectors(embedder.vectors, ones_out, others_out),
        }
    print(f"{len(PAIRS)} pairs, {2 * len(PAIRS)} questions, {len(PAIRS)} answers to choose from")
    rows = {part: [row for row, pair in enumerate(PAIRS) if pair["half"] == part] for part in PARTS}
    print(f"{'':28}" + "".join(f"{f'{part} ({len(rows[part])})':>22}" for part in PARTS))
    print(f"{'':28}" + f"{'hit@1':>12}{'hit@3':>10}" * len(PARTS))
    for name, likeness in measured.items():
        figures = (
            f"{hits(likeness, rows[part], 1):12.2f}{hits(likeness, rows[part], 3):10.2f}" for part in PARTS
        )
        print(f"{name:28}" + "".join(figures))


if __name__ == "__main__":
    main()
