"""Rinses, drying, release, quarantine, storage and use."""

from __future__ import annotations

from ward_kit import Ward

from collector.record.things import Stage


def test_a_whole_round(ward: Ward) -> None:
    ward.released("A1")
    assert ward.turn("A1").stage is Stage.RELEASED
