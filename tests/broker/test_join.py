"""The enrolment file on the Pi: node.toml keeps all but how the broker is reached; a wrong file changes nothing."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from collector.broker.authority import new_authority
from firmware.enrolment import command, with_broker
from firmware.settings import Broker, load
from host.enrolment import Enrolment

CA = new_authority(datetime.datetime.now(datetime.UTC)).certificate_pem.decode()
ENROLMENT = Enrolment("room-3", "soak.local", 8883, "room-3", "secret-of-room-3", CA)
BASIN = '[[basin]]\nname = "b1"  # left\nsensors = ["28-00000000000a"]\nlid_pin = 17\n'
SETTINGS = f"""# Room 3
node = "room-3"
data_dir = "data"

  [broker]   # the collector's machine
host = "old.local"
# port = 1
port = 1883
{BASIN}"""


@pytest.fixture
def etc(tmp_path: Path) -> Path:
    folder = tmp_path / "etc"
    folder.mkdir()
    (folder / "node.toml").write_text(SETTINGS)
    return folder


def join(etc: Path, content: str | None = None, *options: str) -> Result:
    file = etc.parent / "room-3.toml"
    file.write_text(ENROLMENT.text() if content is None else content)
    return CliRunner().invoke(command, [str(file), "--etc", str(etc), *options], catch_exceptions=False)


def test_a_node_joins(etc: Path) -> None:
    done = join(etc)
    assert (done.exit_code, done.output.splitlines()[0]) == (
        0,
        "room-3 speaks to the broker soak.local:8883 from its next start on.",
    )
    assert load(etc / "node.toml").broker == Broker(
        "soak.local", 8883, "room-3", str(etc / "node.password"), str(etc / "tls" / "ca.pem")
    )
    assert (etc / "node.password").read_text() == "secret-of-room-3\n"
    assert (etc / "tls" / "ca.pem").read_text() == CA
    modes = {name: oct((etc / name).stat().st_mode & 0o777) for name in ("node.password", "node.toml", "tls/ca.pem")}
    assert modes == {"node.password": "0o640", "node.toml": "0o640", "tls/ca.pem": "0o644"}
    text = (etc / "node.toml").read_text()
    for kept in ("# Room 3", "# the collector's machine", "# port = 1", BASIN):
        assert kept in text
    assert "secret" not in text
    assert not (etc.parent / "room-3.toml").exists()
    assert sorted(each.name for each in etc.iterdir()) == ["node.password", "node.toml", "tls"]


def test_joining_again_changes_nothing_but_the_password(etc: Path) -> None:
    join(etc)
    before = (etc / "node.toml").read_text()
    again = Enrolment("room-3", "soak.local", 8883, "room-3", "newer", CA)
    assert join(etc, again.text(), "--keep").exit_code == 0
    assert (etc / "node.toml").read_text() == before
    assert (etc / "node.password").read_text() == "newer\n"
    assert (etc.parent / "room-3.toml").exists()


@pytest.mark.parametrize(
    "text",
    [
        "",
        'node = "a"\n',
        '[broker]\nhost = "x"\n',
        '[[basin]]\nname = "b1"\n[basin.light]\nred = 1\n[ broker ]\nhost="x"\nport=1\n[other]\nhost = "kept"\n',
    ],
)
def test_only_the_brokers_own_keys_change(text: str) -> None:
    before = tomllib.loads(text)
    changed = with_broker(text, {"host": 'quo"ted', "port": 8883})
    after = tomllib.loads(changed)
    assert after == before | {"broker": {"host": 'quo"ted', "port": 8883}}
    assert with_broker(changed, {"host": 'quo"ted', "port": 8883}) == changed


@pytest.mark.parametrize(
    ("content", "status", "said"),
    [
        ("nonsense", 8, "is no enrolment file: it is not TOML: "),
        (ENROLMENT.text().replace("8883", "0"), 8, "is no enrolment file: Expected `int` >= 1 - at `$.port`"),
        (ENROLMENT.text().replace("BEGIN CERT", "BEGIN CURT"), 8, "its certificate authority cannot be used."),
        (ENROLMENT.text().replace("secret-of-room-3", "a\\nb"), 8, "is no enrolment file: "),
        (ENROLMENT.text().replace('"room-3"', '"room-4"'), 8, "This node is called 'room-3' in "),
    ],
)
def test_a_wrong_file_changes_nothing(etc: Path, content: str, status: int, said: str) -> None:
    done = join(etc, content)
    assert done.exit_code == status
    assert said in done.output
    assert "secret" not in done.output
    assert (etc / "node.toml").read_text() == SETTINGS
    assert [each.name for each in etc.iterdir()] == ["node.toml"]
    assert (etc.parent / "room-3.toml").exists()


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        (None, "it cannot be read (No such file or directory). Install the node first"),
        ("node = ", "it is not TOML: "),
        ('node = "room-3"\n', "Object missing required field `basin`"),
    ],
)
def test_settings_that_cannot_be_used_are_named(etc: Path, settings: str | None, said: str) -> None:
    (etc / "node.toml").unlink()
    if settings is not None:
        (etc / "node.toml").write_text(settings)
    done = join(etc)
    assert done.exit_code == 3
    assert done.output.startswith(f"soakledger join: {etc}/node.toml: {said}")
    assert not (etc / "node.password").exists()
    assert (etc.parent / "room-3.toml").exists()
