"""Every metric once: name, type, labels, meaning. Base units in the names, as Prometheus' practice asks."""

from __future__ import annotations

import enum
from typing import NamedTuple

PREFIX = "soakledger_"


class Kind(enum.StrEnum):
    """Prometheus' types: a gauge goes up and down; a counter only rises until its part starts anew."""

    GAUGE = "gauge"
    COUNTER = "counter"


class Metric(NamedTuple):
    """One metric.

    Attributes:
        name: With its unit at the end, counters with `_total` behind that.
        help: What it says, one sentence or two.
        labels: What tells its samples apart; each has few values.
        kind: Gauge or counter.
    """

    name: str
    help: str
    labels: tuple[str, ...] = ()
    kind: Kind = Kind.GAUGE


_NODE, _BASIN = ("node",), ("node", "basin")
_COUNTER = Kind.COUNTER

METRICS: dict[str, Metric] = {
    metric.name: metric._replace(name=PREFIX + metric.name)
    for metric in (
        Metric("build_info", "Always 1; the version of these pages is its label.", ("version",)),
        # The collector
        Metric("collector_up", "1 while the collector's heartbeat can be believed."),
        Metric("collector_storing", "1 while the collector runs and nothing keeps it from storing."),
        Metric("collector_heartbeat_age_seconds", "Since the collector last wrote its status file; it does each 2 s."),
        Metric("collector_stored_age_seconds", "Since the collector last stored anything; absent until it has."),
        Metric("collector_clock_synchronised", "1 if the collector's wall clock is synchronised."),
        Metric(
            "condition", "Conditions of a kind that stand; 0 for every other; absent while it is not up.", ("code",)
        ),
        # The store
        Metric("ledger_records_total", "Records in the ledger.", kind=_COUNTER),
        Metric("database_size_bytes", "Size of the database file."),
        Metric("database_log_size_bytes", "Size of the database's write-ahead log."),
        Metric("disk_free_bytes", "Free on the disk of the collector's data, for this software."),
        Metric("disk_size_bytes", "Size of that file system."),
        Metric("disk_written_bytes_total", "Written to that disk by anything, since counting began.", kind=_COUNTER),
        Metric("disk_life_left_seconds", "Estimated life left of that disk at the present rate; absent for a day."),
        Metric("parked_messages_total", "Messages that could not be taken in, by reason.", ("reason",), _COUNTER),
        Metric("backup_age_seconds", "Since the last backup on record was taken; absent where there is none."),
        Metric("backup_failed", "1 if the last backup that was tried could not be taken; absent while it is not up."),
        Metric("closures", "Closures whose verdict stands; counted anew once a minute.", ("verdict",)),
        Metric("alarms_standing", "Alarms that stand, by their present priority.", ("priority",)),
        # Nodes
        Metric("node_up", "1 if the node said it is up and has spoken within a minute.", _NODE),
        Metric("node_heard_age_seconds", "Since the node last spoke.", _NODE),
        Metric("node_outbox_readings", "Readings that wait at the node for a receipt.", _NODE),
        Metric("node_dropped_readings_total", "Readings given up since the node's boot.", _NODE, _COUNTER),
        Metric("node_clock_synchronised", "1 if the node says that its wall clock is synchronised.", _NODE),
        Metric("node_clock_offset_seconds", "The node's wall clock minus the collector's when it last spoke.", _NODE),
        Metric("node_disk_free_bytes", "Free on the disk of the node's data, for this software.", _NODE),
        Metric("node_disk_size_bytes", "Size of that file system.", _NODE),
        Metric("node_disk_written_bytes_total", "Written to that disk since counting began.", _NODE, _COUNTER),
        Metric("node_disk_life_left_seconds", "Estimated life left of that disk; absent for a day.", _NODE),
        # Basins
        Metric("basin_reading_age_seconds", "Age of the basin's newest reading; absent until there is one.", _BASIN),
        Metric(
            "basin_lid_closed", "1 with the lid closed; absent while the newest reading is over a minute old.", _BASIN
        ),
        Metric(
            "sensor_temperature_celsius",
            "As the sensor indicates, not corrected; absent with a fault or while the newest reading is over a minute "
            "old.",
            (*_BASIN, "sensor"),
        ),
        # The pages
        Metric(
            "certificate_left_seconds",
            "Until a certificate that the collector looks at ends; below 0 once it has.",
            ("certificate",),
        ),
        Metric(
            "sign_in_failures_total", "Sign-ins that were refused, as far as their record goes back.", kind=_COUNTER
        ),
        Metric("scrape_duration_seconds", "How long it took to gather this answer."),
    )
}
"""By name without the prefix."""


def table() -> str:
    """The metrics as a table in Markdown, for the page of what other programs can ask."""
    lines = ["| metric | type | labels | what it says |", "| --- | --- | --- | --- |"]
    for each in METRICS.values():
        labels = ", ".join(f"`{label}`" for label in each.labels)
        lines.append(f"| `{each.name}` | {each.kind} | {labels} | {each.help} |")
    return "\n".join(lines) + "\n"
