"""Whether a device may be released: every clause holds, or what is missing says what to do.

Nothing here knows of an override: a load that a supervisor let start although its basin was not ready is asked the same
as any other.
"""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from soak.closure import Verdict
from soak.quantity import in_words
from soak.roundfacts import Facts, RinseFact

_REPROCESS = "Do not use it. Begin a new round with it: cleaning, soak, rinses."
_QUARANTINE = "Do not use it. Quarantine it, or begin a new round with it."


class Missing(msgspec.Struct, frozen=True):
    """One clause that does not hold.

    Attributes:
        rule: Its name, one of `RULES`.
        text: What is missing, with figures.
        next_step: What to do about it.
    """

    rule: str
    text: str
    next_step: str


RULES = {
    "steps": "Its pre-soak steps were on record before the lid was closed.",
    "profile": "Its type permits the solution, and the solution does not exclude its kind.",
    "mec-test": "A MEC test on this fill passed for this use before the lid was closed.",
    "fill-in-date": "The fill was in its basin, in date and not failed from the closing to the opening.",
    "soak": "One closure that it lay in from the closing to the opening met the requirement.",
    "rinses": "Its rinses are complete.",
    "dried": "Its drying is on record.",
    "quarantine": "It is not in quarantine.",
    "look-back": "No open look-back holds it.",
}
"""Every clause, in the order in which they are looked at."""


def releasable(facts: Facts) -> tuple[Missing, ...]:
    """What is missing before a device may be released, in the order of `RULES`; empty: it may be released."""
    return tuple(missing for clause in _CLAUSES for missing in clause(facts))


def rinses_that_count(facts: Facts) -> tuple[RinseFact, ...]:
    """Rinses in fresh water, ended, long enough, and begun after the lid was opened."""
    opened_ms = facts.soak.opened_ms if facts.soak else None
    return tuple(
        rinse
        for rinse in facts.rinses
        if rinse.fresh
        and rinse.ended_ms is not None
        and rinse.ended_ms - rinse.began_ms >= facts.rinse_ms
        and (opened_ms is None or rinse.began_ms >= opened_ms)
    )


def _steps(facts: Facts) -> Iterator[Missing]:
    for step in facts.required_steps:
        recorded_ms = facts.steps.get(step)
        if recorded_ms is None:
            yield Missing("steps", f"{facts.device}: the step {step!r} is not on record.", _before(facts))
        elif facts.soak and recorded_ms > facts.soak.closing_ms:
            late = in_words(recorded_ms - facts.soak.closing_ms)
            text = f"{facts.device}: the step {step!r} was recorded {late} after the lid was closed."
            yield Missing("steps", text, _REPROCESS)


def _before(facts: Facts) -> str:
    return _REPROCESS if facts.soak else "Whoever did it attests it before the lid is closed."


def _profile(facts: Facts) -> Iterator[Missing]:
    if not facts.profile:
        yield Missing("profile", f"{facts.device}: it has been in no solution.", "Soak it first.")
    elif facts.profile not in facts.permitted_profiles:
        text = f"{facts.device}: its device type does not permit the solution {facts.profile!r}."
        yield Missing("profile", text, _REPROCESS)
    elif facts.kind in facts.excluded_kinds:
        text = f"{facts.device}: the label of {facts.profile!r} excludes {facts.kind} devices."
        yield Missing("profile", text, _QUARANTINE)


def _mec_test(facts: Facts) -> Iterator[Missing]:
    why = next(_mec_lacks(facts), None) if facts.mec_needed else None
    if why:
        yield Missing("mec-test", f"{facts.device}: {why}", _before_soak(facts))


def _before_soak(facts: Facts) -> str:
    return _REPROCESS if facts.soak else "Test the fill, then start the load."


def _mec_lacks(facts: Facts) -> Iterator[str]:
    mec, fill, soak = facts.mec, facts.fill, facts.soak
    if mec is None:
        yield "no MEC test cleared its load."
        return
    if fill is None or mec.fill != fill.id:
        yield f"the MEC test was on fill {mec.fill}, not on the one that it soaked in."
    elif mec.dipped_ms < fill.changed_ms:
        yield "solution was added to the fill after the MEC test."
    if mec.read_ms is None or not mec.passed:
        yield "the MEC test of its load did not pass."
    elif not mec.proven:
        yield "the strips of its MEC test turned out to prove nothing (past their use-by, or controls that failed)."
    elif soak and mec.read_ms > soak.closing_ms:
        yield f"the MEC test was read {in_words(mec.read_ms - soak.closing_ms)} after the lid was closed."
    if not mec.for_this_use:
        yield "the MEC test of its load does not count for this use."


def _fill(facts: Facts) -> Iterator[Missing]:
    why = next(_fill_lacks(facts), None)
    if why:
        yield Missing("fill-in-date", f"{facts.device}: {why}", _REPROCESS if facts.fill else "Soak it first.")


def _fill_lacks(facts: Facts) -> Iterator[str]:
    fill, soak = facts.fill, facts.soak
    if fill is None:
        yield "it has been in no fill."
    if fill is None or soak is None:
        return
    if fill.poured_ms > soak.closing_ms:
        yield f"fill {fill.id} was poured {in_words(fill.poured_ms - soak.closing_ms)} after the lid was closed."
    opened_ms = soak.opened_by_ms
    opened = "the lid was opened" if soak.unseen_until_ms is None else "anything shows that the lid was opened"
    if opened_ms > fill.use_by_ms:
        yield f"fill {fill.id} ran out {in_words(opened_ms - fill.use_by_ms)} before {opened}."
    if fill.failed_ms is not None and fill.failed_ms <= opened_ms:
        yield f"a MEC test of fill {fill.id} failed before {opened}."
    if fill.gone_ms is not None and fill.gone_ms < opened_ms:
        yield f"fill {fill.id} was discarded before {opened}."


def _soak(facts: Facts) -> Iterator[Missing]:
    soak = facts.soak
    if soak is None:
        text = f"{facts.device}: there is no closure that it lay in from the closing to the opening."
        yield Missing("soak", text, "Soak it, lid closed, for the whole contact time.")
    elif not soak.throughout():
        text = f"{facts.device}: it did not lay in one closure from the closing to the opening."
        yield Missing("soak", text, _REPROCESS)
    elif soak.verdict is Verdict.RUNNING:
        yield Missing("soak", f"{facts.device}: its soak is running.", "Keep the lid closed until the time is over.")
    elif soak.verdict is not Verdict.MET:
        yield Missing("soak", f"{facts.device}: its soak is {soak.verdict.value}.", _REPROCESS)
    elif soak.outdated:
        text = f"{facts.device}: its soak was judged by less than the label asks for as it stands on file now."
        yield Missing("soak", text, "Wait until the collector has judged it again; if it stays so, see that it runs.")


def _rinses(facts: Facts) -> Iterator[Missing]:
    counted = len(rinses_that_count(facts))
    if facts.rinse_count is None:
        text = f"{facts.device}: nobody has entered how the solution is rinsed off."
        yield Missing("rinses", text, "Enter it in the solution profile from the label.")
    elif counted < facts.rinse_count:
        least = f" of at least {in_words(facts.rinse_ms)}" if facts.rinse_ms else ""
        text = f"{facts.device}: {counted} of {facts.rinse_count} rinses in fresh water{least} are on record."
        yield Missing("rinses", text, "Rinse it again, each time in fresh water, and time each rinse.")


def _dried(facts: Facts) -> Iterator[Missing]:
    ends = [rinse.ended_ms for rinse in facts.rinses if rinse.ended_ms is not None]
    since_ms = max(ends, default=facts.soak.opened_ms if facts.soak else None)
    running = any(rinse.ended_ms is None for rinse in facts.rinses)
    if facts.dried_ms is None:
        yield Missing("dried", f"{facts.device}: its drying is not on record.", "Dry it, then attest it.")
    elif running or (since_ms is not None and facts.dried_ms < since_ms):
        text = f"{facts.device}: it was rinsed after its drying was recorded."
        yield Missing("dried", text, "Dry it again, then attest it.")
    elif since_ms is not None and facts.dried_ms - since_ms < facts.dry_ms:
        took = in_words(facts.dried_ms - since_ms)
        text = f"{facts.device}: it was dried for {took}; its type asks for at least {in_words(facts.dry_ms)}."
        yield Missing("dried", text, "Dry it longer, then attest it again.")


def _quarantine(facts: Facts) -> Iterator[Missing]:
    if facts.quarantine:
        text = f"{facts.device}: it is in quarantine ({facts.quarantine})."
        yield Missing("quarantine", text, "Do what the quarantine asks for; a supervisor lifts it.")


def _look_back(facts: Facts) -> Iterator[Missing]:
    for look_back in facts.look_backs:
        text = f"{facts.device}: look-back {look_back} holds it."
        yield Missing("look-back", text, "A supervisor concludes the look-back, or frees it once it was reprocessed.")


_CLAUSES = (_steps, _profile, _mec_test, _fill, _soak, _rinses, _dried, _quarantine, _look_back)
