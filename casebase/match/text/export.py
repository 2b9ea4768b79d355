"""Exporting a text model to ONNX, once: the packaged one from its weights, any other through torch."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from casebase.errors import ModelError
from casebase.match.text.model_store import Model
from casebase.match.text.packaged_export import write_packaged
from casebase.match.text.torch_export import write_by_torch

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
