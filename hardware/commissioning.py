"""Makes the commissioning sheet printable: one page of HTML with everything in it, nothing loaded from anywhere."""

from __future__ import annotations

from markdown_it import MarkdownIt

_STYLE = """
@page { margin: 11mm; }
* { box-sizing: border-box; }
body { margin: 0; color: #000; background: #fff; font: 10pt/1.25 Arial, sans-serif; }
h1 { font-size: 16pt; margin: 0 0 2mm; }
h2 { font-size: 12pt; margin: 4mm 0 1mm; break-after: avoid; }
p { margin: 0 0 1.5mm; }
table { width: 100%; margin: 0 0 2.5mm; border-collapse: collapse; table-layout: fixed; }
th, td { border: 0.3mm solid #000; padding: 0.8mm 1mm; text-align: left; vertical-align: top; height: 7mm;
  overflow-wrap: break-word; }
th:first-child { width: 44%; }
tr { break-inside: avoid; }
thead { display: table-header-group; }
@media screen { body { max-width: 190mm; padding: 10mm; } }
"""


def printable(text: str) -> str:
    """The sheet for a browser's printer, A4 or letter.

    Args:
        text: The sheet as Markdown; its tables are filled in by hand.
    """
    body = MarkdownIt("commonmark").enable("table").render(text)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>Commissioning sheet</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n{body}</body>\n</html>\n"
    )
