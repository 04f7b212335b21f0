"""``python -m fillguard.surfaces``: fit one mix into a cache folder, or make the shipped surfaces anew."""

import argparse
import sys
from pathlib import Path

from fillguard.core.errors import ConfigurationError, FillguardError
from fillguard.core.values import AIR, GasMix
from fillguard.surfaces import files
from fillguard.surfaces.anymix import AnyMix
from fillguard.surfaces.store import ANY_MIX, SHIPPED

_NITROX = [*(percent / 100 for percent in range(21, 41)), 0.5, 0.6, 0.7, 0.8, 0.9]
_HELIUM_MIXES = [
    (0.10, 0.50), (0.10, 0.70), (0.12, 0.60), (0.12, 0.65), (0.15, 0.45), (0.15, 0.55), (0.16, 0.45), (0.18, 0.35),
    (0.18, 0.45), (0.20, 0.25), (0.20, 0.30), (0.21, 0.35), (0.25, 0.25), (0.30, 0.30), (0.50, 0.25), (0.21, 0.79),
    (0.10, 0.90), (0.16, 0.84),
]  # fmt: skip
SHIPPED_MIXES = (
    AIR,
    GasMix(o2=0.0),
    GasMix(o2=1.0),
    GasMix(o2=0.0, he=1.0),
    *(GasMix(o2=o2) for o2 in _NITROX),
    *(GasMix(o2=o2, he=he) for o2, he in _HELIUM_MIXES),
)


def main(arguments: list[str]) -> int:
    """Run one command; the exit code is 0 when the file is in its place."""
    parser = argparse.ArgumentParser(prog="python -m fillguard.surfaces", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    one = commands.add_parser("fit", help="fit one mix")
    one.add_argument("mix", nargs="+", help="`air`, or mole fractions of oxygen and helium: 0.18 0.45")
    one.add_argument("--into", type=Path, required=True, help="folder the surface is written to")
    commands.add_parser("ship", help="fit every shipped surface again, into the package")
    given = parser.parse_args(arguments)
    try:
        folder, mixes = (SHIPPED, SHIPPED_MIXES) if given.command == "ship" else (given.into, (_mix(given.mix),))
        from fillguard.surfaces.fitting import fit, fit_any_mix  # noqa: PLC0415 - takes seconds: not for bad arguments

        if given.command == "ship":
            _write(ANY_MIX, fit_any_mix())
        for mix in mixes:
            _write(folder / f"{mix.key}.json", fit(mix))
    except (FillguardError, ArithmeticError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    return 0


def _mix(words: list[str]) -> GasMix:
    if words == ["air"]:
        return AIR
    try:
        o2, he = map(float, words)
    except ValueError as error:
        raise ConfigurationError(f"mix {' '.join(words)!r}: give `air`, or two mole fractions: 0.18 0.45") from error
    return GasMix(o2=o2, he=he)


def _write(path: Path, content: files.SurfaceFile | AnyMix) -> None:
    files.write(path, content)
    made = content.made
    sys.stdout.write(
        f"{path.stem}: pressure {made.pressure_error_percent:g} %, {made.pressure_error_bar:g} bar, "
        f"energy {made.energy_error_k:g} K\n"
    )


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
