"""Exporting a text model to ONNX, once: the packaged one from its weights, any other through torch.

Of the packaged model only these weights are taken, by their SHA-256, so their graph, their digest and the vectors of
`PROBES` are known. `write_by_torch` alone imports torch and sentence-transformers, which the extra `models` brings and
which take seconds; afterwards ONNX Runtime and tokenizers do.
"""

from __future__ import annotations

import json
import logging
import shutil
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from casebase.errors import ModelError
from casebase.match.text.model_store import (
    GRAPH,
    PROBES,
    TENSORS,
    TOKENIZER,
    WEIGHTS,
    KeptExport,
    Model,
    digest_of_model,
    packaged_folder,
    seal,
)

if TYPE_CHECKING:
    from sentence_transformers import SentenceTransformer


_EXAMPLES: Final = ["the bus is quiet", "CAN high lies on ground, so nothing answers"]
_MOST_TOKENS: Final = 512
"""For a model that names no greatest length (common practice, no source)."""


def write_by_torch(model: Model, folder: Path) -> None:
    """Write graph, weights, tokenizer and settings of a model in a folder or on the hub to `folder`.

    Raises `ModelError` when the extra `models` is not installed, or when the model cannot be loaded or is not one that
    turns text into vectors; `OSError` when there is no room.
    """
    with _quietly():
        whole = _loaded(model)
        try:
            _write_tokenizer(whole, folder / TOKENIZER)
            _write_graph(whole, folder / GRAPH)
            seal(folder, _settings(whole))
        except OSError:
            raise
        except Exception as error:  # whatever a foreign model makes the exporter raise
            raise ModelError(
                f"text model '{model.name}' cannot be exported ({_first_line(error)}); "
                "name a Sentence Transformers model that turns text into vectors"
            ) from error


def _loaded(model: Model) -> SentenceTransformer:
    place = str(model.folder.resolve()) if model.folder else model.name
    try:
        from sentence_transformers import SentenceTransformer  # noqa: PLC0415

        fetch = model.folder is None and _hub_knows(model.name)
        whole = SentenceTransformer(place, device="cpu", local_files_only=not fetch)
    except ImportError as error:
        raise ModelError(
            f"text model '{model.name}': a package that reads it cannot be imported ({_first_line(error)}); "
            "install it with pip install 'casebase[models]', or use the model that casebase brings"
        ) from error
    except Exception as error:  # files out of reach, or not what they should be: all kinds of error
        raise ModelError(_cannot_load(model, error)) from error
    return whole.float().eval()


def _hub_knows(name: str) -> bool:
    """Ask the hub once: the libraries would ask for every file and try a minute long where there is no network."""
    from huggingface_hub import HfApi  # noqa: PLC0415

    try:
        HfApi().model_info(name, timeout=10)
    except Exception:  # no network, no such model, no leave: what lies in the hub's own cache may still do
        return False
    return True


def _cannot_load(model: Model, error: Exception) -> str:
    if model.folder is None:
        return (
            f"text model '{model.name}' cannot be fetched from the model hub ({_first_line(error)}); "
            "check the name and the network, or name a folder that holds the model"
        )
    return f"text model '{model.name}' cannot be loaded ({_first_line(error)}); put its files there again"


def _write_tokenizer(whole: SentenceTransformer, path: Path) -> None:
    """Write the fast tokenizer with the model's greatest length; whoever makes batches does the padding."""
    backend = whole.tokenizer.backend_tokenizer
    backend.no_padding()
    backend.enable_truncation(whole.max_seq_length or _MOST_TOKENS, direction=whole.tokenizer.truncation_side)
    backend.save(str(path))


def _write_graph(whole: SentenceTransformer, path: Path) -> None:
    import torch  # noqa: PLC0415

    example = {name: value for name, value in whole.preprocess(_EXAMPLES).items() if torch.is_tensor(value)}
    dynamic = torch.export.Dim.DYNAMIC
    program = torch.onnx.export(
        _as_one_module(whole, list(example)),
        tuple(example.values()),
        dynamo=True,
        input_names=list(example),
        output_names=["vectors"],
        dynamic_shapes=(tuple({0: dynamic, 1: dynamic} for _ in example),),
        verbose=False,
    )
    if program is None:
        raise ValueError("the exporter gave nothing")
    program.save(str(path), external_data=True)


def _as_one_module(whole: SentenceTransformer, names: list[str]) -> Any:
    """Return all modules of the model as one, from the tensors `names` to vectors of length 1."""
    import torch  # noqa: PLC0415

    class Whole(torch.nn.Module):  # type: ignore[misc]  # torch is not looked into
        def __init__(self) -> None:
            super().__init__()
            self.whole = whole

        def forward(self, *tensors: Any) -> Any:
            told = self.whole(dict(zip(names, tensors, strict=True)))["sentence_embedding"]
            return torch.nn.functional.normalize(told[:, : whole.truncate_dim], p=2, dim=1)

    return Whole().eval()


def _settings(whole: SentenceTransformer) -> KeptExport:
    probes = whole.encode(list(PROBES), normalize_embeddings=True, show_progress_bar=False)
    return KeptExport(
        weights=_digest(whole),
        dimensions=probes.shape[1],
        pad=whole.tokenizer.pad_token_id or 0,
        pad_left=whole.tokenizer.padding_side == "left",
        prompt=whole.prompts.get(whole.default_prompt_name or "") or "",
        probes=probes.tolist(),
    )


def _digest(whole: SentenceTransformer) -> str:
    tensors = (tensor.detach().cpu().contiguous().numpy() for tensor in whole.state_dict().values())
    pooled = [str(getattr(module, "pooling_mode", "")) for module in whole]
    return digest_of_model(tensors, pooled, whole.max_seq_length, whole.truncate_dim)


@contextmanager
def _quietly() -> Iterator[None]:
    """Keep the libraries' bars, warnings and notes off the screen."""
    before = logging.root.manager.disable
    logging.disable(logging.WARNING)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            _without_bars()
            yield
    finally:
        logging.disable(before)


def _without_bars() -> None:
    try:
        from huggingface_hub.utils import disable_progress_bars  # noqa: PLC0415
        from transformers.utils import logging as notes  # noqa: PLC0415
    except ImportError:
        return  # whoever loads the model says so
    disable_progress_bars()
    notes.disable_progress_bar()


def _first_line(error: Exception) -> str:
    told = str(error).strip() or type(error).__name__
    return "".join(filter(str.isprintable, told.splitlines()[0]))[:200].rstrip(" .:")


_DATA: Final = Path(__file__).parent / "data"
PACKAGED_GRAPH: Final = _DATA / "all-minilm-l6-v2.onnx"
"""What `bert_graph.py` writes; `tests/outside/test_embeddings.py` compares it."""
PROBE_VECTORS: Final = _DATA / "probe_vectors.json"
"""The vectors of `PROBES` as Sentence Transformers gives them; compared there too."""
_DIGEST: Final = "2de8c89d32b3f3cfc7c7d5e364028ae26bf106c98c9dfce69edaf74e4930ceb5"
"""What `digest_of_model` gives for this model when torch exports it; compared there too."""
_PACKAGED_TOKENS: Final = 256
"""From its `sentence_bert_config.json`."""


def write_packaged(folder: Path) -> None:
    """Write graph, weights, tokenizer and settings of the packaged model to `folder`.

    Raises `ModelError` when it is not installed or holds other weights, `OSError` when there is no room.
    """
    source = packaged_folder()
    shutil.copyfile(source / TENSORS, folder / WEIGHTS)
    shutil.copyfile(PACKAGED_GRAPH, folder / GRAPH)
    _write_packaged_tokenizer(source / TOKENIZER, folder / TOKENIZER)
    probes = json.loads(PROBE_VECTORS.read_text(encoding="utf-8"))
    seal(folder, KeptExport(_DIGEST, len(probes[0]), pad=0, pad_left=False, prompt="", probes=probes))


def _write_packaged_tokenizer(source: Path, path: Path) -> None:
    """Write the tokenizer with the model's greatest length; whoever makes batches does the padding."""
    from tokenizers import Tokenizer  # noqa: PLC0415

    tokenizer = Tokenizer.from_file(str(source))
    tokenizer.no_padding()
    tokenizer.enable_truncation(_PACKAGED_TOKENS)
    path.write_text(tokenizer.to_str(), encoding="utf-8")


Progress = Callable[[str, float], None]
"""Is told what is being done, and which share of the whole is done, 0 to 1."""


def export(model: Model, folder: Path, progress: Progress) -> None:
    """Write `model` to `folder` as ONNX, with its tokenizer and settings.

    Raises `ModelError` when the model cannot be loaded, is not one that turns text into vectors, or when the export
    cannot be written.
    """
    progress("exporting the text model", 0.05)
    try:
        if model.packaged:
            write_packaged(folder)
        else:
            write_by_torch(model, folder)
    except OSError as error:
        raise ModelError(
            f"text model: its export cannot be written to {folder.parent} ({error.strerror or error}); "
            "make room there"
        ) from error
    progress("trying the text model", 0.95)
