"""A process of its own that sends notices with apprise. Each sending is a process again, which is ended when it takes
too long: a library's thread could not be. So a route that hangs, crashes or answers without end harms nobody else.

It ends with its collector. Apprise fetches no settings, templates or pictures, keeps nothing on disk, and follows no
redirect: that could carry a password elsewhere.
"""

from __future__ import annotations

import contextlib
import ctypes
import logging
import os
import re
import resource
import select
import signal
import socket
import sys
import time
import warnings
from typing import Any, NamedTuple, NoReturn

import apprise
import msgspec
from apprise.manager_attachment import AttachmentManager
from apprise.manager_config import ConfigurationManager

from collector.alarms.notices import Message
from collector.alarms.route_child import DONE, ERRAND, SEND, Result, RoutesErrand
from collector.channel import ALIVE, Frame, Frames, encoded
from soak.alarms import Priority
from soak.decoding import from_json

ALIVE_EVERY_S = 1.0
MOST_BYTES = 256 * 1024 * 1024
"""Of memory, for one sending: an answer may be without end."""

_LIBC = ctypes.CDLL(None)
_PR_SET_PDEATHSIG = 1  # linux/prctl.h
_AT_ONCE_BYTES = 65_536
_TYPES = {
    Priority.HIGH: apprise.NotifyType.FAILURE,
    Priority.MEDIUM: apprise.NotifyType.WARNING,
    Priority.LOW: apprise.NotifyType.INFO,
}


class _Sending(NamedTuple):
    topic: str
    pid: int
    ends_s: float


class Sender:
    """The process at work.

    Args:
        collector: Connected to the collector.
    """

    def __init__(self, collector: socket.socket) -> None:
        self._collector = collector
        self._frames = Frames()
        self._services: list[Any] = []
        self._limit_s = 0.0
        self._under_way: dict[int, _Sending] = {}
        self._ended: list[int] = []
        self._said_s = float("-inf")

    def run(self) -> None:
        """Until the collector is gone."""
        try:
            while self._turn():
                pass
        except OSError:  # it is gone
            pass
        finally:
            for sending in self._under_way.values():
                os.kill(sending.pid, signal.SIGKILL)

    def _turn(self) -> bool:
        """One look; False when the collector is gone."""
        now_s = time.monotonic()
        wait_s = min([self._said_s + ALIVE_EVERY_S, *(each.ends_s for each in self._under_way.values())]) - now_s
        awaited = [self._collector.fileno(), *self._under_way]
        readable = select.select(awaited, [], [], max(0.0, wait_s))[0]
        for pipe in readable:
            if pipe in self._under_way:
                self._end(pipe)
        if self._collector.fileno() in readable:
            more = self._collector.recv(_AT_ONCE_BYTES)
            if not more:
                return False
            for frame in self._frames.feed(more):
                self._heed(frame)
        now_s = time.monotonic()
        for pipe in [pipe for pipe, each in self._under_way.items() if each.ends_s <= now_s]:
            self._end(pipe)
        self._ended = [pid for pid in self._ended if os.waitpid(pid, os.WNOHANG)[0] == 0]
        if now_s - self._said_s >= ALIVE_EVERY_S:
            self._say(Frame(ALIVE))
        return True

    def _heed(self, frame: Frame) -> None:
        if frame.kind == ERRAND:
            errand = from_json(frame.payload, RoutesErrand)
            self._limit_s = errand.limit_s
            self._services = [service(url, errand.limit_s) for url in errand.urls]
        elif frame.kind == SEND:
            self._begin(frame.topic, from_json(frame.payload, Message))

    def _begin(self, topic: str, message: Message) -> None:
        answer, giving = os.pipe()
        pid = os.fork()
        if pid == 0:
            self._send_and_exit(giving, int(topic.partition(".")[0]), message)
        os.close(giving)
        self._under_way[answer] = _Sending(topic, pid, time.monotonic() + self._limit_s)

    def _send_and_exit(self, giving: int, route: int, message: Message) -> NoReturn:
        """In a process of its own: send one message, answer, end; whatever happens."""
        try:
            _LIBC.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)  # it ends with this process, however that ends
            signal.setitimer(signal.ITIMER_REAL, self._limit_s + ALIVE_EVERY_S)  # ends it if nobody else does
            self._collector.close()
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 1)  # what a library prints may hold an address
            os.dup2(nowhere, 2)
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            resource.setrlimit(resource.RLIMIT_DATA, (MOST_BYTES, MOST_BYTES))
            result = send(self._services[route], message)
        except BaseException as error:  # its words may hold an address: its kind must do
            result = Result(False, f"the library failed ({type(error).__name__})")
        with contextlib.suppress(BaseException):
            os.write(giving, msgspec.json.encode(result))
        os._exit(0)

    def _end(self, pipe: int) -> None:
        """A sending has answered or ended, or has had its time."""
        sending = self._under_way.pop(pipe)
        result = Result(False, f"no answer within {self._limit_s:g} s and broken off; it may have arrived all the same")
        if select.select([pipe], [], [], 0)[0]:
            try:
                result = from_json(os.read(pipe, 4_096), Result)
            except (OSError, msgspec.DecodeError):
                result = Result(False, "the process that sent it ended without an answer")
        os.close(pipe)
        os.kill(sending.pid, signal.SIGKILL)  # also one that has answered: its library may still hang
        self._ended.append(sending.pid)
        self._say(Frame(DONE, sending.topic, msgspec.json.encode(result)))

    def _say(self, frame: Frame) -> None:
        self._collector.sendall(encoded(frame))
        self._said_s = time.monotonic()


def service(url: str, limit_s: float) -> Any:
    """A route as apprise knows it; None if it does not."""
    asset = apprise.AppriseAsset(
        app_id="Soakledger",
        app_desc="Soakledger",
        app_url="",
        image_url_mask="",
        image_url_logo="",
        image_path_mask=False,
        http_redirects=False,
        storage_mode="memory",
        pgp_autogen=False,
        pem_autogen=False,
        service_timeout=0,
    )
    try:
        found = apprise.Apprise.instantiate(url, asset=asset)
    except Exception:  # whatever a plugin makes of a wrong address
        return None
    if found is not None:
        found.redirects = False  # an address could ask for them
        # Longer than the limit: what is said of a route that hangs is ours, and tells that it may have arrived.
        found.socket_connect_timeout = found.socket_read_timeout = 2 * limit_s
    return found


def send(service: Any, message: Message) -> Result:
    """Send it now, once; waits."""
    if service is None:
        return Result(False, "no route that the library can use")
    words = _Words()
    sending = apprise.Apprise(asset=service.asset)
    sending.add(service)
    logging.getLogger("apprise").addHandler(words)
    ok = sending.notify(
        body=message.body,
        title=message.title,
        notify_type=_TYPES[message.priority],
        body_format=apprise.NotifyFormat.TEXT,
    )
    return Result(True, "taken by the route") if ok else Result(False, words.meaning())


class _Words(logging.Handler):
    """What the library says of a failure; only what is known to be harmless of it is passed on."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self._text = ""

    def emit(self, record: logging.LogRecord) -> None:
        self._text += record.getMessage()[:1_000]

    def meaning(self) -> str:
        """For people."""
        if status := re.search(r"error=(\d{3})\b", self._text):
            redirect = ", a redirect, which is not followed" if status[1][0] == "3" else ""
            return f"refused: the server answered {status[1]}{redirect}"
        if "onnection error" in self._text:
            return "no connection, or it broke off"
        return "the route did not take it"


def main(arguments: list[str]) -> None:
    """Be the process of the collector at the other end of a socket, or check routes ("check")."""
    warnings.simplefilter("ignore")
    logging.lastResort = None  # what the library says may hold an address
    logging.getLogger("apprise").propagate = False
    managers: list[Any] = [AttachmentManager, ConfigurationManager]
    for manager in managers:
        manager().remove("http", "https")
    if arguments == ["check"]:
        urls = from_json(sys.stdin.buffer.read(), list[str])
        sys.stdout.buffer.write(msgspec.json.encode([service(url, 1.0) is not None for url in urls]))
        return
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # ctrl-C is the collector's to answer
    with socket.socket(fileno=int(arguments[0])) as collector:
        Sender(collector).run()


if __name__ == "__main__":
    main(sys.argv[1:])
