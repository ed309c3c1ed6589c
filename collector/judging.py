"""Verdicts kept, and closures judged again when something has become known of them."""

from __future__ import annotations

from collections.abc import Sequence

from collector.assessor import Assessor, Ended
from collector.readings import stored_pieces
from collector.required import Required
from collector.store import Store, StreamRow
from soak.ranges import Ranges


def keep(store: Store, row: StreamRow, ended: Ended) -> None:
    """Keep a verdict; an earlier one on the same readings is superseded, the same one is not repeated."""
    closure = ended.closure
    standing = store.standing_closures(row.id, closure.first, closure.last)
    if any(known == closure for _, known in standing):
        return
    store.add_closure(row, ended, [known_id for known_id, _ in standing])


def reach_back(store: Store, row: StreamRow, stored: Ranges, first: int) -> int:
    """From a closure that nobody saw begin back to the last open lid.

    What was in force then may judge it after a loss; and where a pause parts two closures, the requirement of the
    earlier one says that it does.
    """
    while before := stored.before(first):
        earlier = [closure.first for _, closure in store.standing_closures(row.id, before, before)]
        if not earlier:
            break
        first = earlier[0]
    return first


def judge_again(store: Store, row: StreamRow, required: Sequence[Required], first: int, last: int) -> None:
    """Judge an ended closure again, of which only the requirement has changed.

    Args:
        store: In one of its transactions.
        row: The closure's stream.
        required: What is required of its basin, oldest first.
        first: Number of its first reading.
        last: Number of its last.

    Raises:
        DamagedPageError: A page is not what was sealed.
    """
    stored = store.stored(row.id)
    before = stored.before(reach_back(store, row, stored, first)) or 0
    assessor = Assessor(required, discard_to=before)
    for piece in stored_pieces(store.db, row.id, from_number=max(before, 1)):
        start = 0
        while start < len(piece.readings):
            start, ended = assessor.run(piece, start, len(piece.readings))
            if ended:
                keep(store, row, ended)
            number = piece.first + start - 1
            if number > last and (assessor.running_first is None or assessor.running_first > last):
                return
    if ended := assessor.end():  # the stream ends with it
        keep(store, row, ended)
