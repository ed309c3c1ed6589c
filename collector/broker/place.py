"""Where everything about the broker lies below /etc/soakledger, and what was said at its setting up."""

from __future__ import annotations

import fcntl
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import msgspec

from collector.errors import BrokerError
from host.private_file import FOR_A_GROUP, OUR_GROUP, make_folder, write_private
from soak.decoding import from_json

BROKERS_GROUP = "mosquitto"
PORT = 8883
PID_FILE = "/run/mosquitto/mosquitto.pid"


class Setup(msgspec.Struct, frozen=True):
    """What `broker-setup` was told, for the commands that follow it.

    Attributes:
        names: Names and addresses under which nodes and browsers reach this machine; nodes are told the first.
        port: Of the broker, for TLS.
        pid_file: Where the broker writes its process id.
    """

    names: tuple[str, ...]
    port: Annotated[int, msgspec.Meta(ge=1, le=65_535)] = PORT
    pid_file: str = PID_FILE


class Place:
    """The files below one folder.

    Args:
        etc: The folder, /etc/soakledger.
    """

    def __init__(self, etc: Path) -> None:
        self.etc = etc.absolute()
        self.tls, self.authority, self.broker = self.etc / "tls", self.etc / "authority", self.etc / "broker"
        self.ca = self.tls / "ca.pem"
        self.passwords, self.acl = self.broker / "passwords", self.broker / "acl"
        self.collector_password = self.etc / "collector.password"
        self._setup, self._lock = self.broker / "setup.json", self.broker / "lock"

    def certificate(self, server: str) -> Path:
        """Of one of the two servers, "broker" or "pages"."""
        return self.tls / f"{server}.pem"

    def key(self, server: str) -> Path:
        """Its private key."""
        return self.tls / f"{server}.key"

    def make(self) -> None:
        """The folders. Everybody may pass through, nobody but the owner and our group look around.

        The broker's own user must reach its files here; what is private has a mode of its own.

        Raises:
            BrokerError: They cannot be made.
        """
        try:
            if not self.etc.exists():
                make_folder(self.etc, 0o751, OUR_GROUP)
            elif not self.etc.stat().st_mode & stat.S_IXOTH:  # a folder that was there may be somebody else's, too
                self.etc.chmod(stat.S_IMODE(self.etc.stat().st_mode) | stat.S_IXOTH)
            make_folder(self.tls, 0o755, OUR_GROUP)
            make_folder(self.broker, 0o750, BROKERS_GROUP)
            make_folder(self.authority, 0o700)
        except OSError as error:
            raise BrokerError(
                f"{error.filename or self.etc} cannot be made ({error.strerror}). Run this as the administrator, with "
                "sudo, or name another folder with --etc."
            ) from None

    def setup(self) -> Setup:
        """What was said at the setting up.

        Raises:
            BrokerError: There was none, or it cannot be read.
        """
        try:
            return from_json(self._setup.read_bytes(), Setup)
        except PermissionError:
            raise BrokerError(f"{self._setup} may not be read. Run this as the administrator, with sudo.") from None
        except (OSError, msgspec.DecodeError):
            raise BrokerError(
                f"There is no broker set up in {self.etc}. Run `soakledger broker-setup` first, with --name for each "
                "name and address of this machine; or name another folder with --etc."
            ) from None

    def known_setup(self) -> Setup | None:
        """The same; None where there was none, or what is there says nothing any more.

        Raises:
            BrokerError: It may not be read.
        """
        try:
            return from_json(self._setup.read_bytes(), Setup)
        except (FileNotFoundError, msgspec.DecodeError):
            return None
        except OSError:
            return self.setup()  # says why

    def keep_setup(self, setup: Setup) -> None:
        """Remember it."""
        write_private(self._setup, msgspec.json.format(msgspec.json.encode(setup)) + b"\n", FOR_A_GROUP, OUR_GROUP)

    @contextmanager
    def alone(self) -> Iterator[None]:
        """While this lasts no other command changes anything here.

        Raises:
            BrokerError: This user may not, or a file here could not be written.
        """
        try:
            handle = os.open(self._lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
        except OSError as error:
            raise BrokerError(
                f"{self._lock} cannot be opened ({error.strerror}). Run this as the administrator, with sudo."
            ) from None
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        except FileNotFoundError as error:
            missing = Path(error.filename or self.etc)
            raise BrokerError(
                f"{missing if missing.parent.is_dir() else missing.parent} is not there any more. Run `soakledger "
                "broker-setup` again: it makes what is missing and keeps what is there."
            ) from None
        except OSError as error:
            raise BrokerError(
                f"{error.filename or self.etc} cannot be written ({error.strerror or error}). What was there before is "
                "still there. Run this as the administrator, with sudo; if you do, look at the disk."
            ) from None
        finally:
            os.close(handle)
