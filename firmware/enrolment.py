"""`soakledger join`: takes an enrolment file in, on the Pi: password, authority, and `[broker]` of node.toml."""

from __future__ import annotations

import json
import re
import ssl
import sys
import tomllib
from pathlib import Path

import click

from firmware.errors import FirmwareError, SettingsError
from firmware.settings import load
from host.enrolment import Enrolment, read
from host.private_file import FOR_A_GROUP, FOR_ALL, OUR_GROUP, make_folder, unread, write_private

_TABLE = re.compile(r"\s*\[")
_BROKER = re.compile(r"\s*\[\s*broker\s*\]\s*(#.*)?$")


class JoinError(FirmwareError):
    """The enrolment cannot be taken in."""

    exit_code = 8


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, readable=False))
@click.option(
    "--etc",
    type=click.Path(path_type=Path, readable=False),
    default=Path("/etc/soakledger"),
    show_default=True,
    help="Folder of the node's settings.",
)
@click.option("--keep", is_flag=True, help="Leave FILE where it is, with the password in it.")
def command(file: Path, etc: Path, *, keep: bool) -> None:
    """Take in FILE, which `soakledger enrol` wrote on the collector's machine; then it is deleted.

    Writes node.password, tls/ca.pem and [broker] of node.toml; the rest of node.toml stays as it is.

    Exit status 0: done. 3: node.toml cannot be used. 8: the enrolment cannot be taken in.
    """
    try:
        enrolment = join(file, etc)
    except FirmwareError as error:
        click.echo(f"soakledger join: {error}", err=True)
        sys.exit(error.exit_code)
    click.echo(f"{enrolment.node} speaks to the broker {enrolment.host}:{enrolment.port} from its next start on.")
    if not keep:
        try:
            file.unlink()
        except OSError as error:
            click.echo(f"{file} could not be deleted ({error.strerror}). It holds the password: delete it.", err=True)
    click.echo("Next: systemctl restart soakledger-node, then soakledger doctor")


def join(file: Path, etc: Path) -> Enrolment:
    """Take an enrolment in; node.toml comes last, so that a power cut leaves nothing half said.

    Raises:
        JoinError: It cannot be taken in; the text says what to do.
        SettingsError: node.toml cannot be used.
    """
    etc = etc.absolute()
    enrolment, settings = _enrolment(file), etc / "node.toml"
    try:
        before = settings.read_text(encoding="utf-8")
        name = tomllib.loads(before).get("node")
    except OSError as error:
        problem = unread(error, "Install the node first, or name the folder with --etc.")
        raise SettingsError(settings, f"it {problem}") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(settings, f"it is not TOML: {error}. Mend that first.") from None
    if name != enrolment.node:
        raise JoinError(
            f"This node is called {name!r} in {settings}, and {file} is for {enrolment.node!r}: it may have been meant "
            f'for another Pi. If it is this one\'s, write node = "{enrolment.node}" there first.'
        )
    password, ca = etc / "node.password", etc / "tls" / "ca.pem"
    after = with_broker(
        before,
        {
            "host": enrolment.host,
            "port": enrolment.port,
            "username": enrolment.username,
            "password_file": str(password),
            "ca_file": str(ca),
        },
    )
    draft = settings.with_name(".node.toml.joining")
    try:
        make_folder(ca.parent, 0o755, OUR_GROUP)
        write_private(draft, after, FOR_A_GROUP, OUR_GROUP)
        load(draft)  # what cannot be used must not take its place
        write_private(password, f"{enrolment.password}\n", FOR_A_GROUP, OUR_GROUP)
        write_private(ca, enrolment.ca.strip() + "\n", FOR_ALL)
        write_private(settings, after, FOR_A_GROUP, OUR_GROUP)
    except SettingsError as error:
        raise SettingsError(settings, f"{error.problem} Mend that first; nothing was changed.") from None
    except OSError as error:
        raise JoinError(
            f"{error.filename or etc} cannot be written ({error.strerror or error}). Run this as the administrator, "
            "with sudo."
        ) from None
    finally:
        draft.unlink(missing_ok=True)
    return enrolment


def with_broker(text: str, values: dict[str, str | int]) -> str:
    """The settings with these keys under [broker]; every other line, remarks among them, stays.

    Args:
        text: node.toml.
        values: Keys and what they are to say.
    """
    said = [f"{key} = {json.dumps(value)}" for key, value in values.items()]
    lines = text.splitlines()
    begin = next((number for number, line in enumerate(lines) if _BROKER.match(line)), None)
    if begin is None:  # a table ends what stands before it: only the end is safe
        return "\n".join([*lines, "", "[broker]", *said, ""])
    end = next((number for number in range(begin + 1, len(lines)) if _TABLE.match(lines[number])), len(lines))
    kept = [line for line in lines[begin + 1 : end] if line.partition("=")[0].strip() not in values]
    return "\n".join([*lines[: begin + 1], *said, *kept, *lines[end:], ""])


def _enrolment(file: Path) -> Enrolment:
    try:
        enrolment = read(file.read_bytes())
        ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_verify_locations(cadata=enrolment.ca)
    except ssl.SSLError:
        raise JoinError(f"{file}: its certificate authority cannot be used. Run `soakledger enrol` again.") from None
    except OSError as error:
        raise JoinError(f"{file} {unread(error, 'Name the file that `enrol` wrote.')}") from None
    except ValueError as error:
        raise JoinError(f"{file} is no enrolment file: {error}. Run `soakledger enrol` again.") from None
    return enrolment
