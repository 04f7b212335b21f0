"""A station with feeds, and a broker that hands messages to its decoder."""

import json
from dataclasses import dataclass, field
from pathlib import Path

from fillguard.core.events import InEvent, Reading, ReadingRejected
from fillguard.intake.station import StationDecoder
from fillguard.ports import RawMessage
from fillguard.settings import Settings, check_config, load_settings
from tests.fakes import FakeClock

STATION = """
[station]
id = "tern"
name = "Tern Harbour"
hot_allowance_bar = "full"
[[whip]]
id = "1"
max_working_bar = 350
lowest_rating_bar = 200
[[whip]]
id = "2"
max_working_bar = 350
lowest_rating_bar = 200
"""


def settings_with(folder: Path, feeds: str) -> Settings:
    (folder / "station.toml").write_text(STATION + feeds, encoding="utf-8")
    return load_settings(folder, {})


def problems_of(folder: Path, feeds: str) -> list[str]:
    (folder / "station.toml").write_text(STATION + feeds, encoding="utf-8")
    return [str(problem).removeprefix("station.toml: ") for problem in check_config(folder, {})]


@dataclass
class Shop:
    """A broker that hands messages to the decoder of a station with feeds."""

    settings: Settings
    clock: FakeClock = field(default_factory=FakeClock)

    def __post_init__(self) -> None:
        self.decoder = StationDecoder(self.settings, whips=self.settings.whips)

    def brings(self, topic: str, payload: bytes | str | object, *, retained: bool = False) -> tuple[InEvent, ...]:
        body = payload if isinstance(payload, bytes) else payload if isinstance(payload, str) else json.dumps(payload)
        content = body if isinstance(body, bytes) else body.encode()
        return self.decoder.decode(
            RawMessage(arrived=self.clock.now(), topic=topic, payload=content, retained=retained)
        )

    def reads(self, topic: str, payload: bytes | str | object) -> Reading:
        """The one reading of a message that comes a second later."""
        self.clock.advance(1.0)
        (event,) = self.brings(topic, payload)
        assert isinstance(event, Reading), event
        return event

    def refuses(self, topic: str, payload: bytes | str | object) -> ReadingRejected:
        (event,) = self.brings(topic, payload)
        assert isinstance(event, ReadingRejected), event
        return event


def shop(folder: Path, payload: str, reading: str, topic: str = "shop/{station}/{whip}/gauge", more: str = "") -> Shop:
    """A station with one feed of one reading."""
    feed = f"""
[[feed]]
name = "gauges"
topic = "{topic}"
payload = "{payload}"
{more}
[[feed.reading]]
{reading}
"""
    return Shop(settings_with(folder, feed))
