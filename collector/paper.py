"""Pages for the printer: one HTML file with everything in it, nothing loaded from anywhere."""

from __future__ import annotations

import enum
from html import escape

__all__ = ["Paper", "escape", "page"]


class Paper(enum.StrEnum):
    """Sizes of paper."""

    A4 = "a4"
    LETTER = "letter"


_NAMES = {Paper.A4: "A4", Paper.LETTER: "letter"}

_STYLE = """
@page { size: %(size)s; margin: 10mm; }
* { box-sizing: border-box; }
body { margin: 0; color: #000; background: #fff; font: 12pt/1.3 ui-sans-serif, system-ui, "Segoe UI", Roboto,
  "Noto Sans", sans-serif; font-variant-numeric: tabular-nums lining-nums; }
h1, h2, p, dl, dd, ul { margin: 0; }
.hint { margin: 0 0 4mm; }
@media screen { body { padding: 10mm; } }
@media print { .screen { display: none; } }
"""


def page(title: str, body: str, style: str, paper: Paper, *, landscape: bool = False) -> str:
    """A whole page.

    Args:
        title: Of the page, as plain text.
        body: HTML.
        style: CSS of this page alone.
        paper: What it is printed on.
        landscape: The long side across.
    """
    size = f"{_NAMES[paper]} landscape" if landscape else _NAMES[paper]
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE % {'size': size}}{style}</style>\n</head>\n"
        f"<body>\n{body}\n</body>\n</html>\n"
    )
