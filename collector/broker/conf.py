"""The settings of Mosquitto, as a file beside those that Debian's package brings. Pure text."""

from __future__ import annotations

from collector.broker.place import Place, Setup
from soak.wire import LARGEST_MESSAGE_BYTES

FILE_NAME = "soakledger.conf"

_MOST_WAITING = 1_000_000
"""Messages for a collector that is away. The default of 1,000 drops what it has confirmed."""

_MOST_WAITING_BYTES = 256 * 1024 * 1024
"""A node that floods must not fill the memory of a machine with 1 GB. What is dropped, its node sends again."""

_MOST_CONNECTIONS = 1_000
_TOPIC_BYTES = 1_024
_MOST_KEEPALIVE_S = 300


def conf(place: Place, setup: Setup) -> str:
    """The whole file.

    Args:
        place: Where logins, rules and certificates are.
        setup: Port; that of the process id is set by Debian's own file, and can be set only once.
    """
    return f"""\
# Made by `soakledger broker-setup`, which overwrites it. It takes a restart: systemctl restart mosquitto

# One set of logins and rules for every listener, also for one that another file here opens: none is without them.
per_listener_settings false
allow_anonymous false
password_file {place.passwords}
acl_file {place.acl}

# What comes while the collector is away waits here; readings wait at their nodes until a receipt covers them.
# So a broker that falls over loses nothing, and its store need not be written more often than once in half an hour.
max_queued_messages {_MOST_WAITING}
max_queued_bytes {_MOST_WAITING_BYTES}
persistence true
autosave_interval 1800
persistent_client_expiration 60d

# The largest message that the wire knows with its topic, and not more.
max_packet_size {LARGEST_MESSAGE_BYTES + _TOPIC_BYTES}
max_keepalive {_MOST_KEEPALIVE_S}
set_tcp_nodelay true

# Into the journal.
log_dest stderr

listener {setup.port}
certfile {place.certificate("broker")}
keyfile {place.key("broker")}
tls_version tlsv1.2
max_connections {_MOST_CONNECTIONS}
# A client's id is its login, whatever it says: else a node could take the place of another or of the collector.
use_username_as_clientid true
"""
