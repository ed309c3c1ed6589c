"""What an independent reader (pikepdf) finds in a paper; no validator of PDF/A is in the registries."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from functools import cache
from typing import Any

import pikepdf

_PDFA = "http://www.aiim.org/pdfa/ns/id/"
_ROLES = {"/Data", "/Source", "/Alternative", "/Supplement"}


def opened(paper: bytes) -> pikepdf.Pdf:
    """The paper as the reader has it."""
    return pikepdf.open(io.BytesIO(paper))


def assert_archival(paper: bytes, title: str) -> None:
    """It is built as PDF/A-3a (ISO 19005-3, conformance level A) asks for: what can be seen without a validator."""
    assert paper.startswith(b"%PDF-1.7\n")
    assert max(paper.split(b"\n")[1][1:5]) > 127, "the comment that marks a binary file is missing"
    with opened(paper) as pdf:
        root = pdf.Root
        with pdf.open_metadata() as xmp:
            assert xmp[f"{{{_PDFA}}}part"] == "3"
            assert xmp[f"{{{_PDFA}}}conformance"] == "A"
            assert xmp["dc:title"] == title
        assert not pdf.is_encrypted
        assert [str(each.S) for each in root.OutputIntents] == ["/GTS_PDFA1"]
        assert root.OutputIntents[0].DestOutputProfile.read_bytes()[36:40] == b"acsp", "no ICC profile"
        assert bool(root.MarkInfo.Marked)
        assert str(root.Lang).lower() == "en-gb"
        assert root.StructTreeRoot.K
        assert len(pdf.trailer.ID) == 2
        assert "/AA" not in root
        assert "/OpenAction" not in root
        for spec in files(pdf):
            assert str(spec.AFRelationship) in _ROLES
            assert spec.F == spec.UF
            assert spec.Desc
            stream = spec.EF.F
            assert re.fullmatch(r"/\w+/[\w.+-]+", str(stream.Subtype))
            assert re.fullmatch(r"D:\d{14}Z?.*", str(stream.Params.ModDate))
            assert int(stream.Params.Size) == len(stream.read_bytes())
        assert {each.objgen for each in files(pdf)} == {each.objgen for each in root.get("/AF", [])}
        fonts = list(_fonts(pdf))
        assert fonts
        for font in fonts:
            assert _embedded(font), f"{font.BaseFont} is not embedded"
            assert "/ToUnicode" in font, f"{font.BaseFont} has no ToUnicode"


def files(pdf: pikepdf.Pdf) -> list[Any]:
    """The specifications of its embedded files."""
    if "/Names" not in pdf.Root or "/EmbeddedFiles" not in pdf.Root.Names:
        return []
    return list(pikepdf.NameTree(pdf.Root.Names.EmbeddedFiles).values())


def attached(paper: bytes) -> dict[str, bytes]:
    """The embedded files by name."""
    with opened(paper) as pdf:
        return {str(spec.UF): spec.EF.F.read_bytes() for spec in files(pdf)}


@cache
def said(paper: bytes) -> str:
    """All text of the pages, in the order in which it is drawn, without any white space.

    By each font's own ToUnicode table, as a reader that copies text would do.
    """
    with opened(paper) as pdf:
        return "".join("".join(_page_text(page)) for page in pdf.pages)


def alternatives(paper: bytes) -> list[str]:
    """The texts in place of pictures."""
    with opened(paper) as pdf:
        return [str(each.Alt) for each in pdf.objects if isinstance(each, pikepdf.Dictionary) and "/Alt" in each]


def _fonts(pdf: pikepdf.Pdf) -> Iterator[Any]:
    for each in pdf.objects:
        font = isinstance(each, pikepdf.Dictionary) and each.get("/Type") == "/Font"
        if font and ("/DescendantFonts" in each or each.Subtype == "/Type3"):
            yield each


def _embedded(font: Any) -> bool:
    if font.Subtype == "/Type3":
        return True
    descriptor = font.DescendantFonts[0].FontDescriptor
    return any(key in descriptor for key in ("/FontFile2", "/FontFile3"))


def _page_text(page: pikepdf.Page) -> Iterator[str]:
    fonts = {name: _unicode(font) for name, font in page.Resources.get("/Font", {}).items()}
    table: dict[int, str] = {}
    for operands, operator in pikepdf.parse_content_stream(page, "Tf Tj TJ BDC BMC"):
        match str(operator):
            case "BDC" | "BMC":
                if len(operands) > 1 and "/ActualText" in operands[1]:
                    yield re.sub(r"\s", "", str(operands[1].ActualText))
            case "Tf":
                table = fonts[str(operands[0])]
            case "Tj":
                yield _decoded(bytes(operands[0]), table)
            case "TJ":
                for each in operands[0]:
                    if isinstance(each, pikepdf.String):
                        yield _decoded(bytes(each), table)


def _decoded(codes: bytes, table: dict[int, str]) -> str:
    text = "".join(table.get(int.from_bytes(codes[at : at + 2], "big"), "") for at in range(0, len(codes), 2))
    return re.sub(r"\s", "", text)


def _unicode(font: Any) -> dict[int, str]:
    """What the codes of a font stand for."""
    table: dict[int, str] = {}
    text = font.ToUnicode.read_bytes().decode("ascii")
    for block in re.findall(r"beginbfchar(.*?)endbfchar", text, re.DOTALL):
        for code, to in re.findall(r"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>", block):
            table[int(code, 16)] = bytes.fromhex(to).decode("utf-16-be")
    for block in re.findall(r"beginbfrange(.*?)endbfrange", text, re.DOTALL):
        for first, last, to in re.findall(r"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>", block):
            start = bytes.fromhex(to).decode("utf-16-be")
            for offset in range(int(last, 16) - int(first, 16) + 1):
                table[int(first, 16) + offset] = start[:-1] + chr(ord(start[-1]) + offset)
    return table
