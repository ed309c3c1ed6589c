"""The look-back's tests build on the rule's random streams and on the collector's kit."""

from __future__ import annotations

import sys
from pathlib import Path

for room in ("soak", "collector"):
    sys.path.append(str(Path(__file__).parent.parent / room))
