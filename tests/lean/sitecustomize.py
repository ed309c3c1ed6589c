"""Found by every Python that a test starts (module `site`): pandas and numpy cannot be imported there.

Real collectors and dashboards run without them. sqlite-utils takes pandas in wherever it is installed, and that made
half of the time in which a collector starts.
"""

import sys


class Lean:
    """Finds nothing else, and says of these that they are not there."""

    @staticmethod
    def find_spec(name: str, *_: object) -> None:
        if name in {"numpy", "pandas"}:
            raise ModuleNotFoundError(f"No module named {name!r}: see {__file__}", name=name)


sys.meta_path.insert(0, Lean)
