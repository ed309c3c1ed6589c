"""Whether the pins still report their edges: levels polled at every tick know it better. Pure."""

from __future__ import annotations

MOST_MISSED = 2
"""Changes of a level in a row without an edge. One may be an edge that is still on its way, or one lost in a bounce."""


class EdgeWatch:
    """Compares what is polled with what edges have said, for each basin's lid."""

    def __init__(self) -> None:
        self._levels: dict[str, bool] = {}
        self._due: set[str] = set()  # a level has changed: its edge must come before the next poll
        self._missed: dict[str, int] = {}

    def edge(self, basin: str, *, closed: bool) -> None:
        """An edge was reported."""
        self._levels[basin] = closed
        self._due.discard(basin)
        self._missed[basin] = 0

    def polled(self, basin: str, *, closed: bool) -> None:
        """A level was read."""
        if basin in self._due:
            self._due.discard(basin)
            self._missed[basin] = self._missed.get(basin, 0) + 1
        if self._levels.setdefault(basin, closed) is not closed:
            self._levels[basin] = closed
            self._due.add(basin)

    def dead(self) -> list[str]:
        """Basins whose edges are not reported any more. May be asked from any thread."""
        return [basin for basin, missed in list(self._missed.items()) if missed >= MOST_MISSED]

    def renewed(self) -> None:
        """The pins were opened anew."""
        self._missed.clear()
        self._due.clear()
        self._levels.clear()
