"""Connections that do not come about."""

from __future__ import annotations

import datetime
import gc
import socket
import ssl
import threading
import warnings
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from cryptography.hazmat.primitives.serialization import Encoding

from collector.broker.authority import new_authority
from host.tls import client_context


def test_a_handshake_that_fails_leaves_no_connection_open(tmp_path: Path) -> None:
    """Paho forgets its socket then; a node that tries for days would gather them."""
    now = datetime.datetime.now(datetime.UTC)
    ca = tmp_path / "ca.pem"
    ca.write_bytes(new_authority(now).certificate.public_bytes(Encoding.PEM))
    with socket.create_server(("127.0.0.1", 0)) as server:

        def answer() -> None:
            connection, _ = server.accept()
            with connection:
                connection.recv(1_000)
                connection.sendall(b"this is no TLS")

        answering = threading.Thread(target=answer)
        answering.start()
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "any")
        client.tls_set_context(client_context(str(ca)))
        with warnings.catch_warnings(record=True) as seen:
            warnings.simplefilter("always", ResourceWarning)
            with pytest.raises(ssl.SSLError):
                client.connect("127.0.0.1", server.getsockname()[1])
            gc.collect()
        answering.join()
    assert [str(each.message) for each in seen if issubclass(each.category, ResourceWarning)] == []
