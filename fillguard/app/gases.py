"""Gas surfaces for the running station: exact ones at once where there are any, others fitted in the background."""

import os
import threading
from collections.abc import Callable, Mapping
from pathlib import Path

from fillguard.core.errors import FillguardError
from fillguard.core.gas import GasSurface
from fillguard.core.values import GasMix
from fillguard.surfaces import SurfaceStore

_FITS_AT_ONCE = 1


def cache_dir(environ: Mapping[str, str]) -> Path:
    """Where fitted surfaces are kept: `FILLGUARD_CACHE`, else the user's cache folder."""
    told = environ.get("FILLGUARD_CACHE")
    if told:
        return Path(told)
    base = environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "fillguard"


class Gases:
    """`surface_of` for `Rules`: never waits. A mix without a surface gets the any-mix one until its own is fitted.

    One fit runs at a time, in a child process watched by a thread; a fit that fails is reported once and not repeated.
    """

    def __init__(self, environ: Mapping[str, str] = os.environ, *, report: Callable[[str], None]) -> None:
        """`report` hears, from any thread, what a technician should know: a damaged cache file, a failed fit."""
        self._store = SurfaceStore(cache_dir(environ), on_problem=report)
        self._report = report
        self._asked: set[str] = set()
        self._lock = threading.Lock()
        self._room = threading.Semaphore(_FITS_AT_ONCE)

    def surface_of(self, mix: GasMix) -> GasSurface:
        """The surface to use for `mix` now; a missing one is fitted in the background."""
        exact = self._store.get(mix)
        if exact is not None:
            return exact
        with self._lock:
            first = mix.key not in self._asked
            self._asked.add(mix.key)
        if first:
            threading.Thread(target=self._fit, args=(mix,), name=f"fit-{mix.key}", daemon=True).start()
        return self._store.any_mix(mix)

    def fitted(self, mix: GasMix) -> GasSurface:
        """The exact surface of `mix`, waiting for the fit where there is none: for work that need not keep up."""
        exact = self._store.get(mix)
        return exact if exact is not None else self._store.fit_in_child(mix)

    def _fit(self, mix: GasMix) -> None:
        with self._room:
            try:
                self._store.fit_in_child(mix)
            except (FillguardError, OSError) as error:
                self._report(
                    f"the gas surface of {mix} could not be fitted ({error}); the approximate one stays in use"
                )
