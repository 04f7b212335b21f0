"""What the whole watch finds in recorded fills of known faults: `python -m fillguard.app.diagnosing FOLDER...`.

FOLDER holds `fill_NNN.json` with `fill_NNN.csv.gz` beside each. Every fill is played with its wall sensor, and again
without it (marked `-`). Prints a table of what was found, how late, missed, and found where nothing was.
"""

import sys
from collections.abc import Sequence
from pathlib import Path

from fillguard.app.scoring import Watch
from fillguard.bench.diagnosing import Diagnosed, diagnosed, read_labelled, table
from fillguard.core.errors import FillguardError


def diagnosed_in(folder: Path, watch: Watch) -> list[Diagnosed]:
    """Every fill of `folder`, with its wall sensor where it has one, and without.

    Raises:
        FillguardError: there are none, or one cannot be read.
    """
    paths = sorted(folder.glob("fill_*.json"))
    if not paths:
        raise FillguardError(f"no fill_*.json in {folder}: name the folder with the fills")
    labelled = [read_labelled(path) for path in paths]
    return [
        diagnosed(recording, faults, watch, wall=wall)
        for recording, faults in labelled
        for wall in ((True, False) if recording.has_wall_sensor else (False,))
    ]


def main(arguments: Sequence[str]) -> int:
    """Diagnose the folders named; 0, or 2 when they cannot be read."""
    watch = Watch()
    try:
        for folder in arguments:
            lines = (folder, *table(diagnosed_in(Path(folder), watch)))
            sys.stdout.write("\n".join(lines) + "\n")
            sys.stdout.flush()
    except FillguardError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0 if arguments else 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
