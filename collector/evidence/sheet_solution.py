"""The solution of a disinfection record and its MEC test. Declared and printed on labels, not measured."""

from __future__ import annotations

from collector.evidence.called import Called
from collector.evidence.soak_facts import Facts
from collector.evidence.times import Times
from collector.record.things import Bottle, MecResult, MecTest, StripBottle

Pair = tuple[str, str]


def solution_of(facts: Facts, called: Called, times: Times) -> list[Pair]:
    """Of the fill: (what, figure); nothing where no load is on record."""
    if facts.load is None:
        return []
    fill, profile = facts.fill, facts.profile
    if fill is None:
        return [("Fill", "not on record")]
    found = [(f"Fill {fill.id}", f"poured {times.near(fill.poured_ms)} by {called.who(fill.poured_by)}")]
    if profile is not None:
        claim = f", claim for {profile.jurisdiction}" if profile.jurisdiction else ""
        found.append(("Solution", f"{profile.name}{claim}, profile revision {profile.revision}"))
        if profile.confirmed:
            label = profile.confirmed
            found.append(
                (
                    "Label",
                    f"revision {label.label_revision}, dated {label.label_date or 'not printed'}, lot {label.lot}; "
                    f"compared by {called.who(label.by)} {times.near(label.at_ms)}",
                )
            )
        else:
            found.append(("Label", "the profile is not confirmed against a label"))
    bottles = {each.id: each for each in facts.bottles}
    for index, each in enumerate(fill.poured):
        what = "Poured" if index == 0 else "Topped up"
        found.append(
            (
                what,
                f"{each.volume_ml} ml, lot {each.lot}, bottle {each.bottle}{_bottle(bottles.get(each.bottle), times)}; "
                f"{called.who(each.by)} {times.near(each.at_ms)}",
            )
        )
    past = "; past it at the last reading" if fill.use_by_ms < facts.judged.row.last_ms else ""
    found.append(("Use by", f"{times.near(fill.use_by_ms)} ({fill.use_by_why}){past}"))
    if fill.failed_ms is not None:
        found.append(("Out of use", f"since {times.near(fill.failed_ms)}: a MEC test failed"))
    if fill.discarded:
        gone = fill.discarded
        found.append(("Discarded", f"{times.near(gone.at_ms)} by {called.who(gone.by)}: {gone.reason}"))
    return found


def _bottle(bottle: Bottle | None, times: Times) -> str:
    if bottle is None:
        return " (not on file)"
    opened = "" if bottle.opened_ms is None else f", opened {times.near(bottle.opened_ms)}"
    activated = "" if bottle.activated_ms is None else f", activated {times.near(bottle.activated_ms)}"
    return f" (expires {bottle.expires}{opened}{activated})"


def test_of(facts: Facts, called: Called, times: Times) -> list[Pair]:
    """Of the MEC test that cleared the load, its strips and their control tests: (what, figure)."""
    if facts.load is None:
        return []
    test, profile = facts.test, facts.profile
    if test is None:
        if profile is not None and not profile.mec_monitored:
            return [("MEC test", "not part of this solution's use")]
        return [("MEC test", "none cleared the load"), *_others(facts, called, times)]
    found = [(f"MEC test {test.id}", _result(test, called, times))]
    if profile is not None and profile.mec:
        found.append(("MEC", profile.mec))
    found += _strips(facts.strips, test, called, times)
    return [*found, *_others(facts, called, times)]


def _result(test: MecTest, called: Called, times: Times) -> str:
    result = test.result.value if test.result else "not read"
    if test.result is MecResult.DOUBTFUL:
        result = "doubtful, which is a fail"
    text = f"{result}; dipped {times.near(test.dipped_ms)} by {called.who(test.by)}"
    if test.read_ms is not None:
        inside = test.read_from_ms <= test.read_ms <= test.read_until_ms
        window = "within the strip's window" if inside else "outside the strip's window"
        screened = "" if test.screened else "; no passed colour screening of the reader was on file"
        text += f", read {times.near(test.read_ms)} by {called.who(test.read_by)}, {window}{screened}"
    return text


def _strips(strips: StripBottle | None, test: MecTest, called: Called, times: Times) -> list[Pair]:
    if strips is None:
        return [("Strip bottle", f"{test.strip_bottle}, not on file")]
    opened = "not opened on record" if strips.opened_ms is None else f"opened {times.near(strips.opened_ms)}"
    found = [("Strip bottle", f"{strips.id}, lot {strips.lot}, expires {strips.expires}, {opened}")]
    if strips.no_controls_why:
        found.append(("Control tests", f"none asked for: {strips.no_controls_why}"))
    elif not strips.control_results:
        found.append(("Control tests", "none on record"))
    for each in strips.control_results:
        word = "passed" if each.passed else "failed"
        found.append(
            (
                "Control tests",
                f"{word}: {each.positives_passed} read as passing in full strength, {each.negatives_failed} as failing "
                f"in the dilution ({strips.controls.dilution or 'dilution not given'}); {called.who(each.by)} "
                f"{times.near(each.at_ms)}",
            )
        )
    return found


def _others(facts: Facts, called: Called, times: Times) -> list[Pair]:
    """Tests of the fill that failed before the soak ended: a repeat never erases one."""
    failed = [
        each
        for each in facts.tests
        if each.result in (MecResult.FAIL, MecResult.DOUBTFUL) and each.dipped_ms <= facts.judged.row.last_ms
    ]
    return [
        (f"MEC test {each.id}", f"{each.result}; {times.near(each.dipped_ms)} by {called.who(each.by)}")
        for each in failed
        if facts.test is None or each.id != facts.test.id
    ]
