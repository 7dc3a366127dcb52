"""Fuzz the readers: python tests/fuzz/fuzz.py PARSER|all --inputs 200000 --seed 1 --jobs 1

Counts inputs, how many were taken and refused, the kinds of refusal, the slowest input and everything that is none of
the parser's own errors. With --keep, what was found is put into tests/fuzz/corpus/, which every test run reads again.
"""

from __future__ import annotations

import argparse
import gc
import hashlib
import random
import re
import resource
import signal
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

HERE = Path(__file__).resolve().parent
for _place in (HERE, HERE.parents[1]):
    if str(_place) not in sys.path:
        sys.path.insert(0, str(_place))

from fuzz_mutate import mutated  # noqa: E402
from fuzz_parsers import Feed, Parser  # noqa: E402
from fuzz_table import PARSERS  # noqa: E402

CORPUS = HERE / "corpus"
LONGEST_S = 1.0
MOST_MEMORY = 512 << 20  # more than the process had before the first input
_PLACES = re.compile(r"0x[0-9A-Fa-f]+|[0-9]+|'[^']*'|\"[^\"]*\"|b'.*'|`[^`]*`|/\S+")


class Hang(BaseException):
    """An input took longer than LONGEST_S."""


@dataclass
class Result:
    """What came of a parser's inputs. refusals: kinds of own errors. found: kind of finding -> inputs, an example."""

    name: str
    inputs: int = 0
    taken: int = 0
    refusals: Counter[str] = field(default_factory=Counter)
    found: dict[str, tuple[int, bytes]] = field(default_factory=dict)
    slowest_s: float = 0.0
    slowest: bytes = b""
    seconds: float = 0.0

    def line(self) -> str:
        rate = self.inputs / self.seconds if self.seconds else 0.0
        return (
            f"{self.name:<14} {self.inputs:>8} {self.taken:>8} {len(self.refusals):>6} {len(self.found):>6} "
            f"{1e3 * self.slowest_s:>8.1f} {rate:>8.0f}"
        )


HEAD = f"{'parser':<14} {'inputs':>8} {'taken':>8} {'kinds':>6} {'found':>6} {'max ms':>8} {'per s':>8}"


def _alarm(*_: Any) -> None:
    raise Hang


def feed_one(parser: Parser, feed: Feed, data: bytes, result: Result) -> None:
    """One input; what it leads to is added to the result."""
    result.inputs += 1
    began = perf_counter()
    cpu = process_time()
    signal.setitimer(signal.ITIMER_REAL, 10 * LONGEST_S)  # the machine may be busy; the verdict is by processor time
    try:
        feed(data)
        result.taken += 1
    except parser.errors as error:
        result.refusals[f"{type(error).__name__}: {_PLACES.sub('_', str(error))[:60]}"] += 1
    except (Exception, Hang) as error:  # noqa: BLE001  (that is the question)
        frames = traceback.extract_tb(error.__traceback__)
        last = [f for f in frames if "/legtest/" in f.filename][-1:] or frames[-1:]
        where = f"{Path(last[0].filename).name}:{last[0].lineno}"
        _note(result, f"{type(error).__name__}: {str(error)[:80]} at {where}", data)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
    spent = min(perf_counter() - began, process_time() - cpu)
    if spent > result.slowest_s:
        result.slowest_s, result.slowest = spent, data
    if spent > LONGEST_S:
        _note(result, "slower than LONGEST_S", data)


def _note(result: Result, kind: str, data: bytes) -> None:
    kind = re.sub(r"[0-9]{3,}", "_", kind) if " at " not in kind else kind
    count, example = result.found.get(kind, (0, data))
    result.found[kind] = (count + 1, min(example, data, key=len))


def run(parser: Parser, inputs: int, seed: int, *, seconds: float = 0.0) -> Result:
    """So many mutated inputs (fewer, where `seconds` of time are over before)."""
    result = Result(parser.name)
    rng = random.Random(f"{parser.name}/{seed}")
    with tempfile.TemporaryDirectory(prefix="fuzz-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        feed = parser.make(Path(folder))
        seeds = list(parser.seeds())
        with bounded():
            began = perf_counter()
            for _ in range(inputs):
                feed_one(parser, feed, mutated(rng, seeds, parser.words), result)
                if seconds and perf_counter() - began > seconds:
                    break
            result.seconds = perf_counter() - began
        getattr(feed, "close", lambda: None)()
    return result


def run_corpus(parser: Parser) -> Result:
    """Everything that was ever found with this parser."""
    result = Result(parser.name)
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        feed = parser.make(Path(folder))
        with bounded():
            for path in sorted((CORPUS / parser.name).glob("*")):
                feed_one(parser, feed, path.read_bytes(), result)
        getattr(feed, "close", lambda: None)()
    return result


@contextmanager
def bounded() -> Iterator[None]:
    """Alarm and memory limit while inputs run."""
    gc.collect()
    alarm = signal.signal(signal.SIGALRM, _alarm)
    limit = resource.getrlimit(resource.RLIMIT_AS)
    size = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (size + MOST_MEMORY, limit[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, limit)
        signal.signal(signal.SIGALRM, alarm)


def keep(result: Result) -> Iterator[Path]:
    """Put the examples of what was found into the corpus."""
    for _, example in result.found.values():
        path = CORPUS / result.name / hashlib.sha256(example).hexdigest()[:12]
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(example)
        yield path


def _work(task: tuple[str, int, int]) -> Result:
    name, inputs, seed = task
    return run(next(parser for parser in PARSERS if parser.name == name), inputs, seed)


def main() -> int:
    names = [parser.name for parser in PARSERS]
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("parser", choices=[*names, "all"], nargs="+")
    arguments.add_argument("--inputs", type=int, default=200_000)
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--jobs", type=int, default=1)
    arguments.add_argument("--keep", action="store_true", help="put what is found into the corpus")
    given = arguments.parse_args()
    chosen = names if "all" in given.parser else given.parser
    print(HEAD, flush=True)
    found = 0
    with ProcessPoolExecutor(given.jobs, get_context("spawn"), max_tasks_per_child=1) as pool:
        for result in pool.map(_work, [(name, given.inputs, given.seed) for name in chosen]):
            print(result.line(), flush=True)
            for kind, (count, example) in result.found.items():
                print(f"    {count} x {kind}: {example[:200]!r}", flush=True)
            if given.keep:
                for path in keep(result):
                    print(f"    kept {path.relative_to(HERE)}", flush=True)
            found += len(result.found)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
