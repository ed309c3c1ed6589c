"""What the invented staff look up on the pages, through the same API as any program."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any
from urllib.parse import urlencode

from firmware.simulator.staff_alarms import Raised
from firmware.simulator.staff_lookbacks import OpenLookBack
from firmware.simulator.staff_plan import Occasion
from firmware.simulator.staff_talk import Ask, AwayError
from soak.decoding import converted

_MATCH_MS = 2_500
_MOST = 1_000


class Screen:
    """Asks the pages.

    Args:
        ask: For JSON.
    """

    def __init__(self, ask: Ask) -> None:
        self._ask = ask

    def _get(self, path: str, **asked: Any) -> Any:
        given = urlencode({name: text for name, text in asked.items() if text is not None})
        answer = self._ask(f"{path}?{given}" if given else path, None)
        if answer.status != 200:
            raise AwayError(f"{path}: {answer.status} {answer.body}")
        return answer.body

    def ready(self) -> bool:
        """The record is there."""
        return bool(self._get("api/basins")["basins"])

    def verdicts(self, since_ms: int, until_ms: int, basin: str | None = None) -> Callable[[Occasion], bool | None]:
        """Closures of a time range, to be asked for what an occasion's soak is worth; None: there is none yet."""
        found = list(self._closures(since_ms, until_ms, basin))

        def met(occasion: Occasion) -> bool | None:
            same = [
                each
                for each in found
                if f"{each['node']}/{each['basin']}" == occasion.basin
                and each["closed_at_ms"] < occasion.opened_ms - _MATCH_MS
                and each["last_at_ms"] > occasion.closed_ms + _MATCH_MS
            ]
            if not same:
                return None
            return any(
                each["verdict"] == "met"
                and abs(each["closed_at_ms"] - occasion.closed_ms) < _MATCH_MS
                and abs((each["opened_at_ms"] or 0) - occasion.opened_ms) < _MATCH_MS
                for each in same
            )

        return met

    def _closures(self, since_ms: int, until_ms: int, basin: str | None) -> Iterable[Any]:
        offset = 0
        while True:
            page = self._get("api/closures", since=since_ms, until=until_ms, basin=basin, limit=_MOST, offset=offset)[
                "closures"
            ]
            yield from page
            offset += len(page)
            if len(page) < _MOST:
                return

    def judged_by(self, basins: Iterable[str], since_ms: int, until_ms: int, min_mc: int) -> bool:
        """No soak of these basins is left that was judged by another minimum temperature."""
        return all(
            each["requirement"] is None or each["requirement"]["min_mc"] == min_mc
            for basin in basins
            for each in self._closures(since_ms, until_ms, basin)
        )

    def alarms(self, since_ms: int) -> list[Raised]:
        """Every alarm that was raised since, the oldest first."""
        found: list[Raised] = []
        while True:
            page = self._get("api/things/alarm", since=since_ms, limit=_MOST, offset=len(found))["things"]
            found += [converted(each["thing"], Raised) for each in page]
            if len(page) < _MOST:
                return found

    def open_ids(self, kind: str) -> list[str]:
        """Ids of what still needs somebody."""
        return [each["id"] for each in self._get(f"api/things/{kind}", open="yes", limit=_MOST)["things"]]

    def look_backs(self) -> list[OpenLookBack]:
        """Those that are open, with the devices that nobody has resolved."""
        things = [each["thing"] for each in self._get("api/things/look-back", open="yes", limit=_MOST)["things"]]
        return [
            OpenLookBack(
                each["id"],
                each["cause"],
                tuple(device for device in each.get("devices", ()) if device not in each.get("resolved", {})),
                bool(each.get("told")),
            )
            for each in things
        ]

    def open_subjects(self, day: str) -> list[str]:
        """What the log review of a day asks about."""
        return [each["subject"] for each in self._get(f"api/review/{day}")["open"]]

    def basins_with_load(self) -> list[str]:
        """Where a load was never taken out."""
        return [each["thing"]["basin"] for each in self._get("api/things/load", open="yes", limit=_MOST)["things"]]

    def devices_under_way(self) -> list[str]:
        """Devices whose round was begun and has not come to its release."""
        turns = [each["thing"] for each in self._get("api/things/turn", open="yes", limit=_MOST)["things"]]
        return sorted({turn["device"] for turn in turns if turn.get("stage", "preparing") != "released"})

    def quarantined(self) -> frozenset[str]:
        """Devices in quarantine."""
        devices = self._get("api/things/device", open="yes", limit=_MOST)["things"]
        return frozenset(each["id"] for each in devices if each["thing"].get("quarantine"))

    def released(self) -> frozenset[str]:
        """Devices that are released and not used."""
        turns = self._get("api/things/turn", open="yes", limit=_MOST)["things"]
        return frozenset(each["thing"]["device"] for each in turns if each["thing"].get("stage") == "released")
