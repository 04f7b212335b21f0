"""Learned values between the ledger and the watch, and what a person may say about them from the command line."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import exp
from pathlib import Path
from threading import Event

from fillguard.app.gases import Gases
from fillguard.clock import SystemClock
from fillguard.core.errors import FillguardError
from fillguard.core.events import FillEnded, LearnedChanged, LearningReset, SettledJudged, SettledRead
from fillguard.core.learned import AS_SHIPPED, Doubt, Ending, StationLearned
from fillguard.core.rules import Rules
from fillguard.core.station import StationState
from fillguard.core.teaching import ENDINGS_KEPT, without
from fillguard.core.values import Warmth
from fillguard.core.visiting import Visited, visited
from fillguard.core.warmth import kept
from fillguard.engine import Stepper
from fillguard.intake.commands import command_text
from fillguard.intake.sending import send_command
from fillguard.ledger.lock import LedgerLocked
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.store import Owner
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.ports import StepRecord
from fillguard.settings import Settings, load_settings

_ANSWER_WITHIN_S = 15.0
_LOOK_EVERY_S = 0.25
_LEDGER_WITHIN_S = 10.0
HISTORY = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Remembered:
    """What an earlier run had learned."""

    learned: StationLearned
    endings: tuple[Ending, ...]
    warm: tuple[Warmth, ...]
    """How warm the last cylinders were left behind."""
    visited: tuple[Visited, ...]
    """What the last fills of each cylinder say of the way into it."""
    told: tuple[str, ...]
    """For the log: why the shipped values are used instead."""


def remembered(reader: SqliteLedgerReader) -> Remembered:
    """The values in force by the ledger; the shipped ones where the record cannot be read, and that is said."""
    told: list[str] = []
    learned: StationLearned = AS_SHIPPED
    endings: tuple[Ending, ...] = ()
    warm: tuple[Warmth, ...] = ()
    known: tuple[Visited, ...] = ()
    try:
        newest = reader.learned_changes(1)
        learned = newest[0].learned if newest else AS_SHIPPED
    except (FillguardError, ValueError) as problem:
        # The number goes on from what was used, so that no version ever means two things.
        learned = replace(AS_SHIPPED, version=reader.count_learned_changes())
        told.append(f"the learned values cannot be read ({problem}): the shipped ones are in use")
    try:
        ended = reader.newest_ends(ENDINGS_KEPT)
        warm = kept((), (each.warmth for each in ended if each.warmth is not None))
        known = visited((), ended)
        endings = _still_open(reader, ended)
    except (FillguardError, ValueError) as problem:
        told.append(
            f"earlier fills cannot be read ({problem}): settled readings of them teach nothing, and their cylinders "
            "count as cold"
        )
    return Remembered(learned=learned, endings=endings, warm=warm, visited=known, told=tuple(told))


def _still_open(reader: SqliteLedgerReader, newest: Iterable[FillEnded]) -> tuple[Ending, ...]:
    """Fills that a settled reading can still teach about: not read yet, and no later fill of the same cylinder."""
    endings: tuple[Ending, ...] = ()
    for ended in newest:
        if ended.summary.serial is not None:
            endings = without(endings, serial=ended.summary.serial)
        used = any(judged.uses_up for judged in reader.settled_readings(ended.summary.fill_id))
        if ended.ending is not None and not used:
            endings = (*endings, ended.ending)
    return endings


@dataclass(frozen=True, slots=True, kw_only=True)
class InUse:
    """The learned values now, and how they came to be."""

    learned: StationLearned
    history: tuple[LearnedChanged, ...]
    """Newest first."""
    told: tuple[str, ...]


def in_use(config: Path, ledger: Path | None, environ: Mapping[str, str]) -> InUse:
    """Read the values in force. Raises LedgerError."""
    path = ledger if ledger is not None else load_settings(config, environ).ledger.path
    with SqliteLedgerReader(path) as reader:
        known = remembered(reader)
        history = () if known.told else tuple(reader.learned_changes(HISTORY))
    return InUse(learned=known.learned, history=history, told=known.told)


NORMAL_90 = 1.645


def value_rows(learned: StationLearned) -> list[tuple[str, str, str, str]]:
    """What is in use, in words: thing, value, 90 % interval, number of lessons."""
    rows = [_scale_row("heat transfer, any cylinder", learned.shift(), sum(each.lessons for each in learned.classes))]
    rows += [
        _scale_row(f"heat transfer, {each.name}", learned.shift(each.name), each.lessons) for each in learned.classes
    ]
    supply = learned.supply_k()
    low, high = supply.guess - NORMAL_90 * supply.sigma, supply.guess + NORMAL_90 * supply.sigma
    told = (f"{supply.guess:+.1f} K on what is assumed", f"{low:+.1f} to {high:+.1f} K")
    return [*rows, ("supply temperature", *told, str(learned.supply.lessons))]


def _scale_row(what: str, shift: Doubt, lessons: int) -> tuple[str, str, str, str]:
    low, high = exp(shift.guess - NORMAL_90 * shift.sigma), exp(shift.guess + NORMAL_90 * shift.sigma)
    return what, f"{exp(shift.guess):.2f} of the shipped", f"{low:.2f} to {high:.2f}", str(lessons)


def settled(
    fill_id: str, *, gauge_pa: float, temperature_k: float, by: str, config: Path, environ: Mapping[str, str]
) -> SettledJudged | None:
    """Record a settled reading; returns what came of it, None when the running watch has not answered."""
    event = SettledRead(
        stamp=SystemClock().now(), fill_id=fill_id, gauge_pa=gauge_pa, temperature_k=temperature_k, by=by
    )
    answers = _told(event, config, environ)
    return next((fact for fact in answers if isinstance(fact, SettledJudged)), None)


def reset(*, by: str, why: str, config: Path, environ: Mapping[str, str]) -> LearnedChanged | None:
    """Put the shipped values back in force; None when the running watch has not answered."""
    answers = _told(LearningReset(stamp=SystemClock().now(), by=by, why=why), config, environ)
    return next((fact for fact in answers if isinstance(fact, LearnedChanged)), None)


Answer = SettledJudged | LearnedChanged


def _told(event: SettledRead | LearningReset, config: Path, environ: Mapping[str, str]) -> list[Answer]:
    """Step the event where the record is: here when nobody watches, else in the running watch."""
    settings = load_settings(config, environ)
    clock = SystemClock()
    try:
        writer = SqliteLedgerWriter(settings.ledger.path, Owner(station=settings.station.id), clock)
    except LedgerLocked:
        return _sent(event, settings)
    try:
        with SqliteLedgerReader(settings.ledger.path) as reader:
            known = remembered(reader)
        rules = replace(_rules(settings), learned=known.learned)
        stepper = Stepper(rules, StationState(endings=known.endings))
        facts: list[Answer] = []
        for happening in stepper.feed(event):
            writer.put(StepRecord(cause=happening.cause, facts=happening.facts))
            facts += [fact for fact in happening.facts if isinstance(fact, SettledJudged | LearnedChanged)]
    finally:
        left = writer.stop(_LEDGER_WITHIN_S)
    if left:
        raise FillguardError(
            f"{left} entries were not recorded: see that the ledger's disk has room, then say it again"
        )
    return facts


def _rules(settings: Settings) -> Rules:
    return settings.rules(Gases(report=lambda _: None).fitted)


def _sent(event: SettledRead | LearningReset, settings: Settings) -> list[Answer]:
    """Tell the running watch through the broker, and wait for what it records."""
    with SqliteLedgerReader(settings.ledger.path) as reader:
        before = reader.newest_event()
        send_command(settings.broker, settings.station.id, command_text(event))
        pause = Event()
        for _ in range(int(_ANSWER_WITHIN_S / _LOOK_EVERY_S)):
            new = reader.events_after(before)
            found = [fact for fact in new if isinstance(fact, SettledJudged | LearnedChanged)]
            if any(_answers(fact, event) for fact in found):
                return found
            pause.wait(_LOOK_EVERY_S)
    return []


def _answers(fact: Answer, event: SettledRead | LearningReset) -> bool:
    if isinstance(event, SettledRead):
        return isinstance(fact, SettledJudged) and (fact.fill_id, fact.by) == (event.fill_id, event.by)
    return isinstance(fact, LearnedChanged) and fact.by == event.by
