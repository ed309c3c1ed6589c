"""Why a look-back is opened: one list of causes, what each asks, and which rounds it concerns."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from collector.lookback.described import described
from collector.lookback.reach import Reach, rounds_in_fills
from collector.lookback.reaching import by_act, by_basin, by_device, by_fill, by_sensor, by_software, by_test
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.things import Asked, LookBack


class Cause(NamedTuple):
    """One cause.

    Attributes:
        code: Its name in the record.
        said: What people say: "A sensor reads wrong".
        meaning: What it concerns, in a sentence.
        needs: What must be told, as fields of `Asked`.
        may: What may be told besides.
        scope: What it concerns; None: it opens by itself only.
    """

    code: str
    said: str
    meaning: str
    needs: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    scope: Callable[[Book, Asked], Reach] | None = None


_RANGE = ("from_ms", "until_ms")

CAUSES: dict[str, Cause] = {
    each.code: each
    for each in (
        Cause(
            "mec-fail",
            "A MEC test failed",
            "Everything soaked in that fill since its last passing test.",
            ("mec_test",),
            scope=by_fill.mec_fail,
        ),
        Cause(
            "strips-bad",
            "A bottle of test strips was bad",
            "Every MEC test made with it, and every load that one of them cleared.",
            ("strip_bottle",),
            _RANGE,
            by_test.strips_bad,
        ),
        Cause(
            "strips-misread",
            "Somebody read test strips wrongly",
            "Every MEC test that they read in the time, and every load that one of them cleared.",
            ("person",),
            _RANGE,
            by_test.misread,
        ),
        Cause(
            "sensor-off",
            "A sensor reads wrong",
            "Every soak since its last good check, judged again by the error.",
            ("sensor", "off_mc"),
            _RANGE,
            by_sensor.sensor_off,
        ),
        Cause(
            "reference-off",
            "The reference thermometer was wrong",
            "Every soak that rested on a sensor check made with it.",
            ("reference", "off_mc"),
            _RANGE,
            by_sensor.reference_off,
        ),
        Cause(
            "profile-wrong",
            "The wrong solution profile was used",
            "Everything soaked in fills of that profile, or in the one fill.",
            ("profile",),
            ("fill", *_RANGE),
            by_fill.profile_wrong,
        ),
        Cause(
            "lot-recalled",
            "A lot of solution was recalled",
            "Everything soaked in fills into which a bottle of that lot was poured, from then on.",
            ("lot",),
            _RANGE,
            by_fill.lot_recalled,
        ),
        Cause(
            "fill-past-date",
            "A fill was used past its date",
            "Everything that was in it after its use-by.",
            ("fill",),
            _RANGE,
            by_fill.fill_past_date,
        ),
        Cause(
            "rinse-water",
            "The rinse water was not as it should be",
            "Everything rinsed in the time: at one basin, at one node's, or everywhere.",
            (),
            ("basin", "node", *_RANGE),
            by_basin.rinse_water,
        ),
        Cause(
            "leak",
            "A leak was found, or the leak tester was faulty",
            "Rounds whose leak test was attested in the time: of the one device, or of all.",
            (),
            ("device", *_RANGE),
            by_act.leak,
        ),
        Cause(
            "culture-positive",
            "A culture of a device was positive",
            "The device's rounds since its last negative culture.",
            ("device",),
            _RANGE,
            by_device.culture,
        ),
        Cause(
            "training-lapsed",
            "Somebody's training had lapsed",
            "Rounds at which they did something in the time. It says what was done, and blames nobody.",
            ("person",),
            _RANGE,
            by_act.training,
        ),
        Cause(
            "lid-or-node",
            "A lid switch or node was faulty",
            "Every load of that basin, or of the node's basins, in the time.",
            (),
            ("basin", "node", *_RANGE),
            by_basin.lid_or_node,
        ),
        Cause(
            "used-without-release",
            "A device was used without release",
            "The uses of that device that no release stood behind.",
            ("device",),
            _RANGE,
            by_device.without_release,
        ),
        Cause(
            "software-fault",
            "A fault in this program was found",
            "Every soak that those versions judged, judged anew where they are not too many.",
            ("software_from",),
            ("software_until", *_RANGE),
            by_software.faulty,
        ),
        Cause("strip-controls-failed", "Control tests of strips failed", "It opens by itself when they are recorded."),
        Cause("strips-corrected", "A strip bottle was corrected", "It opens by itself with the correction."),
        Cause("profile-corrected", "A solution profile was corrected", "It opens by itself with the correction."),
        Cause("product-code-taken-away", "A product code was taken away", "It opens by itself with that record."),
        Cause("bottle-corrected", "A bottle was corrected", "It opens by itself with the correction."),
        Cause("used-in-quarantine", "A device was used in quarantine", "It opens by itself when the use is recorded."),
        Cause("used-during-look-back", "A device was used during a look-back", "It opens by itself with the use."),
        Cause("used-past-hang-time", "A device was used past its hang time", "It opens by itself with the use."),
    )
}
"""Every cause by its name, in the order in which people are asked."""

FOR_PEOPLE = tuple(each for each in CAUSES.values() if each.scope is not None)
"""Those that people open."""


def said(code: str) -> str:
    """A cause as people say it; a name from a newer version as it is."""
    return CAUSES[code].said if code in CAUSES else code


def reach_of(book: Book, code: str, asked: Asked) -> Reach:
    """What a cause concerns.

    Raises:
        RefusedError: It cannot be opened by people, something it needs is not told, or nothing like it is on record.
    """
    cause = CAUSES.get(code)
    if cause is None or cause.scope is None:
        raise RefusedError(
            "look-back-cause", f"No look-back is opened by hand for {code[:60]!r}.", "Choose one of the causes listed."
        )
    given = {name for name in Asked.__struct_fields__ if getattr(asked, name) is not None}
    _refuse_missing(cause, given)
    return cause.scope(book, asked)


def found_again(book: Book, look_back: LookBack) -> Reach | None:
    """What the record says now of an earlier look-back's cause; None: its rounds were named one by one."""
    if look_back.asked is not None and CAUSES[look_back.cause].scope is not None:
        return reach_of(book, look_back.cause, look_back.asked)
    if not look_back.fills:
        return None
    turns = rounds_in_fills(book, look_back.fills, look_back.from_ms, look_back.until_ms)
    rows = described(book, turns)
    return Reach(look_back.text, look_back.from_ms, look_back.until_ms, rows, look_back.fills)


def _refuse_missing(cause: Cause, given: set[str]) -> None:
    missing = [name for name in cause.needs if name not in given]
    if missing:
        raise RefusedError(
            "look-back-asks",
            f"“{cause.said}” needs to know more: {', '.join(WORDS[name] for name in missing)}.",
            "Fill it in, then look again.",
        )
    foreign = sorted(given - {*cause.needs, *cause.may})
    if foreign:
        raise RefusedError(
            "look-back-asks",
            f"“{cause.said}” does not ask for {', '.join(WORDS[name] for name in foreign)}: it would not be looked at.",
            "Leave it out, or choose another cause.",
        )


WORDS = {
    "mec_test": "the MEC test",
    "strip_bottle": "the strip bottle",
    "sensor": "the sensor's id",
    "reference": "the reference thermometer",
    "off_mc": "by how much it was wrong",
    "profile": "the solution profile",
    "lot": "the lot",
    "fill": "the fill",
    "basin": "the basin",
    "node": "the node",
    "device": "the device",
    "person": "the person",
    "software_from": "the first faulty version",
    "software_until": "the version that mends it",
    "from_ms": "since when",
    "until_ms": "until when",
}
"""What can be asked, in words."""
