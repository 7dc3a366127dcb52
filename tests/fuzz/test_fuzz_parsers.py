"""A short form of the fuzzing, from a fixed seed, and everything that was ever found. By hand: tests/fuzz/fuzz.py."""

from __future__ import annotations

import pytest
from fuzz import CORPUS, HEAD, Result, bounded, feed_one, run, run_corpus
from fuzz_parsers import Parser
from fuzz_table import PARSERS

MOST_S = 6.0  # of one parser, on a machine that is busy


def foreign(result: Result) -> str:
    """What is no error of the parser's own, readable; "" when there is nothing."""
    return "\n".join(f"{count} x {kind}: {example[:300]!r}" for kind, (count, example) in result.found.items())


@pytest.mark.parametrize("parser", PARSERS, ids=[parser.name for parser in PARSERS])
@pytest.mark.filterwarnings("default")
def test_mutated_input_ends_in_errors_of_our_own(parser: Parser) -> None:
    result = run(parser, parser.size, seed=7, seconds=MOST_S)
    print(f"{HEAD}\n{result.line()}")
    assert foreign(result) == ""
    assert result.inputs >= min(parser.size, 50)
    # A parser that refuses everything, or nothing, is not reached by the inputs.
    assert result.taken > result.inputs / 200
    assert parser.name in ("serial-line", "latch") or len(result.refusals) >= 2


@pytest.mark.parametrize("parser", PARSERS, ids=[parser.name for parser in PARSERS])
def test_what_was_found_stays_mended(parser: Parser) -> None:
    assert foreign(run_corpus(parser)) == ""


def test_every_corpus_has_its_parser() -> None:
    assert {path.name for path in CORPUS.iterdir()} <= {parser.name for parser in PARSERS}


def test_the_driver_finds_what_is_foreign(monkeypatch: pytest.MonkeyPatch) -> None:
    def raises(data: bytes) -> None:
        {}["missing"]

    def loops(data: bytes) -> None:
        while True:
            pass

    def takes(data: bytes) -> None:
        bytes(1 << 30)

    monkeypatch.setattr("fuzz.LONGEST_S", 0.02)
    result = Result("any")
    with bounded():
        for feed in (raises, loops, takes):
            feed_one(PARSERS[0], feed, b"a", result)
    kinds = sorted(kind.partition(" at ")[0] for kind in result.found)
    assert kinds == ["Hang: ", "KeyError: 'missing'", "MemoryError: ", "slower than LONGEST_S"]
