"""Exporting any Sentence Transformers model to ONNX: modules, pooling, normalising, in float32.

This alone imports torch and sentence-transformers, which the extra `models` brings and which take seconds. Afterwards
ONNX Runtime and tokenizers do.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from casebase.errors import ModelError
from casebase.match.text.model_store import GRAPH, PROBES, TOKENIZER, KeptExport, Model, digest_of_model, seal

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
