"""The command: a table of subcommands, each loaded only when it is asked for."""

from __future__ import annotations

import importlib

import click

COMMANDS = {
    "assess": ("collector.assess_command", "Judge a logger's file by the exposure rule."),
    "backup": (
        "collector.backup.command",
        "Copy everything that is kept, also while the collector runs, and verify it.",
    ),
    "broker-setup": (
        "collector.broker.setup_command",
        "Set the broker up: certificates, logins, rules, Mosquitto's settings.",
    ),
    "certificates": (
        "collector.broker.certificates_command",
        "Say how long the site's certificates last, or renew them.",
    ),
    "closures": ("collector.closures_command", "List closures with their verdict and findings."),
    "collector": ("collector.command", "Take in readings, judge every soak, send receipts and orders."),
    "commission": ("firmware.commissioning.command", "First start on the Pi: try out every part, file the result."),
    "dashboard": ("dashboard.command", "Serve the pages and the HTTP API."),
    "demo": ("firmware.simulator.demo", "A whole clinic on this machine: broker, collector, pages, simulated basins."),
    "devices": ("collector.devices_command", "Export devices to a CSV file, or import them from one."),
    "disinfection-record": ("collector.evidence.command", "Issue disinfection records: PDF/A-3a, or many in one ZIP."),
    "doctor": ("host.doctor_command", "Say in one page what is wrong on this machine, and what to do."),
    "downtime-form": ("collector.downtime_form", "A paper form for soaks while the system is down."),
    "enrol": ("collector.broker.enrol_command", "Give a node its login at the broker, in a file for `join`."),
    "evidence": ("collector.bundle.command", "Records, readings and verdicts of a range in one file, to be checked."),
    "join": ("firmware.enrolment", "Take an enrolment file in on a node's Raspberry Pi."),
    "labels": ("collector.labels_command", "QR labels of basins, fills, bottles, strips, devices, people, to print."),
    "migrate": ("collector.migrate_command", "Bring the data up to this version without starting the collector."),
    "node": ("firmware.command", "Watch the basins of this Raspberry Pi."),
    "people": ("collector.people_command", "Let people in: the first administrator, PINs, passwords, badges."),
    "period-report": ("collector.period.command", "Issue a period report: PDF/A-3a, or its tables as CSV in one ZIP."),
    "rebuild": ("collector.rebuild_command", "Make every projection again from ledger and pages."),
    "record": ("collector.record_command", "Record something, as a script would."),
    "rehearse": ("firmware.simulator.command", "A node with simulated basins behind the real firmware."),
    "restore": ("collector.backup.restore_command", "Put a backup back into an empty folder, and verify it there."),
    "revoke": ("collector.broker.revoke_command", "End a node's login at the broker at once."),
    "verify": ("collector.verify_command", "Check every record and page; name the first that does not hold."),
}
"""Name: (module with a click command called `command`, what it does)."""


class _LazyGroup(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(COMMANDS[cmd_name][0])
        command = module.command
        assert isinstance(command, click.Command)  # noqa: S101
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in sorted(COMMANDS.items())])


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="soakledger", message="%(prog)s %(version)s")
def main() -> None:
    """Watch soaks, prove them, keep the evidence.

    A monitoring aid for manual high-level disinfection. The product's label, the device maker's instructions and local
    rules decide; this tool never replaces the MEC test, the cleaning step or a trained person's judgement.
    """


if __name__ == "__main__":
    main()
