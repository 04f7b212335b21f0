"""The verdict on a cylinder: fill, fill with care, or do not fill, each reason in words."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from fillguard.core.units import bar_from_pa, c_from_k, f_from_k, psi_from_pa

LOCAL_CODES = "Defer to local codes, the cylinder's maker and a competent person: where they are stricter, they win."
"""Goes with every verdict."""


class Level(StrEnum):
    """The three words."""

    FILL = "fill"
    CARE = "fill with care"
    REFUSE = "do not fill"


GRAVITY = {Level.FILL: 0, Level.CARE: 1, Level.REFUSE: 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One thing that speaks for care or against filling."""

    code: str
    """Stable word: `condemned`, `test-overdue`, `plus-marked`, ..."""
    level: Level
    text: str
    """One sentence for the operator."""
    overridable: bool = True
    """False: nobody may fill it all the same, whatever the reason."""
    source: str = ""
    """Where the rule comes from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """Something that falls due soon."""

    what: str
    on: str
    """Last day on which it is still in date, ISO 8601, the station's days."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What was said of a cylinder when it was attached, and by whom it was overridden."""

    level: Level
    profile: str
    """Whose rules: `us`, `eu`, or the shop's own."""
    day: str
    """The station's day it was given on, ISO 8601."""
    reasons: tuple[Reason, ...] = ()
    """Gravest first."""
    limit_gauge_pa: float | None = None
    """Settled, at `reference_k`; None where the rating is not known."""
    reference_k: float | None = None
    max_rate_pa_s: float | None = None
    due: tuple[Due, ...] = ()
    missing: tuple[str, ...] = ()
    """What the register should know and does not, in words."""
    overridden_by: str | None = None
    override_reason: str | None = None

    @property
    def forbids(self) -> bool:
        """True while gas must not flow into it."""
        return self.level is Level.REFUSE and self.overridden_by is None

    @property
    def refusals(self) -> tuple[Reason, ...]:
        """The reasons against filling."""
        return tuple(reason for reason in self.reasons if reason.level is Level.REFUSE)

    @property
    def absolute(self) -> tuple[Reason, ...]:
        """The reasons that nobody may override."""
        return tuple(reason for reason in self.refusals if not reason.overridable)

    def overridden(self, by: str, why: str) -> tuple["Verdict", str | None]:
        """The same with the name of whoever takes it on themselves; or unchanged, and in words why nobody may."""
        if not self.refusals:
            return self, f"nothing to override: the verdict is {self.level}"
        if self.absolute:
            return self, f"nobody may override this: {'; '.join(reason.text for reason in self.absolute)}"
        return replace(self, overridden_by=by, override_reason=why), None

    def answered(self, codes: Iterable[str]) -> "Verdict":
        """The same without the reasons called `codes`: somebody looked."""
        gone = frozenset(codes)
        return self._for(reason for reason in self.reasons if reason.code not in gone)

    def with_reasons(self, more: Iterable[Reason]) -> "Verdict":
        """The same with `more` reasons."""
        return self._for((*self.reasons, *more))

    def _for(self, reasons: Iterable[Reason]) -> "Verdict":
        ordered = tuple(sorted(reasons, key=lambda reason: (-GRAVITY[reason.level], reason.overridable)))
        level = max((reason.level for reason in ordered), key=GRAVITY.__getitem__, default=Level.FILL)
        return replace(self, reasons=ordered, level=level)

    @property
    def text(self) -> str:
        """In one paragraph: the words, the limit, why, what is due, what is missing."""
        parts = [
            self.headline,
            *(f"{reason.text[:1].upper()}{reason.text[1:]}." for reason in self.reasons),
            f"Due: {', '.join(f'{due.what} by {due.on}' for due in self.due)}." if self.due else "",
            f"Not on record: {', '.join(self.missing)}." if self.missing else "",
            f"Overridden by {self.overridden_by}: {self.override_reason}." if self.overridden_by else "",
            LOCAL_CODES,
        ]
        return " ".join(part for part in parts if part)

    @property
    def headline(self) -> str:
        """As in "Fill with care, up to 232 bar (3364 psi) settled at 15 C (59 F), at most 30 bar/min (profile eu)."."""
        limit, rate = limit_text(self.limit_gauge_pa, self.reference_k), self.max_rate_pa_s
        up_to = f", up to {limit}" if limit and self.level is not Level.REFUSE else ""
        at_most = f", at most {bar_from_pa(rate) * 60.0:.3g} bar/min" if up_to and rate is not None else ""
        return f"{self.level.value.capitalize()}{up_to}{at_most} (profile {self.profile})."


def limit_text(limit_gauge_pa: float | None, reference_k: float | None) -> str:
    """`206 bar (3000 psi) settled at 21.1 C (70 F)`, never above what it is; empty when not known."""
    if limit_gauge_pa is None or reference_k is None:
        return ""
    bar, psi = int(bar_from_pa(limit_gauge_pa) + _ROUNDING), int(psi_from_pa(limit_gauge_pa) + _ROUNDING)
    return f"{bar} bar ({psi} psi) settled at {c_from_k(reference_k):.3g} C ({f_from_k(reference_k):.2g} F)"


_ROUNDING = 1e-6
"""3000 psi in pascal and back is 2999.9999...: still 3000."""
