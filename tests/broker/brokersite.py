"""A site of a test's own: the real Mosquitto behind what `broker-setup` wrote, and clients that try things there."""

from __future__ import annotations

import contextlib
import datetime
import os
import shutil
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from collector.broker import passwords
from collector.broker.enrolling import enrol, keep_logins, read_logins
from collector.broker.place import Place, Setup
from collector.broker.setting_up import Done, set_up
from collector.broker.telling import tell
from host.enrolment import read
from host.tls import client_context

WITNESS = "witness"
HOST = "127.0.0.1"


def free_port() -> int:
    with socket.socket() as free:
        free.bind((HOST, 0))
        return int(free.getsockname()[1])


class BrokerSite:
    """Folders as on an installed machine, below one of the test's own; Mosquitto reads Debian's main file."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.etc, self.mosquitto = folder, folder / "etc", folder / "mosquitto"
        (self.mosquitto / "conf.d").mkdir(parents=True)
        main = f"""pid_file {folder}/mosquitto.pid
persistence true
persistence_location {folder}/
log_dest file {folder}/mosquitto.log
{"user root" if os.geteuid() == 0 else ""}
include_dir {self.mosquitto}/conf.d
"""
        (self.mosquitto / "mosquitto.conf").write_text(main)
        self.place = Place(self.etc)
        self.port = free_port()
        self.process: subprocess.Popen[bytes] | None = None
        self.done = self.set_up()

    def set_up(self, *names: str) -> Done:
        wanted = Setup(names or (HOST, "soakledger.test"), self.port, f"{self.folder}/mosquitto.pid")
        return set_up(self.place, self.mosquitto, wanted, datetime.datetime.now(datetime.UTC))

    def start(self) -> None:
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        with (self.folder / "stderr.log").open("ab") as log:
            self.process = subprocess.Popen(
                [program, "-c", str(self.mosquitto / "mosquitto.conf")], stdout=log, stderr=log
            )
        for _ in range(500):
            with contextlib.suppress(OSError):
                socket.create_connection((HOST, self.port), 1).close()
                return
            assert self.process.poll() is None, (self.folder / "stderr.log").read_text()
            time.sleep(0.02)
        raise AssertionError("Mosquitto did not answer.")

    def stop(self) -> None:
        if self.process:
            self.process.terminate()
            self.process.wait(10)
            self.process = None

    def let_witness_in(self) -> None:
        """Somebody who sees and says everything, beside the rules as they were written."""
        with self.place.acl.open("a") as acl:
            acl.write(f"\nuser {WITNESS}\ntopic readwrite #\ntopic read $SYS/#\n")
        keep_logins(self.place, read_logins(self.place) | {WITNESS: passwords.hashed(WITNESS, WITNESS)})
        if self.process:
            assert tell(self.place.setup())

    def enrol(self, node: str) -> str:
        """Its password."""
        file = self.folder / f"{node}.toml"
        enrol(self.place, node, file)
        return read(file.read_bytes()).password

    def client(self, login: str | None, password: str = "", **how: Any) -> Client:
        return Client(self, login, password, **how)

    def witness(self, **how: Any) -> Client:
        return self.client(WITNESS, WITNESS, **how)

    def collector(self, **how: Any) -> Client:
        return self.client("collector", self.place.collector_password.read_text().strip(), **how)


class Client:
    """One client of Mosquitto: what it was told stays with it."""

    def __init__(
        self,
        site: BrokerSite,
        login: str | None,
        password: str,
        *,
        client_id: str = "",
        clean: bool = True,
        protocol: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv311,
        will: tuple[str, bytes] | None = None,
        subscribe: Sequence[str] = (),
    ) -> None:
        self.messages: list[tuple[str, bytes]] = []
        self.answers: list[str] = []
        self.session_was_there = False
        self.ended = 0
        self._wanted, self._subscribed = list(subscribe), threading.Event()
        self._protocol = protocol
        kwargs: dict[str, Any] = {} if protocol == MQTTProtocolVersion.MQTTv5 else {"clean_session": clean}
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id, protocol=protocol, reconnect_on_failure=False, **kwargs
        )
        client.tls_set_context(client_context(str(site.place.ca)))
        if login is not None:
            client.username_pw_set(login, password)
        if will:
            client.will_set(will[0], will[1], qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_subscribe = lambda *_: self._subscribed.set()
        client.on_message = lambda _client, _data, message: self.messages.append((message.topic, message.payload))
        client.on_disconnect = self._on_disconnect
        self.mqtt = client
        client.connect(HOST, site.port)
        client.loop_start()

    def _on_connect(self, client: mqtt.Client, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        self.session_was_there = bool(flags.session_present)
        if not reason.is_failure and self._wanted:
            client.subscribe([(topic, 1) for topic in self._wanted])
        self.answers.append(str(reason))

    def _on_disconnect(self, *_: Any) -> None:
        self.ended += 1

    def ready(self) -> Client:
        """It was let in, and what it asked for was answered."""
        until(lambda: self.answers)
        assert self.answers == ["Success"]
        if self._wanted:
            assert self._subscribed.wait(20)
        return self

    def say(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        self.mqtt.publish(topic, payload, qos=qos, retain=retain)

    def heard(self, topic: str, payload: bytes) -> Client:
        until(lambda: (topic, payload) in self.messages)
        return self

    def cut_off(self) -> None:
        """As a power cut does: the broker says the last will."""
        held = self.mqtt.socket()
        assert held
        with contextlib.suppress(OSError):  # paho may notice in between
            held.shutdown(socket.SHUT_RDWR)
        self.mqtt.loop_stop()

    def close(self) -> None:
        self.mqtt.disconnect()
        self.mqtt.loop_stop()


def until(condition: Callable[[], object], seconds: float = 20) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "still not so"
        time.sleep(0.01)


def handshake(server: ssl.SSLContext, client: ssl.SSLContext, name: str) -> None:
    """TLS between two contexts without a network.

    Raises:
        ssl.SSLError: It does not come about.
    """
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    ours = client.wrap_bio(to_client, to_server, server_hostname=name)
    theirs = server.wrap_bio(to_server, to_client, server_side=True)
    left = [ours, theirs]
    while left:
        for side in list(left):
            with contextlib.suppress(ssl.SSLWantReadError):
                side.do_handshake()
                left.remove(side)
