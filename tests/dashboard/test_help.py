"""Help is true to the program: its links lead somewhere, and every word that the program uses is explained in it."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

import pytest
from litestar import Litestar
from litestar.testing import TestClient

from collector.record.all import DEEDS
from dashboard import help_pages, navigation
from soak.alarms import KINDS
from soak.closure import Verdict
from soak.findings import CODES

Client = TestClient[Litestar]


def text(name: str) -> str:
    return "\n\n".join(help_pages.blocks(name))


ALL = "\n\n".join(text(name) for name in help_pages.PAGES)
LINKS = sorted(
    set(re.findall(r"\]\(([^)]+)\)", ALL))
    | {each.address for each in (*navigation.BAR, *navigation.DOING, *navigation.MORE)}
)


@pytest.mark.parametrize("address", LINKS)
def test_every_link_leads_somewhere(client: Client, address: str) -> None:
    assert urlsplit(address).netloc == "", "help leads to this site only"
    if deed := re.fullmatch(r"/do/(.+)", address):
        assert deed[1] in DEEDS
        return
    assert client.get(address).status_code == 200


def test_every_verdict_and_finding_is_explained() -> None:
    words = text("words")
    for word in (*(each.value for each in Verdict), *CODES):
        found = re.search(rf"^\*\*{word}\*\*: (.+)", words, re.MULTILINE)
        assert found, f"{word} is not explained in help/words.md"
        assert len(found[1]) > 20


def test_every_alarm_is_explained_under_its_priority_with_what_to_do() -> None:
    parts = re.split(r"^## ", text("alarms"), flags=re.MULTILINE)
    under = {part.partition("\n")[0]: part for part in parts}
    for kind in KINDS.values():
        part = under[kind.priority.capitalize()]
        found = re.search(rf"^### {re.escape(kind.name[:1].upper() + kind.name[1:])}\n\n(.+)", part, re.MULTILINE)
        assert found, f"{kind.code} is not explained in help/alarms.md under {kind.priority}"
        assert found[1].endswith(kind.todo[1:].replace("'", "’"))


@pytest.mark.parametrize("name", help_pages.PAGES)
def test_every_page_says_what_comes_first(client: Client, name: str) -> None:
    html = client.get(f"/help/{name}").text
    assert html.count("<h1") == 1
    assert f'<a href="/help/{name}" aria-current="page">' in html
    assert "decide" in html


def test_cautions_stand_at_the_top_for_whoever_stands_at_the_basin() -> None:
    first = text("technician").partition("## ")[0]
    for word in ("label", "device maker", "gloves", "eye protection", "ventilation", "local rules", "monitoring aid"):
        assert word in first


def test_markup_in_help_is_text(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(help_pages, "blocks", lambda _name: ("<script>alert(1)</script>", "[x](javascript:alert(1))"))
    html = str(help_pages.rendered("words"))
    assert "<script" not in html
    assert "href" not in html


def test_no_such_help(client: Client) -> None:
    answer = client.get("/help/nothing")
    assert answer.status_code == 404
    assert "What there is stands at /help." in answer.text


@pytest.mark.parametrize(
    ("address", "help_page"), [("/alarms", "/help/alarms"), ("/site", "/help/keeper"), ("/sign-in", "/help/technician")]
)
def test_each_page_leads_to_its_help(client: Client, address: str, help_page: str) -> None:
    assert f'<a href="{help_page}">Help for this page</a>' in client.get(address).text
    assert help_page.rpartition("/")[2] in help_pages.PAGES
