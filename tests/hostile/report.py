"""Times of the hostile suite: how long each stop took, and against which budget. Run by hand, not by pytest.

python tests/hostile/report.py --seeds 5                       carries out the attempts of the hazard table itself
pytest tests/hostile --hostile-table=hostile.jsonl             all attempts, those of users and plugins too
python tests/hostile/report.py hostile.jsonl                   what that has kept

Both may be given at once. Times are spans from the violation; each stop has a budget of its own.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from math import ceil
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]

Row = dict[str, Any]
KINDS = (("stop on the wire", "quick_stop_ns"), ("power off", "power_off_ns"))


def measured(seeds: int) -> Iterator[Row]:
    """Every attempt of the hazard table, at each rate, with so many seeds."""
    from hazards_attempt import carry_out
    from hazards_table import ATTEMPTS, rows

    for attempt in ATTEMPTS:
        for rate_hz in attempt.rates:
            for seed in range(1, seeds + 1):
                outcome = carry_out(attempt, rate_hz, seed)
                if outcome.broken:
                    print(f"BROKEN {attempt.name} at {rate_hz:g}/s, seed {seed}: {outcome.broken[0]}", file=sys.stderr)
                yield {"attempt": attempt.name}
                yield from rows(outcome)


def kept(path: Path) -> list[Row]:
    """The rows of a table."""
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def percentile(values: Sequence[float], share: int) -> float:
    """Nearest rank."""
    return sorted(values)[max(0, ceil(len(values) * share / 100) - 1)]


def line(rate_hz: float, expected: str, name: str, pairs: Sequence[tuple[float, float]]) -> str:
    """One line of the table. pairs: time and budget of each stop, ms."""
    times, budgets = [time for time, _ in pairs], [budget for _, budget in pairs]
    used, late = max(time / budget for time, budget in pairs), sum(time > budget for time, budget in pairs)
    return (
        f"{rate_hz:>4.0f}/s  {expected:<8}  {name:<16}  {len(times):>5}  {percentile(times, 50):>7.1f}  "
        f"{percentile(times, 99):>7.1f}  {max(times):>7.1f}  {min(budgets):>6.1f}..{max(budgets):>7.1f}  "
        f"{used:>5.0%}  {late}"
    )


def report(rows: Iterable[Row]) -> list[str]:
    """Stops by rate and by what was expected of them, in ms; then what was shown to matter."""
    rows = list(rows)
    stops: dict[tuple[float, str], list[Row]] = defaultdict(list)
    for row in rows:
        if "expected" in row:
            stops[float(row["rate_hz"]), row["expected"]].append(row)
    head = f"{'rate':>6}  {'expected':<8}  {'':<16}  {'n':>5}  {'p50':>7}  {'p99':>7}  {'max':>7}"
    told = [f"{head}  {'budget':>15}  {'used':>5}  late"]
    for (rate, expected), group in sorted(stops.items()):
        for name, key in KINDS:
            pairs = [(r[key] / 1e6, r[key.replace("_ns", "_budget_ns")] / 1e6) for r in group if r.get(key) is not None]
            least = 1.001 * min((budget for _, budget in pairs), default=0.0)
            shortest = [pair for pair in pairs if pair[1] <= least]
            told += [line(rate, expected, name, pairs)] if pairs else []
            if key == "quick_stop_ns" and 0 < len(shortest) < len(pairs):
                told.append(line(rate, expected, "  one sample", shortest))
    tried = {row["attempt"] for row in rows}
    broke = {row["attempt"] for row in rows if row.get("broke_without_defence")}
    told.append(
        "used: the largest share that any stop took of its own budget; one sample: the stops with the shortest budget"
    )
    told.append(
        f"{len(tried)} attempts; {len(broke)} shown here to break an invariant once their defence is taken away"
    )
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=0, help="of each attempt of the hazard table, at each rate")
    parser.add_argument("files", nargs="*", type=Path, metavar="FILE")
    options = parser.parse_args()
    rows = [row for file in options.files for row in kept(file)]
    print("\n".join(report([*rows, *measured(options.seeds)])))


if __name__ == "__main__":
    main()
