"""How long a leg file takes: python tests/benchmarks/bench_description.py"""

from __future__ import annotations

import timeit
from pathlib import Path

from legtest.description.light import light_read
from legtest.description.nodes import load
from legtest.description.read import read_leg

LEG = Path(__file__).parents[2] / "fixtures" / "legs" / "tarn-fl.yaml"


def main() -> None:
    for name, call in (("nodes.load", load), ("light_read", light_read), ("read_leg", read_leg)):
        best = min(timeit.repeat(lambda call=call: call(LEG), number=20, repeat=5)) / 20  # type: ignore[misc]
        print(f"{name:12} {best * 1e3:7.2f} ms")


if __name__ == "__main__":
    main()
