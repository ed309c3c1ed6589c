"""Labels as a sheet for the printer: a QR code, and beside it in large letters what it names."""

from __future__ import annotations

from typing import NamedTuple

import segno

from collector.paper import Paper, escape, page


class Label(NamedTuple):
    """One label.

    Attributes:
        code: What stands in the QR code.
        kind: What it is a label of, e.g. "Basin".
        title: Its name, the largest text.
        facts: Word and value; a value of None is a line to write on.
        note: What to remember, below.
        foot: In small letters.
        show_code: The code stands below in letters, to be typed where a scanner fails.
    """

    code: str
    kind: str
    title: str
    facts: tuple[tuple[str, str | None], ...] = ()
    note: str = ""
    foot: str = ""
    show_code: bool = True


_STYLE = """
.sheet { display: grid; grid-template-columns: 1fr 1fr; gap: 4mm; }
.label { display: grid; grid-template-columns: 31mm 1fr; gap: 2mm 3mm; align-content: start; break-inside: avoid;
  border: 0.4mm solid #000; padding: 2.5mm; }
.code svg { width: 31mm; height: 31mm; display: block; }
.code p { font: 9pt/1.2 ui-monospace, "DejaVu Sans Mono", monospace; overflow-wrap: anywhere; }
.name { align-self: center; }
.kind { font-size: 11pt; }
h2 { font-size: 20pt; line-height: 1.1; overflow-wrap: anywhere; }
.note { font-size: 11pt; font-weight: 650; margin-top: 1.5mm; line-height: 1.2; }
dl { grid-column: 1 / -1; display: grid; grid-template-columns: max-content 1fr; gap: 0.8mm 2.5mm;
  align-items: baseline; }
dt { font-size: 11pt; }
dd { font-size: 13pt; font-weight: 650; overflow-wrap: anywhere; line-height: 1.2; }
dd.blank { border-bottom: 0.3mm solid #000; height: 7mm; align-self: end; }
.foot { grid-column: 1 / -1; font-size: 9pt; line-height: 1.2; }
@media (max-width: 190mm) { .sheet { grid-template-columns: 1fr; } }
@media print { .sheet { grid-template-columns: 1fr 1fr; } }
"""


def sheet(labels: list[Label], title: str, paper: Paper) -> str:
    """A page of labels as HTML.

    Args:
        labels: At least one.
        title: Of the page.
        paper: What it is printed on.
    """
    hint = (
        '<p class="hint screen">Print at 100 %, black on white. Try one label with the scanner before you stick them '
        "on.</p>"
    )
    body = "\n".join(_label(label) for label in labels)
    return page(title, f'{hint}\n<main class="sheet">\n{body}\n</main>', _STYLE, paper)


def _label(label: Label) -> str:
    facts = "".join(f"<dt>{escape(word)}</dt>{_fact(fact)}" for word, fact in label.facts)
    parts = [
        '<article class="label"><div class="code">',
        _qr(label.code),
        f"<p>{escape(label.code)}</p>" if label.show_code else "",
        f'</div><div class="name"><p class="kind">{escape(label.kind)}</p><h2>{escape(label.title)}</h2>',
        f'<p class="note">{escape(label.note)}</p>' if label.note else "",
        "</div>",
        f"<dl>{facts}</dl>" if facts else "",
        f'<p class="foot">{escape(label.foot)}</p>' if label.foot else "",
        "</article>",
    ]
    return "".join(parts)


def _fact(fact: str | None) -> str:
    return '<dd class="blank"></dd>' if fact is None else f"<dd>{escape(fact)}</dd>"


def _qr(text: str) -> str:
    """Error correction M or better: a label gets wet and scratched. The quiet zone is part of it."""
    return segno.make(text, error="m", micro=False).svg_inline(omitsize=True, border=4)
