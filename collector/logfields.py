"""The fields of a logger's file: each is read in one way only, or refused with what would be right.

Times come a column at a time: a pattern over the whole column, then conversion in C. Where a column is unusual, its
fields are read one by one; both ways give the same numbers.
"""

from __future__ import annotations

import re

LIDS = {"open": False, "closed": True}
"""The words of the lid column: whether it is closed."""

_SECONDS = re.compile(r"([+-]?)(\d{1,12})(?:\.(\d{1,3})(0*))?", re.ASCII)
_FINE_SECONDS = re.compile(r"[+-]?\d{1,12}\.\d+", re.ASCII)
_SECONDS_COLUMN = re.compile(r"(?:\d{1,12}(?:\.\d{1,3}0*)?\n)*+", re.ASCII)
_HOURS = r"(?:[01]\d|2[0-3])"
_MOMENT = rf"\d{{4}}-\d\d-\d\dT{_HOURS}:[0-5]\d:[0-5]\d(?:\.(\d+))?(?:Z|[+-]{_HOURS}:[0-5]\d)"
_MOMENT_FIELD = re.compile(_MOMENT, re.ASCII)
_MOMENT_COLUMN = re.compile(rf"(?:{_MOMENT.replace('(', '(?:')}\n)*+", re.ASCII)
