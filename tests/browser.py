"""A real headless Chromium for tests: no network, console and requests recorded, an accessibility checker at hand.

Skips, with the reason, where there is no Chromium; with TRAINER_REQUIRE_BROWSER=1 that is a failure instead.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import axe_core_python
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

AXE = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[webdriver.Chrome]:
    program = shutil.which("chromium") or shutil.which("google-chrome")
    driver = shutil.which("chromedriver")
    if program is None or driver is None:
        reason = "no chromium with chromedriver on this machine"
        if os.environ.get("TRAINER_REQUIRE_BROWSER") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    options = Options()
    options.binary_location = program
    for flag in (
        "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
        "--disable-dev-shm-usage", f"--user-data-dir={tmp_path / 'profile'}",
    ):  # fmt: skip
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    chrome = webdriver.Chrome(options=options, service=Service(driver))
    try:
        yield chrome
    finally:
        chrome.quit()


def console_errors(chrome: webdriver.Chrome) -> list[str]:
    return [entry["message"] for entry in chrome.get_log("browser") if entry["level"] == "SEVERE"]


def requested(chrome: webdriver.Chrome) -> set[str]:
    """Every address that the page asked for (data: left out)."""
    found = set()
    for entry in chrome.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            found.add(message["params"]["request"]["url"])
        if message["method"] == "Network.webSocketCreated":
            found.add(message["params"]["url"])
    return {url for url in found if not url.startswith(("data:", "chrome:", "about:"))}


def serious_findings(chrome: webdriver.Chrome) -> list[str]:
    """What the checker (axe, as PyPI `axe-core-python` packages it) calls serious or critical."""
    chrome.execute_script(AXE)
    result: dict[str, Any] = chrome.execute_async_script(
        "const done = arguments[arguments.length - 1]; axe.run().then(done, e => done({error: String(e)}));"
    )
    assert "error" not in result, result["error"]
    return [
        f"{v['id']}: {v['nodes'][0]['html'][:200]}"
        for v in result["violations"]
        if v["impact"] in ("serious", "critical")
    ]
