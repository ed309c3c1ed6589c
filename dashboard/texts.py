"""What people read on the pages, by way of one catalogue: English stands in the code, a translation is a file.

Mark a text where it stands: `_("Ready {time}").format(time=…)` in Python, `{% trans %}` or `_()` in a template, `_()`
in a script (`static/texts.js`). A text in a constant is marked with `N_` and looked up where it is used. `./run texts`
collects all of them in `catalogue/messages.pot`.
"""

from __future__ import annotations

import io
import re
from gettext import GNUTranslations, NullTranslations
from pathlib import Path

from babel.messages.catalog import Catalog, Message
from babel.messages.mofile import write_mo
from babel.messages.pofile import PoFileError, read_po

from collector.errors import StartError

ENGLISH = "en"
_IN_BRACES = re.compile(r"\{[^}]*\}?")


class _Spoken:
    """What this server speaks: a site has one language."""

    def __init__(self) -> None:
        self.language = ENGLISH
        self.translations = NullTranslations()
        self.of_scripts: dict[str, list[str]] = {}


_spoken = _Spoken()


def _(text: str) -> str:
    """The text in the site's language."""
    return _spoken.translations.gettext(text) if text else ""


def many(one: str, more: str, count: int) -> str:
    """The text for so many things, in the site's language: `many("{n} load", "{n} loads", n).format(n=n)`."""
    return _spoken.translations.ngettext(one, more, count)


def N_(text: str) -> str:  # noqa: N802 - gettext's own name for a text that is looked up later
    """Mark a text that is looked up where it is used."""
    return text


def language() -> str:
    """The language of the pages, as HTML names it."""
    return _spoken.language


def for_scripts() -> dict[str, list[str]]:
    """What the pages' scripts need: English to the forms of the translation; empty in English."""
    return _spoken.of_scripts


def speak_english() -> None:
    """As it is without a translation."""
    _spoken.__init__()  # type: ignore[misc]


def speak(path: Path) -> None:
    """Take a translation: a gettext file (.po) made from `catalogue/messages.pot`. What it lacks stays English.

    Raises:
        StartError: It cannot be read, or does not say its language.
    """
    try:
        with path.open("rb") as file:
            catalogue = read_po(file, abort_invalid=True)
    except (OSError, PoFileError, ValueError) as error:
        raise StartError(
            f"The translation {path} cannot be read ({error}). The pages would be without it: mend it, or leave out "
            "--translation for English."
        ) from None
    if not catalogue.locale_identifier:
        raise StartError(f"The translation {path} does not say its language. Put a line Language: into its header.")
    for message in catalogue:
        if problem := _misfit(message):
            raise StartError(
                f"Line {message.lineno} of the translation {path} does not fit its English text ({problem}). Use the "
                "same names in braces or after a per cent sign."
            )
    compiled = io.BytesIO()
    write_mo(compiled, catalogue)
    compiled.seek(0)
    _spoken.language = catalogue.locale_identifier.replace("_", "-")
    _spoken.translations = GNUTranslations(compiled)
    _spoken.of_scripts = dict(_script_texts(catalogue))


def _misfit(message: Message) -> str:
    """What of a translated text cannot be filled in; empty if all can."""
    if not message.id or not message.string:
        return ""
    for problem in message.check():
        return str(problem)
    english, translated = (
        {name for text in ([texts] if isinstance(texts, str) else texts) for name in _IN_BRACES.findall(text)}
        for texts in (message.id, message.string)
    )
    return ", ".join(sorted(translated - english))


def _script_texts(catalogue: Catalog) -> list[tuple[str, list[str]]]:
    found = []
    for message in catalogue:
        in_script = any(str(file).endswith(".js") for file, _line in message.locations)
        if message.id and in_script and message.string and not message.fuzzy:
            one = message.id if isinstance(message.id, str) else message.id[0]
            forms = [message.string] if isinstance(message.string, str) else list(message.string)
            found.append((one, forms))
    return found
