"""The examples of settings: every key with its meaning, as they stand and all at once taken by the loader."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pytest

import collector.settings
import firmware.settings
from install.plan import EXAMPLE_LINE, is_example

FOLDER = Path(__file__).parent.parent.parent / "install/examples"
_HEAD = re.compile(r"#?(\[+)([^\]]+)\]+")
_KEY = re.compile(r"(#?)([a-z0-9_]+) = ")


class Example(NamedTuple):
    """An example and what reads it."""

    name: str
    struct: type[msgspec.Struct]
    load: Callable[[Path], object]


EXAMPLES = [
    Example("node.toml", firmware.settings.Settings, firmware.settings.load),
    Example("collector.toml", collector.settings.Settings, collector.settings.load),
]
each_example = pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.name)


class Declared(NamedTuple):
    """A key of a struct; `path` without the names of sensors."""

    path: str
    default: Any


def declared(kind: msgspec.inspect.Type, prefix: str = "") -> Iterator[Declared]:
    """Every key below a type, as the file calls it."""
    match kind:
        case msgspec.inspect.Metadata():
            yield from declared(kind.type, prefix)
        case msgspec.inspect.StructType():
            for field in kind.fields:
                path = f"{prefix}{field.encode_name}"
                inner = list(declared(field.type, f"{path}."))
                yield from inner or [Declared(path, field.default)]
        case msgspec.inspect.UnionType():
            for each in kind.types:
                yield from declared(each, prefix)
        case msgspec.inspect.VarTupleType() | msgspec.inspect.ListType():
            yield from declared(kind.item_type, prefix)
        case msgspec.inspect.DictType():
            yield from declared(kind.value_type, prefix)


class Written(NamedTuple):
    """A key of an example.

    Attributes:
        value: As TOML reads it.
        off: It stands behind a #.
        meaning: The remark above it.
    """

    value: Any
    off: bool
    meaning: str


def written(text: str) -> dict[str, Written]:
    """Every key of an example by its path, also those behind a #."""
    found: dict[str, Written] = {}
    section, meaning = "", ""
    for line in text.splitlines():
        if head := _HEAD.fullmatch(line):
            section = re.sub(r'\."28-[0-9a-f]+"', "", head[2]) + "."
        elif key := _KEY.match(line):
            value = tomllib.loads(line.lstrip("#"))[key[2]]
            pairs = value.items() if isinstance(value, dict) else [("", value)]
            for name, one in pairs:
                found[f"{section}{key[2]}.{name}".rstrip(".")] = Written(one, key[1] == "#", meaning.strip())
        if line.startswith("# "):
            meaning += line[1:]
        else:
            meaning = ""
    return found


def in_full(text: str) -> str:
    """With every key that stands behind a #."""
    return re.sub(r"^#(?=\[|[a-z0-9_]+ = )", "", text, flags=re.MULTILINE)


@each_example
def test_every_key_stands_there_with_its_meaning(example: Example) -> None:
    keys = written((FOLDER / example.name).read_text())
    wanted = {each.path for each in declared(msgspec.inspect.type_info(example.struct))}
    assert keys.keys() == wanted
    assert [path for path, key in keys.items() if len(key.meaning) < 5] == []


@each_example
def test_what_is_left_out_is_as_the_example_says(example: Example) -> None:
    keys = written((FOLDER / example.name).read_text())
    for key in declared(msgspec.inspect.type_info(example.struct)):
        if keys[key.path].off and isinstance(key.default, str | int | float):
            assert str(keys[key.path].value) == str(key.default), key.path


@each_example
def test_it_loads_as_it_stands_and_with_everything(example: Example, tmp_path: Path) -> None:
    text = (FOLDER / example.name).read_text()
    routes = tmp_path / "notify-supervisor.txt"
    routes.write_text("json://localhost/\n")
    routes.chmod(0o600)
    file = tmp_path / example.name
    file.write_text(text)
    example.load(file)
    assert in_full(text) != text
    file.write_text(in_full(text))
    example.load(file)


@each_example
def test_it_is_known_for_an_example_until_its_line_is_gone(example: Example) -> None:
    text = (FOLDER / example.name).read_bytes()
    assert is_example(text)
    assert not is_example(b"\n".join(text.splitlines()[1:]))
    assert text.startswith(EXAMPLE_LINE.encode())


@each_example
def test_no_secret_is_in_it(example: Example) -> None:
    assert not re.search(r"^#?password\b\s*=", (FOLDER / example.name).read_text(), re.MULTILINE)
