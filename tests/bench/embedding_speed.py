"""How long the text embedder takes, beside sentence-transformers in the same run.

python tests/bench/embedding_speed.py [TEXTS]

The texts are stories put together from those of the demo records and of `pairs_of_stories.yaml`, 1 to 4 in a row.
"""

import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import torch
from ruamel.yaml import YAML
from sentence_transformers import SentenceTransformer

from casebase.match.text import model_store
from casebase.match.text.embedder import open_embedder
from casebase.match.text.shorthand import spelled_out
from casebase.record.loading import load_file

HERE = Path(__file__).parent
TIMES = 3
OWN = """
from pathlib import Path
from casebase.match.text.embedder import open_embedder
open_embedder(Path({cache!r})).vectors(["no start after rain"])
"""
REFERENCE = """
from sentence_transformers import SentenceTransformer
SentenceTransformer({model!r}, device="cpu", local_files_only=True).encode(["no start after rain"])
"""


def some_stories(count):
    """Return stories of 1 to 4 sentences or so, from a fixed seed."""
    cases = [case for path in (HERE.parents[1] / "demo_cases").glob("*.yaml") for case in load_file(path)]
    told = [text for case in cases for text in (case.concern, *case.symptoms) if text]
    pairs = YAML(typ="safe").load(HERE / "pairs_of_stories.yaml")
    told += [pair[side] for pair in pairs for side in ("one", "other")]
    draw = random.Random(7)
    return [". ".join(draw.sample(sorted(told), draw.randint(1, 4))) for _ in range(count)]


def seconds_of(work):
    """Return how long something takes."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def cold(program):
    """Return the median wall seconds of a new process."""
    command = [sys.executable, "-c", program]
    environment = os.environ | {"HF_HUB_OFFLINE": "1"}
    run = lambda: subprocess.run(command, env=environment, check=True, capture_output=True)  # noqa: E731
    run()
    return statistics.median(seconds_of(run) for _ in range(TIMES))


def rates(cache, model, texts, threads):
    """Print texts per second of both, turn by turn, and their ratio."""
    torch.set_num_threads(threads)
    own, reference = open_embedder(cache, threads=threads), SentenceTransformer(model, device="cpu")
    own.vectors(texts[:64])
    reference.encode(texts[:64])
    seconds = [
        (seconds_of(lambda: own.vectors(texts)), seconds_of(lambda: reference.encode(texts)))
        for _ in range(TIMES)
    ]
    ours, theirs = (len(texts) / min(taken) for taken in zip(*seconds, strict=True))
    print(
        f"{threads} thread(s): {ours:6.0f} texts/s, sentence-transformers {theirs:6.0f}, ratio {ours / theirs:.2f}"
    )


def main():
    """Print the figures."""
    texts = some_stories(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
    model = str(model_store.packaged_folder())
    with tempfile.TemporaryDirectory() as folder:
        cache = Path(folder)
        print(f"export, once: {seconds_of(lambda: open_embedder(cache)):.1f} s (libraries imported already)")
        print(f"{len(texts)} stories of {statistics.mean(map(len, texts)):.0f} characters on average")
        for threads in (1, 2):
            rates(cache, model, texts, threads)
        spelling = seconds_of(lambda: [spelled_out(text) for text in texts])
        print(f"spelling out: {len(texts) / spelling:.0f} texts/s")
        ours, theirs = cold(OWN.format(cache=folder)), cold(REFERENCE.format(model=model))
        print(f"new process to first vector: {ours:.2f} s, sentence-transformers {theirs:.2f} s")
        print(f"ratio {theirs / ours:.0f}")


if __name__ == "__main__":
    main()
