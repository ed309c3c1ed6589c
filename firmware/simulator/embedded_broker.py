"""A small MQTT broker for a machine without Mosquitto: for the demonstration only.

`python -m firmware.simulator.embedded_broker PORT` listens on loopback and ends on SIGTERM or SIGINT. It speaks MQTT
3.1.1, keeps everything in memory and drops a message that a client leaves unconfirmed for five seconds. Nothing is lost
by that: a node sends again whatever no receipt covers.
"""

from __future__ import annotations

import asyncio
import logging
import signal
import sys

from amqtt.broker import Broker
from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session


class KeepSessions(BaseAuthPlugin):  # type: ignore[misc]
    """Lets everyone on this machine in, and keeps their sessions: amqtt forgets those that its own plugin lets in."""

    async def authenticate(self, *, session: Session) -> bool:  # noqa: ARG002
        return True


async def serve(port: int) -> None:
    """Listen on loopback until SIGTERM or SIGINT."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
            "plugins": {"firmware.simulator.embedded_broker.KeepSessions": {}},
        }
    )
    await broker.start()
    await stop.wait()
    await broker.shutdown()


if __name__ == "__main__":
    logging.basicConfig(level=logging.WARNING)
    asyncio.run(serve(int(sys.argv[1])))
