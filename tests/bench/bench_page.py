"""How far the stand page is behind the engine: a real session played, its page in real Chromium on this machine.

    python tests/bench/bench_page.py

The front knows the engine's place on its own clock (the handshake measures the offset between the two processes). Each
change of bar is timed twice on the machine's clock: when the engine's place crosses it, and when the page's document
has changed. Beside it, from the same run: the same page without extrapolating between messages
(what a page that only shows the newest message would be behind).
"""

from __future__ import annotations

import bisect
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import shutil

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from trainer.live import play
from trainer.live.options import PlayOptions
from trainer.page import PageLink
from trainer.screen import ScreenState
from trainer.session import expand, session_from_dict

WATCH = """
window.seen=[];new MutationObserver(()=>window.seen.push([document.body.dataset.bar,
performance.timeOrigin+performance.now()])).observe(document.body,{attributes:true,attributeFilter:["data-bar"]});
"""


def main() -> None:
    session = session_from_dict({"tempo_bpm": 160.0, "chorus": [{"role": "verse", "times": 2}]})
    chart = expand(session)
    told: list[tuple[float, float]] = []  # (epoch ms, the engine's beats) at each message
    links: list[PageLink] = []
    plain_init, plain_send = PageLink.__init__, PageLink.send

    def init(self: PageLink, *given: object, **named: object) -> None:
        plain_init(self, *given, **named)  # type: ignore[arg-type]
        links.append(self)

    def send(self: PageLink, state: ScreenState) -> None:
        told.append((time.time() * 1000.0, state.at_beats))
        plain_send(self, state)

    PageLink.__init__, PageLink.send = init, send  # type: ignore[method-assign]
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or shutil.which("google-chrome") or ""
    for flag in ("--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(flag)
    browser = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    seen: list[tuple[str, float]] = []

    def look() -> None:
        while not links:
            time.sleep(0.05)
        browser.get(links[0].url)
        browser.execute_script(WATCH)
        until = time.monotonic() + 60.0 * (chart.end_beats - chart.count_in_beats) / 160.0 - 3.0
        while time.monotonic() < until:
            time.sleep(0.5)
            seen[:] = [(bar, at) for bar, at in browser.execute_script("return window.seen")]

    watcher = threading.Thread(target=look)
    watcher.start()
    with tempfile.TemporaryDirectory() as folder:
        play(session, PlayOptions(audio="none", quiet_screen=True, page_host="127.0.0.1", takes_dir=Path(folder)))
    watcher.join()
    browser.quit()
    behind, plain = [], []
    beats = [beat for _, beat in told]
    for bar, at_ms in seen:
        if "." not in bar:
            continue
        chorus, number = map(int, bar.split("."))
        onset = next(b.onset_beats for b in chart.bars if (b.chorus, b.bar) == (chorus, number))
        i = bisect.bisect_left(beats, onset)
        if not 0 < i < len(told):
            continue
        (t0, b0), (t1, b1) = told[i - 1], told[i]
        crossed_ms = t0 + (onset - b0) / (b1 - b0) * (t1 - t0)
        behind.append(at_ms - crossed_ms)
        plain.append(t1 - crossed_ms)
    behind.sort()
    print(f"{len(behind)} bar changes; milliseconds behind the engine (negative: ahead)")
    print(f"  the page: median {statistics.median(behind):.1f}, least {behind[0]:.1f}, most {behind[-1]:.1f}")
    print(f"  newest message only: median {statistics.median(plain):.1f}, most {max(plain):.1f} before it even travels")
    print(f"  ratio of the medians: {statistics.median(behind) / statistics.median(plain):.2f}")


if __name__ == "__main__":
    main()
