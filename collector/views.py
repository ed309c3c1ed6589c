"""Views of the database for people who query it, beside the tables that the program uses itself.

A view that was released keeps its name, its columns and what they mean; what changes gets the next number and stands
beside it (`v2_…`). INTEGRATION.md describes them; a test holds the two together.

They follow from the tables at every question and cost nothing until asked. None has a person's name, an encounter or
what people typed, but for `v1_record`, which is the ledger itself.
"""

# ruff: noqa: S608 - names of our own
from __future__ import annotations


def _utc(ms: str) -> str:
    """A moment as text, RFC 3339 in UTC with milliseconds; null stays null."""
    return f"strftime('%Y-%m-%dT%H:%M:%fZ', ({ms}) / 1000.0, 'unixepoch')"


def _said(path: str) -> str:
    """What a verdict's record says of its closure."""
    return f"json_extract(l.body, '$.closure.{path}')"


def _of(field: str) -> str:
    """A field of a thing's document; null where it is left out."""
    return f"json_extract(t.body, '$.{field}')"


_OPENED_MS = f"c.closing_utc_ms + {_said('opening_ms')} - {_said('closing_ms')}"

VERSION_1 = (
    # Every verdict ever given, also those that a later one took the place of.
    f"""CREATE VIEW v1_closure AS SELECT
        c.id AS id,
        s.stream || ':' || c.first AS closure,
        b.node || '/' || b.name AS basin,
        b.label AS basin_label,
        b.place AS place,
        {_utc("c.closing_utc_ms")} AS closed_at,
        c.closing_utc_ms AS closed_at_ms,
        {_utc(_OPENED_MS)} AS opened_at,
        {_OPENED_MS} AS opened_at_ms,
        {_said("last_ms")} - {_said("closing_ms")} AS closed_ms,
        {_said("closing_edge")} = 'seen' AS closing_seen,
        {_said("opening_edge")} = 'seen' AS opening_seen,
        c.verdict AS verdict,
        {_said("credited_ms")} AS credited_ms,
        {_said("requirement.contact_ms")} AS contact_ms,
        {_said("requirement.min_mc")} AS min_mc,
        {_said("requirement.max_mc")} AS max_mc,
        {_said("coldest_mc")} AS coldest_mc,
        {_said("hottest_mc")} AS hottest_mc,
        {_said("allowance_mc")} AS allowance_mc,
        {_said("readings")} AS readings,
        ifnull({_said("findings")}, '[]') AS findings,
        c.clock_synced AS clock_synced,
        {_utc("c.assessed_ms")} AS assessed_at,
        c.superseded_by IS NOT NULL AS superseded,
        c.superseded_by AS superseded_by,
        c.number AS record
    FROM closure c
    JOIN stream s ON s.id = c.stream_id
    JOIN basin b ON b.id = c.basin_id
    JOIN ledger l ON l.number = c.number""",
    f"""CREATE VIEW v1_load AS SELECT
        t.id AS load,
        t.grp AS basin,
        {_of("fill")} AS fill,
        {_utc("t.at_ms")} AS began_at,
        t.at_ms AS began_at_ms,
        {_utc(_of("ended_ms"))} AS ended_at,
        {_of("ended_ms")} AS ended_at_ms,
        ifnull(json_array_length(t.body, '$.turns'), 0) AS devices,
        {_of("mec_test")} AS mec_test,
        {_of("override")} IS NOT NULL AS overridden,
        {_of("late")} IS NOT NULL AS late,
        t.number AS record
    FROM thing t WHERE t.kind = 'load'""",
    # Laid in at or before the closing and taken out after it: as `collector/counting/soaks.py` has it. CROSS JOIN has
    # SQLite begin with the loads, and each bound is one that the index of times knows: else a year takes minutes.
    """CREATE VIEW v1_soak AS SELECT
        c.*, l.load AS load, l.fill AS fill, json_extract(f.body, '$.profile') AS profile, l.devices AS devices
    FROM v1_load l CROSS JOIN v1_closure c ON c.basin = l.basin AND c.closed_at_ms >= l.began_at_ms
        AND c.closed_at_ms < ifnull(l.ended_at_ms, 1 << 62)
    LEFT JOIN thing f ON f.kind = 'fill' AND f.id = l.fill""",
    # `throughout`: as `soak/roundfacts.py` has it. No lid lies on for 12 hours before a device goes in; the index needs
    # an end to look back to.
    f"""CREATE VIEW v1_device_soak AS SELECT
        t.id AS turn,
        {_of("device")} AS device,
        {_of("stage")} AS stage,
        {_of("load")} AS load,
        {_of("fill")} AS fill,
        {_utc(_of("in_ms"))} AS in_at,
        {_of("in_ms")} AS in_at_ms,
        {_utc(_of("out_ms"))} AS out_at,
        {_of("out_ms")} AS out_at_ms,
        c.id AS closure_id,
        c.closure AS closure,
        c.basin AS basin,
        c.closed_at AS closed_at,
        c.closed_at_ms AS closed_at_ms,
        c.verdict AS verdict,
        c.credited_ms AS credited_ms,
        c.allowance_mc AS allowance_mc,
        {_of("in_ms")} <= c.closed_at_ms AND ({_of("out_ms")} IS NULL OR
            {_of("out_ms")} >= ifnull(c.opened_at_ms, c.closed_at_ms + c.closed_ms)) AS throughout,
        c.superseded AS superseded,
        {_utc(_of("released.at_ms"))} AS released_at,
        {_utc(_of("used.at_ms"))} AS used_at,
        t.number AS record
    FROM thing t CROSS JOIN v1_closure c ON c.basin = {_of("basin")}
        AND c.closed_at_ms > {_of("in_ms")} - 43200000
        AND c.closed_at_ms < ifnull({_of("out_ms")}, 1 << 62)
        AND ifnull(c.opened_at_ms, c.closed_at_ms + c.closed_ms) > {_of("in_ms")}
    WHERE t.kind = 'turn'""",
    f"""CREATE VIEW v1_alarm AS SELECT
        t.id AS alarm,
        {_of("code")} AS code,
        {_of("priority")} AS priority,
        {_of("about")} AS about,
        {_of("basin")} AS basin,
        {_utc(_of("cause_ms"))} AS cause_at,
        {_of("cause_ms")} AS cause_at_ms,
        {_utc("t.at_ms")} AS raised_at,
        t.at_ms AS raised_at_ms,
        ifnull({_of("late")}, 0) AS late,
        {_utc(_of("risen_ms"))} AS risen_at,
        {_utc(_of("seen.at_ms"))} AS seen_at,
        {_of("seen.at_ms")} AS seen_at_ms,
        {_utc(_of("cleared_ms"))} AS cleared_at,
        {_utc(_of("ended_ms"))} AS ended_at,
        {_of("ended_ms")} AS ended_at_ms,
        t.open AS stands,
        {_of("evidence.closure")} AS closure,
        t.number AS record
    FROM thing t WHERE t.kind = 'alarm'""",
    f"""CREATE VIEW v1_fill AS SELECT
        t.id AS fill,
        t.grp AS basin,
        {_of("profile")} AS profile,
        json_extract(p.body, '$.name') AS solution,
        {_utc("t.at_ms")} AS poured_at,
        t.at_ms AS poured_at_ms,
        (SELECT sum(json_extract(value, '$.volume_ml')) FROM json_each(t.body, '$.poured')) AS volume_ml,
        (SELECT json_group_array(DISTINCT json_extract(value, '$.lot')) FROM json_each(t.body, '$.poured')) AS lots,
        {_utc(_of("use_by_ms"))} AS use_by,
        {_of("use_by_ms")} AS use_by_ms,
        ifnull({_of("loads")}, 0) AS loads,
        {_utc(_of("failed_ms"))} AS failed_at,
        {_utc(_of("discarded.at_ms"))} AS discarded_at,
        {_of("discarded.at_ms")} AS discarded_at_ms,
        t.open AS in_basin,
        t.number AS record
    FROM thing t LEFT JOIN thing p ON p.kind = 'profile' AND p.id = {_of("profile")}
    WHERE t.kind = 'fill'""",
    f"""CREATE VIEW v1_mec_test AS SELECT
        t.id AS mec_test,
        t.grp AS fill,
        {_of("strip_bottle")} AS strip_bottle,
        json_extract(b.body, '$.lot') AS strip_lot,
        {_utc("t.at_ms")} AS dipped_at,
        t.at_ms AS dipped_at_ms,
        {_utc(_of("read_ms"))} AS read_at,
        {_of("read_ms")} AS read_at_ms,
        {_of("result")} AS result,
        {_of("used_for")} AS load,
        t.number AS record
    FROM thing t LEFT JOIN thing b ON b.kind = 'strip-bottle' AND b.id = {_of("strip_bottle")}
    WHERE t.kind = 'mec-test'""",
    f"""CREATE VIEW v1_device AS SELECT
        t.id AS device,
        t.grp AS type,
        json_extract(y.body, '$.name') AS type_name,
        {_of("serial")} AS serial,
        {_of("udi")} AS udi,
        {_of("turn")} AS turn,
        json_extract(r.body, '$.stage') AS stage,
        {_of("quarantine")} IS NOT NULL AS quarantined,
        ifnull(json_array_length(t.body, '$.lookbacks'), 0) AS open_look_backs,
        {_of("stored_in")} AS cabinet,
        {_utc(_of("stored_ms"))} AS stored_at,
        {_utc(_of("hang_until_ms"))} AS reprocess_by,
        {_of("hang_until_ms")} AS reprocess_by_ms,
        t.open AS in_service,
        t.number AS record
    FROM thing t
    LEFT JOIN thing y ON y.kind = 'device-type' AND y.id = t.grp
    LEFT JOIN thing r ON r.kind = 'turn' AND r.id = {_of("turn")}
    WHERE t.kind = 'device'""",
    f"""CREATE VIEW v1_record AS SELECT
        number, kind, {_utc("at_ms")} AS at, at_ms, who, software, body, reason, hash, format
    FROM ledger""",
)
