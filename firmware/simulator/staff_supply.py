"""Solution and strips as the invented staff handle them: received, opened, poured, tested, discarded. Pure."""

from __future__ import annotations

from firmware.simulator.script import DAY_MS
from firmware.simulator.staff_plan import Container, Item, Pour, Strips, Ward
from firmware.simulator.staff_stock import FILL_ML, PROFILE_OF, SHIFTS, SOLUTIONS, Solution, date_text

SOLUTION = {solution.profile: solution for solution in SOLUTIONS}

_SECOND_MS, _MINUTE_MS = 1_000, 60_000
_STRIPS_IN_BOTTLE, _FEWEST_STRIPS = 100, 30
_CONTROLS = 3
_G_PER_ML = 25 / 3_785  # of glycine; rounded up below, so that it is never too little


def needs_pour(ward: Ward, basin: str, until_ms: int) -> bool:
    """Whether the fill of a basin runs out before a moment, or there is none."""
    fill = ward.fills.get(basin)
    return fill is None or fill.poured_ms + SOLUTION[PROFILE_OF[basin]].reuse_days * DAY_MS <= until_ms


def receive(ward: Ward, profile: str, at_ms: int, who: str, count: int) -> list[Item]:
    """Bottles come in, each with a serial number of its own."""
    solution = SOLUTION[profile]
    items = []
    lot = f"L{ward.named.get('B', 0) + 101}"
    for number in range(count):
        name = ward.name("B")
        fields = {
            "gtin": solution.code,
            "lot": lot,
            "expires": date_text(at_ms + 300 * DAY_MS),
            "volume_ml": solution.bottle_ml,
            "serial": f"{name[2:]:0>6}",
        }
        at = at_ms + number * 2 * _SECOND_MS
        items.append(Item(at_ms=at, deed="receive-bottle", who=who, fields=fields, makes=name))
        ward.bottles.setdefault(profile, []).append(Container(name, solution.bottle_ml))
    return items


def pour(ward: Ward, basin: str, at_ms: int, who: str) -> list[Item]:
    """A new fill; more bottles are received first where there are too few."""
    profile = PROFILE_OF[basin]
    solution, wanted_ml = SOLUTION[profile], FILL_ML[basin]
    items: list[Item] = []
    there_ml = sum(bottle.left_ml for bottle in ward.bottles.get(profile, []))
    if there_ml < wanted_ml:
        lacking = -(-(wanted_ml - there_ml) // solution.bottle_ml)
        items += receive(ward, profile, at_ms - 30 * _SECOND_MS, who, lacking + 1)
    taken, opened = _take(ward, profile, wanted_ml)
    if solution.activation:
        items += [
            Item(at_ms=at_ms - 5 * _SECOND_MS, deed="activate-bottle", who=who, fields={"bottle": f"@{name}"})
            for name in opened
        ]
    name = ward.name("F")
    ward.fills[basin] = Pour(name, at_ms, wanted_ml)
    return [*items, Item(at_ms=at_ms, deed="pour-fill", who=who, fields={"basin": basin, "bottles": taken}, makes=name)]


def top_up(ward: Ward, basin: str, at_ms: int, who: str, volume_ml: int) -> list[Item]:
    """A little more of the same; nothing where no bottle holds as much, or it would have to be activated."""
    profile = PROFILE_OF[basin]
    there_ml = sum(bottle.left_ml for bottle in ward.bottles.get(profile, []))
    if SOLUTION[profile].activation or there_ml < volume_ml:
        return []
    fill = ward.fills[basin]
    taken, _ = _take(ward, profile, volume_ml)
    fill.volume_ml += volume_ml
    return [Item(at_ms=at_ms, deed="top-up-fill", who=who, fields={"fill": f"@{fill.name}", "bottles": taken})]


def _take(ward: Ward, profile: str, volume_ml: int) -> tuple[list[dict[str, object]], list[str]]:
    """From which bottles, in order; and which of them were full until now."""
    taken: list[dict[str, object]] = []
    opened = []
    for bottle in ward.bottles[profile]:
        from_it_ml = min(bottle.left_ml, volume_ml)
        if from_it_ml:
            if bottle.left_ml == SOLUTION[profile].bottle_ml:
                opened.append(bottle.name)
            taken.append({"bottle": f"@{bottle.name}", "volume_ml": from_it_ml})
            bottle.left_ml -= from_it_ml
            volume_ml -= from_it_ml
    if SOLUTION[profile].activation:  # what is left of an activated bottle does not wait for the next fill
        for bottle in ward.bottles[profile]:
            if bottle.name in opened:
                bottle.left_ml = 0
    ward.bottles[profile] = [bottle for bottle in ward.bottles[profile] if bottle.left_ml]
    return taken, opened


def discard(ward: Ward, basin: str, at_ms: int, who: str, reason: str) -> list[Item]:
    """The fill goes to the drain, neutralised where that is asked for."""
    fill = ward.fills.pop(basin, None)
    if fill is None:
        return []
    fields: dict[str, object] = {"fill": f"@{fill.name}", "reason": reason}
    if PROFILE_OF[basin] == "opa":
        fields["neutralised_g"] = int(fill.volume_ml * _G_PER_ML) + 5
    else:
        fields["how_neutralised"] = (
            "Its label names no neutraliser: drained with running water, as the house rule says."
        )
    return [Item(at_ms=at_ms, deed="discard-fill", who=who, fields=fields)]


def strips_ready(
    ward: Ward, profile: str, at_ms: int, who: str, *, failing: bool = False, keep_old: bool = False
) -> list[Item]:
    """A bottle of strips with its control tests, unless enough are left.

    Args:
        ward: What the staff know.
        profile: Of which solution.
        at_ms: When.
        who: By whom.
        failing: The first bottle's controls fail: it is thrown away and another opened.
        keep_old: The bottle before is not thrown away: somebody may be about to use it.
    """
    strips, solution = ward.strips.get(profile), SOLUTION[profile]
    if solution.strip is None or (strips and strips.left >= _FEWEST_STRIPS):
        return []
    items = []
    if strips and not keep_old:
        fields = {"strip_bottle": f"@{strips.name}", "reason": "Nearly empty; the rest is not worth a day."}
        items.append(Item(at_ms=at_ms, deed="discard-strip-bottle", who=who, fields=fields))
    if failing:
        items += _open_strips(ward, solution, at_ms + 10 * _SECOND_MS, who, failed=1)
        fields = {"strip_bottle": f"@{ward.strips[profile].name}", "reason": "Its controls did not read as they must."}
        items.append(Item(at_ms=at_ms + 6 * _MINUTE_MS, deed="discard-strip-bottle", who=who, fields=fields))
        at_ms += 7 * _MINUTE_MS
    return [*items, *_open_strips(ward, solution, at_ms + 10 * _SECOND_MS, who)]


def _open_strips(ward: Ward, solution: Solution, at_ms: int, who: str, failed: int = 0) -> list[Item]:
    name = ward.name("S")
    ward.strips[solution.profile] = Strips(name, _STRIPS_IN_BOTTLE - 2 * _CONTROLS)
    received = {
        "profile": solution.profile,
        "lot": f"S{ward.named['S'] + 500}",
        "expires": date_text(at_ms + 200 * DAY_MS),
        "open_days": 90,
        "strip": solution.strip,
        "controls": {"per_control": _CONTROLS, "dilution": "1:1"},
    }
    opened = {"strip_bottle": f"@{name}"}
    controls = opened | {"positives_passed": _CONTROLS, "negatives_failed": _CONTROLS - failed}
    return [
        Item(at_ms=at_ms, deed="receive-strip-bottle", who=who, fields=received, makes=name),
        Item(at_ms=at_ms + 60 * _SECOND_MS, deed="open-strip-bottle", who=who, fields=opened),
        Item(at_ms=at_ms + 5 * _MINUTE_MS, deed="record-controls", who=who, fields=controls),
    ]


def mec_test(ward: Ward, basin: str, dip_ms: int, who: str, result: str = "pass", *, helper: str = "") -> list[Item]:
    """One test, read in the middle of its window; none where nothing is monitored.

    Args:
        ward: What the staff know.
        basin: Where.
        dip_ms: When the strip goes in.
        who: Who reads it.
        result: What it says; "late" if nobody reads it in time.
        helper: Somebody who tries to read it first, and may not.
    """
    profile = PROFILE_OF[basin]
    strip, strips = SOLUTION[profile].strip, ward.strips.get(profile)
    if strip is None or strips is None:
        return []
    strips.left -= 1
    name = ward.name("M")
    dipped = {"fill": f"@{ward.fills[basin].name}", "strip_bottle": f"@{strips.name}"}
    items = [Item(at_ms=dip_ms, deed="begin-mec-test", who=helper or who, fields=dipped, makes=name)]
    out_ms = dip_ms + strip["dip_ms"]
    read_ms = out_ms + (strip["read_from_ms"] + strip["read_until_ms"]) // 2
    read = {"test": f"@{name}", "result": "pass" if result == "late" else result}
    if result == "late":
        read_ms = out_ms + strip["read_until_ms"] + 20 * _SECOND_MS
        given_up = {"test": f"@{name}"}
        return [
            *items,
            Item(at_ms=read_ms, deed="read-mec-test", who=who, fields=read, may=("read-too-late",)),
            Item(at_ms=read_ms + _SECOND_MS, deed="abandon-mec-test", who=who, fields=given_up),
        ]
    if helper:
        items.append(Item(at_ms=read_ms - 5_000, deed="read-mec-test", who=helper, fields=read, may=("colour-vision",)))
    return [*items, Item(at_ms=read_ms, deed="read-mec-test", who=who, fields=read)]


def reader(basin: str) -> str:
    """Who reads strips in a room: the first of its shift."""
    return SHIFTS[basin.partition("/")[0]][0]
