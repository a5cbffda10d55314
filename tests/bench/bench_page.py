"""How far the stand page is behind the engine: a real session played, its page in real Chromium on this machine.

    python tests/bench/bench_page.py              # the browser alone
    python tests/bench/bench_page.py --crowd      # beside it every other seat taken by clients that never read,
                                                  # and a hundred more refused every second

The front knows the engine's place on its own clock (the handshake measures the offset between the two processes). Each
change of beat is timed twice on the machine's clock: when the engine's place crosses it, and when the page's document
has changed. Beside it, from the same run: a page that shows each message as it comes and nothing between.
"""

from __future__ import annotations

import argparse
import bisect
import contextlib
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from trainer.live import play
from trainer.live.options import PlayOptions
from trainer.page import PageLink
from trainer.page.server import MAX_CLIENTS
from trainer.screen import ScreenState
from trainer.session import expand, session_from_dict

BPM = 157.0  # no whole number of 60ths of a second in a beat: beats fall anywhere between two frames
# The bar and the beat that the document shows, each time that they change, and the longest gap between two frames.
WATCH = """
window.seen=[];window.longest=0;let last=performance.now();
const note=()=>{const on=[...document.querySelectorAll("#beats span")].findIndex(s=>s.classList.contains("on"));
  window.seen.push([document.body.dataset.bar,on,performance.timeOrigin+performance.now()]);};
new MutationObserver(note).observe(document.getElementById("beats"),
  {attributes:true,subtree:true,attributeFilter:["class"]});
(function frame(now){window.longest=Math.max(window.longest,now-last);last=now;requestAnimationFrame(frame);})(last);
"""


def crowd(host: str, port: int, code: str) -> None:
    """Every seat taken by clients that never read, and a hundred more refused each second, until killed."""
    stalled = socket.create_connection((host, port))
    stalled.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
    stalled.sendall(
        f"GET /live?code={code} HTTP/1.1\r\nHost: {host}:{port}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\nSec-WebSocket-Version: 13\r\n\r\n".encode()
    )
    address, refused, started = f"ws://{host}:{port}/live?code={code}", 0, time.monotonic()
    with contextlib.ExitStack() as seats:
        while True:
            for _ in range(100):
                try:
                    seats.enter_context(connect(address, max_queue=1, ping_interval=None))
                except InvalidStatus:
                    refused += 1
            print(f"refused {refused} in {time.monotonic() - started:.0f} s", flush=True)
            time.sleep(1.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--crowd", action="store_true")
    parser.add_argument("--crowd-at", nargs=3, metavar=("HOST", "PORT", "CODE"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.crowd_at:
        crowd(given.crowd_at[0], int(given.crowd_at[1]), given.crowd_at[2])
        return
    session = session_from_dict({"tempo_bpm": BPM, "chorus": [{"role": "verse", "times": 3}]})
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
    seen: list[tuple[str, int, float]] = []
    longest: list[float] = []
    said: list[str] = []

    def look() -> None:
        while not links:
            time.sleep(0.05)
        browser.get(links[0].url)
        browser.execute_script(WATCH)
        others = None
        if given.crowd:
            time.sleep(1.0)
            others = subprocess.Popen(
                [sys.executable, __file__, "--crowd-at", "127.0.0.1", str(links[0].port), links[0].code],
                stdout=subprocess.PIPE, text=True,
            )  # fmt: skip
        until = time.monotonic() + 60.0 * (chart.end_beats - chart.count_in_beats) / BPM - 6.0
        time.sleep(max(0.0, until - time.monotonic()))
        seen[:] = [tuple(row) for row in browser.execute_script("return window.seen")]
        longest.append(browser.execute_script("return window.longest"))
        if others is not None:
            others.kill()
            said.extend((others.communicate()[0] or "").splitlines()[-1:])

    watcher = threading.Thread(target=look)
    watcher.start()
    with tempfile.TemporaryDirectory() as folder, contextlib.closing(PageLink(chart)) as stand:
        play(session, PlayOptions(audio="none", quiet_screen=True, stand=stand, takes_dir=Path(folder)))
    watcher.join()
    browser.quit()
    behind, plain = [], []
    beats = [beat for _, beat in told]
    for bar, beat, at_ms in seen:
        if "." not in bar or beat < 0:
            continue
        chorus, number = map(int, bar.split("."))
        onset = next(b.onset_beats for b in chart.bars if (b.chorus, b.bar) == (chorus, number)) + beat
        i = bisect.bisect_left(beats, onset)
        if not 0 < i < len(told):
            continue
        (t0, b0), (t1, b1) = told[i - 1], told[i]
        crossed_ms = t0 + (onset - b0) / (b1 - b0) * (t1 - t0)
        behind.append(at_ms - crossed_ms)
        plain.append(t1 - crossed_ms)
    behind.sort()
    at = lambda share: behind[min(len(behind) - 1, int(share * len(behind)))]  # noqa: E731
    print(f"{len(behind)} changes of beat; milliseconds behind the engine (negative: ahead)")
    print(f"  the page: median {at(0.5):.1f}, least {behind[0]:.1f}, 99 % under {at(0.99):.1f}, most {behind[-1]:.1f}")
    print(f"  as messages come: median {statistics.median(plain):.1f}, most {max(plain):.1f} before they even travel")
    print(f"  ratio of the medians: {at(0.5) / statistics.median(plain):.2f}")
    print(f"  longest gap between two frames of the browser: {longest[0]:.1f} ms")
    if given.crowd:
        print(
            f"  {MAX_CLIENTS} seats, the others' held by clients that never read; {' '.join(said) or 'nobody refused'}"
        )


if __name__ == "__main__":
    main()
