"""`python -m dashboard.metrics --table`: the metrics as a table for documents."""

from __future__ import annotations

import sys

from dashboard.metrics.declared import table

if __name__ == "__main__":
    if sys.argv[1:] != ["--table"]:
        sys.exit("Usage: python -m dashboard.metrics --table")
    print(table(), end="")
