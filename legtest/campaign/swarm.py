"""Many seeds, in one process or several."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import islice
from multiprocessing import get_context

from legtest.campaign.removal import Removal
from legtest.campaign.run import run_seed
from legtest.campaign.tally import Row, Tally, row_of

BATCH = 20


def batch(seeds: Sequence[int], legs: Sequence[str], removal: Removal | None = None) -> list[Row]:
    """The seeds one after the other."""
    return [row_of(run_seed(seed, legs, removal)) for seed in seeds]


def swarm(
    seeds: Iterable[int], legs: Sequence[str], *, jobs: int = 1, done: Callable[[Tally], None] = lambda tally: None
) -> Tally:
    """Run all seeds. done: told after every few runs. Results do not depend on `jobs`."""
    tally = Tally()
    for rows in _batches(seeds, legs, jobs):
        for row in rows:
            tally.add(row)
        done(tally)
    for seeds_of in tally.reached.values():
        seeds_of.sort()
    return tally


def _batches(seeds: Iterable[int], legs: Sequence[str], jobs: int) -> Iterator[list[Row]]:
    every = iter(seeds)
    batches = iter(lambda: list(islice(every, BATCH)), [])
    if jobs == 1:
        for each in batches:
            yield batch(each, legs)
        return
    # A fresh interpreter for each: a copy of this one would carry its threads and open files along.
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        waiting = [pool.submit(batch, each, legs) for each in islice(batches, 3 * jobs)]
        while waiting:
            yield waiting.pop(0).result()
            waiting += [pool.submit(batch, each, legs) for each in islice(batches, 1)]
