"""README.txt: what a bundle is, how it is checked, what it is not."""

from __future__ import annotations

from collector.bundle.gathered import Gathered
from collector.bundle.span import Span

_HOW = """\
WHAT THIS IS
Records, readings and verdicts of soaks in liquid high-level disinfectant, as Soakledger kept them.
Site: {site}
Range: {span} (UTC, the end not included)
Made by: {software}

ledger.jsonl    every record from the first to the last, not only of the range: a part of the chain could not be
                compared with a head printed on paper
pages/          the readings of the range, and those on which its verdicts rest
verdicts.csv    a row for each closure of the range with the verdict that stands; a spreadsheet opens it
profiles.json   solutions, fills, bottles and MEC tests as they stand, of every year
checks.json     sensor checks and thermometer readings as they stand, of every year
pictures/       pictures that records name, such as labels
formats.md      what every field means and how all of it follows
verify.py       recomputes it: the chain, the digests, every verdict

HOW TO CHECK IT
Unpack it. In the unpacked folder, with any Python from 3.11 on and nothing else installed:

    python3 -I -S verify.py

It exits with 0 only if everything agrees. This copy of verify.py came with what it checks: whoever does not trust that
takes it from a copy of the program that they got elsewhere (collector/bundle/verify.py), or writes one from formats.md.
Then compare a record's number and hash with one that was printed on paper, or kept elsewhere, earlier. Only that shows
that the chain was not written anew as a whole:

    python3 -I -S verify.py --head NUMBER:HASH

    Records: {records}
    Head:    {head}

WHO MAY SEE IT
It names people who work at the site, and holds references that they typed, which may point to patients. Treat it as
you treat such records. No password, PIN, badge or session is in it.

WHAT IT IS NOT
It is a monitoring record. The product's label, the device maker's instructions and local rules decide. Temperature and
lid were measured. That a device was wholly under, its channels filled and free of bubbles, that it was cleaned before
and rinsed after, was declared by people, and is in the records as they said it.
"""


def readme(gathered: Gathered, span: Span, software: str) -> str:
    """Its text."""
    text = _HOW.format(
        site=gathered.site_name or gathered.site,
        span=span.words(),
        software=software,
        records=gathered.head.records,
        head=gathered.head.hash,
    )
    if gathered.missing:
        text += "\nWHAT IS MISSING\nThis bundle is incomplete. What should be in it and is not:\n"
        text += "".join(f"- {each.words()}\n" for each in gathered.missing)
    if gathered.unsealed:
        text += "\nWHAT IS NOT COVERED\nReadings of the range that no page held yet when this was made:\n"
        text += "".join(
            f"- basin {each.basin}: {each.readings} readings, {each.first} to {each.last} of stream {each.stream}\n"
            for each in gathered.unsealed
        )
        text += "They are within the hour, once the nodes have sent all they hold; a bundle made then has them.\n"
    return text
