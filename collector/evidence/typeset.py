"""Typesets a paper as PDF/A-3a: tagged, with its attachments inside, the same bytes for the same content.

A template reads its data as JSON (`templates/paper.typ` says how), never as source; typst reads nothing outside the
folder of templates and what is handed over here. Fonts are those inside typst, whatever a machine has: they hold Latin,
Greek, Cyrillic, Hebrew, Arabic, Armenian, Georgian, Devanagari and many signs, no Chinese, Japanese, Korean or Thai and
no emoji. What has no glyph is printed as its code, for PDF/A forbids leaving it out and so do we: see `legible`.
"""

from __future__ import annotations

import datetime
import re
import threading
import unicodedata
import warnings
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal, NamedTuple

import msgspec
import typst

TEMPLATES = Path(__file__).parent / "templates"

_STANDARD: Literal["a-3a"] = "a-3a"
_INVISIBLE = frozenset({"Cc", "Cf", "Co", "Cs", "Zl", "Zp"})
"""Categories of Unicode: controls, formats, private use, lone surrogates, separators of lines and paragraphs."""

_REFUSED = re.compile(r'the (?:text|PDF contains the codepoint) `"((?:[^"\\]|\\.)*)"`')
_ESCAPE = re.compile(r"\\(?:u\{([0-9a-f]+)\}|(.))")
_MOST_TRIES = 8


class Attachment(NamedTuple):
    """A file inside the PDF.

    Attributes:
        name: Its file name.
        mime: Its media type, e.g. "text/csv".
        description: What it is, in words.
        content: Its bytes; they must be UTF-8.
        relationship: What it is to the paper, as PDF/A-3 has it: "data" is what the paper was made from.
    """

    name: str
    mime: str
    description: str
    content: bytes
    relationship: Literal["source", "data", "alternative", "supplement"] = "data"


class PaperWarning(UserWarning):
    """Typst set the paper and has something to say about it: a mistake in a template."""


def typesetter() -> str:
    """What typesets; another version may give other bytes for the same content."""
    return f"typst {version('typst')}"


def typeset(template: str, data: Any, *, title: str, at_ms: int, attachments: Sequence[Attachment] = ()) -> bytes:
    """Typeset a paper.

    Args:
        template: Name of a file in `templates/`, without ".typ".
        data: What it says: anything that msgspec can turn into JSON. Any text is allowed.
        title: The document's title.
        at_ms: Its date, milliseconds since 1970: it makes the bytes depend on nothing but the content.
        attachments: Files inside it, each with another name.

    Returns:
        A PDF/A-3a file.

    Raises:
        ValueError: An attachment is not UTF-8, or two have one name.
        typst.TypstError: The template is wrong; never because of a text.
    """
    names = [each.name for each in attachments]
    if len(set(names)) < len(names):
        raise ValueError(f"Two attachments have one name: {', '.join(sorted(names))}.")
    for each in attachments:
        each.content.decode()  # typst takes text only
    made = _set(template, data, title, at_ms, attachments, format="pdf", pdf_standards=[_STANDARD])
    return made if isinstance(made, bytes) else b"".join(made)


def pictures(template: str, data: Any, *, title: str, at_ms: int, ppi: int = 110) -> list[bytes]:
    """The paper's pages as PNG, to be looked at."""
    made = _set(template, data, title, at_ms, (), format="png", ppi=ppi)
    return [made] if isinstance(made, bytes) else made


def legible(text: str) -> str:
    """A text as the paper prints it: what could not be seen or has no glyph is said by its code, e.g. ⟨U+1F600⟩.

    Line breaks stay. The result is the same whatever was typeset before.
    """
    return _spelled(text, _glyphless(text))


def _set(
    template: str, data: Any, title: str, at_ms: int, attachments: Sequence[Attachment], **how: Any
) -> bytes | list[bytes]:
    """Set it, with more and more characters as codes until typst takes it: a mark may fit only some letters."""
    content = msgspec.to_builtins(data)
    whole = "".join([*_texts(content), title])
    codes = set(_glyphless(whole))

    def files() -> dict[str, bytes]:
        return _files(template, _mapped(content, codes), _spelled(title, codes), at_ms, attachments)

    for _ in range(_MOST_TRIES):
        try:
            return _compiled(files(), **how)
        except typst.TypstError as error:
            refused = {char for char in _refused(error) if not char.isascii()} - codes
            if not refused:
                break
            codes |= refused
    codes |= {char for char in whole if not char.isascii()}  # a paper must come, whatever is wrong with a text
    return _compiled(files(), **how)


def _files(template: str, content: Any, title: str, at_ms: int, attachments: Sequence[Attachment]) -> dict[str, bytes]:
    at = datetime.datetime.fromtimestamp(at_ms // 1000, datetime.UTC)
    meta = {
        "title": title,
        "at": {name: getattr(at, name) for name in ("year", "month", "day", "hour", "minute", "second")},
        "attachments": [
            {
                "name": each.name,
                "mime": each.mime,
                "description": each.description,
                "relationship": each.relationship,
                "path": f"/attached-{index}",
            }
            for index, each in enumerate(attachments)
        ],
    }
    return {
        "main": _source(template),
        "data.json": msgspec.json.encode({"data": content, "meta": meta}),
        **{f"attached-{index}": each.content for index, each in enumerate(attachments)},
    }


_LOCK = threading.Lock()
"""The compiler is one object and keeps what it has read; two threads at once it refuses."""


@cache
def _compiler() -> typst.Compiler:
    return typst.Compiler(root=TEMPLATES, ignore_system_fonts=True)


@cache
def _source(template: str) -> bytes:
    return (TEMPLATES / f"{template}.typ").read_bytes()


def _compiled(files: Mapping[str, bytes], **how: Any) -> bytes | list[bytes]:
    with _LOCK:
        made, said = _compiler().compile_with_warnings(files, **how)
    for each in said:
        warnings.warn(PaperWarning(each.message), stacklevel=4)
    if made is None:
        raise ValueError("Typst gave nothing back.")
    return made


def _refused(error: typst.TypstError) -> str:
    """The characters that an error of PDF/A names."""
    return "".join(_ESCAPE.sub(_unescaped, text) for text in _REFUSED.findall(error.diagnostic))


def _unescaped(match: re.Match[str]) -> str:
    return chr(int(match[1], 16)) if match[1] else match[2]


_KNOWN: dict[str, bool] = {}
"""Characters beyond ASCII that were tried, each by itself: whether there is a glyph."""


def _glyphless(text: str) -> frozenset[str]:
    """Characters of a text that cannot be seen or have no glyph in any of the fonts."""
    there = set(text)
    chars = {char for char in there - _KNOWN.keys() if not char.isascii()}
    hidden = {char for char in there if char != "\n" and unicodedata.category(char) in _INVISIBLE}
    if untried := sorted(chars - hidden):
        try:
            _compiled(_files("characters", untried, "", 0, ()), format="pdf", pdf_standards=[_STANDARD])
            none: set[str] = set()
        except typst.TypstError as error:
            none = set(_refused(error))
        _KNOWN.update((char, char not in none) for char in untried)
    return frozenset(hidden | {char for char in there if not _KNOWN.get(char, True)})


def _spelled(text: str, codes: Iterable[str]) -> str:
    """The text with runs of these characters as codes."""
    text = text.replace("\r\n", "\n")
    there = {char for char in codes if char in text}
    if not there:
        return text
    runs = re.compile(f"[{''.join(map(re.escape, sorted(there)))}]+")
    return runs.sub(lambda match: f"⟨{' '.join(f'U+{ord(char):04X}' for char in match[0])}⟩", text)


def _mapped(content: Any, codes: Iterable[str]) -> Any:
    return _walked(content, lambda text: _spelled(text, codes))


def _texts(content: Any) -> list[str]:
    found: list[str] = []

    def seen(text: str) -> str:
        found.append(text)
        return text

    _walked(content, seen)
    return found


def _walked(content: Any, change: Callable[[str], str]) -> Any:
    """JSON with every text changed, but for the names of fields: they are the template's."""
    if isinstance(content, str):
        return change(content)
    if isinstance(content, Mapping):
        return {key: _walked(each, change) for key, each in content.items()}
    if isinstance(content, list | tuple):
        return [_walked(each, change) for each in content]
    return content
