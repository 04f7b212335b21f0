"""What learning does to the error: teach with half of a station's fills, look at the other half. Several orders.

    python -m tests.benchmarks.learning_report                       # made-up stations
    python -m tests.benchmarks.learning_report --fills FOLDER        # stored fills; each hundred is a station

Every station has one heat transfer of its own, scattering a little from fill to fill. A fill that is looked at never
taught; the interval must cover at least 85 % of them. Errors are |projected - true| settled pressure, bar, 3 s after
the close.
"""

import argparse
import random
import statistics
import sys
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path

from fillguard.bench.simulator import generate_fills
from tests.learning_fills import Outcome, Shop, TruthKnown, generated, shop, stored, thinned

SEED = 20261124


def main() -> None:
    """Print the report."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--fills", type=Path, help="folder of stored fills; else fills are made up")
    asked.add_argument("--count", type=int, default=36, help="fills to make up for each station")
    asked.add_argument("--orders", type=int, default=2, help="how often to split each station anew")
    asked.add_argument("--apart", default="", help="names of stored fills to leave out, by commas")
    told = asked.parse_args()
    apart = set(filter(None, told.apart.split(",")))
    stations = stored_stations(told.fills, apart) if told.fills else made_up_stations(told.count)
    for name, fills in stations:
        for line in report(name, fills, orders=told.orders):
            sys.stdout.write(line + "\n")
            sys.stdout.flush()


def made_up_stations(count: int) -> Iterator[tuple[str, list[TruthKnown]]]:
    """Two stations that differ in their heat transfer."""
    for heat in ("measured", "published"):
        yield heat, [thinned(fill) for fill in generated(generate_fills(count, SEED, heats=(heat,), settle_s=200.0))]


def stored_stations(folder: Path, apart: set[str]) -> Iterator[tuple[str, list[TruthKnown]]]:
    """One station for each hundred of numbers."""
    fills = [thinned(fill) for fill in stored(folder) if fill.name not in apart]
    for hundred, group in groupby(fills, key=lambda fill: int(fill.name.rsplit("_", 1)[-1]) // 100):
        yield f"stored {hundred}xx", list(group)


def report(name: str, fills: Sequence[TruthKnown], *, orders: int) -> Iterator[str]:
    """The lines about one station."""
    new = shop()
    before = {fill.name: new.with_learned(new.learned).fill(fill) for fill in fills}
    pooled: list[tuple[Outcome, Outcome]] = []
    for order in range(orders):
        shuffled = list(fills)
        random.Random(f"{SEED}:{order}").shuffle(shuffled)  # noqa: S311 - variety, not a secret
        half = len(shuffled) // 2
        taught = taught_shop(new, shuffled[:half])
        pairs = [
            (old, now)
            for fill in shuffled[half:]
            if fill.sound
            and (old := before[fill.name]) is not None
            and (now := taught.with_learned(taught.learned).fill(fill)) is not None
        ]
        pooled += pairs
        shift, supply = taught.learned.shift(), taught.learned.supply_k()
        yield (
            f"{name}, order {order + 1}: {len(taught.learned_changes)} lessons of {half} fills, "
            f"shift {shift.guess:+.2f} +/- {shift.sigma:.2f}, supply {supply.guess:+.1f} +/- {supply.sigma:.1f} K"
        )
        yield from _lines(pairs)
    yield f"{name}, all orders:"
    yield from _lines(pooled)


def taught_shop(new: Shop, fills: Sequence[TruthKnown]) -> Shop:
    """A shop that has filled `fills`, one after the other."""
    taught = new.with_learned(new.learned)
    for fill in fills:
        taught.fill(fill)
    return taught


def _lines(pairs: Sequence[tuple[Outcome, Outcome]]) -> Iterator[str]:
    for when, outcomes in (("before", [old for old, _ in pairs]), ("after ", [now for _, now in pairs])):
        sizes = sorted(abs(outcome.error_bar) for outcome in outcomes)
        covered = sum(outcome.covered for outcome in outcomes)
        yield (
            f"  {when}: {len(sizes)} fills, mean {statistics.mean(sizes):.2f}, median {statistics.median(sizes):.2f}, "
            f"p95 {sizes[int(0.95 * (len(sizes) - 1))]:.2f}, max {sizes[-1]:.2f}, "
            f"bias {statistics.mean(outcome.error_bar for outcome in outcomes):+.2f}, "
            f"interval covers {covered}/{len(sizes)} = {100.0 * covered / len(sizes):.0f} %, "
            f"half-width {statistics.mean(outcome.half_width_bar for outcome in outcomes):.2f}"
        )


if __name__ == "__main__":
    main()
