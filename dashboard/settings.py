"""dashboard.toml: where the pages are served, to whom, and how they look; each key declared once, checked at the start.

Every key can be left out: the pages then listen on this machine alone, as without the file. Options of the command
line win over the file.
"""

from __future__ import annotations

import difflib
import re
import stat
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec

from collector.errors import SettingsError
from dashboard.addresses import Addresses, is_loopback
from host.private_file import unread
from soak.decoding import converted

_Name = Annotated[str, msgspec.Meta(min_length=1, max_length=253)]
_WRITTEN = re.compile(r"[A-Za-z0-9._-]+|[0-9A-Fa-f:.]+")
"""A name, or an address; one with other letters is sent as xn--…"""
_File = Annotated[str, msgspec.Meta(min_length=1)]


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All of dashboard.toml; paths count from the file's own folder. What each key means stands beside it."""

    host: Annotated[
        _Name, msgspec.Meta(description="Address to listen on; 127.0.0.1 is this machine alone, 0.0.0.0 every network.")
    ] = "127.0.0.1"
    port: Annotated[int, msgspec.Meta(ge=0, le=65_535, description="Port to listen on; 0 takes a free one.")] = 8080
    names: Annotated[
        tuple[_Name, ...],
        msgspec.Meta(
            max_length=50,
            description="Names under which browsers may come, besides this machine's addresses; others are refused.",
        ),
    ] = ()
    certificate: Annotated[
        _File | None,
        msgspec.Meta(description="Certificate with its chain (PEM), for TLS; a new one is taken within a minute."),
    ] = None
    key: Annotated[
        _File | None, msgspec.Meta(description="The certificate's private key (PEM), closed to other users.")
    ] = None
    plain: Annotated[
        bool,
        msgspec.Meta(
            description="Listen beyond this machine without TLS: badges and passwords can then be read on the way."
        ),
    ] = False
    trusted_proxies: Annotated[
        tuple[str, ...],
        msgspec.Meta(
            max_length=20,
            description="Addresses or networks of servers with TLS that stand before this one: only of them are "
            "X-Forwarded-For and X-Forwarded-Proto believed. They must pass the Host header on as it came.",
        ),
    ] = ()
    require_sign_in: Annotated[
        bool | None,
        msgspec.Meta(
            description="Looking, too, takes somebody who is signed in; left out, it does unless only this machine "
            "reaches the pages."
        ),
    ] = None
    metrics_from: Annotated[
        tuple[str, ...],
        msgspec.Meta(
            max_length=20,
            description="Addresses or networks from which /metrics is answered without signing in; behind a server on "
            "this machine that sends no X-Forwarded-For everybody comes from it.",
        ),
    ] = ("127.0.0.0/8", "::1")
    fahrenheit: Annotated[
        bool, msgspec.Meta(description="Degrees Fahrenheit beside degrees Celsius; forms take Celsius all the same.")
    ] = False
    clock: Annotated[Literal["24", "12"], msgspec.Meta(description="Hours on the pages' clock: 24 or 12.")] = "24"
    translation: Annotated[
        _File | None,
        msgspec.Meta(
            description="A translation of the pages' texts (.po), made from dashboard/catalogue/messages.pot; left "
            "out, they are English."
        ),
    ] = None

    @property
    def closed(self) -> bool:
        """Looking, too, takes somebody who is signed in."""
        if self.require_sign_in is not None:
            return self.require_sign_in
        return not is_loopback(self.host) or bool(self.trusted_proxies)  # a server before these pages lets others in

    @property
    def tls(self) -> bool:
        """The pages speak TLS themselves."""
        return self.certificate is not None


def load(path: Path) -> Settings:
    """Read and check the settings; every path in them is whole then.

    Raises:
        SettingsError: With the file, the place in it, what is wrong and what would be right.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(f"{path}: {unread(error, 'Name the file with --settings.')}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: is not TOML: {error}.") from None
    try:
        settings = converted(_hours_as_text(content), Settings)
    except msgspec.ValidationError as error:
        raise SettingsError(f"{path}: {_readable(str(error))}") from None
    here = path.absolute().parent
    whole = {
        name: str(here / given)
        for name in ("certificate", "key", "translation")
        if (given := getattr(settings, name)) is not None
    }
    return checked(msgspec.structs.replace(settings, **whole), f"{path}: ")


def checked(settings: Settings, where: str = "") -> Settings:
    """What no single key can tell; also of what the command line has changed.

    Args:
        settings: All of them, with whole paths.
        where: What the error begins with: the file.

    Raises:
        SettingsError: It does not fit together, or a file is not there.
    """
    try:
        _check(settings)
    except ValueError as error:
        raise SettingsError(f"{where}{error}") from None
    except OSError as error:
        raise SettingsError(f"{where}{error.filename} {unread(error, 'Look at its folder and disk.')}") from None
    return settings


def meanings() -> dict[str, str]:
    """Every key and what it means, as declared above."""
    found = {}
    for field in msgspec.inspect.type_info(Settings).fields:  # type: ignore[attr-defined]
        schema = field.type.extra_json_schema if isinstance(field.type, msgspec.inspect.Metadata) else None
        found[field.name] = str((schema or {}).get("description", ""))
    return found


def _check(settings: Settings) -> None:
    for key in ("trusted_proxies", "metrics_from"):
        try:
            Addresses(getattr(settings, key))
        except ValueError as error:
            raise ValueError(f"{key}: {error}") from None
    if everything := Addresses(settings.trusted_proxies).everything:
        raise ValueError(
            f"trusted_proxies: {everything} is every machine there is, so that anybody could say to be another and to "
            "come by TLS. Name the server that stands before these pages."
        )
    for name in settings.names:
        if not _WRITTEN.fullmatch(name):
            raise ValueError(
                f"names: {name!r} is no name as browsers send it. Write it as in soakledger.example, without https:// "
                "and port."
            )
    if (settings.certificate is None) != (settings.key is None):
        given, missing = ("certificate", "key") if settings.key is None else ("key", "certificate")
        raise ValueError(f"There is a {given} but no {missing}: TLS takes both. Name both or neither.")
    for key in ("certificate", "key", "translation"):
        file = getattr(settings, key)
        if file is not None and not Path(file).is_file():
            raise ValueError(f"{key} {file} is no file. Name the file, or leave {key} out.")
    if settings.key is not None and Path(settings.key).stat().st_mode & stat.S_IRWXO:
        raise ValueError(
            f"Every user of this machine can read the key {settings.key}: whoever has it can pass for this server. "
            f"Close it: chmod o= {settings.key}"
        )
    if not (is_loopback(settings.host) or settings.tls or settings.plain or settings.trusted_proxies):
        raise ValueError(
            f"Others reach the pages at {settings.host}, and badges and passwords would cross the network for anybody "
            "to read. Name a certificate and its key; or name the server with TLS that stands before this one under "
            "trusted_proxies; or say that it is to be so: plain = true, on the command line --plain."
        )


def _hours_as_text(content: dict[str, Any]) -> dict[str, Any]:
    """12 and 24 may be written as numbers."""
    clock = content.get("clock")
    return {**content, "clock": str(clock)} if type(clock) is int else content


def _readable(text: str) -> str:
    """What msgspec says, with what would be right."""
    if unknown := re.search(r"unknown field `([^`]+)`", text):
        near = difflib.get_close_matches(unknown[1], Settings.__struct_fields__, 1)
        known = ", ".join(Settings.__struct_fields__)
        return text + (f". Did you mean `{near[0]}`?" if near else f". Known keys: {known}.")
    place = re.search(r"`\$\.(\w+)", text)
    meaning = meanings().get(place[1], "") if place else ""
    return f"{text}. {meaning}".rstrip() if meaning else text
