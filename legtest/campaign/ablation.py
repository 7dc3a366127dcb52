"""Each defence taken out in turn: does the campaign notice?

A removal counts as caught by a seed only if the unchanged code passes that seed and, for a rule, gave that reason
in it. Where another rule stops the leg instead, that one is switched off on both sides: then the unchanged rule has
to be enough, and its absence has to show.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from legtest.campaign.removal import DEFENCES, RULES, Removal
from legtest.campaign.run import Outcome, run_seed
from legtest.campaign.tally import Tally, invariant

MOST_SEEDS = 60
MOST_MASKS = 4
# What a removed defence is looked for with: seeds in which one of these faults was let in. Most stops that are not
# confirmed come from a bus that is away, where nothing can be done about it.
FAULTS_FOR = {
    "stop": ("ignores quick stop",),
    "gate: set-points": ("asks too much", "sends by hand"),
    "ledger: end of a permit": ("permit ends",),
    "heartbeat after the pass": ("monitor raises", "encoder raises", "out of memory"),
    "stop: repetition": ("stop frames lost",),
}


class Caught(NamedTuple):
    """removal: with the masking rules, where any had to go. seed: None = nothing noticed. broken: the first lines."""

    removal: Removal
    seed: int | None
    tried: int
    broken: tuple[str, ...]


def candidates(what: str, tally: Tally) -> list[int]:
    """Seeds worth trying, passed by the unchanged code."""
    seeds = set(tally.reached.get(what, []))
    if what in FAULTS_FOR:
        faulty = {seed for kind in FAULTS_FOR[what] for seed in tally.reached.get(f"fault: {kind}", [])}
        seeds = seeds & faulty if what in RULES else faulty
    return sorted(seeds)[:MOST_SEEDS]


def ablate(what: str, seeds: Iterable[int], legs: Sequence[str]) -> Caught:
    """Replay seeds without a defence until an invariant breaks."""
    tried = 0
    for seed in seeds:
        tried += 1
        for removal, outcome in _ways(what, seed, legs):
            if outcome.broken:
                return Caught(removal, seed, tried, outcome.broken[:2])
    return Caught(Removal(what), None, tried, ())


def _ways(what: str, seed: int, legs: Sequence[str]) -> Iterator[tuple[Removal, Outcome]]:
    """First the removal alone; then with the rules away that stood in for it, if it does without them."""
    removal = Removal(what)
    masks: list[str] = []
    while True:
        outcome = run_seed(seed, legs, removal)
        yield removal, outcome
        masks += [rule for rule in outcome.rules if rule in RULES and rule != what and rule not in masks]
        if what not in RULES or not masks or set(masks) == set(removal.without) or len(masks) > MOST_MASKS:
            return
        alone = run_seed(seed, legs, Removal("", tuple(masks)))
        if alone.broken or what not in alone.rules:
            return
        removal = Removal(what, tuple(masks))


def everything() -> tuple[str, ...]:
    """All that is removed by `--remove all`."""
    return (*RULES, *DEFENCES)


def as_row(caught: Caught) -> dict[str, object]:
    """For the JSON of a campaign."""
    return {
        "removed": caught.removal.what, "without": list(caught.removal.without), "seed": caught.seed,
        "tried": caught.tried, "invariants": sorted({invariant(text) for text in caught.broken}),
    }  # fmt: skip
