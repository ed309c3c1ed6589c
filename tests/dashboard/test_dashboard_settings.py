"""dashboard.toml: what it may say, what the command line changes, and what stops the start."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import certificates
import msgspec
import pytest
from click.testing import CliRunner

from collector.errors import SettingsError
from dashboard.addresses import Addresses
from dashboard.command import _settings, command
from dashboard.door import Door
from dashboard.settings import Settings, checked, load, meanings

EXAMPLE = Path(__file__).parents[2] / "install" / "examples" / "dashboard.toml"


def wrong(tmp_path: Path, text: str) -> str:
    """What is said of a file, without its name."""
    file = tmp_path / "dashboard.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load(file)
    said = str(caught.value)
    assert said.startswith(f"{file}: ")
    return said.removeprefix(f"{file}: ")


def test_an_empty_file_is_as_no_file(tmp_path: Path) -> None:
    """The pages listen on this machine alone, and it may look."""
    file = tmp_path / "dashboard.toml"
    file.write_text("")
    assert load(file) == Settings()
    assert (Settings().host, Settings().closed, Settings().tls) == ("127.0.0.1", False, False)


def test_looking_is_closed_where_others_reach_the_pages_unless_said_otherwise() -> None:
    assert Settings(host="0.0.0.0", plain=True).closed  # noqa: S104
    assert not Settings(host="0.0.0.0", plain=True, require_sign_in=False).closed  # noqa: S104
    assert Settings(require_sign_in=True).closed
    assert not Settings(host="localhost").closed
    assert Settings(trusted_proxies=("127.0.0.1",)).closed, "whoever reaches the server before these pages"
    assert not Settings(trusted_proxies=("127.0.0.1",), require_sign_in=False).closed


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("port = 70000", "Expected `int` <= 65535 - at `$.port`. Port to listen on; 0 takes a free one."),
        ("prot = 8443", "Object contains unknown field `prot`. Did you mean `port`?"),
        (
            "xyz = 1",
            "Object contains unknown field `xyz`. Known keys: host, port, names, certificate, key, plain, "
            "trusted_proxies, require_sign_in, metrics_from, fahrenheit, clock, translation.",
        ),
        ("clock = 13", "Invalid enum value '13' - at `$.clock`. Hours on the pages' clock: 24 or 12."),
        ("port = ", "is not TOML: Invalid value (at end of document)."),
        ('certificate = "a.pem"', "There is a certificate but no key: TLS takes both. Name both or neither."),
        ('key = "a.key"', "There is a key but no certificate: TLS takes both. Name both or neither."),
        (
            'trusted_proxies = ["proxy"]',
            "trusted_proxies: 'proxy' is no address and no network ('proxy' does not appear to be an IPv4 or IPv6 "
            "network). Write it as 10.0.7.2 or 10.0.7.0/24.",
        ),
        (
            'trusted_proxies = ["10.0.7.2", "0.0.0.0/0"]',
            "trusted_proxies: 0.0.0.0/0 is every machine there is, so that anybody could say to be another and to come "
            "by TLS. Name the server that stands before these pages.",
        ),
        (
            'names = ["https://soak.example:8443"]',
            "names: 'https://soak.example:8443' is no name as browsers send it. Write it as in soakledger.example, "
            "without https:// and port.",
        ),
        (
            'names = ["*"]',
            "names: '*' is no name as browsers send it. Write it as in soakledger.example, without https:// and port.",
        ),
        (
            'metrics_from = ["10.0.7.1/24"]',
            "metrics_from: '10.0.7.1/24' is no address and no network (10.0.7.1/24 has host bits set). Write it as "
            "10.0.7.2 or 10.0.7.0/24.",
        ),
        (
            'host = "0.0.0.0"',
            "Others reach the pages at 0.0.0.0, and badges and passwords would cross the network for anybody to read. "
            "Name a certificate and its key; or name the server with TLS that stands before this one under "
            "trusted_proxies; or say that it is to be so: plain = true, on the command line --plain.",
        ),
    ],
)
def test_what_cannot_be_is_said_with_what_would_be_right(tmp_path: Path, text: str, said: str) -> None:
    assert wrong(tmp_path, text) == said


def test_files_are_looked_for_at_the_start(tmp_path: Path) -> None:
    assert wrong(tmp_path, 'certificate = "a.pem"\nkey = "a.key"') == (
        f"certificate {tmp_path}/a.pem is no file. Name the file, or leave certificate out."
    )
    _, key = certificates.made().write(tmp_path)
    key.chmod(0o644)
    assert wrong(tmp_path, 'certificate = "pages.pem"\nkey = "pages.key"') == (
        f"Every user of this machine can read the key {key}: whoever has it can pass for this server. Close it: "
        f"chmod o= {key}"
    )


def test_the_command_line_wins_and_names_are_added(tmp_path: Path) -> None:
    file = tmp_path / "dashboard.toml"
    file.write_text('port = 8443\nnames = ["a.example"]\nclock = 12\nrequire_sign_in = true\n')
    left: dict[str, Any] = {"host": None, "port": None, "require_sign_in": None, "clock": None, "plain": None}
    assert _settings(file, (), left) == load(file)
    said = _settings(file, ("b.example",), {**left, "port": 0, "require_sign_in": False})
    assert (said.port, said.names, said.clock, said.closed) == (0, ("a.example", "b.example"), "12", False)
    with pytest.raises(SettingsError, match=r"^Others reach the pages at ::, "):
        _settings(file, (), {**left, "host": "::"})


def test_a_wrong_file_is_one_line_and_nothing_listens(tmp_path: Path) -> None:
    (tmp_path / "dashboard.toml").write_text("prot = 1")
    done = CliRunner().invoke(command, ["--data", str(tmp_path), "--settings", str(tmp_path / "dashboard.toml")])
    assert (done.exit_code, done.output.count("\n")) == (2, 1)
    (tmp_path / "pages.key").write_text("no key")
    (tmp_path / "pages.key").chmod(0o600)
    (tmp_path / "soakledger.sqlite").write_text("")
    (tmp_path / "dashboard.toml").write_text('certificate = "pages.key"\nkey = "pages.key"')
    done = CliRunner().invoke(command, ["--data", str(tmp_path), "--settings", str(tmp_path / "dashboard.toml")])
    assert (done.exit_code, done.output.count("\n")) == (4, 1)
    assert done.output.startswith(f"The pages cannot speak TLS with certificate {tmp_path}/pages.key and key ")


def test_a_check_says_the_same_and_starts_nothing(tmp_path: Path) -> None:
    file = tmp_path / "dashboard.toml"
    ask = ["--data", str(tmp_path), "--settings", str(file), "--check"]
    file.write_text('host = "::1"\nport = 1')  # a port that it could not have, either
    done = CliRunner().invoke(command, ask)
    assert (done.exit_code, done.output) == (0, f"{file} is right: pages at [::1]:1.\n")
    file.write_text("prot = 1")
    assert CliRunner().invoke(command, ask).exit_code == SettingsError.exit_code
    (tmp_path / "pages.key").write_text("no key")
    (tmp_path / "pages.key").chmod(0o600)
    file.write_text('certificate = "pages.key"\nkey = "pages.key"')
    done = CliRunner().invoke(command, ask)
    assert (done.exit_code, done.output.count("\n")) == (4, 1)


def test_the_example_has_every_key_with_its_meaning(tmp_path: Path) -> None:
    """Word for word as declared; what stands behind a # is what holds without it, but for a file that is not there."""
    text = EXAMPLE.read_text(encoding="utf-8")
    found = {}
    for block in text.split("\n\n")[1:]:
        *remarks, line = block.strip().splitlines()
        key = re.match(r"#?(\w+) = ", line)
        assert key, line
        found[key[1]] = " ".join(each.removeprefix("# ") for each in remarks)
    assert found == meanings()
    assert all(found.values())
    whole = tomllib.loads(re.sub(r"^#(?=\w+ = )", "", text, flags=re.MULTILINE))
    assert tuple(whole) == Settings.__struct_fields__
    left_out = whole.keys() - tomllib.loads(text).keys() - {"translation"}
    assert msgspec.convert({key: whole[key] for key in left_out}, Settings) == Settings()
    (tmp_path / "tls").mkdir()
    certificates.made().write(tmp_path / "tls")
    (tmp_path / "dashboard.toml").write_text(text, encoding="utf-8")
    settings = load(tmp_path / "dashboard.toml")
    assert (settings.closed, settings.tls, settings.port) == (True, True, 8443)
    assert checked(msgspec.structs.replace(settings, require_sign_in=None)).closed


@pytest.mark.parametrize(
    ("client", "answered"),
    [
        (("10.0.7.5", 1), True),
        (("::ffff:10.0.7.5", 1), True),
        (("::1", 1), True),
        (("10.0.8.5", 1), False),
        (None, False),
    ],
)
@pytest.mark.parametrize("closed", [False, True])
def test_metrics_are_answered_from_where_the_settings_say(client: Any, answered: bool, closed: bool) -> None:
    """And to nobody else without signing in, whether looking is open or not; /me and /metrics are no neighbours."""
    nothing: Any = None
    door = Door(nothing, nothing, closed=closed, metrics_from=Addresses(("10.0.7.0/24", "::1")))
    scope: Any = {"path_template": "/metrics", "client": client, "headers": []}
    assert door._is_open(scope) is answered
