"""When the station's state is kept: in time, only what changed, and all of it where the last one was passed over."""

from dataclasses import dataclass, field, replace

import pytest

from fillguard.app import keeping
from fillguard.app.keeping import Snapshots
from fillguard.core.events import OutEvent, Phase, PhaseChanged, RulesChanged, Tick
from fillguard.core.station import StationState
from fillguard.core.whip import WhipState
from fillguard.engine import Happening
from fillguard.ports import StationSnapshot
from tests.panel import stamp

MOVED = PhaseChanged(
    stamp=stamp(0), sample_s=0.0, whip="1", fill_id=None, old=Phase.IDLE, new=Phase.ATTACHED, reason="attached"
)


@dataclass
class Keeper:
    """A ledger that keeps states, or has no room for them."""

    has_room: bool = True
    kept: list[StationSnapshot] = field(default_factory=list)

    def put_snapshot(self, snapshot: StationSnapshot) -> bool:
        if self.has_room:
            self.kept.append(snapshot)
        return self.has_room


class Bench:
    """Two whips, of which the first changes at every step."""

    def __init__(self) -> None:
        self.keeper = Keeper()
        self.snapshots = Snapshots(self.keeper)
        self.state = StationState(whips={name: WhipState(whip=name) for name in ("1", "2")})

    def steps(self, at_s: float, *facts: OutEvent, count: int = 1) -> None:
        for _ in range(count):
            changed = replace(self.state.whips["1"], ahead_pa=self.state.whips["1"].ahead_pa + 1.0)
            self.state = replace(self.state, whips={**self.state.whips, "1": changed})
            self.snapshots.after(self.state, [Happening(Tick(stamp=stamp(at_s)), facts)])

    @property
    def kept(self) -> list[list[str]]:
        """Whips of each snapshot."""
        return [[whip.whip for whip in snapshot.changed] for snapshot in self.keeper.kept]


@pytest.fixture
def bench() -> Bench:
    bench = Bench()
    bench.snapshots.all(bench.state, stamp(0))
    assert bench.kept == [["1", "2"]]
    return bench


def test_once_a_minute_what_changed_is_kept(bench: Bench) -> None:
    for second in range(1, 125):
        bench.steps(float(second))
    assert bench.kept[1:] == [["1"], ["1"]]
    assert [snapshot.at for snapshot in bench.keeper.kept[1:]] == [stamp(60), stamp(120)]
    assert bench.keeper.kept[-1].changed[0].ahead_pa == 120.0


def test_a_change_of_phase_is_kept_at_once_but_not_again_within_seconds(bench: Bench) -> None:
    bench.steps(10.0, MOVED)
    bench.steps(11.0, MOVED)
    bench.steps(20.0, MOVED)
    assert [snapshot.at for snapshot in bench.keeper.kept[1:]] == [stamp(10), stamp(20)]


def test_many_steps_are_kept_sooner(bench: Bench) -> None:
    bench.steps(1.0, count=keeping.KEPT_EVERY_STEPS)
    assert len(bench.kept) == 2


def test_under_new_rules_everything_is_kept_anew(bench: Bench) -> None:
    changed = RulesChanged(stamp=stamp(1), rules_hash="new", summary="too-fast 50 to 40 bar/min", by="tech-1")
    bench.snapshots.after(bench.state, [Happening(changed, ())])
    assert bench.kept[1:] == [["1", "2"]]


def test_after_one_that_was_passed_over_everything_is_kept(bench: Bench) -> None:
    bench.keeper.has_room = False
    bench.steps(61.0)
    bench.keeper.has_room = True
    bench.steps(122.0)
    assert bench.kept[1:] == [["1", "2"]]
