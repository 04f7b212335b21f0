"""Carries what fills teach into the station's learned values, at the end of a step, in the order of its facts.

Pure like the step itself: lesson and change leave as events, so a record replayed teaches the same.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fillguard.core.events import (
    FillEnded,
    FillStarted,
    InEvent,
    LearnedChanged,
    LearningReset,
    OutEvent,
    SettledJudged,
    SettledRead,
)
from fillguard.core.learned import Ending, Lesson, StationLearned, Unfit
from fillguard.core.learning import RETURNED_SIGMA_K, TOLD_SIGMA_K, settled_lesson
from fillguard.core.rules import Rules
from fillguard.core.values import Stamp, Surroundings
from fillguard.core.whip import WhipState

ENDINGS_KEPT = 256
"""Fills that a settled reading can still be given for."""
_COLD_AFTER_S = 3.0 * 3600.0
"""In the air of the shop a cylinder is as cold as that after so long (time constant under an hour)."""
_SAME_CONTENTS_FOR_S = 72.0 * 3600.0
_WALL_IS_AIR_K = 1.5
_WALL_FRESH_S = 30.0
US = "fillguard"


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What is known beside the facts when a step ends."""

    whips: Mapping[str, WhipState]
    air_k: float | None
    rules: Rules
    now: Stamp


def taught_by(
    event: InEvent, facts: Sequence[OutEvent], endings: tuple[Ending, ...], around: Around
) -> tuple[tuple[Ending, ...], tuple[OutEvent, ...]]:
    """The fills that can still be read settled, and what the step's event and facts taught."""
    pupil = _Pupil(endings, around)
    match event:
        case SettledRead():
            pupil.read(event)
        case LearningReset():
            pupil.change(around.rules.learned.reset(), by=event.by, why=f"reset to the shipped values: {event.why}")
    for fact in facts:
        match fact:
            case FillStarted():
                pupil.began(fact)
            case FillEnded():
                pupil.ended(fact)
    return pupil.endings, tuple(pupil.told)


def without(
    endings: tuple[Ending, ...], *, serial: str | None = None, fill_id: str | None = None
) -> tuple[Ending, ...]:
    """The endings but those of one cylinder, or of one fill."""
    return tuple(each for each in endings if each.serial != serial and each.fill_id != fill_id)


class _Pupil:
    """The learned values during one step."""

    def __init__(self, endings: tuple[Ending, ...], around: Around) -> None:
        self.endings = endings
        self.told: list[OutEvent] = []
        self._around = around
        self._learned = around.rules.learned

    def change(self, learned: StationLearned, *, by: str, why: str, lesson: Lesson | None = None) -> None:
        """Put other values in force."""
        self._learned = learned
        self.told.append(LearnedChanged(stamp=self._around.now, learned=learned, by=by, why=why, lesson=lesson))

    def read(self, event: SettledRead) -> None:
        """A person read a settled cylinder."""
        ending = next((ending for ending in self.endings if ending.fill_id == event.fill_id), None)
        if ending is None:
            self.told.append(
                SettledJudged(
                    stamp=event.stamp,
                    fill_id=event.fill_id,
                    gauge_pa=event.gauge_pa,
                    temperature_k=event.temperature_k,
                    by=event.by,
                    projected_gauge_pa=None,
                    untaught=Unfit.UNKNOWN_FILL,
                )
            )
            return
        self._judge(ending, event.gauge_pa, event.temperature_k, by=event.by, sigma_k=TOLD_SIGMA_K)

    def began(self, fact: FillStarted) -> None:
        """The next fill of a cylinder: what stood in it before is the last fill's settled pressure, if it is cold."""
        ending = next((ending for ending in self.endings if ending.serial == fact.serial), None)
        if ending is None:
            return
        self.endings = without(self.endings, serial=fact.serial)
        at_k = self._temperature_k(fact, ending)
        if fact.plateau_seen and at_k is not None:
            self._judge(ending, fact.start_gauge_pa, at_k, by=US, sigma_k=RETURNED_SIGMA_K)

    def ended(self, fact: FillEnded) -> None:
        """A fill is over."""
        if fact.ending is not None:
            self.endings = (*self.endings, fact.ending)[-ENDINGS_KEPT:]
        if fact.lesson is not None:
            why = f"fill {fact.summary.fill_id} stayed connected after its close"
            self.change(self._learned.taught(fact.lesson), by=US, why=why, lesson=fact.lesson)

    def _judge(self, ending: Ending, gauge_pa: float, at_k: float, *, by: str, sigma_k: float) -> None:
        found = settled_lesson(ending, self._around.rules.surface_of(ending.mix), gauge_pa, at_k, sigma_k=sigma_k)
        lesson = found if isinstance(found, Lesson) else None
        judged = SettledJudged(
            stamp=self._around.now,
            fill_id=ending.fill_id,
            gauge_pa=gauge_pa,
            temperature_k=at_k,
            by=by,
            projected_gauge_pa=ending.settled_gauge_pa,
            lesson=lesson,
            untaught=None if isinstance(found, Lesson) else found,
        )
        self.told.append(judged)
        if judged.uses_up:
            self.endings = without(self.endings, fill_id=ending.fill_id)
        if lesson is not None:
            why = f"settled reading of fill {ending.fill_id}"
            self.change(self._learned.taught(lesson), by=by, why=why, lesson=lesson)

    def _temperature_k(self, fact: FillStarted, ending: Ending) -> float | None:
        """How warm the cylinder hangs on the whip, where that is known of gas and wall alike."""
        since_s = fact.started_s - ending.ended_s
        air_k, whip = self._around.air_k, self._around.whips.get(fact.whip)
        if not 0.0 < since_s <= _SAME_CONTENTS_FOR_S or air_k is None or fact.surroundings is not Surroundings.AIR:
            return None
        wall = whip.wall if whip is not None else None
        if wall is None or fact.stamp.mono_s - wall.arrived_mono_s > _WALL_FRESH_S:
            return air_k if since_s >= _COLD_AFTER_S else None
        return wall.kelvin if abs(wall.kelvin - air_k) <= _WALL_IS_AIR_K else None
