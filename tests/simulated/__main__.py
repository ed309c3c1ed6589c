"""`python -m tests.simulated`: play many seeds, or replay one step by step. The last line: `N passed, N failed`."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from multiprocessing import Pool

from tests.simulated.campaign import Failure, play, play_all, quiet

_CHUNK = 50


def main() -> int:
    """The command; returns its exit status: 1 if a seed failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulated", description=__doc__)
    parser.add_argument("--seeds", default="1-1000", metavar="FIRST-LAST", help="play these seeds (1-1000)")
    parser.add_argument("--seed", type=int, help="play this one alone")
    parser.add_argument("--trace", action="store_true", help="with --seed: print every step")
    parser.add_argument("--jobs", type=int, default=1, help="processes (1)")
    options = parser.parse_args()
    if options.seed is not None:
        with quiet():
            came = play(options.seed, print if options.trace else None)
        if isinstance(came, Failure):
            print(came.trace, file=sys.stderr)
            return _told(1, [came], Counter())
        return _told(1, [], came)
    first, _, last = options.seeds.partition("-")
    seeds = range(int(first), int(last or first) + 1)
    chunks = [seeds[start : start + _CHUNK] for start in range(0, len(seeds), _CHUNK)]
    found: list[Failure] = []
    seen: Counter[str] = Counter()
    with Pool(options.jobs) as pool:
        for played in pool.imap(play_all, chunks):
            for failure in played.failures:
                print(failure, flush=True)
            found += played.failures
            seen += played.seen
    return _told(len(seeds), found, seen)


def _told(seeds: int, found: list[Failure], seen: Counter[str]) -> int:
    print("seen:", ", ".join(f"{what} {count}" for what, count in sorted(seen.items())))
    if found:
        print("failed seeds:", *(failure.seed for failure in found))
    print(f"{seeds - len(found)} passed, {len(found)} failed")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
