"""The documents say what is so: commands, options, files and settings that they name exist."""

from __future__ import annotations

import importlib
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import msgspec
import pytest

import collector.settings
import firmware.settings
import soakledger
from soak import asyncapi
from soak.findings import CODES

ROOT = Path(__file__).parents[1]
VERSION = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
DOCUMENTS = [
    *(ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "INTEGRATION.md")),
    *sorted((ROOT / "hardware").glob("*.md")),
    *sorted((ROOT / "dashboard" / "help").glob("*.md")),
]
COMING = {"broker-setup", "certificates", "commission", "doctor", "enrol", "join", "revoke"} - set(soakledger.COMMANDS)
"""Commands that others build; nothing is left of it once they are there."""
_CODE = re.compile(r"`([^`\n]+)`|^ {4}(.+)$|^```(?:sh)?\n(.+?)^```$", re.MULTILINE | re.DOTALL)
_COMMAND = re.compile(r"(?<!-u )\b(?:\.venv/bin/)?soakledger ([a-z][a-z-]*)([^|#&;\n]*)")


@pytest.mark.parametrize("name", sorted(soakledger.COMMANDS))
def test_every_subcommand_and_option_has_help(name: str) -> None:
    """Nobody has to read the code to use the command."""
    command = importlib.import_module(soakledger.COMMANDS[name][0]).command
    assert command.help
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{name}: {parameter.opts} has no help"


@pytest.mark.parametrize("name", sorted(soakledger.COMMANDS))
def test_help_of_every_subcommand_prints(name: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "soakledger", name, "--help"], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert "Usage:" in done.stdout
    assert done.stderr == ""


def test_the_command_loads_no_subcommand_it_was_not_asked_for() -> None:
    script = "import sys, soakledger; print(sorted({m.split('.')[0] for m in sys.modules}))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT)
    for heavy in ("collector", "dashboard", "firmware", "litestar", "sqlite_utils", "paho", "gpiozero", "plotly"):
        assert f"'{heavy}'" not in done.stdout


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_files_that_a_document_names_exist(document: Path) -> None:
    """In backticks with a slash or a known ending, and in links and pictures."""
    text = document.read_text()
    named = re.findall(r"`([\w./-]+(?:/|\.(?:py|json|toml|md|css|js)))`", text) + re.findall(r"\]\(([^)#:]+)\)", text)
    generated = {"node.toml", "collector.toml", "dashboard.toml", "verify.py", "sign-in.json"}
    missing = [
        name
        for name in named
        if name not in generated
        and not name.startswith("/")
        and not (ROOT / name).exists()
        and not (document.parent / name).exists()
    ]
    assert not missing


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_places_in_a_document_that_links_lead_to_exist(document: Path) -> None:
    for link, place in re.findall(r"\]\(([^)#:\s]*)#([\w-]+)\)", document.read_text()):
        text = (document.parent / link).read_text() if link else document.read_text()
        headings = [re.sub(r"[^\w -]", "", each).strip().lower().replace(" ", "-") for each in _headings(text)]
        assert place in headings, f"{document.name} leads to {link}#{place}"


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_subcommands_that_a_document_names_exist_with_their_options(document: Path) -> None:
    for name, words in _commands(document.read_text()):
        if name in COMING:
            continue
        assert name in soakledger.COMMANDS, f"{document.name} names `soakledger {name}`"
        known = _options(name, words)
        for option in re.findall(r"(?<![\w-])--[a-z][a-z-]*", words):
            assert option in known, f"{document.name}: `soakledger {name}` takes no {option}"


def test_documents_that_name_a_command_or_option_wrongly_are_found() -> None:
    """The test above can fail."""
    text = "`sudo -u soakledger soakledger people --data x frist ID`\n\n    soakledger verify --dada y  # --comment\n"
    assert _commands(text) == [("people", " --data x frist ID"), ("verify", " --dada y  ")]
    assert "--data" in _options("people", " --data x first ID")
    assert "--name" in _options("people", " first ID --name NAME")
    assert "--name" not in _options("people", " frist ID --name NAME")
    assert "--dada" not in _options("verify", " --dada y  ")


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_commands_of_run_that_a_document_names_exist(document: Path) -> None:
    script = (ROOT / "run").read_text()
    installer = ROOT / "install" / "__main__.py"
    for name, words in re.findall(r"\./run ([a-z]+)([^`#\n]*)", document.read_text()):
        if name in ("install", "uninstall"):
            if installer.is_file():
                taken = set(re.findall(r'"(--[a-z-]+)"', installer.read_text()))
                assert set(re.findall(r"(?<![\w-])--[a-z-]+", words)) <= taken, f"{document.name}: ./run {name}{words}"
            else:  # others build it
                continue
        assert re.search(rf"^    (?:[a-z]+ \| )*{name}(?: \| [a-z]+)*\)", script, re.MULTILINE), (
            f"{document.name} names ./run {name}"
        )


def _commands(text: str) -> list[tuple[str, str]]:
    """Each `soakledger NAME …` in code, with the words after the name."""
    code = ("".join(parts) for parts in _CODE.findall(text))
    return [(found[1], found[2]) for each in code for found in _COMMAND.finditer(each)]


def _options(name: str, words: str) -> set[str]:
    """What a subcommand takes, and what the one below it does that the words name."""
    command = importlib.import_module(soakledger.COMMANDS[name][0]).command
    found = [command]
    if isinstance(command, click.Group):
        found += [below for word in words.split() if (below := command.commands.get(word))]
    return {"--help", *(option for each in found for parameter in each.params for option in parameter.opts)}


def _headings(text: str) -> list[str]:
    return re.findall(r"^#+ (.+)$", text, re.MULTILINE)


def test_every_finding_is_explained() -> None:
    assert all(sentence.endswith(".") for sentence in CODES.values())


@pytest.mark.parametrize("module", [collector.settings, firmware.settings], ids=lambda module: module.__name__)
def test_every_setting_is_documented(module: object) -> None:
    """Each field of each settings struct has its meaning, in the docstring or beside it."""
    structs = [
        each
        for each in vars(module).values()
        if isinstance(each, type) and issubclass(each, msgspec.Struct) and each.__module__ == module.__name__  # type: ignore[attr-defined]
    ]
    assert structs
    for struct in structs:
        described = {
            field.name
            for field in msgspec.inspect.type_info(struct).fields  # type: ignore[attr-defined]
            if "StructType" in str(field.type)  # a table, or a list of them: its keys have theirs
            or (getattr(field.type, "extra_json_schema", None) or {}).get("description")
        }
        for field in set(struct.__struct_fields__) - described:
            assert re.search(rf"^\s+{field}: \S", struct.__doc__ or "", re.MULTILINE), f"{struct.__name__}.{field}"


def test_the_published_wire_is_the_wire_that_is_spoken() -> None:
    """AsyncAPI 3 document; write it again with soak.asyncapi.text(version)."""
    assert (ROOT / "soak" / "asyncapi.json").read_text() == asyncapi.text(VERSION)


def test_nothing_in_the_project_names_a_package_index_or_a_path_of_one_machine() -> None:
    index = re.compile("py" + r"pi\.org|files\.pythonhosted|registry\.npm" + r"js|deb\.deb" + "ian")
    machine = re.compile(r"(?<![\w.])/(root|home/[a-z]+|wor" + "k|tmp/dev)/")
    for path in _own_files():
        text = path.read_text(errors="replace")
        assert not index.search(text), path
        assert not machine.search(text), path


def _own_files() -> list[Path]:
    """Everything in the checkout but what tools put there; a checkout need not come from git."""
    made = {".git", ".venv", "__pycache__", ".pytest_cache", ".mypy_cache", ".ruff_cache", ".hypothesis", "build"}
    return [
        path
        for path in ROOT.rglob("*")
        if path.is_file()
        and path.suffix != ".png"
        and not made & set(path.parts)
        and not any(part.endswith(".egg-info") or part == "artefacts" for part in path.parts)
    ]
