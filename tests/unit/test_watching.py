"""The wiring of the watch: what a broken part becomes, and that nothing stays locked when a part refuses."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from fillguard.app.watching import Watching
from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError
from fillguard.core.events import InEvent, OutEvent, ServiceChanged
from fillguard.intake.mqtt import LinkNews
from fillguard.ledger.lock import LedgerLock
from fillguard.ports import RawMessage
from fillguard.settings import load_settings
from tests.stations import write_station


def built(folder: Path, *, more: str = "") -> Watching:
    settings = load_settings(write_station(folder, 1, more=more), {})
    return Watching(settings, clock=SystemClock(), report=lambda *_, **__: None)


def queued(watching: Watching) -> list[tuple[str, bool]]:
    found = []
    while len(watching.inbox):
        item: RawMessage | InEvent | None = watching.inbox.take(0.0)
        assert isinstance(item, ServiceChanged)
        found.append((item.service, item.ok))
    return found


@pytest.mark.parametrize(
    ("news", "becomes"),
    [
        pytest.param(LinkNews.UP, [("broker", True), ("intake", True), ("channel:mqtt", True)], id="up: all works"),
        pytest.param(LinkNews.DOWN, [("broker", False)], id="down: silence is judged by itself"),
        pytest.param(LinkNews.SUBSCRIPTION_REFUSED, [("intake", False)], id="connected and blind"),
        pytest.param(LinkNews.TAKEN_OVER, [("intake", False)], id="another one has the station"),
        pytest.param(LinkNews.DROPPED, [("drops", False), ("drops", True)], id="it happened and is over"),
        pytest.param(LinkNews.GAP_POSSIBLE, [("drops", False), ("drops", True)], id="a gap, told each time"),
        pytest.param(LinkNews.PUBLICATION_REFUSED, [("channel:mqtt", False)], id="nobody hears our alarms"),
    ],
)
def test_news_of_the_link_become_events_of_the_station(
    tmp_path: Path, news: LinkNews, becomes: list[tuple[str, bool]]
) -> None:
    watching = built(tmp_path / "config")
    watching.services.on_link(news, "why")
    assert queued(watching) == becomes
    watching.stop()


def test_a_part_that_refuses_leaves_no_lock_behind(tmp_path: Path) -> None:
    config = write_station(tmp_path / "config", 1)
    text = (config / "station.toml").read_text().replace("port = 1", 'port = 1\ntls = true\ntls_ca_file = "ca.pem"')
    (config / "station.toml").write_text(text)
    (config / "ca.pem").write_text("no certificate")
    with pytest.raises(ConfigurationError, match="do not load"):
        Watching(load_settings(config, {}), clock=SystemClock(), report=lambda *_, **__: None)
    LedgerLock(config / "ledger.db", "now").release()


def test_stopped_before_it_was_started_it_has_lost_nothing(tmp_path: Path) -> None:
    watching = built(tmp_path / "config")
    assert watching.stop() == 0
    built(tmp_path / "config").stop()  # and the next one finds the ledger free


class Broken:
    """An outlet with a fault of its own, which no outlet may have."""

    def tell(self, _cause: InEvent, _facts: Sequence[OutEvent]) -> None:
        raise ZeroDivisionError("a fault of ours")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_an_engine_that_fails_says_so_and_lets_the_process_end(tmp_path: Path) -> None:
    told: list[str] = []
    settings = load_settings(write_station(tmp_path / "config", 1), {})
    watching = Watching(settings, clock=SystemClock(), report=lambda text, **_: told.append(text), also=(Broken(),))
    watching.start()
    watching.services.tell("ledger", "to have something to do", ok=True)
    assert watching.died.wait(60.0)
    assert "the watch itself failed: ZeroDivisionError: a fault of ours" in told
    watching.stop()
