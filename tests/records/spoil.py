"""Where things lie in the made-up run, and how much memory its readers take."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa


@contextmanager
def little_memory(most: int) -> Iterator[None]:
    """Fails when more is held at any moment. Arrow's own memory is looked at as well."""
    before, peak_before = pa.total_allocated_bytes(), pa.default_memory_pool().max_memory()
    tracemalloc.start()
    try:
        yield
    finally:
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert peak < most
    # The highest ever; what it was before tells nothing about now when it was higher.
    arrow = pa.default_memory_pool().max_memory()
    assert arrow == peak_before or arrow - before < most


def place(run: Path, what: str) -> Path:
    part = min((run / "parts").iterdir())
    if what == "sample":
        return part / "samples.parquet"
    return part / what.removeprefix("part/") if what.startswith("part/") else part if what == "part" else run / what
