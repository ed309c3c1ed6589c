"""Every log call in the product: a fixed text, as many arguments as it has places, and none of it an f-string."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FILES = sorted(
    path for room in ("soak", "host", "firmware", "collector", "dashboard") for path in (ROOT / room).rglob("*.py")
)
LEVELS = {"debug", "info", "warning", "error", "exception", "critical"}
PLACE = re.compile(r"%(?:%|[-#0 +]*(?:\d+|\*)?(?:\.(?:\d+|\*))?[diouxXeEfFgGcrsa])")


def calls(path: Path) -> list[ast.Call]:
    tree = ast.parse(path.read_text("utf-8"))
    return [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in LEVELS
        and isinstance(node.func.value, ast.Name)
        and node.func.value.id == "log"
    ]


def texts(node: ast.expr) -> list[str]:
    """The fixed texts that a call's first argument can be."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    return [*texts(node.body), *texts(node.orelse)] if isinstance(node, ast.IfExp) else []


def wrong(call: ast.Call) -> str:
    """What is wrong with a call; empty if nothing is. Arguments after * count where spelt out."""
    found = texts(call.args[0]) if call.args else []
    if not found:
        return "its text is not fixed: one line could look like another, and cannot be searched for"
    count = 0
    for each in call.args[1:]:
        if isinstance(each, ast.Starred):
            if not isinstance(each.value, ast.Tuple):
                return ""
            count += len(each.value.elts)
        else:
            count += 1
    for text in found:
        if "\n" in text:
            return "it has several lines"
        places = sum(1 for place in PLACE.findall(text) if place != "%%")
        if places != count:
            return f"{text!r} has {places} places for {count} arguments"
    return ""


def test_every_log_call_fits() -> None:
    seen = [(path, call) for path in FILES for call in calls(path)]
    assert len(seen) > 50
    assert [f"{path.relative_to(ROOT)}:{call.lineno}: {why}" for path, call in seen if (why := wrong(call))] == []


@pytest.mark.parametrize(
    ("source", "says"),
    [
        ("log.info('a=%s b=%d', 1, 2)", ""),
        ("log.info('a=%s')", "1 places for 0"),
        ("log.info('a=%s %%', 1, 2)", "1 places for 2"),
        ("log.info(f'a={1}')", "not fixed"),
        ("log.info('up' if x else 'down %s', 1)", "0 places for 1"),
        ("log.info('a=%s b=%.3f', *(1, 2))", ""),
        ("log.info('a\\nb')", "several lines"),
    ],
)
def test_what_does_not_fit_is_found(source: str, says: str) -> None:
    call = ast.parse(source).body[0]
    assert isinstance(call, ast.Expr)
    assert isinstance(call.value, ast.Call)
    assert (says in wrong(call.value)) if says else not wrong(call.value)


def test_nothing_is_logged_for_each_reading() -> None:
    """What handles single readings is silent: a line a second would fill the journal and hide what matters."""
    silent = ("sampler", "basinside", "packing", "sensors", "scratchpad", "lid", "window")
    assert [name for name in silent if calls(ROOT / f"firmware/{name}.py")] == []
    assert [name for name in ("tracker", "readings", "page", "lanes") if calls(ROOT / f"collector/{name}.py")] == []
