"""How long a report takes to write and to load, and how large it is.

    python tests/benchmarks/bench_report.py             30 movements of 60 s, 12 channels at 250 samples/s
    python tests/benchmarks/bench_report.py --hour      one movement of an hour

Other programs on the machine change the times; `kernel` is a fixed piece of work measured beside them, for ratios.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
import zlib
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))


def kernel() -> float:
    """CPU seconds of a fixed piece of work (deflate, sort, numbers to text): about 8 ms on the machine of the docs."""
    rng = np.random.default_rng(1)
    data, values = rng.integers(0, 60, 200_000).astype(np.uint8).tobytes(), rng.normal(size=40_000)
    begun = time.process_time()
    zlib.compress(data, 4)
    np.sort(values)
    " ".join(map(str, range(20_000)))
    return time.process_time() - begun


def load_seconds(page: Path, profile: Path) -> float:
    """CPU seconds of the browser's main thread until the page has loaded and its script has run."""
    from tests.reports.browser import browser

    with browser(profile) as opened:
        opened.width(1280)
        opened.call("Performance.enable", timeDomain="threadTicks")
        opened.open(page)
        opened.run("1")
        metrics = {each["name"]: each["value"] for each in opened.call("Performance.getMetrics")["metrics"]}
        return float(metrics["TaskDuration"])


def write_seconds(folder: Path) -> tuple[float, float, Path]:
    """CPU and wall seconds of reading a record and writing its HTML report, and the page."""
    from legtest.records.reading import read_run
    from legtest.reports.html import report_html

    wall, cpu = time.perf_counter(), time.process_time()
    content = report_html(read_run(folder))
    taken = time.process_time() - cpu, time.perf_counter() - wall
    page = folder / "report.html"
    page.write_bytes(content)
    return *taken, page


def main() -> None:
    from tests.reports.big_run import big_run
    from tests.reports.browser import CHROMIUM

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hour", action="store_true")
    movements, rows = (1, 900_000) if parser.parse_args().hour else (30, 15_000)
    with tempfile.TemporaryDirectory() as where:
        folder = big_run(Path(where) / "runs", movements, rows)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        work = 1e3 * min(kernel() for _ in range(20))
        print(f"{movements} movements of {rows} samples, 12 channels; kernel {work:.1f} ms")
        for _ in range(3):
            cpu, wall, page = write_seconds(folder)
            print(f"written in {cpu:.2f} s CPU, {wall:.2f} s wall; {page.stat().st_size / 1e6:.2f} MB")
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"largest memory {most:.0f} MB, {before:.0f} MB of it from making the record")
        if CHROMIUM:
            print(f"loaded in {load_seconds(page, Path(where) / 'profile'):.2f} s CPU of the browser's main thread")


if __name__ == "__main__":
    main()
