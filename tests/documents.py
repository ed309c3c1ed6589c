"""What documents take from the program, between marks: `python -m tests.documents` writes it again.

A block begins with `<!-- NAME -->` and ends with `<!-- end -->`; one whose name stands here is made, others are left.
"""

from __future__ import annotations

import importlib
import json
import re
import textwrap
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path

ROOT = Path(__file__).parents[1]
GOLDEN = ROOT / "tests" / "golden"
WITH_BLOCKS = ("INTEGRATION.md", "hardware/administrator.md")
_BLOCK = re.compile(r"^<!-- ([\w -]+) -->\n(.*?)^<!-- end -->$", re.MULTILINE | re.DOTALL)
_WIDTH = 130


def filled(text: str) -> str:
    """A document with its blocks made again."""

    def made(block: re.Match[str]) -> str:
        name, _, what = block[1].partition(" ")
        content = MADE[name](what) if name in MADE else None
        return block[0] if content is None else f"<!-- {block[1]} -->\n{content}<!-- end -->"

    return _BLOCK.sub(made, text)


def blocks(text: str, name: str) -> Iterator[str]:
    """What stands in the blocks of a name."""
    for block in _BLOCK.finditer(text):
        if block[1].partition(" ")[0] == name:
            yield block[2]


def golden(name: str) -> Path:
    """An example message, of the newest release that has one of this name."""
    found = [each / f"{name}.json" for each in GOLDEN.iterdir() if (each / f"{name}.json").is_file()]
    return max(found, key=lambda path: [int(part) for part in path.parent.name.split(".")])


def _example(name: str) -> str:
    text = golden(name).read_text(encoding="utf-8").strip()
    lines = text.splitlines()
    if max(map(len, lines)) > _WIDTH:
        text = json.dumps(json.loads(text), ensure_ascii=False)
        lines = textwrap.wrap(text, _WIDTH, break_long_words=False, break_on_hyphens=False, subsequent_indent="  ")
        assert json.loads(" ".join(lines)) == json.loads(text), f"{name} has two spaces in a text"
    return "```json\n" + "\n".join(lines) + "\n```\n"


def _metrics(_: str) -> str | None:
    """As they are declared; none before there are any."""
    if find_spec("dashboard.metrics") is None:
        return None
    return f"\n{importlib.import_module('dashboard.metrics.declared').table()}\n"


MADE: dict[str, Callable[[str], str | None]] = {"example": _example, "metrics": _metrics}


def main() -> None:
    """Write all of them."""
    for name in WITH_BLOCKS:
        path = ROOT / name
        if path.is_file():
            path.write_text(filled(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
