"""Linux's edges: the display held over a real D-Bus, by a desktop that stands in for the freedesktop.org service."""

from __future__ import annotations

import re
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator

import pytest

from trainer.system.linux import Linux

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="D-Bus and the desktops of Linux")


@pytest.fixture
def bus(monkeypatch: pytest.MonkeyPatch, tmp_path: object) -> Iterator[str]:
    if shutil.which("dbus-daemon") is None:
        pytest.skip("no dbus-daemon on this machine")
    daemon = subprocess.Popen(
        ["dbus-daemon", "--session", "--nofork", "--print-address"], stdout=subprocess.PIPE, text=True
    )
    assert daemon.stdout is not None
    address = daemon.stdout.readline().strip()
    monkeypatch.setenv("DBUS_SESSION_BUS_ADDRESS", address)
    yield address
    daemon.terminate()
    daemon.wait()
    daemon.stdout.close()


class Desktop:
    """org.freedesktop.ScreenSaver: answers Inhibit with a cookie, and drops it when the asker's connection ends."""

    def __init__(self, *, refuses: bool = False) -> None:
        from jeepney import DBusAddress, new_method_call
        from jeepney.io.blocking import open_dbus_connection

        self.asked: list[tuple[str, str]] = []
        self.gone = threading.Event()
        self._refuses = refuses
        self._bus = open_dbus_connection(bus="SESSION")
        daemon = DBusAddress("/org/freedesktop/DBus", "org.freedesktop.DBus", "org.freedesktop.DBus")
        for method, types, values in (
            ("RequestName", "su", ("org.freedesktop.ScreenSaver", 0)),
            ("AddMatch", "s", ("type='signal',member='NameOwnerChanged'",)),
        ):
            self._bus.send_and_get_reply(new_method_call(daemon, method, types, values))
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._bus.sock.shutdown(socket.SHUT_RDWR)
        self._thread.join(5.0)
        self._bus.close()

    def _serve(self) -> None:
        from jeepney import HeaderFields, MessageType, new_error, new_method_return

        asker = ""
        while not self.gone.is_set():
            try:
                message = self._bus.receive(timeout=20.0)
            except (TimeoutError, OSError):  # closed
                return
            fields = message.header.fields
            if message.header.message_type is MessageType.method_call:
                asker = fields[HeaderFields.sender]
                self.asked.append(message.body)
                answer = (
                    new_error(message, "org.freedesktop.DBus.Error.AccessDenied")
                    if self._refuses
                    else new_method_return(message, "u", (7,))
                )
                self._bus.send(answer)
            elif fields.get(HeaderFields.member) == "NameOwnerChanged" and message.body[0] == asker:
                self.gone.set()


def test_the_display_is_held_while_the_song_plays_and_let_go_afterwards(bus: str) -> None:
    desktop = Desktop()
    with Linux().awake() as told:
        assert told == "desktop"
        assert desktop.asked == [("trainer", "a song is being played")]
        assert not desktop.gone.is_set()
    assert desktop.gone.wait(5.0)
    desktop.close()


def test_a_desktop_that_refuses_or_is_not_there_keeps_no_song_from_starting(
    bus: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Linux().awake() as told:
        assert re.match("refused|not held", told)  # nobody has that name
    desktop = Desktop(refuses=True)
    with Linux().awake() as told:
        assert told == "refused by the desktop" and desktop.asked
    desktop.close()
    monkeypatch.setenv("DBUS_SESSION_BUS_ADDRESS", "unix:path=/nowhere")
    with Linux().awake() as told:
        assert told.startswith("not held")
    monkeypatch.delenv("DBUS_SESSION_BUS_ADDRESS")
    with Linux().awake() as told:
        assert told == "no desktop"
