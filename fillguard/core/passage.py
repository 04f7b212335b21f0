"""The way from whip to cylinder, judged by the gauge alone: does the cylinder follow as behind an open valve?

An open cylinder valve passes at least `LEAST_OPEN_M3_S`. Whatever the panel does, the cylinder behind it cannot stand
lower than a bound that follows the whip through such a valve (ISO 6358, critical ratio a half)::

    d bound / dt = n q whip share(bound / whip) / V

Two things speak against an open valve. The whip leaps so far ahead of the bound that a cylinder behind an open valve
would fill absurdly fast, and then does not climb accordingly (`Way.RUNS_AHEAD`). Or it comes back below the bound,
faster than gas cools, and stands or rises there: it had been ahead of the cylinder (`Way.CREEPS_BACK`). A whip that is
bled does not stand again, a cylinder that empties neither. SI, absolute pressures, sample times.
"""

from enum import StrEnum
from math import sqrt
from typing import NamedTuple

from fillguard.core.units import PA_PER_BAR

_BAR = PA_PER_BAR
LEAST_OPEN_M3_S = 0.126e-3
"""Through an open valve with its whip, choked, counted at the whip's pressure (our estimate: half of what a narrow one
passes; it fills 11 litres with 60 bar/min from a whip at 73 bar)."""
_STIFFENING = 1.2
"""Relative rise of pressure over that of mass while filling: between isothermal and adiabatic."""
_CRITICAL_RATIO = 0.5
_SMOOTHING_S = 0.6
_LONGEST_GAP_S = 6.0
"""After a longer silence nobody knows how the gauge got where it is; a leap in doubt is withheld for less."""
_LEAP_PA, _CAUGHT_UP_PA = 10.0 * _BAR, 5.0 * _BAR
_LEAP_SHARE = 0.15
"""Of the whip's pressure: a smaller gap an open valve may need in a very fast fill."""
_ABSURD_PA_S = 60.0 * _BAR / 60.0
"""Faster than a fast fill (common practice: 20 to 40 bar/min)."""
_ABSURD_FOR_S = 2.0
_TOP_AFTER_S = 3.0
_AHEAD_PA = 20.0 * _BAR
_AHEAD_AFTER_S = 15.0
_AHEAD_PA_S = 50.0 * _BAR / 60.0
_FOLLOWS_SHARE = 0.6
_COOLS_SHARE_S = 0.002
"""Gas in a cylinder loses less of its pressure in a second by cooling (fast fills of composite: up to 0.15 %)."""
_CREPT_PA = 2.5 * _BAR
_STANDS_S, _STANDS_PA, _RISES_PA = 3.0, 0.7 * _BAR, 1.0 * _BAR
_BLED_PA = 11.0 * _BAR
_DEEP_SHARE = 0.7
"""A fall further than this without a leap before it is a loss, not a whip that comes back."""
_BELOW_START_PA = 2.0 * _BAR
_TRIED_S, _TRIED_RISE_PA, _TRIED_GAP_PA = 20.0, 5.0 * _BAR, 4.0 * _BAR


class Way(StrEnum):
    """What speaks against an open valve."""

    RUNS_AHEAD = "runs ahead"
    CREEPS_BACK = "creeps back"


class Held(NamedTuple):
    """The whip was ahead of the cylinder: something holds the gas back."""

    way: Way
    from_pa: float
    """Where the whip stood: before it leapt, or before it came back."""
    to_pa: float
    """Where it leapt to, or came back to."""
    since_s: float
    over_s: float

    @property
    def ahead_pa(self) -> float:
        """How far it leapt or came back."""
        return abs(self.to_pa - self.from_pa)


class Leap(NamedTuple):
    """The whip is far ahead of the bound."""

    began_s: float
    base_pa: float
    top_s: float = 0.0
    top_pa: float = 0.0
    """The whip once the leap itself is over."""
    absurd_s: float = 0.0
    """For how long a cylinder behind an open valve would have filled absurdly fast."""


class Fall(NamedTuple):
    """The whip is below the bound."""

    began_s: float
    from_pa: float
    lowest_pa: float
    deepest_pa: float
    """How far below the bound it has been."""
    flowed: bool
    doubted: bool


class Passage(NamedTuple):
    """What the gauge has shown of the way into the cylinder since the cylinder was seen standing."""

    sample_s: float
    start_pa: float
    """The cylinder has at least this."""
    whip_pa: float
    """Smoothed over half a second."""
    bound_pa: float
    mark_s: float
    mark_pa: float
    """The whip some seconds ago."""
    leap: Leap | None = None
    fall: Fall | None = None
    doubted: bool = False
    """The whip may be far ahead of the cylinder: what falls may be the hose alone."""
    held: Held | None = None
    tried_s: float | None = None
    """Since when gas has flowed, from a standstill, without the whip running ahead; None: not tried so."""
    tried_pa: float = 0.0

    def may_be_at(self, whip_abs_pa: float) -> bool:
        """True unless that is less than the cylinder is known to hold."""
        return whip_abs_pa > self.start_pa - _BELOW_START_PA


def seen_standing(sample_s: float, whip_abs_pa: float) -> Passage:
    """The gauge stands at the cylinder's own pressure."""
    return Passage(sample_s, whip_abs_pa, whip_abs_pa, whip_abs_pa, sample_s, whip_abs_pa)


def seen_falling(sample_s: float, whip_abs_pa: float) -> Passage:
    """The whip came down from the supply's pressure to this when the cylinder valve was opened; it may yet fall."""
    return seen_standing(sample_s, whip_abs_pa)._replace(start_pa=min(whip_abs_pa, _BLED_PA))


def through(
    old: Passage, sample_s: float, whip_abs_pa: float, capacity_m3: float, *, flowing: bool, measured: bool
) -> Passage:
    """The passage after one more reading.

    Args:
        old: Before it.
        sample_s: The reading's own time.
        whip_abs_pa: What it says.
        capacity_m3: Water capacity of all that hangs on the whip.
        flowing: Gas is taken to flow in; what falls then had been held up by the flow.
        measured: False when the sensor had stood still before this reading: the leap is not the whip's.
    """
    dt = sample_s - old.sample_s
    if dt > _LONGEST_GAP_S or not measured:
        return seen_standing(sample_s, whip_abs_pa)._replace(start_pa=old.start_pa, doubted=old.doubted, held=old.held)
    whip = old.whip_pa + min(1.0, dt / _SMOOTHING_S) * (whip_abs_pa - old.whip_pa)
    climb_pa_s = _STIFFENING * LEAST_OPEN_M3_S / capacity_m3 * whip * _share(old.bound_pa / whip)
    if whip > old.bound_pa:
        bound = min(old.bound_pa + climb_pa_s * dt, whip)
    else:
        bound = max(whip, old.bound_pa * (1.0 - _COOLS_SHARE_S * dt))
    stands = False
    new = old._replace(sample_s=sample_s, whip_pa=whip, bound_pa=bound)
    if sample_s - old.mark_s >= _STANDS_S:
        stands = abs(whip - old.mark_pa) < _STANDS_PA
        new = new._replace(mark_s=sample_s, mark_pa=whip)
    if old.leap is not None or whip - bound >= _LEAP_PA:
        new = _leaping(new, climb_pa_s, dt)
    if bound > whip:
        return _falling(new, old, stands=stands, flowing=flowing)
    if new.fall is not None:
        new = new._replace(fall=None)
    return _tried(new, stands=stands, flowing=flowing) if new.doubted else new


def _share(ratio: float) -> float:
    """Flow over choked flow at this ratio of cylinder to whip pressure."""
    if ratio <= _CRITICAL_RATIO:
        return 1.0
    y = (1.0 - ratio) / (1.0 - _CRITICAL_RATIO)
    return sqrt(2.0 * y - y * y) if y > 0.0 else 0.0


def _leaping(new: Passage, climb_pa_s: float, dt: float) -> Passage:
    leap, gap = new.leap or Leap(new.sample_s, new.bound_pa), new.whip_pa - new.bound_pa
    lasted = new.sample_s - leap.began_s
    if gap < _CAUGHT_UP_PA:
        followed = lasted >= _AHEAD_AFTER_S / 2.0 and new.held is None and new.whip_pa > leap.top_pa - _RISES_PA
        return new._replace(leap=None, doubted=new.doubted and not followed)
    if climb_pa_s > _ABSURD_PA_S and gap > _LEAP_SHARE * new.whip_pa:
        leap = leap._replace(absurd_s=leap.absurd_s + dt)
    if leap.top_s == 0.0 and lasted >= _TOP_AFTER_S:
        leap = leap._replace(top_s=new.sample_s, top_pa=new.whip_pa)
    new = new._replace(leap=leap, doubted=new.doubted or leap.absurd_s >= _ABSURD_FOR_S)
    if lasted < _AHEAD_AFTER_S or new.held is not None or not _runs_ahead(new, leap):
        return new
    held = Held(Way.RUNS_AHEAD, leap.base_pa, leap.top_pa, leap.began_s, lasted)
    return new._replace(held=held, doubted=True, tried_s=None)


def _runs_ahead(new: Passage, leap: Leap) -> bool:
    """True when an open valve would have filled the cylinder absurdly fast, and the whip has not climbed like that."""
    if leap.top_pa - leap.base_pa < max(_AHEAD_PA, _LEAP_SHARE * leap.top_pa):
        return False
    would = (new.bound_pa - leap.base_pa) / (new.sample_s - leap.began_s)
    does = (new.whip_pa - leap.top_pa) / (new.sample_s - leap.top_s)
    return would >= _AHEAD_PA_S and does <= _FOLLOWS_SHARE * would


def _falling(new: Passage, old: Passage, *, stands: bool, flowing: bool) -> Passage:
    below_pa = new.bound_pa - new.whip_pa
    fall = new.fall or Fall(old.sample_s, old.whip_pa, new.whip_pa, below_pa, flowing, new.doubted)
    fall = fall._replace(lowest_pa=min(fall.lowest_pa, new.whip_pa), deepest_pa=max(fall.deepest_pa, below_pa))
    over = stands or new.whip_pa > fall.lowest_pa + _RISES_PA
    if not over or fall.deepest_pa < _CREPT_PA:
        return new._replace(fall=fall)
    new = new._replace(bound_pa=new.whip_pa, fall=None, leap=None)
    shallow = fall.lowest_pa > _DEEP_SHARE * fall.from_pa and new.may_be_at(fall.lowest_pa)
    counts = fall.doubted or (fall.flowed and shallow)
    if fall.lowest_pa < _BLED_PA or not counts:
        return new
    held = Held(Way.CREEPS_BACK, fall.from_pa, fall.lowest_pa, fall.began_s, new.sample_s - fall.began_s)
    start_pa = min(new.start_pa, fall.lowest_pa)
    return new._replace(held=held, doubted=True, start_pa=start_pa, tried_s=None)


def _tried(new: Passage, *, stands: bool, flowing: bool) -> Passage:
    """A stop at which nothing came back; or flow from a standstill without running ahead: the valve has been opened."""
    if not flowing:
        level = stands and new.leap is None
        return new._replace(doubted=new.held is not None or not level, tried_s=new.sample_s, tried_pa=new.whip_pa)
    if new.tried_s is None:
        return new
    if new.whip_pa - new.bound_pa > _TRIED_GAP_PA:
        return new._replace(tried_s=None)
    if new.sample_s - new.tried_s < _TRIED_S or new.whip_pa - new.tried_pa < _TRIED_RISE_PA:
        return new
    return new._replace(held=None, doubted=False, tried_s=None)
