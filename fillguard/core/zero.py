"""The zero check: a whip that has just been bled must read zero. Pressures gauge pascal.

Three seconds after the bleed five seconds are looked at; their median counts. Nothing is ever corrected by it.
"""

from dataclasses import dataclass, replace
from statistics import median

from fillguard.core.events import ZeroVerdict
from fillguard.core.units import PA_PER_BAR, bar_from_pa

ZERO_OFF = "zero-off"
"""The alarm, and the finding of a fill whose gauge was so far off that it is marked uncertain."""
_ARMED_PA = 20.0 * PA_PER_BAR
"""A whip that stood above this and is low now was bled; the first low stretch of all counts, too."""
_AFTER_S, _FOR_S = 3.0, 5.0
_FEWEST = 3
_STANDS_WITHIN_PA = 0.3 * PA_PER_BAR
"""Moves by more: it is not bled yet, the look begins anew (our choice)."""
OFF_SHARE = 0.005
"""Of range, where no alarm says otherwise: the class of a usual transmitter."""
UNCERTAIN_SHARE = 0.015
"""Of range: what such a gauge measured is marked uncertain (our choice)."""
_DRIFT_PA = 1.0 * PA_PER_BAR
WEEK_S = 7.0 * 86_400.0
_KEPT_EVERY_S = 6.0 * 3600.0
_AIR_PA = (0.7 * PA_PER_BAR, 1.1 * PA_PER_BAR)
"""An absolute sensor on a bled whip reads the air: 3000 m to below the sea (our choice)."""


def off_since_bled(whip: str) -> str:
    """Name under which it stands among what fails that a whip's gauge was off when it was last bled."""
    return f"zero:{whip}/bled"


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroWatch:
    """Where the look at one whip's zero stands, and what the last week showed."""

    armed: bool = True
    low_since_s: float | None = None
    """Sample time since when the whip has been low and still."""
    values: tuple[float, ...] = ()
    kept: tuple[tuple[float, float], ...] = ()
    """(UTC, zero) of the last week, one in six hours."""
    uncertain: bool = False
    """The last check: fills from here on are marked."""


UNCHECKED = ZeroWatch()


def after(zero: ZeroWatch, sample_s: float, gauge_pa: float, bled_below_pa: float) -> tuple[ZeroWatch, float | None]:
    """The watch after an accepted reading; and the zero, in the moment in which it is known."""
    if gauge_pa > bled_below_pa:
        armed = zero.armed or gauge_pa >= _ARMED_PA
        if armed is zero.armed and zero.low_since_s is None:
            return zero, None
        return replace(zero, armed=armed, low_since_s=None, values=()), None
    if not zero.armed:
        return zero, None
    passed_s = 0.0 if zero.low_since_s is None else sample_s - zero.low_since_s
    values = (*zero.values, gauge_pa) if passed_s >= _AFTER_S else ()
    if zero.low_since_s is None or _moves(values):
        return replace(zero, low_since_s=sample_s, values=()), None
    if passed_s < _AFTER_S + _FOR_S or len(values) < _FEWEST:
        return (replace(zero, values=values) if values else zero), None
    return replace(zero, armed=False, low_since_s=None, values=()), median(values)


def _moves(values: tuple[float, ...]) -> bool:
    """True when the later half lies elsewhere than the first: noise alone does not do that."""
    half = len(values) // 2
    return half > 0 and abs(median(values[half:]) - median(values[:half])) > _STANDS_WITHIN_PA


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One zero, judged."""

    verdict: ZeroVerdict
    drift_pa: float | None
    """Against the zero of the last week that differs most; None: there is none."""
    text: str


def judged(zero: ZeroWatch, whip: str, pa: float, utc_s: float, *, range_pa: float, off_share: float) -> Judged:
    """What the zero `pa` says of the gauge of `whip`, whose range is `range_pa`."""
    drifts = [pa - earlier for at_s, earlier in zero.kept if 0.0 <= utc_s - at_s <= WEEK_S]
    drift_pa = max(drifts, key=abs, default=None)
    share = abs(pa) / range_pa
    reads = f"The gauge of whip {whip} reads {bar_from_pa(pa):+.2f} bar when bled"
    if share > UNCERTAIN_SHARE:
        verdict, text = ZeroVerdict.UNCERTAIN, f"{reads}: {share:.1%} of its range. Its fills are marked uncertain."
    elif _AIR_PA[0] <= pa <= _AIR_PA[1]:
        verdict, text = ZeroVerdict.ABSOLUTE, f"{reads}: an absolute sensor, configured as gauge?"
    elif share > off_share:
        verdict, text = ZeroVerdict.OFF, f"{reads}: {share:.1%} of its range, or the whip is not bled."
    elif drift_pa is not None and abs(drift_pa) >= _DRIFT_PA:
        verdict, text = ZeroVerdict.MOVED, f"{reads}: {bar_from_pa(drift_pa):+.2f} bar from where it was this week."
    else:
        verdict, text = ZeroVerdict.GOOD, f"{reads}."
    return Judged(verdict=verdict, drift_pa=drift_pa, text=text)


def remembered(zero: ZeroWatch, pa: float, utc_s: float, verdict: ZeroVerdict) -> ZeroWatch:
    """The watch with one more zero of this week; one that is off may be a whip not bled: nothing to drift from."""
    kept = tuple(each for each in zero.kept if 0.0 <= utc_s - each[0] <= WEEK_S)
    within = verdict in {ZeroVerdict.GOOD, ZeroVerdict.MOVED}
    if within and (not kept or utc_s - kept[-1][0] >= _KEPT_EVERY_S):
        kept = (*kept, (utc_s, pa))
    return replace(zero, kept=kept, uncertain=verdict is ZeroVerdict.UNCERTAIN)
