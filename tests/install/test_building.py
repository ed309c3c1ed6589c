"""A version is built beside, whole or not at all, and what it is called says what is in it."""

from __future__ import annotations

import errno
import json
import os
import shutil
from pathlib import Path

import pytest
from upgradekit import ROOT

from install import building, source
from install.building import Builder, without
from install.errors import InstallError
from install.hands import Hands
from install.places import EXTRA, Part, Places
from install.steps import File, Run

NODE, COLLECTOR, BOTH = (Part.NODE,), (Part.COLLECTOR,), tuple(Part)


class Pip(Hands):
    """Remembers commands instead of running them; fails at one whose arguments hold a word."""

    def __init__(self, fails: str = "", said: str = "") -> None:
        super().__init__(accounts=False)
        self.ran: list[tuple[str, ...]] = []
        self._fails, self._said = fails, said

    def run(self, step: Run, *_arguments: object, **_named: object) -> str:
        self.ran.append(step.argv)
        if self._fails and any(self._fails in word for word in step.argv):
            raise InstallError(f"{step.why} failed: {self._said}")
        return ""


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """Small, but whole."""
    folder = tmp_path / "checkout"
    for path in source.files(ROOT):
        if len(path.parts) == 1 or path.parts[0] in ("soak", "requirements"):
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / path, folder / path)
    return folder


@pytest.fixture
def places(tmp_path: Path) -> Places:
    return Places(tmp_path / "root")


def test_the_name_follows_files_parts_and_python(checkout: Path) -> None:
    name = source.name_of(checkout, COLLECTOR, "3.11")
    assert name.startswith("0.") and len(name.partition("-")[2]) == 12  # noqa: PT018
    (checkout / "soak/__pycache__").mkdir()
    (checkout / "soak/__pycache__/x.pyc").write_bytes(b"x")
    assert source.name_of(checkout, COLLECTOR, "3.11") == name
    assert source.name_of(checkout, BOTH, "3.11") != name
    assert source.name_of(checkout, COLLECTOR, "3.13") != name
    (checkout / "soak/later.py").write_text("")
    assert source.name_of(checkout, COLLECTOR, "3.11") != name


def test_half_a_checkout(checkout: Path) -> None:
    (checkout / "pyproject.toml").unlink()
    with pytest.raises(InstallError, match="this is no whole copy of Soakledger"):
        source.name_of(checkout, NODE, "3.11")


def test_it_is_whole_only_at_its_end_and_built_once(checkout: Path, places: Places) -> None:
    pip = Pip()
    builder = Builder(places, pip, checkout)
    built = builder.build(BOTH)
    assert building.version(places, built.name) == built
    assert built.parts == BOTH
    assert any("--require-hashes" in argv and argv[-1].endswith("server.txt") for argv in pip.ran)
    assert any("--require-hashes" in argv and argv[-1].endswith("node.txt") for argv in pip.ran)
    assert any("--no-deps" in argv and "--no-index" in argv for argv in pip.ran)
    ran = len(pip.ran)
    assert builder.build(BOTH) == built
    assert len(pip.ran) == ran


@pytest.mark.parametrize(
    ("said", "advice"),
    [
        ("ERROR: Could not find a version that satisfies …", "Look at the network, then run this again."),
        ("OSError: [Errno 28] No space left on device", "Look at the free space, then run this again."),
        ("error: command 'swig' failed … building wheel for lgpio", "lgpio, which drives the pins, is not to be had"),
    ],
)
def test_pip_fails(checkout: Path, places: Places, said: str, advice: str) -> None:
    builder = Builder(places, Pip("server.txt", said), checkout)
    with pytest.raises(InstallError) as raised:
        builder.build(COLLECTOR)
    lines = str(raised.value).splitlines()
    assert lines[1].startswith(advice)
    assert lines[2] == "Nothing was installed."
    assert list(places.versions.iterdir()) == []


def test_a_disk_that_fills_up_leaves_what_is_installed(
    checkout: Path, places: Places, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = Builder(places, Pip(), checkout).build(COLLECTOR)
    places.current.symlink_to(f"versions/{old.name}")
    (checkout / "soak/later.py").write_text("")
    real = shutil.copyfile

    def copyfile(of: Path, to: Path) -> None:
        if to.name == "wire.py":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(to))
        real(of, to)

    monkeypatch.setattr(shutil, "copyfile", copyfile)
    builder = Builder(places, Pip(), checkout)
    with pytest.raises(InstallError) as raised:
        builder.build(COLLECTOR)
    full = places.version(builder.name(COLLECTOR)) / "soak/wire.py"
    assert str(raised.value) == (
        f"The disk is full ({full}). Make room, then run this again. "
        f"Nothing was changed: {old.name} is installed as before."
    )
    assert [path.name for path in places.versions.iterdir()] == [old.name]
    assert building.current(places) == old


def test_too_little_room_is_seen_before(checkout: Path, places: Places, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(building, "ROOM_BYTES", dict.fromkeys(Part, 10**18))
    with pytest.raises(InstallError, match=r"MiB free, and a version needs .* Nothing was built\. Make room there"):
        Builder(places, Pip(), checkout).build(NODE)


def test_what_was_never_finished_is_cleared_away(checkout: Path, places: Places) -> None:
    built = Builder(places, Pip(), checkout).build(NODE)
    half = places.version("0.9.0-aaaaaaaaaaaa")
    half.mkdir()
    (half / "soak").mkdir()
    other = places.version("0.8.0-aaaaaaaaaaaa")
    other.mkdir()
    (other / building.WHOLE).write_text(json.dumps({"version": other.name, "parts": ["node"]}))
    building.clear(places, Pip(), (built.name, half.name))
    assert [path.name for path in places.versions.iterdir()] == [built.name]


def test_lgpio_is_left_out_where_the_system_has_it() -> None:
    text = (ROOT / f"requirements/{EXTRA[Part.NODE]}.txt").read_text()
    assert "\nlgpio==" in text
    shorter = without(text, "lgpio")
    assert "lgpio" not in shorter
    kept = [line for line in text.splitlines() if "==" in line and not line.startswith("lgpio==")]
    assert [line for line in shorter.splitlines() if "==" in line] == kept
    assert shorter.count("--hash") == text.count("--hash") - _hashes(text, "lgpio")


def _hashes(text: str, package: str) -> int:
    lines = text.splitlines()
    start = next(number for number, line in enumerate(lines) if line.startswith(f"{package}=="))
    end = next(number for number in range(start, len(lines)) if not lines[number].endswith("\\"))
    return sum("--hash" in line for line in lines[start : end + 1])


def test_a_file_is_written_whole_or_not_at_all_and_is_on_the_disk(tmp_path: Path, flushed: list[int]) -> None:
    hands = Hands(accounts=False)
    path = tmp_path / "etc/x.toml"
    hands.do([File(path, b"one", building.ROOTS_FILE)])
    assert len(flushed) == 2  # the file, then the folder that names it
    hands.do([File(path, b"one", building.ROOTS_FILE), File(path, b"two", building.ROOTS_FILE)])
    assert path.read_bytes() == b"two"
    assert path.stat().st_mode & 0o777 == 0o644
    assert [each.name for each in path.parent.iterdir()] == ["x.toml"]
