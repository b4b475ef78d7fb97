"""kill -9 at random moments, as often as one likes: ``python -m tests.faults --times 200``.

Prints one line a scenario and, where something was wrong, what; status 1 then.
"""

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

from tests.faults.kills import SCENARIOS, Place, fresh
from tests.faults.warm import Warm
from tests.postgres import Server


def main() -> int:
    """Run the scenarios asked for on the database asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=200, help="kills of each command")
    parser.add_argument("--what", choices=SCENARIOS, nargs="*", default=list(SCENARIOS))
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    server, wrong = Server(), 0
    with tempfile.TemporaryDirectory() as folder:
        warm = Warm(fresh(Path(folder) / "warm"))
        for name in asked.what:
            home = fresh(Path(folder) / name)
            if asked.database == "postgresql" and name == "first-intake":
                continue  # a server's database is there before
            sqlite = asked.database == "sqlite"
            address = f"sqlite:///{home / 'store.db'}" if sqlite else server.empty_database()
            started = time.monotonic()
            tally = SCENARIOS[name](Place(home, address, warm, random.Random(f"{asked.seed} {name}")), asked.times)
            print(f"{asked.database}, {tally.line()}, {time.monotonic() - started:.0f} s", flush=True)
            for line in tally.wrong[:20]:
                print(f"  {line}", flush=True)
            wrong += len(tally.wrong)
        warm.stop()
    server.stop()
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
