"""Who works at the invented clinic, and what it has bought. Nobody and nothing here is real.

Product codes begin with 004: GS1 keeps the prefixes 02 and 04 for restricted circulation inside one company, so that
no product anywhere has such a code (GS1 General Specifications, prefixes; from memory).
"""

from __future__ import annotations

from typing import Any

import msgspec

from firmware.simulator.script import DAY_MS
from soak.quantity import utc_text

_MINUTE_MS = 60_000


class Somebody(msgspec.Struct, frozen=True):
    """One of the staff.

    Attributes:
        id: As in the record.
        name: As on the badge, plainly invented.
        roles: What they may do.
        pin: Their PIN: invented people have no secrets.
        trained_days_ago: When they were trained, before the first day.
        training_lasts_days: For how long that holds.
        colour_vision: Whether their screening was passed; None: they were not screened.
    """

    id: str
    name: str
    roles: tuple[str, ...]
    pin: str
    trained_days_ago: int = 0
    training_lasts_days: int = 365
    colour_vision: bool | None = None

    @property
    def badge(self) -> str:
        """The code on their badge."""
        return f"DEMO-{self.id}".upper()


ADMINISTRATOR = "a-quillfeather"
AUDITOR = "o-upothetou"
LEAD, OTHER_LEAD = "j-beispielmann", "e-exemplard"

STAFF = (
    Somebody(ADMINISTRATOR, "Ada Quillfeather", ("administrator",), "704182"),
    Somebody(LEAD, "Jonas Beispielmann", ("supervisor",), "391604", 200, 365, colour_vision=True),
    Somebody(OTHER_LEAD, "Élodie Exemplard", ("supervisor",), "520917", 150, 365, colour_vision=True),
    Somebody("n-lampwick", "Noor Lampwick", ("technician",), "816253", 100, 365, colour_vision=True),
    Somebody("v-vymyslova", "Вера Вымыслова", ("technician",), "273849", 60, 365, colour_vision=True),
    Somebody("r-reida", "例田 れい", ("technician",), "645018", 120, 365, colour_vision=True),
    Somebody("s-mithali", "سارة مثالي", ("technician",), "958306", 320, 365, colour_vision=True),  # expires soon
    Somebody("p-przykladek", "Piotr Przykładek", ("technician",), "437162", 30, 365, colour_vision=False),
    Somebody(AUDITOR, "Ολυμπία Υποθέτου", ("auditor",), "182570"),
)
"""Nine people; one was screened and does not see colours as strips need it, one must be trained again soon."""

BY_ID = {somebody.id: somebody for somebody in STAFF}

SHIFTS: dict[str, tuple[str, ...]] = {
    "scope-room": ("n-lampwick", "v-vymyslova"),
    "ultrasound": ("r-reida", "p-przykladek"),
    "treatment": ("s-mithali", "n-lampwick"),
}
"""Who works in which room; somebody who may read strips comes first."""

CABINETS = {"scope-room": "Scope cabinet 1", "ultrasound": "Transducer rack", "treatment": "Treatment room drawer"}


def check_digit(digits: str) -> str:
    """GS1 General Specifications 7.9: weights 3 and 1 from the right; the digit fills up to a multiple of ten."""
    total = sum(int(digit) * (1 if place % 2 else 3) for place, digit in enumerate(reversed(digits)))
    return str(-total % 10)


def product_code(number: int) -> str:
    """An invented product code of restricted circulation, 14 digits."""
    digits = f"0040{number:09d}"
    return digits + check_digit(digits)


def date_text(ms: int) -> str:
    """A day, as dates are written."""
    return utc_text(ms)[:10]


class Solution(msgspec.Struct, frozen=True):
    """A solution that the clinic buys.

    Attributes:
        profile: Its profile's id.
        chemistry: The published row that its draft starts from.
        label: What its invented label adds, as fields of the confirmation.
        reuse_days: Its reuse life.
        code: Product code of its bottles.
        bottle_ml: What a bottle holds.
        strip: Dip and read window of its strips, invented; None: nothing is monitored.
        manual: To be said where no source says it.
    """

    profile: str
    chemistry: str
    label: dict[str, Any]
    reuse_days: int
    code: str
    bottle_ml: int = 5_000
    strip: dict[str, int] | None = None
    manual: bool | None = None
    activation: bool = False


_RINSES = {"count": 3, "each_ms": _MINUTE_MS, "volume_ml": 8_000, "water": "potable"}

SOLUTIONS = (
    Solution(
        "opa",
        "ortho-phthalaldehyde-0.55",
        {"opened_days": 75, "strip": {"dip_ms": 1_000, "read_from_ms": 60_000, "read_until_ms": 90_000}}
        | {"rinses": _RINSES, "not_printed": ["max_mc", "longest_immersion_ms"]},
        reuse_days=14,
        code=product_code(310_055),
        strip={"dip_ms": 1_000, "read_from_ms": 60_000, "read_until_ms": 90_000},
    ),
    Solution(
        "peroxide",
        "hydrogen-peroxide-7.5",
        {"strip": {"dip_ms": 2_000, "read_from_ms": 50_000, "read_until_ms": 80_000}, "rinses": _RINSES}
        | {"not_printed": ["opened_days", "max_mc", "longest_immersion_ms"]},
        reuse_days=21,
        code=product_code(310_075),
        strip={"dip_ms": 2_000, "read_from_ms": 50_000, "read_until_ms": 80_000},
    ),
    Solution(
        "glut-phenate",
        "glutaraldehyde-1.12-phenol-1.93",
        {
            "reuse_days": 14,
            "activation": True,
            "activated_days": 14,
            "mec": "as the strip bottle prints",
            "rinses": _RINSES,
        }
        | {"strip": {"dip_ms": 2_000, "read_from_ms": 55_000, "read_until_ms": 85_000}}
        | {"not_printed": ["opened_days", "max_mc", "longest_immersion_ms"]},
        reuse_days=14,
        code=product_code(310_112),
        strip={"dip_ms": 2_000, "read_from_ms": 55_000, "read_until_ms": 85_000},
        manual=True,
        activation=True,
    ),
    Solution(
        "peroxide-paa",
        "hydrogen-peroxide-7.35-peracetic-acid-0.23",
        {"rinses": _RINSES | {"water": "sterile"}, "not_printed": ["opened_days", "max_mc", "longest_immersion_ms"]},
        reuse_days=14,
        code=product_code(310_735),
    ),
)
"""Figures that no source prints (strips, activation, opened-container life of the first) are of the invented labels."""

PROFILE_OF = {
    "scope-room/b1": "opa",
    "scope-room/b2": "peroxide",
    "ultrasound/b1": "opa",
    "ultrasound/b2": "glut-phenate",
    "treatment/b1": "peroxide-paa",
}
"""What is in each basin."""

FILL_ML = {
    "scope-room/b1": 8_000,
    "scope-room/b2": 14_000,
    "ultrasound/b1": 6_000,
    "ultrasound/b2": 6_000,
    "treatment/b1": 4_000,
}

POINT, LEAK, CLEAN, RINSE = "point-of-use clean", "leak test", "clean", "rinse"
DRIED, PARTS, FILLED, BUBBLES = "dried", "detachable parts off", "channels filled", "no bubbles"


class Kind(msgspec.Struct, frozen=True):
    """A type of device.

    Attributes:
        id: Its id.
        name: As people say.
        kind: What labels exclude, e.g. "urological".
        profiles: Solutions that its invented maker permits.
        before: Steps at the sink.
        last: Steps at the basin.
        dry_ms: Least drying time.
        hang_days: Longest storage.
        serials: How many of it there are.
        letter: Asset numbers begin with it.
    """

    id: str
    name: str
    kind: str
    profiles: tuple[str, ...]
    before: tuple[str, ...]
    last: tuple[str, ...]
    dry_ms: int
    hang_days: int | None
    serials: int
    letter: str

    @property
    def code(self) -> str:
        """Its invented product code."""
        return product_code(700_000 + sum(map(ord, self.id)))

    def devices(self) -> list[str]:
        """Asset numbers."""
        return [f"{self.letter}-{number:02d}" for number in range(1, self.serials + 1)]


_SCOPE = (POINT, LEAK, CLEAN, RINSE, PARTS)

_NASAL = (POINT, LEAK, CLEAN, RINSE)
_PLAIN = (POINT, CLEAN, RINSE)
_PERMITTED, _GOOD = ("opa", "peroxide"), ("opa", "glut-phenate")

KINDS = (
    Kind("gastroscope", "Gastroscope", "endoscope", _PERMITTED, _SCOPE, (FILLED, BUBBLES), 600_000, 7, 5, "GS"),
    Kind("colonoscope", "Colonoscope", "endoscope", _PERMITTED, _SCOPE, (FILLED, BUBBLES), 600_000, 7, 4, "CO"),
    Kind("cystoscope", "Cystoscope", "urological", ("peroxide",), _SCOPE, (FILLED, BUBBLES), 480_000, 7, 3, "CY"),
    Kind("nasendoscope", "Nasendoscope", "endoscope", ("opa",), _NASAL, (BUBBLES,), 240_000, 7, 5, "NE"),
    Kind("transducer", "Transducer, cavity", "ultrasound", _GOOD, _PLAIN, (BUBBLES,), 180_000, None, 8, "TR"),
    Kind("blade", "Laryngoscope blade", "airway", ("peroxide-paa",), (*_PLAIN, DRIED), (), 180_000, 30, 8, "LB"),
)
"""Six types, 33 devices."""

KIND_OF = {device: kind for kind in KINDS for device in kind.devices()}

GOES_INTO: dict[str, tuple[str, ...]] = {
    "scope-room/b1": ("gastroscope", "nasendoscope"),
    "scope-room/b2": ("colonoscope", "cystoscope", "gastroscope"),
    "ultrasound/b1": ("transducer",),
    "ultrasound/b2": ("transducer",),
    "treatment/b1": ("blade",),
}
"""Types that are usually put into each basin."""


def udi(device: str) -> str:
    """A device's invented UDI, with parentheses as it is printed."""
    kind = KIND_OF[device]
    return f"(01){kind.code}(11)240115(21){device.replace('-', '')}-{sum(map(ord, device)) * 37 % 9000 + 1000}"


def person_fields(somebody: Somebody, first_ms: int) -> dict[str, Any]:
    """What is recorded about one of the staff, by fields of the deed.

    Args:
        somebody: Who.
        first_ms: The first day, milliseconds since 1970.
    """
    fields: dict[str, Any] = {"id": somebody.id, "name": somebody.name}
    if somebody.id == ADMINISTRATOR:
        return fields
    fields["roles"] = list(somebody.roles)
    if somebody.trained_days_ago:
        trained_ms = first_ms - somebody.trained_days_ago * DAY_MS
        fields["trained_on"] = date_text(trained_ms)
        fields["training_expires"] = date_text(trained_ms + somebody.training_lasts_days * DAY_MS)
    if somebody.colour_vision is not None:
        fields["colour_vision_on"] = date_text(first_ms - 90 * DAY_MS)
        fields["colour_vision_passed"] = somebody.colour_vision
    return fields
