"""The site's rules: their defaults with their sources, and how they are set."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from record_kit import ADMINISTRATOR, SUPERVISOR, TECHNICIAN, Recording

from collector.record.all import DEEDS
from collector.record.policy import SOURCES, SetPolicy
from collector.record.things import LastDay, MecPolicy, Policy


def test_every_rule_says_where_its_default_comes_from() -> None:
    assert set(SOURCES) == set(Policy.__struct_fields__) - {"id"}
    assert set(SetPolicy.__struct_fields__) - {"reason"} == set(SOURCES)


def test_defaults_of_the_policy() -> None:
    site = Policy(id="site")
    assert site.mec is MecPolicy.EACH_USE  # guidelines' summary, HICPAC sample audit tool: before each use
    assert site.glycine_g_per_us_gallon == 25  # common practice, from memory
    assert site.retention_years == 10  # the longest of 3, 7 and 5 to 10 years
    assert site.longest_immersion_ms == 3_600_000  # our own choice
    assert (site.last_day, site.neutralise, site.sensor_check_days) == (LastDay.TO_THE_MINUTE, False, None)


def test_only_what_is_given_changes(recording: Recording) -> None:
    deed = SetPolicy(
        mec=MecPolicy.DAILY,
        sensor_check_days=180,
        working_days=(5, 1, 0, 1),
        closed_on=("2026-12-26", "2026-12-25"),
        reason="decided by the committee",
    )
    recording.do(deed, SUPERVISOR)
    site = recording.get(Policy, "site")
    assert (site.mec, site.sensor_check_days, site.time_zone) == (MecPolicy.DAILY, 180, "Europe/Berlin")
    assert (site.working_days, site.closed_on) == ((0, 1, 5), ("2026-12-25", "2026-12-26"))
    recording.do(SetPolicy(sensor_check_days=None, reason="no interval any more"), ADMINISTRATOR)
    assert recording.get(Policy, "site").sensor_check_days is None
    assert recording.get(Policy, "site").mec is MecPolicy.DAILY


@pytest.mark.parametrize(
    ("said", "refusal"),
    [
        ({"reason": ""}, ("reason", "Changing the site's rules needs a reason.", "Say in a few words why.")),
        (
            {"time_zone": "Mars/Base"},
            (
                "time-zone",
                "'Mars/Base' is no time zone that this machine knows.",
                "Type its IANA name, for instance Europe/Berlin or America/Chicago.",
            ),
        ),
        (
            {"time_zone": "../../etc/passwd"},
            (
                "time-zone",
                "'../../etc/passwd' is no time zone that this machine knows.",
                "Type its IANA name, for instance Europe/Berlin or America/Chicago.",
            ),
        ),
        (
            {"closed_on": ("2026-02-30",)},
            (
                "date",
                "'2026-02-30' is no date of the calendar.",
                "Type it as year-month-day, for instance 2027-03-31.",
            ),
        ),
        (
            {"mec": MecPolicy.EACH_USE},
            ("no-change", "Nothing would change by that.", "Look whether it has been recorded already."),
        ),
    ],
)
def test_a_rule_that_is_not_set(recording: Recording, said: dict[str, Any], refusal: tuple[str, str, str]) -> None:
    assert recording.refused(SetPolicy(**{"reason": "why", **said}), SUPERVISOR) == refusal


def test_rules_are_set_by_those_who_keep_them_with_a_second_factor(recording: Recording) -> None:
    deed = SetPolicy(mec=MecPolicy.DAILY, reason="why")
    assert recording.refused(deed, TECHNICIAN)[0] == "role"
    assert recording.refused(deed, SUPERVISOR, second_factor=False)[0] == "second-factor"


@pytest.mark.parametrize("name", sorted(DEEDS))
def test_a_deed_can_be_read_from_json(name: str) -> None:
    """A type that msgspec cannot decode shows only when somebody sends one."""
    with pytest.raises(msgspec.ValidationError, match="unknown field `nonsense`"):
        msgspec.json.decode(b'{"nonsense":1}', type=DEEDS[name])


@pytest.mark.parametrize(
    ("body", "problem"),
    [
        (b'{"glycine_g_per_us_gallon":24}', "Expected `int` >= 25"),
        (b'{"working_days":[]}', "Expected `array` of length"),
        (b'{"working_days":[7]}', "Expected `int` <= 6"),
        (b'{"sensor_check_days":0}', "Expected `int` >= 1"),
    ],
)
def test_rules_have_bounds(body: bytes, problem: str) -> None:
    with pytest.raises(msgspec.ValidationError, match=problem):
        msgspec.json.decode(body, type=SetPolicy)
