"""Ask every operation of the OpenAPI document very often: `python -m tests.dashboard.fuzz_openapi --examples 200`."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from fuzzkit import clinic

from tests import applications


def main() -> int:
    """Ask; 1 if anything was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=200, help="of each operation")
    parser.add_argument("--only", default="", help="operations whose address holds this text")
    parser.add_argument("--signed-out", action="store_true", help="as nobody")
    given = parser.parse_args()
    applications.hasten()
    found = 0
    with tempfile.TemporaryDirectory() as folder, clinic(Path(folder) / "data") as asked:
        operations = [each for each in asked.operations() if given.only in each.label]
        for operation in operations:
            began_s = time.process_time()
            try:
                asked.fuzz(operation, given.examples, signed_in=not given.signed_out)
            except BaseExceptionGroup as group:
                for error in group.exceptions:
                    found += 1
                    print(f"--- {operation.label}\n{error}", flush=True)
            except Exception as error:  # whatever it is, the next operation is asked too
                found += 1
                print(f"--- {operation.label}\n{type(error).__name__}: {error}", flush=True)
            print(f"{time.process_time() - began_s:6.1f} s  {operation.label}", flush=True)
        for wrong in asked.aftermath():
            found += 1
            print(f"--- afterwards\n{wrong}", flush=True)
        recorded = asked.house.records() - asked.began
        answers = ", ".join(f"{count} x {status}" for status, count in sorted(asked.answers.items()))
    print(f"{len(operations)} operations, {sum(asked.answers.values())} answers: {answers}")
    print(f"{recorded} records; {found} findings")
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
