"""Programs of others that checks hold casebase against: skipped where they are missing, but not on a server."""

from __future__ import annotations

import os
import shutil

import pytest


def needs(program: str, package: str = "") -> pytest.MarkDecorator:
    """Return the mark of tests that need a program; with CI=true they run without it, and so fail."""
    return pytest.mark.skipif(
        shutil.which(program) is None and os.environ.get("CI") != "true",
        reason=f"{program} is not installed (apt-get install {package or program})",
    )
