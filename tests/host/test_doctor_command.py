"""`soakledger doctor`: one page of all parts, whatever one of them does."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path
from types import ModuleType

import pytest
from click.testing import CliRunner

from host import doctor_command
from host.doctor import Found, Mark
from install.plan import EXAMPLE_LINE

ROOT = Path(__file__).parents[2]


def part(monkeypatch: pytest.MonkeyPatch, name: str, found: list[Found] | Exception) -> list[tuple[Path, Path]]:
    """A part of this program that finds this."""
    asked: list[tuple[Path, Path]] = []
    module = ModuleType(name)

    def look(settings: Path, data: Path) -> list[Found]:
        asked.append((settings, data))
        if isinstance(found, Exception):
            raise found
        return found

    module.look = look  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, name, module)
    return asked


def run(tmp_path: Path, *words: str) -> tuple[int, str]:
    result = CliRunner().invoke(doctor_command.command, ["--etc", str(tmp_path), "--var", "/var/x", *words])
    return result.exit_code, result.output


def test_each_part_that_has_settings_is_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    node = part(monkeypatch, "firmware.doctor", [Found("clock", Mark.GOOD, "synchronised.")])
    collector = part(monkeypatch, "collector.doctor", [Found("disk", Mark.WRONG, "full.", "Make room.")])
    (tmp_path / "node.toml").touch()
    assert run(tmp_path)[0] == 0
    assert (node, collector) == ([(tmp_path / "node.toml", Path("/var/x/node"))], [])
    (tmp_path / "collector.toml").touch()
    code, text = run(tmp_path)
    assert code == 1
    assert collector == [(tmp_path / "collector.toml", Path("/var/x/collector"))]
    assert text.splitlines()[2:4] == ["WRONG     disk: full.", "          -> Make room."]


def test_programs_get_a_list(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    part(monkeypatch, "firmware.doctor", [Found("lid", Mark.UNKNOWN, "nobody reads it.", "Start the node.")])
    (tmp_path / "node.toml").touch()
    code, text = run(tmp_path, "--json")
    assert code == 2
    assert json.loads(text) == [
        {"what": "lid", "mark": "not seen", "said": "nobody reads it.", "todo": "Start the node."}
    ]


def test_where_nothing_is_installed_it_says_so(tmp_path: Path) -> None:
    code, text = run(tmp_path)
    assert code == 2
    assert f"there is no node.toml or collector.toml in {tmp_path}" in text


def test_a_part_that_fails_hides_nothing_of_the_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    part(monkeypatch, "firmware.doctor", RuntimeError("oh"))
    part(monkeypatch, "collector.doctor", [Found("disk", Mark.GOOD, "room.")])
    for name in ("node.toml", "collector.toml"):
        (tmp_path / name).touch()
    code, text = run(tmp_path)
    assert code == 2
    assert "NOT SEEN  node: looking at it failed (RuntimeError: oh)." in text
    assert "GOOD      disk: room." in text


def test_a_part_that_is_not_installed_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "collector.doctor", None)
    (tmp_path / "collector.toml").touch()
    code, text = run(tmp_path)
    assert code == 2
    assert "Install it: `sudo ./run install collector`." in text


def test_settings_that_are_still_the_example_are_the_first_thing_to_mend(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else the advice to start the services would start them for basins that are invented."""
    assert doctor_command.EXAMPLE_LINE == EXAMPLE_LINE
    part(monkeypatch, "firmware.doctor", [Found("service", Mark.WRONG, "it does not run.", "Start it.")])
    shutil.copy(ROOT / "install/examples/node.toml", tmp_path)
    first, second = doctor_command.looked(tmp_path, tmp_path)
    assert (first.mark, first.said.partition(": ")[0]) == (Mark.WRONG, f"{tmp_path}/node.toml is still the example")
    assert first.todo.endswith("then run `sudo ./run install node`.")
    assert second.what == "service"
    (tmp_path / "node.toml").write_text("a person's, which says # EXAMPLE: somewhere")
    assert [each.what for each in doctor_command.looked(tmp_path, tmp_path)] == ["service"]
