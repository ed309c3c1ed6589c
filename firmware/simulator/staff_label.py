"""Pictures of record of the invented labels: a page of PDF with the label's words on it, always the same bytes."""

from __future__ import annotations

import hashlib

_WORDS = {
    "opa": ("Ortho-phthalaldehyde 0.55 %", "By hand: 12 min at 20 C or warmer. Reuse: 14 days."),
    "peroxide": ("Hydrogen peroxide 7.5 %", "By hand: 30 min at 20 C or warmer. Reuse: 21 days."),
    "glut-phenate": ("Glutaraldehyde 1.12 % with phenol/phenate 1.93 %", "By hand: 20 min at 25 C or warmer."),
    "peroxide-paa": ("Hydrogen peroxide 7.35 % with peracetic acid 0.23 %", "By hand: 15 min. Reuse: 14 days."),
}
REVISIONS = (("opa", "A"), ("peroxide", "A"), ("glut-phenate", "A"), ("peroxide-paa", "A"), ("peroxide-paa", "B"))
"""Every label that the staff compare a profile with."""


def picture(profile: str, revision: str) -> bytes:
    """One label as a PDF file."""
    name, claim = _WORDS[profile]
    minimum = " Minimum temperature: 20.2 C." if revision == "B" else ""
    lines = ("INVENTED LABEL, no product", name, f"{claim}{minimum}", f"Label {profile.upper()}-{revision}, lot L100")
    shown = "".join(f"({_escaped(line)}) Tj T* " for line in lines)
    drawing = f"BT /F 14 Tf 18 TL 30 150 Td {shown}ET".encode("ascii")
    page = (
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 460 200] /Contents 4 0 R /Resources << /Font << /F 5 0 R >> >> >>"
    )
    bodies = (
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        page,
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(drawing), drawing),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
    )
    file, places = b"%PDF-1.4\n", []
    for number, body in enumerate(bodies, 1):
        places.append(len(file))
        file += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = b"".join(b"%010d 00000 n \n" % place for place in places)
    head = b"xref\n0 %d\n0000000000 65535 f \n%s" % (len(bodies) + 1, table)
    return file + head + b"trailer << /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (len(bodies) + 1, len(file))


def _escaped(text: str) -> str:
    return text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")


def digest(profile: str, revision: str) -> str:
    """By which the record names it."""
    return hashlib.sha256(picture(profile, revision)).hexdigest()
