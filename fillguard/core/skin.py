"""Does the strap-on sensor tell of the wall? It must warm while gas comes in, and go with what the balance expects.

Kelvin and gauge pascal. Only for a sensor in air: in a bath it reads mostly water.
"""

from enum import StrEnum
from typing import NamedTuple

from fillguard.core.units import PA_PER_BAR

_COLD_RISE_PA, _COLD_AFTER_S, _COLD_K = 100.0 * PA_PER_BAR, 120.0, 1.0
"""So much more gas warms any wall by more (slowest simulated fills: 2.2 K with 60 bar)."""
_FELL_K = 3.0
"""No wall cools like this while gas comes in (simulated fills with a pause: 0.8 K)."""
_FELL_OFF_K = 1.0
"""It is then below what the balance expects, and had not just been above it for a moment."""
_OFF_K, _OFF_FOR_S = 2.5, 30.0
"""Against the balance, which follows the sensor as far as physics lets it (simulated fills: 0.9 K)."""
_SMOOTHING_S = 20.0


class Strange(StrEnum):
    """What is wrong with the wall's temperature."""

    COLD = "stays cold"
    FELL = "fell"
    OFF = "off"


class Skin(NamedTuple):
    """The wall sensor since the fill began."""

    began_s: float
    began_pa: float
    began_k: float
    seen_s: float
    seen_k: float
    highest_k: float
    off_k: float = 0.0
    """Smoothed: reading less what the balance expects."""
    off_since_s: float | None = None
    rise_pa: float = 0.0
    strange: Strange | None = None


def begun(sample_s: float, gauge_pa: float, wall_k: float) -> Skin:
    """The wall when the flow began."""
    return Skin(sample_s, gauge_pa, wall_k, sample_s, wall_k, wall_k)


def felt(old: Skin, sample_s: float, wall_k: float, *, gauge_pa: float, expected_k: float, flowing: bool) -> Skin:
    """The wall after one more reading of it; the first strange thing stays."""
    dt = sample_s - old.seen_s
    if old.strange is not None or dt <= 0.0:
        return old
    off = old.off_k + min(1.0, dt / _SMOOTHING_S) * (wall_k - expected_k - old.off_k)
    since = (sample_s if old.off_since_s is None else old.off_since_s) if abs(off) > _OFF_K else None
    new = old._replace(
        seen_s=sample_s,
        seen_k=wall_k,
        highest_k=max(old.highest_k, wall_k),
        off_k=off,
        off_since_s=since,
        rise_pa=gauge_pa - old.began_pa,
    )
    return new._replace(strange=_strange(new, flowing=flowing))


def _strange(skin: Skin, *, flowing: bool) -> Strange | None:
    if flowing and skin.rise_pa > 0.0 and skin.highest_k - skin.seen_k > _FELL_K and skin.off_k < -_FELL_OFF_K:
        return Strange.FELL
    long_enough = skin.rise_pa > _COLD_RISE_PA and skin.seen_s - skin.began_s > _COLD_AFTER_S
    if flowing and long_enough and skin.highest_k - skin.began_k < _COLD_K:
        return Strange.COLD
    if skin.off_since_s is not None and skin.seen_s - skin.off_since_s > _OFF_FOR_S:
        return Strange.OFF
    return None
