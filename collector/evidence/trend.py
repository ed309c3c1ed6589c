"""The trend of a soak as a drawing for paper (SVG): black ink, gaps as gaps, a dip of one reading survives. Pure.

Drawn with whole numbers only, so that the same readings give the same bytes on every machine.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from collector.evidence.sealed import Taken, thousandths
from soak.reading import Lid
from soak.requirement import MAX_GAP_MS, SensorTerms

WIDTH, HEIGHT = 1740, 560
"""In tenths of a millimetre."""

_LEFT, _RIGHT, _TOP, _BOTTOM = 120, 1730, 62, 430
_LID_TOP, _LID_BOTTOM = 450, 474
_BUCKETS = 500
_DASHES = ("", "14 7", "4 6", "20 6 4 6")
_STEPS_MC = (100, 200, 500, 1_000, 2_000, 5_000, 10_000, 20_000)
_STEPS_MS = tuple(minutes * 60_000 for minutes in (1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 1_440))
_LEAST_SPAN_MC = 1_000


class Marks(msgspec.Struct, frozen=True):
    """What is marked in the drawing.

    Attributes:
        first: Number of the closure's first reading.
        last: Number of its last.
        closed: Time of day of the closing, as printed.
        opened: Of the opening; empty where nobody saw one.
        opening_ms: The opening on the node's clock; None where nobody saw one.
        min_mc: The minimum; None where nothing was required.
        max_mc: The maximum, where there is one.
        max_gap_ms: The longest pause between readings that still counts as watched.
    """

    first: int
    last: int
    closed: str
    opened: str = ""
    opening_ms: int | None = None
    min_mc: int | None = None
    max_mc: int | None = None
    max_gap_ms: int = MAX_GAP_MS


class _Place:
    """Where times and temperatures lie on the paper."""

    def __init__(self, readings: Sequence[Taken], terms: Mapping[str, SensorTerms], marks: Marks) -> None:
        self.from_ms, self.to_ms = readings[0].reading.ms, max(readings[-1].reading.ms, readings[0].reading.ms + 1_000)
        known = [
            mc + (terms[sensor].correction_mc if sensor in terms else 0)
            for each in readings
            for sensor, mc in each.reading.mc.items()
            if mc is not None
        ]
        guard_mc = max((each.u_mc for each in terms.values()), default=0)
        if marks.min_mc is not None:
            known += [marks.min_mc, marks.min_mc + guard_mc]
        if marks.max_mc is not None:
            known += [marks.max_mc, marks.max_mc - guard_mc]
        low_mc, high_mc = min(known, default=20_000), max(known, default=21_000)
        pad_mc = max(100, (high_mc - low_mc) // 8, (_LEAST_SPAN_MC - high_mc + low_mc) // 2)
        self.low_mc, self.high_mc = low_mc - pad_mc, high_mc + pad_mc

    def x(self, ms: int) -> int:
        """Tenths of a millimetre from the left."""
        return _LEFT + (ms - self.from_ms) * (_RIGHT - _LEFT) // (self.to_ms - self.from_ms)

    def y(self, mc: int) -> int:
        """From the top."""
        return _BOTTOM - (mc - self.low_mc) * (_BOTTOM - _TOP) // (self.high_mc - self.low_mc)


def drawn(readings: Sequence[Taken], terms: Mapping[str, SensorTerms], marks: Marks) -> str:
    """The drawing.

    Args:
        readings: In the order of their numbers, at least one.
        terms: Correction and U of each required sensor; lines are of corrected values.
        marks: What is marked.
    """
    place = _Place(readings, terms, marks)
    closing_ms = next((each.reading.ms for each in readings if each.number >= marks.first), readings[0].reading.ms)
    last_ms = next((each.reading.ms for each in readings if each.number >= marks.last), readings[-1].reading.ms)
    end_ms = last_ms if marks.opening_ms is None else marks.opening_ms
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}">',
        '<g font-family="Libertinus Serif" font-size="27" fill="black" stroke="none">',
        *_grid(place, closing_ms),
        *_limits(place, terms, marks),
        *_lid(place, readings, marks.max_gap_ms),
        *_moment(place, closing_ms, f"lid closed {marks.closed}", "end" if place.x(closing_ms) > 500 else "start"),
        *(_moment(place, end_ms, f"opened {marks.opened}", "end") if marks.opened else ()),
        *_lines(place, readings, terms, marks.max_gap_ms),
        "</g></svg>",
    ]
    return "".join(parts)


def _grid(place: _Place, closing_ms: int) -> Iterator[str]:
    step_mc = next((each for each in _STEPS_MC if (place.high_mc - place.low_mc) // each <= 6), _STEPS_MC[-1])
    for mc in range(-(-place.low_mc // step_mc) * step_mc, place.high_mc, step_mc):
        y = place.y(mc)
        yield f'<path d="M{_LEFT} {y}H{_RIGHT}" stroke="#bbb" stroke-width="1.5"/>'
        yield _text(_LEFT - 12, y + 9, thousandths(mc)[:-2], "end")
    yield _text(_LEFT - 12, _TOP - 14, "°C", "end")
    step_ms = next((each for each in _STEPS_MS if (place.to_ms - place.from_ms) // each <= 12), _STEPS_MS[-1])
    first = -(-(place.from_ms - closing_ms) // step_ms)
    for index in range(first, (place.to_ms - closing_ms) // step_ms + 1):
        x = place.x(closing_ms + index * step_ms)
        yield f'<path d="M{x} {_BOTTOM}v8" stroke="black" stroke-width="2"/>'
        yield _text(x, _LID_BOTTOM + 36, str(index * step_ms // 60_000), "middle")
    yield _text(_RIGHT, HEIGHT - 8, "minutes since the lid was closed, by the node’s uninterrupted clock", "end")
    yield f'<path d="M{_LEFT} {_TOP}V{_BOTTOM}H{_RIGHT}" fill="none" stroke="black" stroke-width="2.5"/>'


def _limits(place: _Place, terms: Mapping[str, SensorTerms], marks: Marks) -> Iterator[str]:
    """Minimum and maximum, each with its guard band, hatched."""
    guard_mc = max((each.u_mc for each in terms.values()), default=0)
    for mc, inside, word in ((marks.min_mc, 1, "minimum"), (marks.max_mc, -1, "maximum")):
        if mc is None:
            continue
        y, guard_y = place.y(mc), place.y(mc + inside * guard_mc)
        top, bottom = min(y, guard_y), max(y, guard_y)
        size = bottom - top
        hatch = "".join(
            f"M{max(x, _LEFT)} {bottom - max(0, _LEFT - x)}L{min(x + size, _RIGHT)} {top + max(0, x + size - _RIGHT)}"
            for x in range(_LEFT - size, _RIGHT, 22)
        )
        if bottom > top:
            yield f'<path d="{hatch}" stroke="#999" stroke-width="1.5"/>'
            yield f'<path d="M{_LEFT} {guard_y}H{_RIGHT}" stroke="black" stroke-width="1.5" stroke-dasharray="3 6"/>'
        yield f'<path d="M{_LEFT} {y}H{_RIGHT}" stroke="black" stroke-width="5"/>'
        beyond = y + 28 if inside > 0 else y - 10
        yield _text(_RIGHT - 6, beyond, f"{word}; hatched: guard band of U", "end", halo=True)


def _lid(place: _Place, readings: Sequence[Taken], max_gap_ms: int) -> Iterator[str]:
    """A bar where the lid was closed, an empty frame where it was open, nothing where nobody watched."""
    run: list[Taken] = []
    for each in [*readings, None]:
        same = (
            each is not None
            and run
            and each.reading.lid is run[-1].reading.lid
            and each.reading.ms - run[-1].reading.ms <= max_gap_ms
            and each.number == run[-1].number + 1
        )
        if run and not same:
            ends = run[-1].reading.ms
            if each is not None and each.number == run[-1].number + 1 and each.reading.ms - ends <= max_gap_ms:
                ends = each.reading.ms
            x = place.x(run[0].reading.ms)
            fill = "black" if run[0].reading.lid is Lid.CLOSED else "white"
            yield (
                f'<rect x="{x}" y="{_LID_TOP}" width="{max(2, place.x(ends) - x)}" height="{_LID_BOTTOM - _LID_TOP}" '
                f'fill="{fill}" stroke="black" stroke-width="2"/>'
            )
            run = []
        if each is not None:
            run.append(each)
    yield _text(_LEFT - 12, _LID_BOTTOM - 3, "lid", "end")


def _moment(place: _Place, ms: int, word: str, anchor: str) -> Iterator[str]:
    x = place.x(ms)
    yield f'<path d="M{x} {_TOP - 8}V{_LID_BOTTOM}" stroke="black" stroke-width="2" stroke-dasharray="2 5"/>'
    yield _text(x + (-8 if anchor == "end" else 8), _TOP - 14, word, anchor)


def _lines(
    place: _Place, readings: Sequence[Taken], terms: Mapping[str, SensorTerms], max_gap_ms: int
) -> Iterator[str]:
    sensors = sorted({sensor for each in readings for sensor in each.reading.mc} | set(terms))
    for index, sensor in enumerate(sensors):
        correction_mc = terms[sensor].correction_mc if sensor in terms else 0
        dash = _DASHES[index % len(_DASHES)]
        style = 'fill="none" stroke="black" stroke-width="3.5" stroke-linejoin="round" stroke-linecap="round"'
        style += f' stroke-dasharray="{dash}"' if dash else ""
        path = "".join(
            "M" + "L".join(f"{place.x(ms)} {place.y(mc + correction_mc)}" for ms, mc in _thinned(run, place))
            + ("h0.1" if len(run) == 1 else "")
            for run in _runs(readings, sensor, max_gap_ms)
        )  # fmt: skip
        if path:
            yield f'<path d="{path}" {style}/>'
        x, y = _LEFT + 10 + index % 3 * 480, HEIGHT - 8 - index // 3 * 26
        if index < 3:
            yield f'<path d="M{x} {y - 8}h70" {style}/>'
            yield _text(x + 82, y, sensor, "start")


def _runs(readings: Iterable[Taken], sensor: str, max_gap_ms: int) -> Iterator[list[tuple[int, int]]]:
    """Stretches of known values; what is missing between two of them is not drawn."""
    run: list[tuple[int, int]] = []
    number = None
    for each in readings:
        mc = each.reading.mc.get(sensor)
        broken = run and (each.reading.ms - run[-1][0] > max_gap_ms or number is None or each.number != number + 1)
        if run and (mc is None or broken):
            yield run
            run = []
        number = each.number
        if mc is not None:
            run.append((each.reading.ms, mc))
    if run:
        yield run


def _thinned(run: Sequence[tuple[int, int]], place: _Place) -> Iterator[tuple[int, int]]:
    """Of each sliver of paper the lowest and the highest value, in the order in which they came, and both ends."""
    if len(run) <= _BUCKETS:
        yield from run
        return
    buckets: dict[int, list[tuple[int, int]]] = {}
    for ms, mc in run:
        buckets.setdefault((ms - place.from_ms) * _BUCKETS // (place.to_ms - place.from_ms), []).append((ms, mc))
    yield run[0]
    for points in buckets.values():
        low, high = min(points, key=lambda point: point[1]), max(points, key=lambda point: point[1])
        yield from sorted({low, high})
    yield run[-1]


def _text(x: int, y: int, text: str, anchor: str, *, halo: bool = False) -> str:
    escaped = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    around = ' paint-order="stroke" stroke="white" stroke-width="8"' if halo else ""
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}"{around}>{escaped}</text>'
