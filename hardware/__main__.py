"""`./run wiring`: writes every file of this folder that is made from something else."""

from __future__ import annotations

import sys
from pathlib import Path

from hardware.commissioning import printable
from hardware.wiring import drawings

HERE = Path(__file__).parent


def made() -> dict[str, str]:
    """What is made, by its place in this folder."""
    pictures = {f"drawings/{name}": svg for name, svg in drawings().items()}
    text = (HERE / "commissioning.md").read_text("utf-8")
    return {**pictures, "commissioning.html": printable(text)}


if __name__ == "__main__":
    for place, content in made().items():
        file = HERE / place
        file.parent.mkdir(exist_ok=True)
        file.write_text(content, encoding="utf-8", newline="\n")
        sys.stdout.write(f"{file}\n")
