"""`soakledger downtime-form`: a paper form on which soaks are logged by hand while the system is down.

What it asks for are the published record fields of manual high-level disinfection; each stands below with its source.
Where they ask for a patient's name and record number, the form takes the encounter's reference, as everything here.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NamedTuple

import click

from collector.paper import Paper, escape, page
from collector.record.things import Step

_NEWSLETTER = "CIHQ newsletter March 2022, listing ANSI/AAMI ST58 record items"
_GUIDE = "study guide for sterile-processing technicians (secondary source)"
_CHECKLIST = "audit checklist for sterile processing (secondary source)"
_SUMMARY = "side-by-side summary of endoscope-reprocessing guidelines"


class Column(NamedTuple):
    """A column of the form.

    Attributes:
        words: Its head, first the words of the screens.
        width_mm: Of the column.
        fields: Published record fields that it holds, with their source.
        lines: What is printed small in each cell, to be completed by hand.
    """

    words: str
    width_mm: int
    fields: tuple[tuple[str, str], ...]
    lines: tuple[str, ...] = ()


FILL_COLUMNS = (
    Column("Basin, fill", 26, (("load or soaking tray", _NEWSLETTER),)),
    Column("Solution", 40, (("chemical", _GUIDE),)),
    Column("Bottle: lot", 30, (("HLD lot number", _NEWSLETTER),)),
    Column("Bottle: expiry", 24, (("HLD shelf-life date", _NEWSLETTER), ("expiry of chemicals", _SUMMARY))),
    Column(
        "Bottle: opened, use by",
        32,
        (
            ("date the original container was opened", _NEWSLETTER),
            ("use life of the open container", _NEWSLETTER),
        ),
    ),
    Column("Activated", 24, (("date activated or diluted", _NEWSLETTER),)),
    Column("Poured, by", 34, (("date poured into a secondary container", _NEWSLETTER),)),
    Column(
        "Fill: use by",
        28,
        (("reuse life of the solution", _NEWSLETTER), ("expiry on the soak container", _CHECKLIST)),
    ),
    Column("Test strips: lot, expiry", 39, (("strip lot number", _CHECKLIST), ("expiry of strips", _SUMMARY))),
)

SOAK_COLUMNS = (
    Column(
        "Basin, date",
        21,
        (("soaking tray and date processed", _NEWSLETTER), ("date of cycle", _NEWSLETTER)),
    ),
    Column(
        "Devices: asset number, type, department",
        47,
        (
            ("contents of the load: quantity, department, description", _NEWSLETTER),
            ("device id", _GUIDE),
        ),
    ),
    Column(
        "Encounter reference, no names",
        36,
        (("link to the patient", _NEWSLETTER), ("procedure", _NEWSLETTER)),
        ("came from", "used for"),
    ),
    Column(
        "Steps before the soak: initials",
        34,
        (),
        ("1          2          3", "4          5          6", "7          8"),
    ),
    Column(
        "MEC test",
        24,
        (
            ("chemical concentration at exposure", _NEWSLETTER),
            ("MEC test result", _GUIDE),
            ("results of concentration tests", _SUMMARY),
        ),
        ("time", "pass / fail"),
    ),
    Column(
        "Temperature, °C", 27, (("exposure temperature", _NEWSLETTER), ("temperature", _GUIDE)), ("at least", "read")
    ),
    Column(
        "Lid, contact time",
        27,
        (("exposure time", _NEWSLETTER), ("time of cycle", _NEWSLETTER), ("contact time", _GUIDE)),
        ("closed", "opened", "at least        min"),
    ),
    Column("Rinses, dried", 24, (("rinse water", _GUIDE),), ("1          2", "3", "dried")),
    Column(
        "Released by, or quarantine and why; done by",
        37,
        (
            ("name or initials of the operator", _NEWSLETTER),
            ("technician", _GUIDE),
            ("biological indicator or spore strip result, if applicable", _NEWSLETTER),
        ),
        ("released", "or quarantine, why", "done by"),
    ),
)

_STYLE = """
body { font-size: 10pt; }
h1 { font-size: 18pt; }
h2 { font-size: 12pt; margin: 3mm 0 1mm; }
.head { display: grid; grid-template-columns: 2fr 1fr 1fr; gap: 3mm 6mm; margin: 2mm 0; }
.head span { border-bottom: 0.3mm solid #000; height: 7mm; display: flex; align-items: end; }
ul { padding-left: 5mm; columns: 2; column-gap: 8mm; }
.wrap { overflow-x: auto; }
table { border-collapse: collapse; table-layout: fixed; width: 100%; }
@media screen { table { min-width: 250mm; } }
th, td { border: 0.3mm solid #000; padding: 1mm; text-align: left; vertical-align: top; }
th { font-size: 9pt; line-height: 1.15; }
td { height: 9mm; }
.soaks td { height: 25mm; padding: 0; }
.soaks td p { font-size: 8.5pt; height: 8.3mm; padding: 0.5mm 1mm; white-space: pre; }
.soaks td p + p { border-top: 0.2mm dotted #000; }
tr { break-inside: avoid; }
.steps { font-size: 9pt; margin: 0 0 1.5mm; }
"""

_TITLE = "Soaks by hand: downtime form"

_RULES = (
    "Only while the system is down. Typed in later, it is marked as such: nothing on it was watched.",
    "Lid on, timer running, no break. In doubt, reprocess; a doubtful MEC test is a fail.",
    "No names and no dates of birth: write the encounter's reference.",
    "Gloves, eye protection, ventilation. The product's label and the device maker's instructions decide.",
)


def form(paper: Paper, soaks: int) -> str:
    """The form as a page.

    Args:
        paper: What it is printed on; the long side across.
        soaks: How many soaks it has room for.
    """
    rules = "".join(f"<li>{escape(rule)}</li>" for rule in _RULES)
    head = "".join(f"<span>{words}</span>" for words in ("Site", "Sheet", "Date", "Why", "Down from", "Down until"))
    steps = ", ".join(f"{number} {step.value}" for number, step in enumerate(Step, 1))
    legend = (
        f"Steps before the soak: {steps}. Leave out only what the device does not have. Rinses: minutes of each, fresh "
        "water each time. Quarantine whatever is not released. A biological indicator, if one was used: its result "
        "beside the release."
    )
    body = (
        f'<h1>{_TITLE}</h1>\n<div class="head">{head}</div>\n<ul>{rules}</ul>\n'
        f'<h2>Fills</h2>\n<div class="wrap">{_table("fills", FILL_COLUMNS, 3)}</div>\n'
        f'<h2>Soaks</h2>\n<p class="steps">{escape(legend)}</p>\n'
        f'<div class="wrap">{_table("soaks", SOAK_COLUMNS, soaks)}</div>'
    )
    style = _STYLE + _widths("fills", FILL_COLUMNS) + _widths("soaks", SOAK_COLUMNS)
    return page(_TITLE, body, style, paper, landscape=True)


def _table(name: str, columns: tuple[Column, ...], rows: int) -> str:
    heads = "".join(f'<th scope="col">{escape(column.words)}</th>' for column in columns)
    cells = "".join(f"<td>{''.join(f'<p>{escape(line)}</p>' for line in column.lines)}</td>" for column in columns)
    return f'<table class="{name}"><thead><tr>{heads}</tr></thead><tbody>{f"<tr>{cells}</tr>" * rows}</tbody></table>'


def _widths(name: str, columns: tuple[Column, ...]) -> str:
    whole_mm = sum(column.width_mm for column in columns)
    return "".join(
        f".{name} th:nth-child({place}) {{ width: {column.width_mm / whole_mm:.2%}; }}\n"
        for place, column in enumerate(columns, 1)
    )


@click.command()
@click.option("--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="Where the page goes.")
@click.option(
    "--paper",
    default=Paper.A4.value,
    show_default=True,
    type=click.Choice([each.value for each in Paper]),
    help="Size of the paper.",
)
@click.option("--soaks", default=8, show_default=True, type=click.IntRange(1, 100), help="How many it has room for.")
def command(out: Path, paper: str, soaks: int) -> None:
    """Write a form to print (HTML) on which soaks are logged by hand while the system is down.

    Print some before you need them. Afterwards a supervisor types them in; they are marked as typed in.
    """
    try:
        out.write_text(form(Paper(paper), soaks), encoding="utf-8")
    except OSError as error:
        click.echo(
            f"soakledger downtime-form: {out} cannot be written ({error.strerror}). Name a file in a folder that you "
            "may write to.",
            err=True,
        )
        sys.exit(2)
    click.echo(f"The form is in {out}. Print it across (landscape), at 100 %.", err=True)
