"""The text embedder: what a story means, as a vector of length 1.

The vectors are those of a Sentence Transformers model. It is written as ONNX once; from then on ONNX Runtime and
tokenizers answer, which start in a fraction of a second. A text is taken as it is: whoever wants shorthand spelled out
does so before.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import ModelError
from casebase.match.text.model_store import (
    EXPORT_VERSION,
    GRAPH,
    PROBES,
    TOKENIZER,
    KeptExport,
    Model,
    named_model,
    new_folder,
    put_in_place,
    read_kept,
    stamp_of,
)
from casebase.match.text.shorthand import abbreviations_digest

if TYPE_CHECKING:
    from onnxruntime import InferenceSession
    from tokenizers import Tokenizer

    from casebase.match.text.export import Progress

TOKENS_AT_ONCE: Final = 512
"""Tokens of one batch, padding included (measured with `tests/bench/embedding_speed.py`)."""

_AS_MADE: Final = 0.9999
"""Least cosine between the vector of a fixed text and the one that the model itself gave."""

Vectors = NDArray[np.float32]
Numbers = NDArray[np.int64]


class Embedder:
    """Turns texts into vectors of length 1.

    `identity` changes with the weights, the way of exporting and the table of abbreviations: vectors of two identities
    must not be compared. `dimensions` is the length of a vector.
    """

    def __init__(
        self, place: Path, kept: KeptExport, session: InferenceSession, tokenizer: Tokenizer
    ) -> None:
        self._place = place
        self.identity: str = identity_of(kept)
        self.dimensions: int = kept.dimensions
        self._kept = kept
        self._session = session
        self._tokenizer = tokenizer
        self._inputs = [wanted.name for wanted in session.get_inputs()]

    def __reduce__(self) -> tuple[Callable[[Path], Embedder], tuple[Path]]:
        """Travel to another process as the place where the export lies."""
        return opened_there, (self._place,)

    def vectors(self, texts: Sequence[str]) -> Vectors:
        """Return one vector per text, in their order, shape (texts, dimensions); that of an empty text is all zeros."""
        found = np.zeros((len(texts), self.dimensions), dtype=np.float32)
        tokens = [self._tokens(text) for text in texts]
        for rows in _batches([len(one["input_ids"]) for one in tokens]):
            found[rows] = self._run([tokens[row] for row in rows])
        return found

    def _tokens(self, text: str) -> dict[str, list[int]]:
        if not text.strip():
            return {"input_ids": []}
        whole = self._kept.prompt + text
        encoding = self._tokenizer.encode(whole.encode(errors="replace").decode())  # no half surrogate pairs
        return {
            "input_ids": encoding.ids,
            "attention_mask": encoding.attention_mask,
            "token_type_ids": encoding.type_ids,
        }

    def _run(self, tokens: list[dict[str, list[int]]]) -> Vectors:
        given = {name: self._padded([one[name] for one in tokens], name) for name in self._inputs}
        return np.asarray(self._session.run(None, given)[0], dtype=np.float32)

    def _padded(self, rows: list[list[int]], name: str) -> Numbers:
        fill = self._kept.pad if name == "input_ids" else 0
        table = np.full((len(rows), max(map(len, rows))), fill, dtype=np.int64)
        for place, row in zip(table, rows, strict=True):
            place[slice(-len(row), None) if self._kept.pad_left else slice(len(row))] = row
        return table

    def gives_what_the_model_gave(self, probes: int) -> bool:
        """Return whether the first `probes` of the fixed texts have the vectors they had in the model itself."""
        theirs = np.array(self._kept.probes[:probes], dtype=np.float32)
        cosines = np.vecdot(self.vectors(PROBES[:probes]), theirs)
        return bool(np.all(cosines >= _AS_MADE))


def identity_of(kept: KeptExport) -> str:
    """Return what changes whenever the vectors of an export would."""
    return f"{kept.weights[:16]}-e{EXPORT_VERSION}-a{abbreviations_digest()}"


def export_kept(cache: Path, model: str | None = None) -> KeptExport | None:
    """Return what is known of the export of `model` without opening it; None where none is kept.

    Raises `ModelError` when the model cannot be found.
    """
    return read_kept(_place(cache, named_model(model)))


def open_embedder(
    cache: Path, model: str | None = None, progress: Progress | None = None, *, threads: int = 1
) -> Embedder:
    """Return the embedder of `model`, a folder or a hub name; None means the model that is installed with casebase.

    The export is kept in the folder `cache`; where there is none, or a damaged one, it is made first, which takes some
    seconds and is told to `progress`. `threads` processors work on one batch. Raises `ModelError` when the model cannot
    be found, loaded, exported or kept.
    """
    meant = named_model(model)
    place = _place(cache, meant)
    found = _opened(place, threads, probes=1)
    if found is None:
        _make(meant, place, progress or (lambda *_: None))
        found = _opened(place, threads, probes=len(PROBES))
    if found is None:
        raise ModelError(
            f"text model '{meant.name}': its export in {place} does not give the model's own vectors; "
            "remove that folder and try again, or name another model"
        )
    return found


def ready_embedder(cache: Path, model: str | None = None) -> Embedder | None:
    """Return the embedder of `model` if its export is kept, None if it would have to be made first.

    Raises `ModelError` when the model cannot be found.
    """
    return _opened(_place(cache, named_model(model)), threads=1, probes=1)


def _place(cache: Path, meant: Model) -> Path:
    return cache / f"{meant.key}-e{EXPORT_VERSION}"


def _opened(place: Path, threads: int, probes: int) -> Embedder | None:
    """Return the embedder kept at `place`; None where there is none, or it is damaged."""
    kept = read_kept(place)
    if kept is None:
        return None
    try:
        found = Embedder(place, kept, _session(place / GRAPH, threads), _tokenizer(place / TOKENIZER))
        return found if found.gives_what_the_model_gave(probes) else None
    except ImportError as error:
        raise ModelError(
            f"text model: a package it needs cannot be imported ({error}); install casebase again"
        ) from error
    except Exception:  # both libraries raise errors of their own kinds for damaged files
        return None


def opened_there(place: Path) -> Embedder:
    """Return the embedder whose export lies at `place`; raise `ModelError` where it cannot be had."""
    found = _opened(place, threads=1, probes=1)
    if found is None:
        raise ModelError(f"text model: {place} does not hold its export any more")
    return found


def _session(path: Path, threads: int) -> InferenceSession:
    os.environ["ORT_DISABLE_TELEMETRY"] = (
        "1"  # read at import: releases for every system report to their makers
    )
    import onnxruntime  # noqa: PLC0415

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 4  # what fails is raised too
    return onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])


def _tokenizer(path: Path) -> Tokenizer:
    from tokenizers import Tokenizer  # noqa: PLC0415

    return Tokenizer.from_file(str(path))


def _make(meant: Model, place: Path, progress: Progress) -> None:
    """Export a model to its place in the cache; what is half done goes."""
    from casebase.match.text.export import export  # noqa: PLC0415  once on a machine

    damaged = stamp_of(place)
    with new_folder(place.parent) as made:
        export(meant, made, progress)
        put_in_place(made, place, damaged)
    progress("text model ready", 1.0)


def _batches(lengths: list[int]) -> Iterator[list[int]]:
    """Yield the rows of one batch after another, texts of like length together; rows of length 0 are left out."""
    batch: list[int] = []
    for row in sorted((row for row, length in enumerate(lengths) if length), key=lengths.__getitem__):
        if batch and (len(batch) + 1) * lengths[row] > TOKENS_AT_ONCE:
            yield batch
            batch = []
        batch.append(row)
    if batch:
        yield batch
