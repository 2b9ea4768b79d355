"""Style sheets and scripts: read once, addressed by their content, so that browsers may keep them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib.resources import files
from typing import Final

FOR_EVER: Final = "public, max-age=31536000, immutable"

_TYPES: Final = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}


@dataclass(frozen=True)
class Asset:
    """One file of `static/`."""

    content: str
    content_type: str
    digest: str


def _read() -> dict[str, Asset]:
    found = {}
    for path in sorted((files(__package__) / "static").iterdir(), key=lambda path: path.name):
        kind = _TYPES.get(f".{path.name.rpartition('.')[2]}")
        if kind:
            content = path.read_text(encoding="utf-8")
            found[path.name] = Asset(content, kind, hashlib.sha256(content.encode()).hexdigest()[:12])
    return found


ASSETS: Final = _read()
"""Every style sheet and script of the site, by name."""


def asset_address(name: str) -> str:
    """Return the address of a style sheet or script."""
    return f"/-/casebase/{name}?v={ASSETS[name].digest}"


STYLES: Final = [asset_address(name) for name in ASSETS if name.endswith(".css")]
"""The style sheets of every page."""
