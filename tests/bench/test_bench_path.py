"""The bench of the standard path runs to its end; its counts are judged, its seconds are not."""

from __future__ import annotations

import os

import pytest

from tests.bench import bench_path

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(os.environ.get("SOAKLEDGER_NO_BROWSER") == "1", reason="SOAKLEDGER_NO_BROWSER=1"),
]


def test_the_path_is_counted(capsys: pytest.CaptureFixture[str]) -> None:
    bench_path.main(["--devices", "1"])
    printed = capsys.readouterr().out
    rows = {line[:34].strip(): line[34:].strip() for line in printed.splitlines()}
    assert rows["scans before the lid closes"] == "3"
    assert (rows["touches before"], rows["other keys before"], rows["PINs before"]) == ("0", "0", "0")
    assert (int(rows["touches after"]), rows["other keys after"], rows["PINs after"]) == (10, "6", "1")
    assert printed.count("holds") + printed.count("DOES NOT HOLD") == 5
