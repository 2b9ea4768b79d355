"""The SQLite library: records kept, made into tables, searched, compared, checked."""

from __future__ import annotations

import sys


def _import_without_pandas() -> None:
    """Import sqlite-utils without pandas: where it is installed it would be imported, half a second for nothing."""
    if "pandas" in sys.modules or "sqlite_utils" in sys.modules:
        return
    sys.modules["pandas"] = None  # type: ignore[assignment]  # an import of it fails, which sqlite-utils expects
    try:
        import sqlite_utils  # noqa: F401, PLC0415
    finally:
        del sys.modules["pandas"]


_import_without_pandas()
