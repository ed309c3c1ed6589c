"""Papers are PDF/A-3a by structure, the same bytes again, and take any text."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
import typst
from hypothesis import given, settings
from hypothesis import strategies as st
from pdfkit import assert_archival, attached, opened, said

from collector.evidence import typeset as typesetting
from collector.evidence.typeset import Attachment, PaperWarning, legible, pictures, typeset

AT_MS = 1_772_440_000_000
CSV = Attachment("readings.csv", "text/csv", "Every reading", b"number,lid\r\n1,closed\r\n")
TEMPLATE = """#import "paper.typ": *
#show: paper.with(footer: [Foot])
= #meta.title
#pairs((("Text", data.text), ("Small", small(data.text))))
#strong(data.text) #emph(data.text)
#raw(data.text)
"""


@pytest.fixture(scope="module", autouse=True)
def template(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A folder of templates with one more in it."""
    folder = tmp_path_factory.mktemp("templates")
    for each in typesetting.TEMPLATES.glob("*.typ"):
        (folder / each.name).write_bytes(each.read_bytes())
    (folder / "tried.typ").write_text(TEMPLATE)
    (folder / "outside.typ").write_text('#import "paper.typ": *\n#show: paper\n#read("../../etc/passwd")')
    (folder / "warned.typ").write_text('#import "paper.typ": *\n#show: paper\n#text(font: "No Such Font")[x]')
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typesetting, "TEMPLATES", folder)
        typesetting._compiler.cache_clear()
        typesetting._source.cache_clear()
        yield
    typesetting._compiler.cache_clear()
    typesetting._source.cache_clear()


def set_text(text: str, **more: object) -> bytes:
    return typeset("tried", {"text": text}, title="A paper", at_ms=AT_MS, **more)  # type: ignore[arg-type]


def test_a_paper_is_built_as_pdf_a_3a() -> None:
    paper = set_text("21.3 °C", attachments=[CSV])
    assert_archival(paper, "A paper")
    assert attached(paper) == {"readings.csv": CSV.content}
    with opened(paper) as pdf:
        spec = pdf.Root.AF[0]
        assert str(spec.AFRelationship) == "/Data"
        assert str(spec.EF.F.Subtype) == "/text/csv"
        assert str(spec.Desc) == "Every reading"
        assert str(spec.EF.F.Params.ModDate).startswith("D:20260302")
    assert "21.3°C" in said(paper)


def test_the_same_content_gives_the_same_bytes() -> None:
    first = set_text("same 日", attachments=[CSV])
    set_text("本 another between, with other characters 語")
    typesetting._KNOWN.clear()
    assert set_text("same 日", attachments=[CSV]) == first
    assert set_text("other", attachments=[CSV]) != first


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("Ελένη Жанна Łukasz Šárka", "Ελένη Жанна Łukasz Šárka"),
        ("שלום مرحبا", "שלום مرحبا"),
        ("日本 x", "⟨U+65E5 U+672C⟩ x"),
        ("😀", "⟨U+1F600⟩"),
        ("a\u200db", "a⟨U+200D⟩b"),
        ("\ue000\U000f0000", "⟨U+E000 U+F0000⟩"),
        ("\x00\x07\x85", "⟨U+0000 U+0007 U+0085⟩"),
        ("\ud800", "⟨U+D800⟩"),
        ("\u202eevil", "⟨U+202E⟩evil"),
        ("two\r\nlines\n", "two\nlines\n"),
        ("e\u0301", "e\u0301"),
    ],
)
def test_what_has_no_glyph_is_printed_as_its_code(text: str, printed: str) -> None:
    assert legible(text) == printed


def test_codes_are_on_the_paper() -> None:
    assert "Ward⟨U+65E5U+672C⟩3" in said(set_text("Ward 日本 3"))


def test_what_has_a_glyph_but_not_together_is_printed_as_codes_too() -> None:
    together = "\u05af\U0001d543\u0362"
    assert legible(together) == together
    assert "⟨U+1D543U+0362⟩" in said(set_text(together))


@settings(max_examples=80)
@given(st.text(alphabet=st.characters(categories=["L", "M", "N", "P", "S", "Z", "C"]), max_size=60))
def test_any_text_is_set(text: str) -> None:
    set_text(text)


@settings(max_examples=60)
@given(
    st.text(
        alphabet=st.sampled_from(
            'aä \n\t"\\#$*_`@<>[]{}=-/~\u0301\u0489\u20dd\u0915\u094d\u093f\u0644'
            "\u0627\u200d\ufe0f\u05d0\u05b8\u0e33\uac00\u1100\ud800\x00ﷺ"
        ),
        max_size=40,
    )
)
def test_letters_with_marks_that_do_not_fit_them_are_set(text: str) -> None:
    set_text(text, attachments=[CSV])


def test_any_text_may_be_a_title() -> None:
    assert_archival(set_text("x") and typeset("tried", {"text": "x"}, title="日 \x01\ud800", at_ms=AT_MS),
                    "⟨U+65E5⟩ ⟨U+0001 U+D800⟩")  # fmt: skip


def test_a_text_is_never_source() -> None:
    assert '#read("x")' in said(set_text('#read("x")'))


def test_nothing_is_read_outside_the_templates() -> None:
    with pytest.raises(typst.TypstError, match="would escape the project root"):
        typeset("outside", {}, title="x", at_ms=AT_MS)


def test_what_typst_warns_of_is_an_error_in_tests() -> None:
    with pytest.raises(PaperWarning, match="unknown font family"):
        typeset("warned", {}, title="x", at_ms=AT_MS)


def test_attachments_are_utf_8_and_have_names_of_their_own() -> None:
    with pytest.raises(ValueError, match="utf-8"):
        set_text("x", attachments=[CSV._replace(content=b"\xff")])
    with pytest.raises(ValueError, match=r"Two attachments have one name: readings\.csv, readings\.csv\."):
        set_text("x", attachments=[CSV, CSV])


def test_threads_take_turns() -> None:
    papers: list[bytes] = []
    threads = [threading.Thread(target=lambda: papers.append(set_text("turns"))) for _ in range(4)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert papers == [set_text("turns")] * 4


def test_pictures_of_its_pages() -> None:
    (picture,) = pictures("tried", {"text": "seen"}, title="x", at_ms=AT_MS)
    assert picture.startswith(b"\x89PNG")
