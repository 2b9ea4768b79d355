"""A real browser and a real server for the tests of the site."""

import os
import shutil
import socket
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, sync_playwright

from casebase.library.news import News
from casebase.site.serving import server_over

PHONE = {"width": 390, "height": 700}
DESK = {"width": 1200, "height": 900}


@contextmanager
def served(path: Path, news: Sequence[News] = ()) -> Iterator[str]:
    """Yield the address of a site over `path`, answered in a thread."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server: uvicorn.Server = server_over(path, "127.0.0.1", port, news)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started and thread.is_alive():
        time.sleep(0.05)
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(timeout=60)


@contextmanager
def chromium() -> Iterator[Browser]:
    """Yield the installed chromium; where there is none the tests are left out, in CI they fail."""
    found = shutil.which("chromium")
    if found is None and os.environ.get("CI") is None:
        pytest.skip("chromium is not installed")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield browser
        browser.close()
