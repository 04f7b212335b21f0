"""A configuration changes while the watch runs: recorded, told, in force in its place in the order of everything."""

import json
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from fillguard.app.authors import Author, author_of, digest_of, note_author
from fillguard.app.reloading import Files, Reloading
from fillguard.core.events import InEvent, RulesChanged, ServiceChanged
from fillguard.engine import Inbox
from fillguard.ports import AuditEntry, ConfigInForce, Publication, RawMessage
from fillguard.settings import Settings, load_settings
from tests.fakes import FakeClock
from tests.stations import write_station

BY = Author(by="tech-1", why="whip 2 runs hot")
TOO_FAST = Path(__file__).resolve().parents[2] / "config" / "alarms.toml"


@dataclass
class FakeTrail:
    """What is put on the ledger's queue."""

    configs: list[ConfigInForce] = field(default_factory=list)
    audits: list[AuditEntry] = field(default_factory=list)

    def put_config(self, config: ConfigInForce) -> None:
        self.configs.append(config)

    def put_audit(self, entry: AuditEntry) -> None:
        self.audits.append(entry)


@dataclass
class Bench:
    """Everything around `Reloading`."""

    config: Path
    environ: dict[str, str] = field(default_factory=dict)
    inbox: Inbox = field(default_factory=Inbox)
    trail: FakeTrail = field(default_factory=FakeTrail)
    published: list[Publication] = field(default_factory=list)
    taken: list[Settings] = field(default_factory=list)
    log: list[tuple[str, bool]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.files = Files(self.config, self.environ)
        self.reloading = Reloading(
            load_settings(self.config, self.environ),
            clock=FakeClock(),
            inbox=self.inbox,
            ledger=self.trail,
            publish=self.published.append,
            take_over=self.taken.append,
            report=lambda text, *, ok=True: self.log.append((text, ok)),
        )

    def queued(self) -> list[RawMessage | InEvent | None]:
        return [self.inbox.take(0.0) for _ in range(len(self.inbox))]

    def sets(self, setpoint: float) -> str:
        text = TOO_FAST.read_text().replace("setpoint = 30\n", f"setpoint = {setpoint:g}\n")
        (self.config / "alarms.toml").write_text(text)
        return text


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(write_station(tmp_path / "config", 1883))


def rules_changed(bench: Bench) -> RulesChanged:
    (event,) = bench.queued()
    assert isinstance(event, RulesChanged)
    return event


def test_a_start_records_what_is_in_force_and_what_differs_from_the_last_run(bench: Bench) -> None:
    last = bench.reloading.latest.text
    bench.sets(25)
    later = Bench(bench.config)
    later.reloading.begin(last, BY)
    (config,) = later.trail.configs
    assert (config.who, config.why) == ("tech-1", "whip 2 runs hot (start)")
    assert config.change == ("too-fast setpoint: 30 -> 25 bar/min (stricter)",)
    assert config.config_hash == later.reloading.latest.hash


@pytest.mark.parametrize("author", [None, BY], ids=["nobody said a word", "somebody had changed it before"])
def test_a_start_without_changes_is_nobodys_doing(bench: Bench, author: Author | None) -> None:
    bench.reloading.begin(bench.reloading.latest.text, author)
    (config,) = bench.trail.configs
    assert (config.who, config.why, config.change) == ("fillguard", "start", ())


def test_the_very_first_start_has_nothing_to_compare_with(bench: Bench) -> None:
    bench.reloading.begin(None, None)
    assert [config.change for config in bench.trail.configs] == [()]


def test_new_thresholds_come_through_the_queue_and_are_in_force_only_then(bench: Bench) -> None:
    bench.sets(25)
    bench.files.load_into(bench.reloading, "asked to")
    event = rules_changed(bench)
    assert event.summary == "too-fast setpoint: 30 -> 25 bar/min (stricter)"
    assert event.thresholds is not None
    assert event.thresholds.alarms["too-fast"].setpoint == pytest.approx(25e5 / 60)
    assert (bench.taken, bench.trail.configs, bench.published) == ([], [], []), "not yet"

    bench.reloading.tell(event, ())
    (settings,) = bench.taken
    assert settings.hash == event.rules_hash
    (config,) = bench.trail.configs
    assert (config.config_hash, config.who, config.why) == (settings.hash, "not said", "asked to")
    assert config.change == (event.summary,)
    (published,) = bench.published
    assert (published.topic, published.qos, published.retain) == ("fillguard/tern/rules", 1, False)
    assert json.loads(published.payload)["hash"] == settings.hash


def test_two_loads_before_the_engine_comes_to_it_are_both_recorded_in_their_order(bench: Bench) -> None:
    for setpoint in (25, 20):
        bench.sets(setpoint)
        bench.files.load_into(bench.reloading, f"to {setpoint}")
    for event in bench.queued():
        assert isinstance(event, RulesChanged)
        bench.reloading.tell(event, ())
    assert [config.change for config in bench.trail.configs] == [
        ("too-fast setpoint: 30 -> 25 bar/min (stricter)",),
        ("too-fast setpoint: 25 -> 20 bar/min (stricter)",),
    ]


def test_a_change_that_failed_in_the_step_is_not_recorded_under_the_next_one(bench: Bench) -> None:
    for setpoint in (25, 20):
        bench.sets(setpoint)
        bench.files.load_into(bench.reloading, f"to {setpoint}")
    _, second = bench.queued()
    assert isinstance(second, RulesChanged)
    bench.reloading.tell(second, ())
    assert [config.why for config in bench.trail.configs] == ["to 20"]


def test_words_with_a_semicolon_in_them_stay_one_change(bench: Bench) -> None:
    text = TOO_FAST.read_text().replace('action = "Throttle."', 'action = "Throttle; look."')
    (bench.config / "alarms.toml").write_text(text)
    bench.files.load_into(bench.reloading, "words")
    bench.reloading.tell(rules_changed(bench), ())
    (config,) = bench.trail.configs
    assert config.change == ('too-fast action: "Throttle." -> "Throttle; look."',)


def test_events_of_others_are_none_of_its_business(bench: Bench) -> None:
    stranger = RulesChanged(stamp=FakeClock().now(), rules_hash="of nobody", summary="")
    bench.reloading.tell(stranger, ())
    assert (bench.taken, bench.trail.configs) == ([], [])


@pytest.mark.parametrize(
    ("edit", "audited", "logged"),
    [
        pytest.param(lambda text: text, "nothing has changed", "the configuration has not changed", id="nothing new"),
        pytest.param(
            lambda text: text.replace("port = 1883", "port = 1884"),
            "needs a restart: [broker] port: 1883 -> 1884",
            "configuration: [broker] port: 1883 -> 1884: comes into force at the next restart",
            id="only what needs a restart",
        ),
    ],
)
def test_a_load_that_changes_nothing_now_is_on_record_all_the_same(
    bench: Bench, edit: Callable[[str], str], audited: str, logged: str
) -> None:
    station = bench.config / "station.toml"
    station.write_text(edit(station.read_text()))
    bench.files.load_into(bench.reloading, "asked to (SIGHUP)")
    assert bench.queued() == []
    (entry,) = bench.trail.audits
    assert (entry.action, entry.detail) == ("configuration-loaded", audited)
    assert entry.data == {"why": "asked to (SIGHUP)", "config": load_settings(bench.config, {}).hash}
    assert logged in [text for text, _ in bench.log]


def test_broken_files_change_nothing_and_are_an_alarm_until_they_are_mended(bench: Bench) -> None:
    before = bench.reloading.latest
    (bench.config / "alarms.toml").write_text('[too-fast]\npriority = 7\naction = ""\n')
    bench.files.load_into(bench.reloading, "the files were changed")
    (event,) = bench.queued()
    assert isinstance(event, ServiceChanged)
    assert (event.service, event.ok) == ("configuration", False)
    assert "alarms.toml: [too-fast] priority = 7: allowed: a number from 1 to 3" in event.detail
    assert event.detail.endswith("The old one stays in force.")
    assert bench.reloading.latest is before
    (entry,) = bench.trail.audits
    assert (entry.action, entry.who) == ("configuration-refused", "not said")

    (bench.config / "alarms.toml").unlink()
    bench.files.load_into(bench.reloading, "mended")
    (mended,) = bench.queued()
    assert isinstance(mended, ServiceChanged)
    assert (mended.service, mended.ok) == ("configuration", True)


def test_many_problems_are_told_by_the_first_and_their_number(bench: Bench) -> None:
    (bench.config / "alarms.toml").write_text("".join(f"[nonsense-{n}]\na = 1\n" for n in range(9)))
    bench.files.load_into(bench.reloading, "why")
    (event,) = bench.queued()
    assert isinstance(event, ServiceChanged)
    assert "; and 6 more" in event.detail
    assert sum("nonsense" in text for text, _ in bench.log) == 9, "the log has them all"


def test_a_secret_in_a_broken_file_is_told_nowhere(bench: Bench) -> None:
    station = bench.config / "station.toml"
    station.write_text(station.read_text() + '\n[[channel]]\nname = "x"\nurl = "geheim-4711"\n')
    bench.files.load_into(bench.reloading, "why")
    assert "geheim" not in repr((bench.queued(), bench.log, bench.trail.audits))
    assert bench.trail.audits, "but that it is broken is told"


# --- Who


def test_who_changed_it_with_a_name_is_found_by_what_the_file_holds(bench: Bench) -> None:
    text = bench.sets(25)
    note_author(bench.config, text, BY, utc_s=1.0, change=["too-fast setpoint: 30 -> 25"])
    bench.files.load_into(bench.reloading, "asked to")
    event = rules_changed(bench)
    assert (event.by, event.why) == (BY.by, BY.why)


def test_what_was_edited_by_hand_afterwards_is_not_put_on_anybody(bench: Bench) -> None:
    note_author(bench.config, bench.sets(25), BY, utc_s=1.0, change=[])
    bench.sets(26)
    bench.files.load_into(bench.reloading, "asked to")
    assert rules_changed(bench).by == "not said"


def test_another_file_that_changed_is_not_put_on_who_last_changed_the_thresholds(bench: Bench) -> None:
    note_author(bench.config, bench.sets(25), BY, utc_s=1.0, change=[])
    later = Bench(bench.config)
    assert later.files.author() == BY
    station = later.config / "station.toml"
    station.write_text(station.read_text().replace("max_working_bar = 350", "max_working_bar = 300"))
    later.files.load_into(later.reloading, "asked to")
    assert rules_changed(later).by == "not said"


def test_a_line_that_was_cut_off_hides_no_other(tmp_path: Path) -> None:
    note_author(tmp_path, "one", BY, utc_s=1.0, change=[])
    with (tmp_path / "thresholds.jsonl").open("a") as file:
        file.write('{"t": 2, "by": "so\n[]\n')
    assert author_of(tmp_path, digest_of("one")) == BY
    assert author_of(tmp_path, digest_of("two")) is None


# --- Files


def written_later(path: Path, text: str, by_s: int) -> None:
    """As if written `by_s` seconds later: no test waits for a file system's clock."""
    path.write_text(text)
    stat = path.stat()
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns + by_s * 1_000_000_000))


def test_a_changed_file_is_noticed_once_it_stands_still(bench: Bench) -> None:
    alarms, station = bench.config / "alarms.toml", bench.config / "station.toml"
    assert not bench.files.changed()
    alarms.write_text("half of")
    assert not bench.files.changed(), "it may still be written"
    written_later(alarms, "half of it", 1)
    assert not bench.files.changed()
    assert bench.files.changed()
    assert bench.files.changed(), "until it is loaded"
    bench.files.load_into(bench.reloading, "why")
    assert not bench.files.changed()
    written_later(station, station.read_text(), 2)
    bench.files.changed()
    assert bench.files.changed()


def test_what_was_loaded_by_a_signal_is_not_loaded_again(bench: Bench) -> None:
    bench.sets(25)
    bench.files.load_into(bench.reloading, "asked to (SIGHUP)")
    assert not bench.files.changed()
    assert not bench.files.changed()
