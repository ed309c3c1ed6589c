"""Random days, judged a second time with pandas: written apart from the rule's code, whole columns at a time."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

import soakledger

DAY_S = 86_400


def simulated_day(seed: int, path: Path) -> dict[str, Any]:
    """Write a basin's day, with everything that goes wrong in one; return the options to judge it by.

    Some sixty closures around the contact time, temperatures around the limit, dips, failed readings, pauses, lost
    numbers in half of the days, one sensor or two, a maximum in a third of them.
    """
    random = np.random.default_rng(seed)
    contact_s = int(random.integers(240, 900))
    ms = np.arange(DAY_S) * 1000 + random.integers(0, 40, DAY_S)
    lids = np.zeros(DAY_S, dtype=bool)
    at = 0
    while at < DAY_S:
        length = int(random.normal(contact_s * 1.15, contact_s * 0.3))
        lids[at + 30 : at + 30 + length] = True
        at += 30 + length + int(random.integers(30, 900))
    sensors = {}
    for name in ["temp_c", "temp_c_top"][: 1 + seed % 2]:
        celsius = 20.9 + 0.35 * np.sin(np.arange(DAY_S) / random.uniform(3000, 9000)) + random.normal(0, 0.02, DAY_S)
        for dip in random.integers(0, DAY_S, 25):
            celsius[dip : dip + int(random.integers(1, 200))] -= random.uniform(0, 1.2)
        sixteenths = np.rint(celsius * 16)
        text = pd.Series(sixteenths / 16).map("{:.4f}".format)
        for gone in random.integers(0, DAY_S, 40):  # a failed conversion, or a sensor pulled out
            text[gone : gone + int(random.choice([1, 2, 4, 7, 300]))] = ""
        sensors[name] = text
    day = pd.DataFrame({"number": np.arange(1, DAY_S + 1), "time_s": ms, "lid": np.where(lids, "closed", "open")})
    day["time_s"] = day["time_s"].map(lambda each: f"{each // 1000}.{each % 1000:03d}")
    day = day.assign(**sensors)
    keep = np.ones(DAY_S, dtype=bool)
    for lost in random.integers(0, DAY_S, 12):  # a pause, or lost readings
        keep[lost : lost + int(random.choice([1, 3, 4, 5, 6, 60]))] = False
    day = day[keep]
    if seed % 4 < 2:
        day = day.drop(columns="number")
    day.to_csv(path, index=False)
    maximum = {"max_mc": 21_800} if seed % 3 == 0 else {"max_mc": None}
    return {
        "min_mc": 20_000,
        "contact_ms": contact_s * 1000,
        "u_mc": 580,
        "correction_mc": -50,
        "gap_ms": 5000,
        **maximum,
    }


def edge(ms: pd.Series, long: pd.Series, in_range: pd.Series, seen: pd.Series) -> pd.DataFrame:
    """The interval between an edge and the known reading next to it; without limit where nobody saw the edge."""
    unknown = in_range.astype("boolean").fillna(False).astype(bool)
    length = long.astype(float).mask(unknown & ~seen, np.inf)
    return pd.DataFrame({"ms": ms, "long": length, "kind": np.where(unknown, "unknown", "out")})


def second_opinion(path: Path, need: dict[str, Any]) -> pd.DataFrame:
    """Closing, credited time, verdict and coldest temperature of every closure in the file."""
    day = pd.read_csv(path)
    rows = len(day)
    ms = (day["time_s"] * 1000).round().astype("int64")
    closed = day["lid"] == "closed"
    numbers = day["number"] if "number" in day else pd.Series(np.arange(rows))
    follows = (numbers.diff() == 1) & (ms.diff() <= need["gap_ms"])
    begins = closed & ~(closed.shift(fill_value=False) & follows)
    group = begins.cumsum()[closed]

    temperatures = day.filter(regex="^temp_c") * 1000 + need["correction_mc"]
    margin = np.floor(temperatures).min(axis=1, skipna=False) - need["u_mc"] - need["min_mc"]
    above = np.ceil(temperatures).max(axis=1) + need["u_mc"] > (need["max_mc"] or np.inf)

    whole = pd.DataFrame({"ms": ms, "row": np.arange(rows)})[closed].groupby(group).agg(["first", "last"])
    first, last = whole["ms"]["first"], whole["ms"]["last"]
    opens, watched = np.append(~closed, False), np.append(follows, False)  # one more, for after the last row
    begin_row, next_row = whole["row"]["first"], whole["row"]["last"] + 1
    closing_seen = (begin_row > 0) & watched[begin_row] & opens[begin_row - 1]
    opening_seen = pd.Series(watched[next_row] & opens[next_row], index=first.index)
    running = next_row == rows

    known = pd.DataFrame({"closure": group, "ms": ms, "in": (margin >= 0) & ~above})[closed & margin.notna()]
    before = known.groupby("closure").shift()
    both = known["in"] & (before["in"] == True)  # noqa: E712  (missing before the first one)
    kind = np.select([both & (known["ms"] - before["ms"] <= need["gap_ms"]), ~both], ["credited", "out"], "unknown")
    between = known.assign(kind=kind, long=known["ms"] - before["ms"])[before["ms"].notna()]

    edges = known.groupby("closure").agg(["first", "last"]).reindex(first.index)
    nothing = edges["ms"]["first"].isna()
    seen_end = opening_seen | running
    leading = edge(first, edges["ms"]["first"] - first, edges["in"]["first"], closing_seen)[~nothing]
    trailing = edge(last + 0.5, last - edges["ms"]["last"], edges["in"]["last"], seen_end)[~nothing]
    empty = edge(first, last - first, nothing, closing_seen & seen_end)[nothing]
    parts = [between.set_index("closure"), leading, trailing, empty]
    intervals = pd.concat([part[["ms", "long", "kind"]] for part in parts]).rename_axis("closure").reset_index()
    intervals = intervals.sort_values(["closure", "ms"], kind="stable")

    def longest(chosen: pd.Series) -> pd.Series:
        """Of consecutive chosen intervals, the most time together; 0 where there is none."""
        runs = (~chosen).cumsum()[chosen]
        sums = intervals[chosen].groupby(["closure", runs.rename("run")])["long"].sum()
        return sums.groupby("closure").max().reindex(first.index, fill_value=0)

    credited, not_out = longest(intervals["kind"] == "credited"), longest(intervals["kind"] != "out")
    conditions = [credited >= need["contact_ms"], running, not_out >= need["contact_ms"]]
    return pd.DataFrame(
        {
            "closed_at": first / 1000,
            "closing_seen": closing_seen,
            "opening_seen": opening_seen,
            "closed_s": (last - first) / 1000,
            "credited_s": credited / 1000,
            "verdict": np.select(conditions, ["met", "running", "unproven"], "not met"),
            "coldest_c": np.floor(temperatures).min(axis=1)[known.index].groupby(group).min() / 1000,
        }
    )


@pytest.mark.parametrize("seed", range(1, 9))
def test_random_days_judged_with_pandas(seed: int, tmp_path: Path) -> None:
    """Every closure of the day: the same edges, times, credited time, verdict and coldest temperature."""
    path = tmp_path / "day.csv"
    need = simulated_day(seed, path)
    options = ["--min-temp", "20", "--contact", f"{need['contact_ms'] // 1000}s", "--uncertainty", "0.58"]
    options += ["--correction", "-0.05", *(["--max-temp", "21.8"] if need["max_mc"] else [])]
    result = CliRunner().invoke(soakledger.main, ["assess", str(path), *options, "--json"])
    printed = pd.DataFrame(json.loads(result.stdout)["closures"])
    expected = second_opinion(path, need)
    for column in expected:
        got, wanted = printed[column].tolist(), expected[column].tolist()
        assert got == pytest.approx(wanted, abs=1e-9, nan_ok=True) if column == "coldest_c" else got == wanted, column
    assert result.exit_code == 1
    assert {"met", "not met", "unproven"} <= set(printed["verdict"])
