"""Scoring of recorded fills on the whole watch: `python -m fillguard.app.scoring FOLDER [--json]`.

FOLDER holds `fill_NNN.json` with `fill_NNN.csv.gz` beside each. Fills numbered from 100 on are taken for those with the
weaker heat transfer; even and odd numbers are also told apart, so that nothing is tuned to all of them at once.
"""

import json
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TextIO

from fillguard.app.gases import Gases
from fillguard.app.replaying import prepare
from fillguard.bench.recordings import Recording, read_recording
from fillguard.bench.score import FillScore, Row, rows_of, score_fill, table
from fillguard.core.errors import FillguardError
from fillguard.engine import Happening

WEAKER_FROM = 100
GAUGE_OFF = frozenset({2, 16})
"""Fills with a calibration error of the gauge that nobody can see: scored apart."""


class Watch:
    """Plays captures through decoder and step with the default configuration."""

    def __init__(self) -> None:
        """Gas surfaces are fitted once for all fills."""
        self._gases = Gases(report=lambda text: _say(sys.stderr, text))

    def __call__(self, lines: Iterable[bytes]) -> Iterator[Happening]:
        """Everything that happens."""
        ready = prepare(lines, config_dir=None, register=None, environ={}, trace=False, gases=self._gases)
        return ready.happenings


def scores_of(recordings: Iterable[Recording], watch: Watch) -> Iterator[FillScore]:
    """Every fill, with its wall sensor where it has one, and without."""
    for recording in recordings:
        if recording.has_wall_sensor:
            yield score_fill(recording, watch, wall=True)
        yield score_fill(recording, watch, wall=False)


def report(scores: Sequence[FillScore], apart: frozenset[int]) -> Iterator[Row]:
    """The table: all, both kinds of heat transfer, both halves, and what is scored apart."""
    for wall in (True, False):
        mine = [score for score in scores if score.wall is wall and score.number not in apart]
        name = "with sensor" if wall else "without"
        yield from rows_of(name, mine)
        for part, chosen in (
            ("strong heat transfer", [s for s in mine if s.number < WEAKER_FROM]),
            ("weak heat transfer", [s for s in mine if s.number >= WEAKER_FROM]),
            ("even numbers", [s for s in mine if s.number % 2 == 0]),
            ("odd numbers", [s for s in mine if s.number % 2]),
        ):
            yield from rows_of(f"{name}, {part}", chosen)
        yield from rows_of(f"{name}, gauge off", [s for s in scores if s.wall is wall and s.number in GAUGE_OFF])


def main(arguments: Sequence[str]) -> int:
    """Score the folders named; 0, or 2 when they cannot be read."""
    try:
        recordings = _recordings([argument for argument in arguments if argument != "--json"])
    except FillguardError as error:
        _say(sys.stderr, str(error))
        return 2
    burst = frozenset(recording.number for recording in recordings if recording.burst)
    scores = list(scores_of(recordings, Watch()))
    rows = list(report(scores, apart=burst | GAUGE_OFF))
    if "--json" in arguments:
        _say(sys.stdout, json.dumps({"rows": [asdict(row) for row in rows], "fills": [asdict(one) for one in scores]}))
        return 0
    judged = [score.verdict_right for score in scores if score.verdict_right is not None]
    for line in (*map(_told, scores), *table(rows)):
        _say(sys.stdout, line)
    _say(sys.stdout, f"over the rating or not, more than 3 bar from it: {sum(judged)} of {len(judged)} right")
    return 0


def _recordings(folders: Sequence[str]) -> list[Recording]:
    paths = sorted(path for folder in folders for path in Path(folder).glob("fill_*.json"))
    if not paths:
        raise FillguardError(f"no fill_*.json in {', '.join(folders) or '(no folder)'}: name the folder with the fills")
    return [read_recording(path) for path in paths]


def _say(stream: TextIO, text: str) -> None:
    stream.write(f"{text}\n")


def _told(score: FillScore) -> str:
    hits = "  ".join(f"{name} {hit.error_bar:+.2f}{'' if hit.inside else '!'}" for name, hit in score.hits.items())
    stop = f"stop-at {_figure(score.stop_at_bar)} in {_figure(score.seconds)} s"
    return f"{score.number:03d} {score.group:11} {hits}  {stop}"


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:+.1f}"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
