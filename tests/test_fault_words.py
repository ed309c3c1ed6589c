"""Every fault word that a node can say has words for people on the pages: nobody has to guess what to do."""

from __future__ import annotations

from collector.fault_words import fault_words
from firmware.sampler import STALE, STARTING
from firmware.scratchpad import ScratchpadFault
from firmware.sensors import fault_word


def test_every_fault_of_the_firmware_is_told_in_words() -> None:
    codes = [fault.value for fault in ScratchpadFault] + [STALE.code, STARTING.code, fault_word(FileNotFoundError())]
    for code in codes:
        assert not fault_words(code).startswith("fault "), f"{code} is shown as it stands"
