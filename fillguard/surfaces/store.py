"""Where a mix's surface comes from: memory, the package, this station's cache, or a child process that fits it."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from fillguard.core.errors import ConfigurationError, FillguardError
from fillguard.core.gas import GasSurface
from fillguard.core.values import GasMix
from fillguard.surfaces import files
from fillguard.surfaces.anymix import AnyMix

SHIPPED = Path(__file__).parent.parent / "data" / "surfaces"
ANY_MIX = SHIPPED / "any-mix.json"

Key = TypeVar("Key")
Value = TypeVar("Value")

_KEPT = 256
_FIT_DEADLINE_S = 120.0
_QUOTED_CHARACTERS = 400


class GasSurfaceError(FillguardError):
    """A mix's surface could not be fitted; the approximate one stays in use."""


class SurfaceStore:
    """Surfaces by mix. Mixes that agree to a tenth of a per cent share one (`GasMix.key`).

    `cache_dir` is made on the first fit. `on_problem` is told, in words and once per file, of a file that cannot be
    believed; such a file counts as missing, so the mix is fitted again. The last 256 surfaces used stay in memory.
    """

    def __init__(self, cache_dir: Path, *, on_problem: Callable[[str], None]) -> None:
        self._cache_dir = cache_dir
        self._on_problem = on_problem
        self._known: dict[str, GasSurface] = {}
        self._told: dict[Path, None] = {}
        self._any_mix: AnyMix | None = None

    def get(self, mix: GasMix) -> GasSurface | None:
        """The surface fitted to this very mix, or None: then use `any_mix` and have it fitted."""
        known = self._known.get(mix.key)
        if known is not None:
            return known
        for folder in (SHIPPED, self._cache_dir):
            surface = self._read(folder / f"{mix.key}.json", mix.key)
            if surface is not None:
                _keep(self._known, mix.key, surface)
                return surface
        return None

    def any_mix(self, mix: GasMix) -> GasSurface:
        """The surface of any mix at once, marked approximate, from one formula that is shipped with the package.

        Within 0.006 % of the reference in pressure and 0.01 bar in settled pressure, all over the triangle of oxygen,
        nitrogen and helium. Air has its argon, which the formula does not know: it gets its own surface.

        Raises:
            ConfigurationError: the package is damaged.
        """
        if mix.air:
            own = self.get(mix)
            if own is None:
                raise ConfigurationError(
                    f"the surface of air is missing or damaged in {SHIPPED}: install fillguard again"
                )
            return own
        if self._any_mix is None:
            self._any_mix = files.read(ANY_MIX, AnyMix)
        return self._any_mix.surface(mix)

    def fit_in_child(self, mix: GasMix) -> GasSurface:
        """Fit this mix in a child process, wait for it (about 3 s), keep it in the cache and return it.

        Blocks: call it from a worker thread, never from the one that owns the readings.

        Raises:
            GasSurfaceError: the child failed, took over two minutes, or left nothing readable.
        """
        command = [sys.executable, "-m", "fillguard.surfaces", "fit", *_words(mix), "--into", str(self._cache_dir)]
        # One thread for its linear algebra: several wait for each other, and take what the live fills need.
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
        try:
            self._cache_dir.mkdir(parents=True, exist_ok=True)
            done = subprocess.run(  # noqa: S603 - no shell; the arguments are two numbers and our own folder
                command, env=environment, capture_output=True, text=True, timeout=_FIT_DEADLINE_S, check=False
            )
        except (OSError, subprocess.SubprocessError) as error:
            raise GasSurfaceError(f"fitting the gas surface of {mix} did not finish: {error}") from error
        if done.returncode != 0:
            said = done.stderr.strip()[-_QUOTED_CHARACTERS:]
            raise GasSurfaceError(f"fitting the gas surface of {mix} ended with {done.returncode}: {said}")
        surface = self.get(mix)
        if surface is None:
            raise GasSurfaceError(f"fitting the gas surface of {mix} left no readable file in {self._cache_dir}")
        return surface

    def _read(self, path: Path, key: str) -> GasSurface | None:
        try:
            surface = files.read_surface(path, key)
        except FileNotFoundError:
            return None
        except ConfigurationError as error:
            if path not in self._told:
                _keep(self._told, path, None)
                self._on_problem(f"{error}; this gas is fitted again")
            return None
        self._told.pop(path, None)
        return surface


def _keep(kept: dict[Key, Value], key: Key, value: Value) -> None:
    """Add to a memory of bounded size: the oldest goes first."""
    if len(kept) >= _KEPT:
        del kept[next(iter(kept))]
    kept[key] = value


def _words(mix: GasMix) -> tuple[str, ...]:
    return ("air",) if mix.air else (f"{mix.o2:.3f}", f"{mix.he:.3f}")
