"""Alarms in clean fills, recorded and simulated: `python -m fillguard.app.nuisance [FOLDER...] [--simulated N]`.

FOLDER holds `fill_NNN.json` with `fill_NNN.csv.gz` beside each; what was not clean is left out. Simulated fills are
drawn at random (`--seed S`) without troubles. Each is played with its wall sensor and without it (marked `-`). Exit
code 1 when there are more alarms than wanted.
"""

import argparse
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from fillguard.app.scoring import Watch
from fillguard.bench.nuisance import GRAVE_A_FILL, SERIOUS_A_FILL, Noise, clean_recordings, noise_of, per_fill, table
from fillguard.bench.recordings import Recording
from fillguard.bench.simulator.fills import generate_fills
from fillguard.core.errors import FillguardError

_SETTLE_S = 240.0


def simulated(count: int, seed: int) -> Iterator[Recording]:
    """The clean ones of `count` fills drawn at random, without troubles."""
    with tempfile.TemporaryDirectory(prefix="fillguard-nuisance-") as folder:
        for fill in generate_fills(count, seed, troubles=(), settle_s=_SETTLE_S):
            fill.write(Path(folder))
            yield from clean_recordings([Path(folder) / f"fill_{fill.number:03d}.json"])


def noise_in(recordings: Iterator[Recording], watch: Watch) -> Iterator[Noise]:
    """Every recording, with its wall sensor where it has one, and without."""
    for recording in recordings:
        for wall in (True, False) if recording.has_wall_sensor else (False,):
            yield noise_of(recording, watch, wall=wall)


def is_quiet(fills: Sequence[Noise]) -> bool:
    """True when there are no more alarms than wanted."""
    rates = per_fill(fills)
    return rates[1] <= GRAVE_A_FILL and rates[2] < SERIOUS_A_FILL


def main(arguments: Sequence[str]) -> int:
    """Play and count; 0, 1 when people would stop listening, 2 when a folder cannot be read."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="*", type=Path, metavar="FOLDER")
    parser.add_argument("--simulated", type=int, default=0, metavar="N", help="draw so many fills")
    parser.add_argument("--seed", type=int, default=1, help="of the drawn ones")
    told = parser.parse_args(arguments)
    watch = Watch()
    try:
        paths = sorted(path for folder in told.folders for path in folder.glob("fill_*.json"))
        fills = [*noise_in(clean_recordings(paths), watch), *noise_in(simulated(told.simulated, told.seed), watch)]
        lines = list(table(fills))
    except (FillguardError, ValueError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    sys.stdout.write("\n".join(lines) + "\n")
    return 0 if is_quiet(fills) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
