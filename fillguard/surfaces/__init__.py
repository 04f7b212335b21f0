"""Gas surfaces by name: shipped with the package, cached for this station, or fitted in a child process.

The reference library takes seconds and tens of megabytes to import and stops every thread meanwhile, so it lives in
`fillguard.surfaces.fitting` alone, which only the child process (``python -m fillguard.surfaces``) imports.
"""

from fillguard.surfaces.store import GasSurfaceError, SurfaceStore

__all__ = ["GasSurfaceError", "SurfaceStore"]
