"""A translation is a file: what it says shows, what it lacks stays English, what does not fit is refused."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path

import pseudo
import pytest
from babel.messages.pofile import read_po

from collector.errors import StartError
from dashboard import texts
from dashboard.texts import _, many

_HEADER = 'msgid ""\nmsgstr ""\n"Language: de\\n"\n"Content-Type: text/plain; charset=utf-8\\n"\n'
_PLURALS = _HEADER + '"Plural-Forms: nplurals=2; plural=(n != 1);\\n"\n'


@pytest.fixture(autouse=True)
def english_again() -> Iterator[None]:
    yield
    texts.speak_english()


def _file(folder: Path, text: str) -> Path:
    path = folder / "de.po"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_translation_shows_and_what_it_lacks_stays_english(tmp_path: Path) -> None:
    texts.speak(_file(tmp_path, _HEADER + '\nmsgid "Ready {time}"\nmsgstr "Bereit {time}"\n\nmsgid "Lid"\nmsgstr ""\n'))
    assert _("Ready {time}").format(time="10:42") == "Bereit 10:42"
    assert _("Lid") == "Lid"
    assert texts.language() == "de"
    texts.speak_english()
    assert (_("Ready {time}"), texts.language()) == ("Ready {time}", "en")


def test_plurals_follow_the_number(tmp_path: Path) -> None:
    assert [many("{n} load", "{n} loads", n).format(n=n) for n in (1, 2)] == ["1 load", "2 loads"]
    entry = '\nmsgid "{n} load"\nmsgid_plural "{n} loads"\nmsgstr[0] "{n} Ladung"\nmsgstr[1] "{n} Ladungen"\n'
    texts.speak(_file(tmp_path, _PLURALS + entry))
    assert [many("{n} load", "{n} loads", n).format(n=n) for n in (1, 2)] == ["1 Ladung", "2 Ladungen"]


def test_nothing_said_is_nothing(tmp_path: Path) -> None:
    """gettext gives its own header for an empty text."""
    texts.speak(_file(tmp_path, _HEADER))
    assert _("") == ""


def test_scripts_get_their_own_texts_only(tmp_path: Path) -> None:
    body = '\n#: static/live.js\nmsgid "live"\nmsgstr "aktuell"\n\n#: say.py\nmsgid "lid"\nmsgstr "Deckel"\n'
    texts.speak(_file(tmp_path, _HEADER + body))
    assert texts.for_scripts() == {"live": ["aktuell"]}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (_HEADER + '\n#, python-brace-format\nmsgid "Ready {time}"\nmsgstr "Bereit {zeit}"\n', "does not fit"),
        ('msgid ""\nmsgstr "Content-Type: text/plain; charset=utf-8\\n"\n', "does not say its language"),
        (_HEADER + "\nmsgid nothing\n", "cannot be read"),
    ],
)
def test_what_does_not_fit_is_refused(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(StartError, match=says):
        texts.speak(_file(tmp_path, text))
    assert texts.language() == "en"


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StartError, match="cannot be read"):
        texts.speak(tmp_path / "none.po")


@pytest.mark.usefixtures("own_deeds")
def test_the_catalogue_is_what_collecting_gives() -> None:
    """After texts have changed: ./run texts."""
    kept = read_po(io.StringIO((pseudo.FOLDER / "catalogue" / "messages.pot").read_text(encoding="utf-8")))
    collected = pseudo.extracted()
    assert {each.id for each in kept if each.id} == {each.id for each in collected if each.id}


def test_every_text_can_be_collected_and_filled_in() -> None:
    """Babel reads every file; what a translator may fill in is named, never only counted."""
    collected = pseudo.extracted()
    assert len(collected) > 800
    assert {"No alarm stands", "lid opened early", "Sound is off: press to turn it on"} <= {
        each.id for each in collected
    }
    for message in collected:
        for text in [message.id] if isinstance(message.id, str) else message.id:
            assert not re.search(r"(?<!%)%[sd]|\{\}", text), f"{text!r} has a place without a name"


def test_a_whole_site_in_another_language_starts(tmp_path: Path) -> None:
    path = tmp_path / "pseudo.po"
    pseudo.pseudo(pseudo.extracted(), path)
    texts.speak(path)
    assert _("No alarm stands") == "⟦No alarm stands⟧"
    assert texts.for_scripts()["Sound is off: press to turn it on"] == ["⟦Sound is off: press to turn it on⟧"]
