"""A page of a few words that needs no template: for what is refused before any page is made."""

from __future__ import annotations

from http import HTTPStatus
from typing import Final

from markupsafe import escape

from casebase.site.assets import asset_address

_PAGE: Final = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title><link rel="stylesheet" href="{style}"></head>
<body><main id="content"><h1>{title}</h1><p>{words}</p><p><a class="press" href="/">To the cases</a></p></main></body>
</html>
"""


def plain_page(status: HTTPStatus, words: str) -> str:
    """Return a whole page that says why something was refused and what to do."""
    return _PAGE.format(title=escape(status.phrase), words=escape(words), style=asset_address("casebase.css"))
