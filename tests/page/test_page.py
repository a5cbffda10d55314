"""The stand page: in step with the band, its code, its limits, and clients that stall or come back."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from websockets.datastructures import Headers
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.http11 import Request
from websockets.sync.client import ClientConnection, connect

from tests.browser import browser, console_errors, requested, serious_findings  # noqa: F401
from trainer.errors import UsageError
from trainer.page import PageLink, server
from trainer.page import link as page_link
from trainer.page.server import MAX_CLIENTS
from trainer.screen import ScreenState
from trainer.session import default_session, expand, session_from_dict

CHART = expand(default_session())
# The chords that stand out of their half of the page.
OVER = """return ["now", "next"].filter(id => {
  const node = document.getElementById(id), range = document.createRange();
  range.selectNodeContents(node);
  const text = range.getBoundingClientRect(), box = node.parentElement.getBoundingClientRect();
  return text.right > box.right + 1 || node.getBoundingClientRect().bottom > box.bottom + 1 ||
    node.getBoundingClientRect().top < box.top - 1;
})"""


@pytest.fixture
def page() -> Iterator[PageLink]:
    with closing(PageLink(CHART)) as link:
        yield link


@pytest.fixture(scope="module")
def one_page() -> Iterator[PageLink]:
    """For what a request leaves no trace of."""
    with closing(PageLink(CHART)) as link:
        yield link


def live(link: PageLink) -> str:
    return link.url.replace("http", "ws", 1).replace("/?", "/live?")


def told(client: ClientConnection, kind: str) -> Any:
    """The next news of a kind."""
    while True:
        message = json.loads(client.recv(timeout=60))
        if kind in message:
            return message[kind]


def state(beats: float, phase: str = "playing") -> ScreenState:
    return ScreenState(chart=CHART, at_beats=beats, phase=phase)


def test_chart_first_then_only_the_newest_place(page: PageLink) -> None:
    with connect(live(page)) as client:
        chart = told(client, "chart")
        assert [bar["chords"] for bar in chart["bars"][:2]] == [["G7"], ["C7"]] and len(chart["bars"]) == 60
        page.send(state(5.0))
        assert told(client, "place")["beats"] == 5.0
    # One that comes later, or comes back, gets the chart and the place as it is now.
    with connect(live(page)) as client:
        assert told(client, "chart")["bars"]
        assert told(client, "place")["beats"] == 5.0


def test_a_cue_is_told(page: PageLink) -> None:
    with connect(live(page)) as client:
        client.recv(timeout=60)
        page.send(ScreenState(chart=CHART, at_beats=5.0, cue="one more chorus"))
        assert told(client, "place")["cue"] == "one more chorus"


def test_a_hundred_clients_are_refused_politely(page: PageLink) -> None:
    page.send(state(1.0))
    served, refused = 0, []
    with contextlib.ExitStack() as clients:
        for _ in range(100):
            try:
                client = clients.enter_context(connect(live(page)))
            except InvalidStatus as error:
                refused.append((error.response.status_code, error.response.body))
                continue
            client.recv(timeout=60)
            served += 1
    assert served == MAX_CLIENTS and len(refused) == 100 - MAX_CLIENTS
    assert all(status == 503 and b"Full" in body for status, body in refused)


def test_who_comes_and_goes_while_nothing_is_played_takes_nobodys_place(page: PageLink) -> None:
    for _ in range(2 * MAX_CLIENTS):
        with connect(live(page)) as client:
            assert told(client, "chart")
    with connect(live(page)) as client:
        assert told(client, "chart")
        page.close()
        with pytest.raises(ConnectionClosed) as gone:
            told(client, "never")
    assert gone.value.rcvd is not None and gone.value.rcvd.code == 1001  # by this the page knows to say goodbye


def test_a_stalled_client_holds_nobody_up(page: PageLink) -> None:
    # A client that asks for the socket and then never reads a byte.
    stalled = socket.create_connection(("127.0.0.1", page.port))
    stalled.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
    stalled.sendall(
        f"GET /live?code={page.code} HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\n"
        "Upgrade: websocket\r\nConnection: Upgrade\r\n"
        "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\nSec-WebSocket-Version: 13\r\n\r\n".encode()
    )
    with connect(live(page)) as client:
        client.recv(timeout=60)
        for i in range(200):
            page.send(state(float(i)))
            got = told(client, "place")["beats"]
            while got < i:
                got = told(client, "place")["beats"]
            assert got == i
    stalled.close()


@pytest.mark.parametrize("host", ["0.0.0.0", "127.0.0.1"])
def test_nobody_sees_or_presses_anything_without_the_code(host: str) -> None:
    link = PageLink(CHART, host)
    try:
        assert len(link.code) == 8 and link.open_to_room == (host == "0.0.0.0")
        assert any("█" in line for line in link.qr_lines())
        base = f"http://127.0.0.1:{link.port}/"
        for url in (base, base + "?code=WRONGONE", base + "report", base + "report?code=WRONGONE"):
            with pytest.raises(urllib.error.HTTPError) as refused:
                urllib.request.urlopen(url, timeout=60)
            assert refused.value.code == 403
            refused.value.close()
        with pytest.raises(InvalidStatus), connect(f"ws://127.0.0.1:{link.port}/live?code=WRONGONE"):
            pass
        with urllib.request.urlopen(f"{base}?code={link.code}", timeout=60) as answer:
            assert answer.status == 200
        with connect(f"ws://127.0.0.1:{link.port}/live?code={link.code}") as client:
            assert told(client, "chart")["bars"]
    finally:
        link.close()


def test_another_site_may_not_listen(page: PageLink) -> None:
    with pytest.raises(InvalidStatus) as refused, connect(live(page), origin="http://elsewhere.example"):  # type: ignore[arg-type]
        pass
    assert refused.value.response.status_code == 403


@pytest.mark.parametrize(
    ("asked", "ours"),
    [
        ("127.0.0.1:{port}", True),
        ("localhost:{port}", True),
        ("[::1]:{port}", True),
        ("192.0.2.7", True),
        (socket.gethostname().upper(), True),
        ("elsewhere.example:{port}", False),  # a foreign name that has been made to lead to this machine
        ("localhost.elsewhere.example", False),
        ("127.0.0.1.elsewhere.example", False),
        ("[", False),
        ("", False),
    ],
)
def test_the_page_is_given_out_under_its_own_address_only(one_page: PageLink, asked: str, ours: bool) -> None:
    request = urllib.request.Request(one_page.url, headers={"Host": asked.format(port=one_page.port)})
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            assert ours and answer.status == 200
    except urllib.error.HTTPError as error:
        assert not ours and error.code in (400, 421)
        error.close()


@pytest.mark.parametrize(
    "request_line",
    [
        "GET //[ HTTP/1.1\r\nHost: {host}",
        "GET / HTTP/1.1\r\nHost: {host}\r\nHost: {host}",
        "GET /live?code={code} HTTP/1.1\r\nHost: {host}\r\nOrigin: http://[",
        "GET /live?code={code} HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nOrigin: http://{host}",
    ],
    ids=["address", "two hosts", "origin", "two origins"],
)
def test_what_no_browser_asks_is_refused_and_writes_nothing_into_the_log(page: PageLink, request_line: str) -> None:
    """Else whoever is in the room fills the player's disk, without knowing the code."""
    asked = request_line.format(host=f"127.0.0.1:{page.port}", code=page.code)
    upgrade = (
        "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"
        "Sec-WebSocket-Version: 13"
    )
    with socket.create_connection(("127.0.0.1", page.port), timeout=60) as client:
        client.sendall(f"{asked}\r\n{upgrade}\r\n\r\n".encode())
        answer = b""
        while piece := client.recv(4096):
            answer += piece
    assert answer.startswith(b"HTTP/1.1 400 ") and b"no request of a browser's" in answer
    assert page.log_path is not None and page.log_path.read_text() == ""


@pytest.mark.parametrize("fault", [KeyError("chart"), ValueError("a figure"), OSError("a disk")], ids=repr)
def test_a_fault_of_ours_is_told_as_one_and_stands_in_the_log_alone(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], fault: Exception
) -> None:
    """Not as the browser's mistake, and without a word of the program's inside."""

    def broken(nonce: str) -> str:
        raise fault

    monkeypatch.setattr(server, "page_html", broken)
    request = Request("/?code=ABCDEFGH", Headers([("Host", "127.0.0.1:4000")]))
    answer = server._Stand("127.0.0.1", "ABCDEFGH").answer(None, request)  # type: ignore[arg-type]
    assert answer is not None and answer.status_code == 500
    assert answer.body == b"A fault of the program; the page's log says which.\n"
    assert repr(fault).split("(")[0] in capsys.readouterr().err


def test_a_name_of_several_addresses_is_served_from_the_one_that_was_judged(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else a name that leads to the loopback first and to the room second would open the page to the room unsaid."""
    real = socket.getaddrinfo

    def both(host: object, *rest: object, **more: object) -> list[object]:
        if host == "two-homes":
            return [*real("127.0.0.1", *rest, **more), *real("127.0.0.2", *rest, **more)]  # type: ignore[arg-type]
        return list(real(host, *rest, **more))  # type: ignore[arg-type]

    monkeypatch.setattr(socket, "getaddrinfo", both)
    with contextlib.closing(PageLink(CHART, "two-homes")) as link:
        assert not link.open_to_room
        socket.create_connection(("127.0.0.1", link.port), timeout=60).close()
        with pytest.raises(OSError):
            socket.create_connection(("127.0.0.2", link.port), timeout=1.0).close()


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="the list of processes as Linux keeps it")
def test_the_code_is_in_nobodys_list_of_processes(page: PageLink) -> None:
    arguments = Path(f"/proc/{page._process.pid}/cmdline").read_bytes()
    assert b"trainer.page" in arguments and page.code.encode() not in arguments


def test_the_page_s_process_ends_with_its_input_whoever_is_looking(page: PageLink) -> None:
    with connect(live(page)) as client:
        client.recv(timeout=60)
        stalled = socket.create_connection(("127.0.0.1", page.port))
        assert page._process.stdin is not None
        page._process.stdin.close()  # as when the front is killed
        page._process.wait(timeout=20.0)
        stalled.close()


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="this system stops no process from outside")
def test_a_page_that_takes_nothing_any_more_keeps_nobody_from_leaving() -> None:
    link = PageLink(CHART)
    os.kill(link._process.pid, signal.SIGSTOP)
    for _ in range(1_000):  # more than any pipe holds
        link.send(state(0.0))
        link.show(CHART)
    leaving = threading.Thread(target=link.close, daemon=True)
    leaving.start()
    leaving.join(timeout=20.0)
    ended = not leaving.is_alive()
    link._process.kill()
    assert ended


def test_a_page_that_is_slow_to_start_is_waited_for_and_that_is_said_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_link, "SLOW_S", 0.0)
    said: list[str] = []
    with contextlib.closing(PageLink(CHART, say=said.append)) as link, connect(live(link), proxy=None) as client:
        assert told(client, "chart")
    (line,) = said
    assert "slow to start and is waited for" in line


def test_who_gives_up_waiting_for_the_page_leaves_no_process(monkeypatch: pytest.MonkeyPatch) -> None:
    def give_up(text: str) -> None:
        raise KeyboardInterrupt

    started: list[subprocess.Popen[bytes]] = []

    def note(*args: Any, **options: Any) -> subprocess.Popen[bytes]:
        started.append(original(*args, **options))
        return started[-1]

    original = subprocess.Popen
    monkeypatch.setattr(page_link, "SLOW_S", 0.0)
    monkeypatch.setattr(page_link.subprocess, "Popen", note)
    with pytest.raises(KeyboardInterrupt):
        PageLink(CHART, say=give_up)
    assert started[0].poll() is not None


def test_a_port_in_use_and_a_host_of_nobody_are_said() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(UsageError, match="cannot serve the page"):
            PageLink(CHART, "127.0.0.1", taken.getsockname()[1])
    with pytest.raises(UsageError, match="cannot serve the page"):
        PageLink(CHART, "203.0.113.77")


def test_bars_change_in_step_in_a_real_browser(page: PageLink, browser: webdriver.Chrome) -> None:  # noqa: F811
    """The bar that the page shows is the bar of the engine's place, within 50 ms and the time to ask."""
    start_s = time.monotonic()
    stop = threading.Event()

    def beats_now() -> float:
        return 40.0 + (time.monotonic() - start_s) * 4.0  # 240 bpm: a bar a second

    def player() -> None:
        while not stop.is_set():
            page.send(ScreenState(chart=CHART, at_beats=beats_now(), tempo_bpm=240.0, cue="last verse: hold it down"))
            time.sleep(0.05)

    thread = threading.Thread(target=player)
    thread.start()
    try:
        browser.set_window_size(800, 1100)
        browser.get(page.url)
        deadline = time.monotonic() + 60.0
        while not browser.execute_script("return document.body.dataset.bar || ''") and time.monotonic() < deadline:
            time.sleep(0.05)
        late = 0
        for _ in range(60):
            before = beats_now()
            shown = browser.execute_script("return document.body.dataset.bar")
            after = beats_now()
            bars = {
                f"{bar.chorus}.{bar.bar}"
                for bar in (CHART.bars[int(i)] for i in CHART.bar_idx_at([before - 0.2, before, after, after + 0.05]))
            }  # 0.2 beats at 240 bpm are 50 ms
            late += shown not in bars
            time.sleep(0.03)
        assert late == 0
        assert browser.find_element("id", "now").text in {"G7", "C7", "D7"}
        assert browser.find_element("id", "cue").text == "last verse: hold it down"
        here = browser.find_elements("css selector", "#grid .here")
        assert len(here) == 1
    finally:
        stop.set()
        thread.join()
    assert console_errors(browser) == []
    assert {url.split("/")[2] for url in requested(browser)} == {f"127.0.0.1:{page.port}"}
    assert serious_findings(browser) == []


def test_an_intro_stands_where_it_stands_in_the_form(browser: webdriver.Chrome) -> None:  # noqa: F811
    """A turnaround over bars 11 and 12, the twelve bars in three rows of four; a long notice covers nothing."""
    chart = expand(session_from_dict({"key": "A", "start": "from_the_turnaround", "chorus": [{"role": "verse"}]}))
    with contextlib.closing(PageLink(chart)) as link:
        told = ScreenState(chart=chart, at_beats=chart.first_beats + 0.5, warnings=("a word of news, " * 20,))
        link.send(told)
        browser.set_window_size(1280, 800)
        browser.get(link.url)
        deadline = time.monotonic() + 60.0
        while len(browser.find_elements("css selector", "#grid div")) < 14 and time.monotonic() < deadline:
            link.send(told)
            time.sleep(0.05)
        seen = browser.execute_script(
            "return [...document.querySelectorAll('#grid div')].map(node => [parseInt(node.textContent), "
            "Math.round(node.getBoundingClientRect().left), Math.round(node.getBoundingClientRect().top)])"
        )
        assert browser.find_element("id", "where").text == "intro"
        bottom, top = browser.execute_script(
            "return [document.getElementById('beats').getBoundingClientRect().bottom, "
            "document.getElementById('grid').getBoundingClientRect().top]"
        )
    lefts, tops = (sorted({row[i] for row in seen}) for i in (1, 2))
    assert [bar for bar, *_ in seen] == [11, 12, *range(1, 13)]
    assert [(lefts.index(left), tops.index(top_)) for _, left, top_ in seen] == [
        (2, 0), (3, 0), *((i % 4, 1 + i // 4) for i in range(12))
    ]  # fmt: skip
    assert bottom <= top


def test_the_page_comes_back_by_itself(browser: webdriver.Chrome) -> None:  # noqa: F811
    """The program ends and is started again on the same port: the page says so, then goes on with the new song.
    Where it ended as it should the page says goodbye, and comes back all the same."""
    link = PageLink(CHART)
    port, url = link.port, link.url
    other = expand(session_from_dict({"title": "The next song", "key": "A", "chorus": [{"role": "verse"}]}))

    def until(words: str, node: str) -> None:
        deadline = time.monotonic() + 60.0
        while browser.find_element("id", node).text != words and time.monotonic() < deadline:
            time.sleep(0.02)
        assert browser.find_element("id", node).text == words

    try:
        link.send(state(5.0, "paused"))
        browser.get(url)
        until("C7", "now")
        link._process.kill()
        until("not connected, trying again", "link")
        link.close()
        link = PageLink(other, "127.0.0.1", port, code=link.code)
        until("", "link")
        link.close()
        until("Until next time", "desk-title")  # it ended as it should: a goodbye
        assert browser.find_elements("css selector", "#hands button") == []
        link = PageLink(other, "127.0.0.1", port, code=link.code)
        link.send(ScreenState(chart=other, at_beats=1.0, phase="paused"))
        until("A7", "now")
        until("The next song", "title")
        until("", "link")
    finally:
        link.close()


def test_a_count_back_into_the_song_shows_where_it_leads(page: PageLink, browser: webdriver.Chrome) -> None:  # noqa: F811
    """While it is counted, and in the moment after it before the next place has come."""
    idx = 12 + 8  # chorus 2, bar 9
    bar = CHART.bars[idx]

    def seen(beats: float) -> dict[str, str]:
        page.send(ScreenState(chart=CHART, at_beats=beats, phase="count_in", tempo_bpm=240.0, counts_to_idx=idx))
        deadline = time.monotonic() + 60.0
        while abs((browser.execute_script("return place&&place.beats") or 0.0) - beats) > 1e-6:
            assert time.monotonic() < deadline
            time.sleep(0.01)
        time.sleep(0.6)  # nothing is guessed beyond half a second: two beats
        names = ("where", "now", "next", "degree")
        return {name: browser.find_element("id", name).text for name in names}

    browser.get(page.url)
    counted, gone_on = seen(-3.9), seen(-0.5)
    assert counted["where"].startswith(f"chorus {bar.chorus} ") and counted["degree"] == "count-in"
    assert counted["next"] == bar.chords[0].name and counted["now"] in "1234"
    assert gone_on["now"] == bar.chords[0].name and gone_on["degree"] == bar.degrees[0]


def test_a_message_that_was_held_up_sets_nothing_back(page: PageLink, browser: webdriver.Chrome) -> None:  # noqa: F811
    """What arrives 0.4 s late still says where the song was when it was sent; the page goes on from there."""

    def place(beats: float, at_s: float) -> bytes:
        row = {"beats": beats, "bpm": 240.0, "phase": "playing", "warnings": [], "cue": "", "at": at_s * 1000.0}
        return json.dumps({"place": row}).encode() + b"\n"

    def until(beats: float) -> float:
        deadline = time.monotonic() + 60.0
        while abs((browser.execute_script("return place&&place.beats") or 0.0) - beats) > 1e-6:
            assert time.monotonic() < deadline
            time.sleep(0.01)
        return time.perf_counter()

    browser.get(page.url)
    start_s = time.perf_counter()
    assert page._write(place(40.0, start_s))
    until(40.0)
    sent_s = time.perf_counter()
    told = 40.0 + 4.0 * (sent_s - start_s)
    assert page._write(place(told, sent_s))  # in time
    travelled_s = until(told) - sent_s  # at the most
    least_ms = browser.execute_script("return trueAt-place.at")
    time.sleep(0.4)
    assert page._write(place(told + 0.001, sent_s))  # the same moment, held up
    before = until(told + 0.001)
    assert browser.execute_script("return trueAt-place.at") <= least_ms + 1e-6
    shown = browser.execute_script("return beatsNow()")
    latest = sent_s + 0.508  # nothing is guessed beyond half a second
    low, high = (told + 4.0 * (min(moment, latest) - sent_s) for moment in (before, time.perf_counter()))
    assert low - 4.0 * travelled_s - 0.05 < shown < high + 0.05


def test_every_chord_fits_every_tablet(browser: webdriver.Chrome) -> None:  # noqa: F811
    """The widest chords, now and next, stay inside their halves of the page; nothing is pushed off it."""
    names = ["Bbm7b5", "C#dim7", "Eb7#9", "Bbmaj7", "G7sus4", "Abm7", "Bb13", "D7"]
    bars = [*names, "Bb7", "Ebm7 C#dim7", "Bb7 G7 Cm7 F7"]
    chart = expand(
        session_from_dict({"form": "chart", "key": "Bb", "chart": {"bars": bars}, "chorus": [{"role": "solo"}]})
    )
    link = PageLink(chart)
    try:
        for width, height in ((390, 844), (844, 390), (820, 1180), (1180, 820)):
            browser.execute_cdp_cmd(
                "Emulation.setDeviceMetricsOverride",
                {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
            )
            link.send(ScreenState(chart=chart, at_beats=0.0, phase="paused"))
            browser.get(link.url)
            for i, name in enumerate(names):
                link.send(
                    ScreenState(chart=chart, at_beats=4.0 * i + 1.0, phase="paused", cue="last verse: hold it down")
                )
                shown = name[0] + name[1:].replace("b", "♭", 1) if name[1] == "b" else name
                deadline = time.monotonic() + 60.0
                while browser.find_element("id", "now").text != shown and time.monotonic() < deadline:
                    time.sleep(0.02)
                assert browser.find_element("id", "now").text == shown
                over = browser.execute_script(OVER)
                assert over == [], f"{name} at {width} x {height}"
                cells = "document.querySelectorAll('#grid div')"
                assert browser.execute_script(f"return [...{cells}].every(c => c.scrollWidth <= c.clientWidth)")
                foot = browser.execute_script("return document.querySelector('footer').getBoundingClientRect().bottom")
                assert foot <= height + 1
    finally:
        link.close()


def test_the_page_is_opened_to_the_room_from_the_command_line(tmp_path: Path) -> None:
    """`trainer play --page-host` on the real engine, never touched again: address, code and QR are printed; a song, its
    key and tempo are chosen, started, stopped and left from the stand; the places follow the song."""
    with subprocess.Popen(
        [sys.executable, "-m", "trainer", "play", "--choruses", "2", "--bpm", "200", "--no-audio", "--plain",
         "--page-host", "0.0.0.0", "--takes", str(tmp_path)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, encoding="utf-8",
        env=os.environ | {"PYTHONIOENCODING": "utf-8"},
    ) as program:  # fmt: skip
        assert program.stdout is not None
        said = []
        for line in program.stdout:
            said.append(line)
            if line.startswith("Choose and start"):
                break
        url = next(line.split(": ", 1)[1].strip() for line in said if line.startswith("stand page: "))
        code, port = url.split("?code=")[1], int(url.split(":")[2].split("/")[0])
        assert len(code) == 8 and sum("█" in line for line in said) > 10
        with pytest.raises(InvalidStatus), connect(f"ws://127.0.0.1:{port}/live?code=AAAAAAAA"):
            pass
        with connect(f"ws://127.0.0.1:{port}/live?code={code}") as client:
            desk = told(client, "desk")
            assert desk["mode"] == "choose" and desk["bpm"] == 200.0 and len(desk["songs"]) > 5
            client.send(json.dumps({"do": "start", "choice": {"song": "no such song", "key": "A", "bpm": 90}}))
            assert "no such song" in told(client, "desk")["said"]
            client.send(json.dumps({"do": "start", "choice": {"song": "stage-opener", "key": "C", "bpm": 180}}))
            chart = told(client, "chart")
            assert (chart["key"], chart["choruses"]) == ("C", 7)
            places = [told(client, "place") for _ in range(30)]
            beats = [place["beats"] for place in places]
            assert beats == sorted(beats) and beats[-1] > beats[0] and {p["bpm"] for p in places} == {180.0}
            client.send(json.dumps({"do": "again"}))
            while told(client, "place")["beats"] > beats[0] + 1.0:  # counted in once more
                pass
            client.send(json.dumps({"do": "stop"}))
            while (desk := told(client, "desk")) is None:
                pass
            assert desk["mode"] == "after" and desk["key"] == "C"
            client.send(json.dumps({"do": "leave"}))
            rest = program.stdout.read()
        assert program.wait(timeout=90) == 0
        assert "tablet 1: " in rest and "No notes were heard" in rest
