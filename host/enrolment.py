"""The enrolment file: what a node needs in order to speak to its broker, carried from the collector to the Pi."""

from __future__ import annotations

import json
import tomllib
from typing import Annotated

import msgspec

from soak.decoding import converted
from soak.wire import NodeName

COLLECTOR = "collector"
"""The collector's login at the broker; no node is called so."""

_Line = Annotated[str, msgspec.Meta(min_length=1, max_length=255, pattern=r"^[^\x00-\x1f\x7f]+$")]


def node_name(text: str) -> str:
    """A name that a node may have: it is its login, too.

    Raises:
        ValueError: It may not; the text says which may.
    """
    if text == COLLECTOR:
        raise ValueError(f"No node is called {COLLECTOR}: that is the collector's own login. Choose another name.")
    try:
        return str(converted(text, NodeName))
    except msgspec.ValidationError:
        raise ValueError(
            f"{text!r} cannot be a node's name: names are a-z and 0-9, with single hyphens between, such as room-3."
        ) from None


class Enrolment(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One node's way to its broker.

    Attributes:
        node: Whose it is.
        host: Name or address of the broker, one of those in its certificate.
        port: Its TCP port, for TLS.
        username: Login.
        password: Its password: whoever has it can write readings in this node's name.
        ca: The site's certificate authority, PEM.
    """

    node: NodeName
    host: _Line
    port: Annotated[int, msgspec.Meta(ge=1, le=65_535)]
    username: _Line
    password: _Line
    ca: Annotated[str, msgspec.Meta(min_length=1, max_length=100_000)]

    def text(self) -> str:
        """The file's content."""
        quoted = {name: json.dumps(getattr(self, name)) for name in ("node", "host", "username", "password")}
        return (
            f"# Lets node {self.node} speak to its broker. It holds a password: carry it to the Pi, run there\n"
            f"#     sudo soakledger join FILE\n"
            f"# and keep no copy. A newer enrolment of this node ends this one.\n"
            f"node = {quoted['node']}\n"
            f"host = {quoted['host']}\n"
            f"port = {self.port}\n"
            f"username = {quoted['username']}\n"
            f"password = {quoted['password']}\n"
            f'ca = """\n{self.ca.strip()}\n"""\n'
        )


def read(content: bytes) -> Enrolment:
    """What an enrolment file says.

    Raises:
        ValueError: It is none; the text says what is wrong, without anything of the password.
    """
    try:
        return converted(tomllib.loads(content.decode()), Enrolment)
    except UnicodeDecodeError:
        raise ValueError("it is not text") from None
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"it is not TOML: {error}") from None
    except msgspec.ValidationError as error:
        raise ValueError(str(error)) from None
