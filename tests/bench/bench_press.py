"""How long a button of the stand page takes to reach the engine: a real session, its page in real Chromium here.

    python tests/bench/bench_press.py

Forty presses of "Pause". Timed on the machine's clock: from the click in the page to the command written to the
engine's pipe, and to the page's document showing what the engine then said of itself.
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from trainer.engine import Command
from trainer.live import PlayOptions, play
from trainer.live.link import EngineLink
from trainer.page import PageLink
from trainer.session import expand, session_from_dict

N = 40
WATCH = """
window.clicked=[];window.shown=[];const now=()=>performance.timeOrigin+performance.now();
document.addEventListener("click",()=>window.clicked.push(now()),true);
new MutationObserver(()=>window.shown.push([document.getElementById("phase").textContent,now()])).observe(
  document.getElementById("phase"),{childList:true,characterData:true,subtree:true});
"""


def main() -> None:
    session = session_from_dict({"tempo_bpm": 60.0, "chorus": [{"role": "verse", "times": 4}]})
    said_ms: list[float] = []
    plain = EngineLink.say

    def say(self: EngineLink, message: object) -> bool:
        done = plain(self, message)  # type: ignore[arg-type]
        if isinstance(message, Command) and message.name == "toggle":
            said_ms.append(time.time() * 1000.0)
        return done

    EngineLink.say = say  # type: ignore[assignment,method-assign]
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or shutil.which("google-chrome") or ""
    for flag in ("--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(flag)
    browser = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    page = PageLink(expand(session))
    clicked: list[float] = []
    shown: list[tuple[str, float]] = []

    def press() -> None:
        browser.get(page.url)
        time.sleep(4.0)
        browser.execute_script(WATCH)
        for _ in range(N):
            browser.execute_script("document.querySelector('[data-do=pause]').click()")
            time.sleep(0.4)
        clicked[:] = browser.execute_script("return window.clicked")
        shown[:] = [tuple(row) for row in browser.execute_script("return window.shown")]
        browser.execute_script("socket.send(JSON.stringify({do:'stop'}))")

    thread = threading.Thread(target=press)
    thread.start()
    try:
        with tempfile.TemporaryDirectory() as folder:
            play(session, PlayOptions(audio="none", quiet_screen=True, stand=page, takes_dir=Path(folder)))
        thread.join()
    finally:
        page.close()
        browser.quit()
    to_engine = [said - click for click, said in zip(clicked, said_ms, strict=True)]
    back = [min((at for _, at in shown if at > click), default=float("nan")) - click for click in clicked]
    for name, row in (("click to the engine's pipe", to_engine), ("click to the page showing it", back)):
        known = sorted(value for value in row if value == value)
        print(f"{name:<30} n {len(known)}  median {statistics.median(known):6.1f} ms  most {known[-1]:6.1f} ms")
    print(f"within 100 ms: {sum(value <= 100.0 for value in to_engine)} of {len(to_engine)}")


if __name__ == "__main__":
    main()
