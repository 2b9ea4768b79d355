"""Exporting the model that is installed with casebase: its graph is written straight from its weights, without torch.

Only these weights are taken, by their SHA-256, so the shape of the model is known and its vectors of `PROBES` are too.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

from casebase.match.text.bert_graph import BertShape, Tensors, write_bert
from casebase.match.text.model_store import (
    GRAPH,
    TENSORS,
    TOKENIZER,
    WEIGHTS,
    KeptExport,
    digest_of_model,
    packaged_folder,
    seal,
)

_SHAPE: Final = BertShape(layers=6, heads=12, epsilon=1e-12)
"""From `config.json` of all-MiniLM-L6-v2."""
_MOST_TOKENS: Final = 256
"""From its `sentence_bert_config.json`."""
_POOLED: Final = ["", "mean", ""]
"""How its three modules pool, in the words of Sentence Transformers."""
_BUFFER: Final = "embeddings.position_ids"
"""The numbers 0 to 511, stored among the weights and no weight."""

_PROBE_VECTORS: Final = Path(__file__).parent / "data" / "probe_vectors.json"
"""The vectors of `PROBES` as Sentence Transformers gives them; `tests/outside/test_embeddings.py` compares them."""


def write_packaged(folder: Path) -> None:
    """Write graph, weights, tokenizer and settings of the packaged model to `folder`.

    Raises `ModelError` when its package is not installed or holds other weights, `OSError` when there is no room.
    """
    from safetensors.numpy import load_file  # noqa: PLC0415

    source = packaged_folder()
    tensors = load_file(source / TENSORS)
    _write_tokenizer(source / TOKENIZER, folder / TOKENIZER)
    write_bert(tensors, _SHAPE, folder / GRAPH, WEIGHTS)
    seal(folder, _settings(tensors))


def _write_tokenizer(source: Path, path: Path) -> None:
    """Write the tokenizer with the model's greatest length; whoever makes batches does the padding."""
    from tokenizers import Tokenizer  # noqa: PLC0415

    tokenizer = Tokenizer.from_file(str(source))
    tokenizer.no_padding()
    tokenizer.enable_truncation(_MOST_TOKENS)
    path.write_text(tokenizer.to_str(), encoding="utf-8")


def _settings(tensors: Tensors) -> KeptExport:
    probes = json.loads(_PROBE_VECTORS.read_text(encoding="utf-8"))
    weights = (tensor for name, tensor in tensors.items() if name != _BUFFER)
    digest = digest_of_model(weights, _POOLED, _MOST_TOKENS, None)
    return KeptExport(digest, dimensions=len(probes[0]), pad=0, pad_left=False, prompt="", probes=probes)
