"""What a node is told is what the settings say, as far as it is in force."""

from __future__ import annotations

from datetime import UTC, datetime

import msgspec
import pytest
from kit import NEED, SECOND, SENSOR, TERMS, Collecting, batch, reading, site, stream_id

from collector.orders import GOOD_FOR_S, orders_for
from collector.settings import BasinSettings, RequirementSettings, SensorSettings
from soak.requirement import Requirement, SensorTerms
from soak.wire import BasinOrders, Topic, decode, encode


def test_a_node_gets_what_the_settings_say_of_its_basins(collecting: Collecting) -> None:
    basins = [
        BasinSettings(
            "n1",
            "b1",
            "Basin 1",
            {SENSOR: SensorSettings("-0.125", "0.2"), SECOND: SensorSettings()},
            requirement=RequirementSettings("20", "12m", "25", "3s"),
        ),
        BasinSettings("n1", "b2", "Basin 2", {"28-00000000000c": SensorSettings(u_c="0")}),
        BasinSettings("n2", "b1", "Basin 3", {"28-00000000000d": SensorSettings(u_c="0")}),
    ]
    collecting.clock.now_ms += 1
    collecting.restart(site(basins=basins))
    orders = orders_for(collecting.store, collecting.clock, "n1", 7)
    assert (orders.version, orders.epoch) == (7, collecting.store.site()["epoch"])
    assert orders.basins == {
        "b1": BasinOrders(
            Requirement(20_000, 720_000, 25_000, 3_000),
            {SENSOR: SensorTerms(200, -125), SECOND: SensorTerms(579, 0)},
            GOOD_FOR_S,
        ),
        "b2": BasinOrders(None, {"28-00000000000c": SensorTerms(0, 0)}, GOOD_FOR_S),
    }
    assert decode(Topic.ORDERS, encode(orders)) == orders


def test_a_basin_that_nobody_described_gets_no_orders(collecting: Collecting) -> None:
    collecting.take(batch([reading(1_000, "open")], basin="b9", stream=stream_id(9)))
    assert set(orders_for(collecting.store, collecting.clock, "n1", 1).basins) == {"b1"}
    assert orders_for(collecting.store, collecting.clock, "n5", 1).basins == {}


@pytest.mark.parametrize(("early_ms", "contact_ms"), [(0, 300_000), (1, 720_000)])
def test_what_is_to_hold_later_is_not_ordered_yet(collecting: Collecting, early_ms: int, contact_ms: int) -> None:
    since = datetime(2026, 3, 5, 8, tzinfo=UTC)
    later = [
        BasinSettings(
            "n1",
            "b1",
            "Basin 1",
            {SENSOR: SensorSettings(u_c="0.5")},
            requirement=RequirementSettings("20", "5m", since=since),
        )
    ]
    collecting.restart(site(basins=later))
    collecting.clock.now_ms = int(since.timestamp()) * 1_000 - early_ms
    requirement = orders_for(collecting.store, collecting.clock, "n1", 1).basins["b1"].requirement
    assert requirement == msgspec.structs.replace(NEED, contact_ms=contact_ms)
    assert collecting.store.required(1)[0].terms == TERMS
