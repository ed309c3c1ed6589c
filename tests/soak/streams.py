"""Random streams for the property tests, drawn close to every limit: at it, one count beside it, unknown."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

from hypothesis import strategies as st
from oracle import Force, Need, Row, Terms

SENSORS = ("28-00000000000a", "28-00000000000b", "28-00000000000c")
MIN_MC = 20_000

_STEPS = [1] * 18 + [2, 5]
_LIDS = [True] * 7 + [False]
_MOST = 2**24 - 1  # hypothesis draws larger ones mostly small: then the last sensors would always be the same


@dataclass(frozen=True)
class Case:
    """One stream and what it is judged by."""

    rows: list[Row]
    force: Force
    newer_stream: bool

    @property
    def need(self) -> Need:
        assert self.force.need is not None
        return self.force.need


@st.composite
def cases(
    draw: st.DrawFn, *, most: int = 14, maximum: bool | None = None, lost: bool = True, newer: bool | None = None
) -> Case:
    """A stream with its requirement; `maximum` and `newer` fix whether there is a maximum and a newer stream.

    Each reading is drawn as one whole number, which picks from lists of what may happen: that is ten times faster than
    to draw each of its parts, and so the same minute sees ten times as many streams.
    """
    gap_ms = draw(st.sampled_from([5_000, 1_000, 1]))
    sensors = {sensor: draw(_TERMS) for sensor in SENSORS[: draw(st.sampled_from([1, 1, 2, 3]))]}
    # Wide enough for the U of most sensors, sometimes not: then nothing can be in range.
    above_mc = draw(st.sampled_from([3_000, 2_500, 1_200, 0])) if maximum is not False else None
    max_mc = None if above_mc is None or (maximum is None and draw(st.booleans())) else MIN_MC + above_mc
    number, ms = draw(st.sampled_from([(0, 0), (0, 7_777), (6, 0)]))
    moves = list(product(_LIDS, _pauses(gap_ms), _STEPS if lost else [1]))
    choices = [_temperatures(terms, max_mc) for terms in sensors.values()]
    rows: list[Row] = []
    for code in draw(st.lists(_CODES, min_size=1, max_size=most)):
        rest, move = divmod(code, len(moves))
        closed, pause_ms, step = moves[move]
        number, ms = number + step, ms + pause_ms
        mc: dict[str, int | None] = {}
        for sensor, indicated in zip(sensors, choices, strict=True):
            rest, choice = divmod(rest, len(indicated))
            mc[sensor] = indicated[choice]
        rows.append(Row(number, ms, closed, mc))
    contact_ms = draw(st.sampled_from(_contact_times(rows)))
    newer_stream = draw(st.booleans()) if newer is None else newer
    return Case(rows, Force(Need(MIN_MC, contact_ms, max_mc, gap_ms), sensors), newer_stream)


_CODES = st.integers(0, _MOST)
_TERMS = st.sampled_from([Terms(u, correction) for u in (0, 579, 1, 1_000) for correction in (0, 0, -250, 100)])


def _pauses(gap_ms: int) -> list[int]:
    if gap_ms == 1:
        return [1, 1, 1, 2]
    return [gap_ms, gap_ms, gap_ms, gap_ms // 2 + 1, gap_ms // 3 + 1, 1, 1, gap_ms - 1, gap_ms + 1]


def _temperatures(terms: Terms, max_mc: int | None) -> list[int | None]:
    """Indications: the margin at the limit or beside it, about the bare minimum, about the maximum, or none."""
    least = MIN_MC + terms.u_mc - terms.correction_mc
    bare = MIN_MC - terms.correction_mc
    warm = [least, least + 1, least + 40, least + 90, least + 90, least + 300]
    indicated: list[int | None] = [*warm, least - 1, least - 70, bare, bare - 1, None, None]
    if max_mc is not None:
        highest = max_mc - terms.correction_mc
        indicated += [highest - terms.u_mc, highest - terms.u_mc + 1, highest, highest + 1]
    return indicated


def _contact_times(rows: list[Row]) -> list[int]:
    """Exactly as long as some pair of the stream's readings is apart, or one millisecond beside it."""
    apart = {later.ms - earlier.ms for i, earlier in enumerate(rows) for later in rows[i + 1 :]} or {1_000}
    return sorted({max(1, ms + off) for ms in apart for off in (-1, 0, 1)})
