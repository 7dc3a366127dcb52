"""The `instruments` list of a bench file: read to SI, one for each quantity, every mistake named with its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from legtest.description import default_bench, read_bench
from legtest.description.model import INSTRUMENT_KINDS
from legtest.errors import DescriptionError

FIXTURES = Path(__file__).parents[2] / "fixtures"


def _bench(tmp_path: Path, lines: str) -> Path:
    text = (FIXTURES / "benches/simulated.yaml").read_text().replace("../stands", str(FIXTURES / "stands"))
    path = tmp_path / "bench.yaml"
    path.write_text(text[: text.index("instruments:")] + f"instruments:{lines}\n")
    return path


def test_the_usual_simulated_bench_has_every_instrument() -> None:
    for bench in (default_bench(), read_bench(FIXTURES / "benches/simulated.yaml")):
        assert {instrument.quantity for instrument in bench.instruments} == set(INSTRUMENT_KINDS)


def test_an_instrument_is_read_to_si(tmp_path: Path) -> None:
    line = '\n  - {name: gauge, quantity: rail_height, uncertainty: "0.2 mm", by: person, calibration: paper 7}'
    (gauge,) = read_bench(_bench(tmp_path, line)).instruments
    assert (gauge.name, gauge.u, gauge.by, gauge.calibration) == ("gauge", 0.0002, "person", "paper 7")
    assert read_bench(_bench(tmp_path, " []")).instruments == ()


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (' {name: gauge}', "instruments: expected a list, each entry of it after a dash"),
        ('\n  - {name: g, quantity: rail_height, uncertainty: "2 N", by: bus}', "'N' is not a unit of length"),
        ('\n  - {name: g, quantity: rail_height, uncertainty: "0 mm", by: bus}', "must be more than nothing"),
        ('\n  - {name: g, quantity: height, uncertainty: "1 mm", by: bus}', "'height' is not one of: rail_height"),
        ('\n  - {name: g, quantity: rail_height, uncertainty: "1 mm", by: ear}', "'ear' is not one of: person, bus"),
        ('\n  - {name: g, quantity: rail_height, by: bus}', "uncertainty: this key is missing"),
        ('\n  - {name: g, quantiy: rail_height}', "did you mean 'quantity'?"),
        (
            ('\n  - {name: g, quantity: rail_height, uncertainty: "1 mm", by: bus}'
             '\n  - {name: h, quantity: rail_height, uncertainty: "1 mm", by: bus}'),
            "rail_height is read by an instrument above already",
        ),
    ],
)  # fmt: skip
def test_a_mistake_is_named_with_its_line(tmp_path: Path, lines: str, said: str) -> None:
    with pytest.raises(DescriptionError) as caught:
        read_bench(_bench(tmp_path, lines))
    assert said in str(caught.value)
    assert f"{tmp_path / 'bench.yaml'}:" in str(caught.value)
