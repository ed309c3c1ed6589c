"""Who may import whom, that importing does nothing surprising, and that the import names are ours alone."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from collections.abc import Mapping
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("soak", "host", "firmware", "collector", "dashboard", "hardware", "install")

FORBIDDEN = {
    "soak": {"host", "firmware", "collector", "dashboard", "hardware", "install"},
    "host": {"firmware", "collector", "dashboard", "hardware", "install"},
    "firmware": {"collector", "dashboard", "hardware", "install"},
    "collector": {"firmware", "dashboard", "hardware", "install"},
    "dashboard": {"firmware", "hardware", "install"},
    "hardware": {"host", "collector", "dashboard", "install"},
    "install": {"soak", "host", "firmware", "collector", "dashboard", "hardware"},
}
"""soak <- host <- firmware, host <- collector <- dashboard: firmware and collector meet only on the wire."""

PURE = {
    "__future__",
    "abc",
    "bisect",
    "collections",
    "copy",
    "dataclasses",
    "datetime",
    "decimal",
    "enum",
    "fractions",
    "functools",
    "heapq",
    "itertools",
    "math",
    "msgspec",
    "operator",
    "re",
    "soak",
    "statistics",
    "string",
    "threading",  # a lock, in soak/decoding.py
    "typing",
}
"""All that soak may use: nothing of the standard library that reads a clock, a file or the network, and msgspec."""

IMPURE_CALLS = {"open", "input", "print", "exec", "eval", "__import__", "breakpoint"}
CLOCK_METHODS = {"now", "utcnow", "today"}
HARDWARE = {"gpiozero", "lgpio", "w1thermsensor"}


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


SECOND_RULES = {ROOT / "collector" / "bundle" / "verify.py"}
"""What works the rule out a second time, on purpose: written from its description, for people who do not trust us."""

EVERY_MODULE = [path for package in PACKAGES for path in modules(package)] + [ROOT / "soakledger.py"]


@cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


def named(found: dict[Path, set[str]]) -> list[str]:
    """Modules in which something was found."""
    return [f"{path.relative_to(ROOT)}: {', '.join(sorted(names))}" for path, names in found.items() if names]


def imported(tree: ast.AST) -> set[str]:
    """Top-level names of everything that a module imports, also inside functions."""
    nodes = list(ast.walk(tree))
    return {alias.name.split(".")[0] for node in nodes if isinstance(node, ast.Import) for alias in node.names} | {
        node.module.split(".")[0] for node in nodes if isinstance(node, ast.ImportFrom) and node.module
    }


def imported_by_name(tree: ast.AST) -> set[str]:
    """Top-level names handed as text to `import_module` or `__import__`."""
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return {
        call.args[0].value.split(".")[0]
        for call in calls
        if _called(call) in ("import_module", "__import__") and call.args and isinstance(call.args[0], ast.Constant)
    }


def _called(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def test_the_checks_see_imports_of_every_kind() -> None:
    """The test that guards must itself be able to fail."""
    text = "import a.b, c\nfrom d.e import f\ndef g():\n    import h\n    importlib.import_module('i.j')\n"
    assert imported(ast.parse(text)) == {"a", "c", "d", "h"}
    assert imported_by_name(ast.parse(text)) == {"i"}


@pytest.mark.parametrize("package", PACKAGES)
def test_every_package_has_modules(package: str) -> None:
    assert len(modules(package)) > 1


def test_imports_point_one_way() -> None:
    def against(path: Path) -> set[str]:
        forbidden = FORBIDDEN.get(path.relative_to(ROOT).parts[0], set())
        return (imported(parsed(path)) | imported_by_name(parsed(path))) & forbidden

    assert named({path: against(path) for path in EVERY_MODULE}) == []


def test_hardware_knows_of_the_firmware_only_its_pin_table() -> None:
    def against(path: Path) -> set[str]:
        nodes = [node for node in ast.walk(parsed(path)) if isinstance(node, ast.ImportFrom) and node.module]
        from_inside = {node.module or "" for node in nodes if (node.module or "").startswith("firmware.")}
        from_room = {f"firmware.{alias.name}" for node in nodes if node.module == "firmware" for alias in node.names}
        return (from_inside | from_room) - {"firmware.pins"}

    assert named({path: against(path) for path in modules("hardware")}) == []


def test_the_installer_needs_nothing_but_python() -> None:
    """It runs before there is a virtual environment, and when a version of ours is broken."""
    known = set(sys.stdlib_module_names) | {"install"}
    assert named({path: imported(parsed(path)) - known for path in modules("install")}) == []


def test_no_relative_imports_and_no_tests() -> None:
    def against(path: Path) -> set[str]:
        nodes = [node for node in ast.walk(parsed(path)) if isinstance(node, ast.ImportFrom)]
        relative = {f"line {node.lineno} is relative" for node in nodes if node.level}
        return relative | imported(parsed(path)) & {"tests", "pytest", "hypothesis"}

    assert named({path: against(path) for path in EVERY_MODULE}) == []


@pytest.mark.parametrize("path", modules("soak"), ids=lambda path: path.name)
def test_soak_has_no_clock_no_file_and_no_network(path: Path) -> None:
    tree = parsed(path)
    assert imported(tree) <= PURE
    called = {_called(node) for node in ast.walk(tree) if isinstance(node, ast.Call)}
    assert not called & (IMPURE_CALLS | CLOCK_METHODS | {"import_module"})


def asks_for_a_type(tree: ast.AST) -> list[str]:
    """Calls that make msgspec look at a type, by their text."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "msgspec":
            found += [f"from {node.module} import {alias.name}" for alias in node.names if alias.name in ASKING]
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            called = ast.unparse(node.func)
            of_type = node.func.attr != "decode" or len(node.args) > 1 or node.keywords
            if called.startswith("msgspec.") and node.func.attr in ASKING and of_type:
                found.append(called)
    return found


ASKING = {"convert", "decode", "Decoder"}


def test_the_check_sees_who_asks_for_a_type() -> None:
    text = "msgspec.json.decode(a)\nmsgspec.json.decode(a, type=B)\nmsgspec.convert(a, B)\nmsgspec.json.Decoder(B)\n"
    assert asks_for_a_type(ast.parse(text)) == ["msgspec.json.decode", "msgspec.convert", "msgspec.json.Decoder"]
    assert asks_for_a_type(ast.parse("from msgspec import Struct, convert")) == ["from msgspec import convert"]


def test_types_are_made_ready_in_one_place() -> None:
    """Elsewhere a thread could use a type that another one is not done with, which ends the process (SIGSEGV)."""
    elsewhere = [path for path in EVERY_MODULE if path != ROOT / "soak" / "decoding.py"]
    assert named({path: set(asks_for_a_type(parsed(path))) for path in elsewhere}) == [], "use soak/decoding.py"


def test_hardware_libraries_are_imported_only_inside_what_needs_them() -> None:
    """Importing w1thermsensor loads a kernel module, importing lgpio makes a FIFO: importing us must do neither."""

    def against(path: Path) -> set[str]:
        at_once = {name for node in parsed(path).body for name in _imported_at_once(node)}
        firmware = path.relative_to(ROOT).parts[0] == "firmware"
        return (at_once if firmware else at_once | imported(parsed(path))) & HARDWARE

    assert named({path: against(path) for path in EVERY_MODULE}) == []


def _imported_at_once(node: ast.stmt) -> set[str]:
    """What a statement of a module imports when the module is imported: not what its functions import later."""
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        return set()
    return imported(node)


def test_importing_soak_loads_nothing_but_msgspec() -> None:
    """In a fresh interpreter: no other third-party package, and none of ours that stand above it."""
    names = [f"soak.{path.stem}" for path in modules("soak") if path.stem != "__init__"]
    program = (
        "import sys, msgspec; before = set(sys.modules)\n"
        f"import {', '.join(names)}\n"
        "print(*sorted({name.split('.')[0] for name in set(sys.modules) - before}))"
    )
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=ROOT, check=True)
    assert run.stderr == ""
    assert {name for name in run.stdout.split() if name not in sys.stdlib_module_names} == {"soak"}


def test_node_and_collector_use_the_same_rule() -> None:
    """One rule, one place: whoever judges takes the meter from soak, and nobody else makes one of its parts."""
    users: dict[str, set[str]] = {}
    for package in ("firmware", "collector", "dashboard"):
        for path in modules(package):
            for node in ast.walk(parsed(path)):
                if isinstance(node, ast.ImportFrom) and node.module == "soak.exposure":
                    users.setdefault(package, set()).update(alias.name for alias in node.names)
                if isinstance(node, ast.ClassDef) and path not in SECOND_RULES:
                    assert node.name not in {"Meter", "Judge", "Verdict", "Closure", "Finding"}, path
    assert "Meter" in users["collector"]


@pytest.fixture(scope="module")
def distributions() -> Mapping[str, list[str]]:
    """By the name under which they are imported; looking for them takes long."""
    return packages_distributions()


@pytest.mark.parametrize("name", [*PACKAGES, "soakledger"])
def test_no_other_installed_distribution_owns_an_import_name_of_ours(
    distributions: Mapping[str, list[str]], name: str
) -> None:
    """Two packages of one name would be mixed up silently, and with them the rule."""
    owners = set(distributions.get(name, []))
    assert owners <= {"soakledger"}, f"{name} is also a package of {', '.join(sorted(owners - {'soakledger'}))}"
    spec = importlib.util.find_spec(name)
    assert spec is not None
    assert spec.origin is not None, f"{name} is a folder without __init__.py: another folder of that name came first"
    assert Path(spec.origin).is_relative_to(ROOT)
