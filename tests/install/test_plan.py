"""What a machine is given: pure, so that every kind of machine can be asked about."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from install.hands import Hands
from install.places import Part, Places
from install.plan import Machine, checks, join, named, plan
from install.steps import File, Folder, Own, Run, Step
from install.words import Outcome, next_steps

PLACES = Places(Path("/"))
EXAMPLES = {
    "node.toml": b'# EXAMPLE: yours\nnode = "room-3"\n',
    "collector.toml": b'# EXAMPLE: yours\nsite = "x"\n',
    "dashboard.toml": b'names = ["soakledger.example"]\n',
}


def machine(*parts: Part, **found: Any) -> Machine:
    """Debian as it comes."""
    plain = Machine(
        parts, frozenset({"root"}), frozenset({"root"}), {}, EXAMPLES, {}, ("clinic.lan",), None, accounts=True
    )
    return plain._replace(**found)


def commands(steps: list[Step]) -> list[str]:
    return [step.argv[0] + " " + step.argv[-1] for step in steps if isinstance(step, Run)]


def files(steps: list[Step]) -> dict[str, File]:
    return {step.path.name: step for step in steps if isinstance(step, File)}


def folders(steps: list[Step]) -> dict[str, str]:
    return {str(step.path): str(step.owned) for step in steps if isinstance(step, Folder)}


def test_a_node_on_plain_debian_gets_user_and_group_of_the_pins() -> None:
    steps = plan(PLACES, machine(Part.NODE))
    assert commands(steps) == ["useradd soakledger", "groupadd gpio", "usermod soakledger"]
    assert "/var/lib/soakledger/collector" not in folders(steps)
    assert files(steps)["node.toml"].owned == ("root", "soakledger", 0o640)


def test_what_is_there_is_not_made_again() -> None:
    found = machine(Part.NODE, users=frozenset({"soakledger"}), groups=frozenset({"gpio", "soakledger"}))
    assert commands(plan(PLACES, found)) == ["usermod soakledger"]


def test_a_group_that_is_there_already_is_used() -> None:
    (user,) = (
        step
        for step in plan(PLACES, machine(Part.COLLECTOR, groups=frozenset({"soakledger"})))
        if isinstance(step, Run)
    )
    assert "--gid" in user.argv
    assert "--user-group" not in user.argv


def test_below_another_root_there_are_no_users() -> None:
    assert commands(plan(PLACES, machine(Part.NODE, Part.COLLECTOR, accounts=False))) == []


def test_nobody_else_looks_into_data_and_settings() -> None:
    found = folders(plan(PLACES, machine(Part.NODE, Part.COLLECTOR)))
    assert found["/etc/soakledger"] == "root:soakledger 0751"
    assert found["/var/lib/soakledger"] == "root:root 0755"
    for name in ("node", "collector", "backups"):
        assert found[f"/var/lib/soakledger/{name}"] == "soakledger:soakledger 0700"


def test_settings_that_came_from_elsewhere_are_closed_to_others(tmp_path: Path) -> None:
    """A copy by a stick is open to everybody, or closed to the service; what is in it stays."""
    found = machine(Part.COLLECTOR, settings={"collector.toml": b"a person's"})
    (own,) = (step for step in plan(PLACES, found) if isinstance(step, Own))
    assert own == (Path("/etc/soakledger/collector.toml"), ("root", "soakledger", 0o640))
    file = tmp_path / "collector.toml"
    file.write_text("a person's")
    for mode in (0o644, 0o600):
        file.chmod(mode)
        Hands(accounts=False).do([own._replace(path=file)])
        assert (file.stat().st_mode & 0o777, file.read_text()) == (0o640, "a person's")


def test_what_a_person_wrote_is_never_written_over() -> None:
    settings = dict.fromkeys(EXAMPLES, b"a person's")
    found = machine(Part.NODE, Part.COLLECTOR, settings=settings, earlier=EXAMPLES)
    assert files(plan(PLACES, found)) == {}


def test_an_example_that_says_something_new_is_put_beside() -> None:
    settings = dict.fromkeys(EXAMPLES, b"a person's")
    earlier = {**EXAMPLES, "collector.toml": b"an older one"}
    written = files(plan(PLACES, machine(Part.COLLECTOR, settings=settings, earlier=earlier)))
    assert {name: file.content for name, file in written.items()} == {"collector.toml.new": EXAMPLES["collector.toml"]}


def test_examples_get_the_names_of_the_machine() -> None:
    found = machine(Part.NODE, names=("clinic.lan", "10.0.0.5"), node="room-7")
    assert named(EXAMPLES["dashboard.toml"], found) == b'names = ["clinic.lan", "10.0.0.5"]\n'
    assert named(EXAMPLES["node.toml"], found) == b'# EXAMPLE: yours\nnode = "room-7"\n'


def test_the_real_examples_have_the_lines_that_get_names() -> None:
    folder = Path(__file__).parent.parent.parent / "install/examples"
    found = machine(Part.NODE, node="room-7")
    for name, wanted in (("node.toml", 'node = "room-7"'), ("dashboard.toml", 'names = ["clinic.lan"]')):
        if (folder / name).is_file():
            assert f"\n{wanted}\n" in named((folder / name).read_bytes(), found).decode()


def test_settings_are_checked_as_the_user_who_is_to_read_them() -> None:
    check, of_pages = checks(PLACES, Path("/x/soakledger"), Part.COLLECTOR)
    assert of_pages.argv[:4] == ("/x/soakledger", "dashboard", "--settings", "/etc/soakledger/dashboard.toml")
    assert (of_pages.argv[-1], of_pages.user) == ("--check", "soakledger")
    assert check.argv[:4] == ("/x/soakledger", "collector", "--settings", "/etc/soakledger/collector.toml")
    assert check.argv[-1] == "--check"
    assert check.user == "soakledger"
    assert join(PLACES, Path("/x/soakledger"), Path("/m/e.toml")).argv[1:] == (
        "join",
        "/m/e.toml",
        "--etc",
        "/etc/soakledger",
    )


ALL_WELL = Outcome((Part.COLLECTOR,), {}, started=True, can_start=True, joined=True, names=("clinic.lan",))


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        (ALL_WELL, ["Running, and started at every boot: soakledger-coll", "Pages: https://clinic.lan:8443/"]),
        (
            ALL_WELL._replace(first_start=True, examples=("/etc/soakledger/collector.toml.new",)),
            [
                "Running, and started at every boot: soakledger-coll",
                "Pages: https://clinic.lan:8443/",
                "Next: the first administrator: sudo -u soakledger",
                "This version's examples say something new, and lie beside your settings: /etc/soakledger/collector.to",
            ],
        ),
        (ALL_WELL._replace(started=False), ["Not started, as you asked: sudo systemctl restart soakledger-coll"]),
        (ALL_WELL._replace(started=False, can_start=False), ["systemd does not run here, so nothing was started."]),
        (
            Outcome(
                (), {Part.NODE: "/etc/soakledger/node.toml"}, started=False, can_start=True, joined=False, names=()
            ),
            ["Next: this node has no login at the broker.", "Next: edit /etc/soakledger/node.toml and delete its line"],
        ),
    ],
)
def test_the_next_step_is_said(outcome: Outcome, said: list[str]) -> None:
    lines = list(next_steps(outcome))
    assert len(lines) == len(said)
    assert all(line.startswith(begin) for line, begin in zip(lines, said, strict=True)), lines
