"""When a device may be released: each clause both ways, whole texts, and the clauses stated again in other words."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from soak.closure import Verdict
from soak.releasable import RULES, Missing, releasable
from soak.roundfacts import Facts, FillFact, Lay, MecFact, RinseFact

SECOND, MINUTE = 1_000, 60_000
CLOSING, OPENED = 100 * MINUTE, 112 * MINUTE
OUT = OPENED + 10 * SECOND

LAY = Lay(CLOSING, OPENED, Verdict.MET, CLOSING - 20 * SECOND, OUT)
MEC = MecFact("F1", passed=True, for_this_use=True, dipped_ms=90 * MINUTE, read_ms=92 * MINUTE)
FILL = FillFact("F1", poured_ms=50 * MINUTE, changed_ms=60 * MINUTE, use_by_ms=OPENED)
RINSES = tuple(RinseFact(OPENED + n * MINUTE, OPENED + (n + 1) * MINUTE, fresh=True) for n in (1, 2, 3))
DRIED = OPENED + 14 * MINUTE

GOOD = Facts(
    device="A1",
    required_steps=("leak test", "clean"),
    steps={"leak test": 80 * MINUTE, "clean": CLOSING},
    profile="opa",
    permitted_profiles=("opa",),
    kind="gastroscope",
    excluded_kinds=("urological",),
    mec=MEC,
    fill=FILL,
    soak=LAY,
    rinses=RINSES,
    rinse_count=3,
    rinse_ms=MINUTE,
    dried_ms=DRIED,
    dry_ms=10 * MINUTE,
)

REPROCESS = "Do not use it. Begin a new round with it: cleaning, soak, rinses."


def missing(**changes: Any) -> list[tuple[str, str, str]]:
    """What is missing after a change to facts that had everything."""
    return [(each.rule, each.text, each.next_step) for each in releasable(replace(GOOD, **changes))]


def lay(**changes: Any) -> list[tuple[str, str, str]]:
    return missing(soak=replace(LAY, **changes))


def mec(**changes: Any) -> list[tuple[str, str, str]]:
    return missing(mec=replace(MEC, **changes))


def fill(**changes: Any) -> list[tuple[str, str, str]]:
    return missing(fill=replace(FILL, **changes))


def test_everything_at_its_limit_is_releasable() -> None:
    """A step at the closing, a use-by at the opening, rinses and drying of exactly their time: equality is enough."""
    assert missing() == []
    assert lay(in_ms=CLOSING, out_ms=OPENED) == []
    assert lay(in_ms=CLOSING, out_ms=None) == []
    assert mec(dipped_ms=FILL.changed_ms, read_ms=CLOSING) == []
    assert fill(poured_ms=CLOSING, failed_ms=OPENED + 1, gone_ms=OPENED) == []


def test_nothing_is_on_record() -> None:
    """Every clause that can be asked of a round that has only begun."""
    assert releasable(Facts(device="A1", required_steps=("clean",))) == (
        Missing(
            "steps", "A1: the step 'clean' is not on record.", "Whoever did it attests it before the lid is closed."
        ),
        Missing("profile", "A1: it has been in no solution.", "Soak it first."),
        Missing("mec-test", "A1: no MEC test cleared its load.", "Test the fill, then start the load."),
        Missing("fill-in-date", "A1: it has been in no fill.", "Soak it first."),
        Missing(
            "soak",
            "A1: there is no closure that it lay in from the closing to the opening.",
            "Soak it, lid closed, for the whole contact time.",
        ),
        Missing(
            "rinses",
            "A1: nobody has entered how the solution is rinsed off.",
            "Enter it in the solution profile from the label.",
        ),
        Missing("dried", "A1: its drying is not on record.", "Dry it, then attest it."),
    )


def test_each_step_must_be_on_record_before_the_closing() -> None:
    assert missing(steps={"clean": CLOSING}) == [("steps", "A1: the step 'leak test' is not on record.", REPROCESS)]
    assert missing(steps={"leak test": CLOSING + 61 * SECOND, "clean": CLOSING + 1}) == [
        ("steps", "A1: the step 'leak test' was recorded 1 min 1 s after the lid was closed.", REPROCESS),
        ("steps", "A1: the step 'clean' was recorded 1 ms after the lid was closed.", REPROCESS),
    ]
    assert missing(required_steps=(), steps={}) == []


def test_the_solution_must_be_permitted() -> None:
    text = "A1: its device type does not permit the solution 'opa'."
    assert missing(permitted_profiles=("glutaral",)) == [("profile", text, REPROCESS)]
    assert missing(kind="urological") == [
        (
            "profile",
            "A1: the label of 'opa' excludes urological devices.",
            "Do not use it. Quarantine it, or begin a new round with it.",
        )
    ]


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"fill": "F2"}, "the MEC test was on fill F2, not on the one that it soaked in."),
        ({"passed": False}, "the MEC test of its load did not pass."),
        ({"read_ms": None}, "the MEC test of its load did not pass."),
        (
            {"proven": False},
            "the strips of its MEC test turned out to prove nothing (past their use-by, or controls that failed).",
        ),
        ({"for_this_use": False}, "the MEC test of its load does not count for this use."),
        ({"dipped_ms": FILL.changed_ms - 1}, "solution was added to the fill after the MEC test."),
        ({"read_ms": CLOSING + MINUTE}, "the MEC test was read 1 min after the lid was closed."),
        ({"read_ms": CLOSING + 1}, "the MEC test was read 1 ms after the lid was closed."),
    ],
)
def test_the_mec_test_must_be_of_this_use(changes: dict[str, Any], why: str) -> None:
    assert mec(**changes) == [("mec-test", f"A1: {why}", REPROCESS)]


def test_no_mec_test_at_all() -> None:
    assert missing(mec=None) == [("mec-test", "A1: no MEC test cleared its load.", REPROCESS)]
    assert missing(mec=None, mec_needed=False) == []


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"poured_ms": CLOSING + MINUTE}, "fill F1 was poured 1 min after the lid was closed."),
        ({"use_by_ms": OPENED - SECOND}, "fill F1 ran out 1 s before the lid was opened."),
        ({"failed_ms": OPENED}, "a MEC test of fill F1 failed before the lid was opened."),
        ({"gone_ms": OPENED - 1}, "fill F1 was discarded before the lid was opened."),
    ],
)
def test_the_fill_must_hold_until_the_opening(changes: dict[str, Any], why: str) -> None:
    assert fill(**changes) == [("fill-in-date", f"A1: {why}", REPROCESS)]


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"use_by_ms": OUT - SECOND}, "fill F1 ran out 1 s before anything shows that the lid was opened."),
        ({"failed_ms": OUT}, "a MEC test of fill F1 failed before anything shows that the lid was opened."),
        ({"gone_ms": OUT - 1}, "fill F1 was discarded before anything shows that the lid was opened."),
    ],
)
def test_an_opening_that_nobody_saw_was_as_late_as_it_can_have_been(changes: dict[str, Any], why: str) -> None:
    unseen = replace(LAY, unseen_until_ms=OUT)
    assert missing(soak=unseen, fill=replace(FILL, use_by_ms=OUT)) == []
    assert missing(soak=unseen, fill=replace(FILL, **{"use_by_ms": OUT, **changes})) == [
        ("fill-in-date", f"A1: {why}", REPROCESS)
    ]


@pytest.mark.parametrize(
    ("changes", "why", "next_step"),
    [
        ({"in_ms": CLOSING + 1}, "it did not lay in one closure from the closing to the opening.", REPROCESS),
        ({"out_ms": OPENED - 1}, "it did not lay in one closure from the closing to the opening.", REPROCESS),
        ({"verdict": Verdict.NOT_MET}, "its soak is not met.", REPROCESS),
        ({"verdict": Verdict.UNPROVEN}, "its soak is unproven.", REPROCESS),
        ({"verdict": Verdict.RUNNING}, "its soak is running.", "Keep the lid closed until the time is over."),
        (
            {"outdated": True},
            "its soak was judged by less than the label asks for as it stands on file now.",
            "Wait until the collector has judged it again; if it stays so, see that it runs.",
        ),
    ],
)
def test_the_soak_must_be_met_by_one_closure(changes: dict[str, Any], why: str, next_step: str) -> None:
    assert lay(**changes) == [("soak", f"A1: {why}", next_step)]


@pytest.mark.parametrize(
    "spoilt",
    [
        {"fresh": False},
        {"ended_ms": RINSES[1].began_ms + MINUTE - 1},
        {"began_ms": OPENED - 1, "ended_ms": OPENED + MINUTE},
    ],
    ids=["water used before", "too short", "before the opening"],
)
def test_each_rinse_must_count(spoilt: dict[str, Any]) -> None:
    rinses = (RINSES[0], replace(RINSES[1], **spoilt), RINSES[2])
    again = "Rinse it again, each time in fresh water, and time each rinse."
    text = "A1: 2 of 3 rinses in fresh water of at least 1 min are on record."
    assert missing(rinses=rinses) == [("rinses", text, again)]
    assert missing(rinses=(*rinses, RINSES[2])) == []


def test_rinses_without_a_least_time() -> None:
    again = "Rinse it again, each time in fresh water, and time each rinse."
    text = "A1: 0 of 1 rinses in fresh water are on record."
    assert missing(rinses=(), rinse_count=1, rinse_ms=0) == [("rinses", text, again)]
    assert missing(rinses=(), rinse_count=0) == []


def test_drying_comes_after_the_last_rinse_and_takes_its_time() -> None:
    attest = "Dry it, then attest it."
    assert missing(dried_ms=None) == [("dried", "A1: its drying is not on record.", attest)]
    late = ("dried", "A1: it was rinsed after its drying was recorded.", "Dry it again, then attest it.")
    assert missing(dried_ms=RINSES[-1].ended_ms - 1, dry_ms=0) == [late]  # type: ignore[operator]
    assert missing(rinses=(*RINSES, RinseFact(DRIED + 1, None, fresh=True))) == [late]
    took = "A1: it was dried for 9 min 59 s; its type asks for at least 10 min."
    assert missing(dried_ms=DRIED - SECOND) == [("dried", took, "Dry it longer, then attest it again.")]


def test_quarantine_and_look_backs_hold_it() -> None:
    assert missing(quarantine="dropped") == [
        (
            "quarantine",
            "A1: it is in quarantine (dropped).",
            "Do what the quarantine asks for; a supervisor lifts it.",
        )
    ]
    frees = "A supervisor concludes the look-back, or frees it once it was reprocessed."
    assert missing(look_backs=("K1", "K2")) == [
        ("look-back", "A1: look-back K1 holds it.", frees),
        ("look-back", "A1: look-back K2 holds it.", frees),
    ]


def test_every_rule_is_described() -> None:
    """And in the order in which they are reported."""
    nothing = Facts(device="A1", required_steps=("clean",), quarantine="x", look_backs=("K1",))
    assert [each.rule for each in releasable(nothing)] == list(RULES)


# The clauses again, in the words of somebody who reads the design and not the code.

near = st.integers(-2, 2)


@st.composite
def rounds(draw: st.DrawFn) -> Facts:
    """Rounds near every limit: mostly right, so that all clauses hold often enough."""
    seldom = st.sampled_from([False] * 11 + [True])

    def off(ms: int) -> int:
        return ms + (draw(near) if draw(seldom) else 0)

    closing, opened = 1_000, 2_000
    soak = Lay(
        closing,
        opened,
        draw(st.sampled_from(list(Verdict))) if draw(seldom) else Verdict.MET,
        off(closing),
        None if draw(seldom) else off(opened),
        outdated=draw(seldom),
        unseen_until_ms=draw(st.integers(opened, opened + 3)) if draw(seldom) else None,
    )
    mec_test = MecFact(
        "F2" if draw(seldom) else "F1",
        not draw(seldom),
        not draw(seldom),
        off(500),
        None if draw(seldom) else off(1_000),
        proven=not draw(seldom),
    )
    poured = FillFact(
        "F1",
        off(1_000),
        500,
        off(2_000),
        off(2_001) if draw(seldom) else None,
        off(2_000) if draw(seldom) else None,
    )
    rinses = tuple(RinseFact(off(2_000), None if draw(seldom) else off(2_060), not draw(seldom)) for _ in range(3))
    return Facts(
        device="A1",
        required_steps=("a", "b"),
        steps={name: off(1_000) for name in ("a", "b") if not draw(seldom)},
        profile="" if draw(seldom) else "opa",
        permitted_profiles=("opa", "") if not draw(seldom) else ("other",),
        kind="urological" if draw(seldom) else "x",
        excluded_kinds=("urological",),
        mec_needed=not draw(seldom),
        mec=None if draw(seldom) else mec_test,
        fill=None if draw(seldom) else poured,
        soak=None if draw(seldom) else soak,
        rinses=rinses,
        rinse_count=None if draw(seldom) else draw(st.sampled_from([2, 3, 3])),
        rinse_ms=58,
        dried_ms=None if draw(seldom) else off(2_070),
        dry_ms=8,
        quarantine="why" if draw(seldom) else "",
        look_backs=("K1",) if draw(seldom) else (),
    )


def every_clause_holds(facts: Facts) -> bool:
    """The design's paragraph, read aloud."""
    soak, mec_test, poured = facts.soak, facts.mec, facts.fill
    if soak is None or poured is None or facts.dried_ms is None or facts.rinse_count is None:
        return False
    steps_before = all(name in facts.steps and facts.steps[name] <= soak.closing_ms for name in facts.required_steps)
    allowed = bool(facts.profile) and facts.profile in facts.permitted_profiles and facts.kind != "urological"
    tested = not facts.mec_needed or (
        mec_test is not None
        and mec_test.passed
        and mec_test.for_this_use
        and mec_test.proven
        and mec_test.fill == poured.id
        and mec_test.read_ms is not None
        and mec_test.read_ms <= soak.closing_ms
        and mec_test.dipped_ms >= poured.changed_ms
    )
    latest_ms = soak.opened_ms if soak.unseen_until_ms is None else soak.unseen_until_ms
    in_date = (
        poured.poured_ms <= soak.closing_ms
        and poured.use_by_ms >= latest_ms
        and not (poured.failed_ms is not None and poured.failed_ms <= latest_ms)
        and not (poured.gone_ms is not None and poured.gone_ms < latest_ms)
    )
    met = (
        soak.verdict is Verdict.MET
        and not soak.outdated
        and soak.in_ms <= soak.closing_ms
        and not (soak.out_ms is not None and soak.out_ms < soak.opened_ms)
    )
    good = 0
    for rinse in facts.rinses:
        if rinse.ended_ms is None:
            return False
        if rinse.fresh and rinse.began_ms >= soak.opened_ms and rinse.ended_ms - rinse.began_ms >= facts.rinse_ms:
            good += 1
        if facts.dried_ms - rinse.ended_ms < facts.dry_ms:
            return False
    free = facts.quarantine == "" and facts.look_backs == ()
    return steps_before and allowed and tested and in_date and met and good >= facts.rinse_count and free


@settings(max_examples=1_000)
@given(rounds())
def test_releasable_exactly_when_every_clause_holds(facts: Facts) -> None:
    assert (releasable(facts) == ()) is every_clause_holds(facts)
