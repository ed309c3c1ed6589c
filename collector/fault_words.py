"""What is wrong with a sensor, in words that say what to do; the codes are the node's."""

from __future__ import annotations

_FAULTS = {
    "no-answer": "does not answer; push its plug home",
    "crc": "garbled answer; check its cable and plug",
    "shorted": "data line shorted; check its cable",
    "absent": "not there; push its plug home",
    "unplugged": "unplugged; push its plug home",
    "power-on": "lost power and has measured nothing since; check its plug",
    "too-little-power": "too little power to measure; check its supply wire",
    "resolution": "set to a coarser resolution; have it set to 12 bits",
    "out-of-range": "says something it cannot measure; replace it",
    "garbled": "garbled answer; check its cable and plug",
    "starting": "has not measured yet",
    "stale": "no new value for more than 2 s; check its cable and plug",
}
NOT_READ = "not read by its node; compare the sensor ids in both settings files"


def fault_words(code: str) -> str:
    """What is wrong with a sensor and what to do; an unknown code stands for itself."""
    return _FAULTS.get(code, f"fault “{code}”")
