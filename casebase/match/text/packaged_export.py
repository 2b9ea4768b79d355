"""Making the model ready that is installed with casebase: its weights and the graph over them are laid side by side.

Only these weights are taken, by their SHA-256, so their graph, their digest and the vectors of `PROBES` are known.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Final

from casebase.match.text.model_store import (
    GRAPH,
    TENSORS,
    TOKENIZER,
    WEIGHTS,
    KeptExport,
    packaged_folder,
    seal,
)

_DATA: Final = Path(__file__).parent / "data"
PACKAGED_GRAPH: Final = _DATA / "all-minilm-l6-v2.onnx"
"""What `bert_graph.py` writes; `tests/outside/test_embeddings.py` compares it."""
PROBE_VECTORS: Final = _DATA / "probe_vectors.json"
"""The vectors of `PROBES` as Sentence Transformers gives them; compared there too."""
_DIGEST: Final = "2de8c89d32b3f3cfc7c7d5e364028ae26bf106c98c9dfce69edaf74e4930ceb5"
"""What `digest_of_model` gives for this model when torch exports it; compared there too."""
_MOST_TOKENS: Final = 256
"""From its `sentence_bert_config.json`."""


def write_packaged(folder: Path) -> None:
    """Write graph, weights, tokenizer and settings of the packaged model to `folder`.

    Raises `ModelError` when it is not installed or holds other weights, `OSError` when there is no room.
    """
    source = packaged_folder()
    shutil.copyfile(source / TENSORS, folder / WEIGHTS)
    shutil.copyfile(PACKAGED_GRAPH, folder / GRAPH)
    _write_tokenizer(source / TOKENIZER, folder / TOKENIZER)
    probes = json.loads(PROBE_VECTORS.read_text(encoding="utf-8"))
    seal(folder, KeptExport(_DIGEST, len(probes[0]), pad=0, pad_left=False, prompt="", probes=probes))


def _write_tokenizer(source: Path, path: Path) -> None:
    """Write the tokenizer with the model's greatest length; whoever makes batches does the padding."""
    from tokenizers import Tokenizer  # noqa: PLC0415

    tokenizer = Tokenizer.from_file(str(source))
    tokenizer.no_padding()
    tokenizer.enable_truncation(_MOST_TOKENS)
    path.write_text(tokenizer.to_str(), encoding="utf-8")
