"""Feeds: which messages of foreign sensors mean what, checked when the configuration is loaded."""

from fillguard.settings.feeds.model import (
    AttachSettings,
    Bits,
    FeedSettings,
    Loop,
    Payload,
    PresenceSettings,
    ReadingSettings,
    SparkplugSettings,
    TimeIs,
)
from fillguard.settings.feeds.resolve import FeedResolver
from fillguard.settings.feeds.topics import covers

__all__ = [
    "AttachSettings",
    "Bits",
    "FeedResolver",
    "FeedSettings",
    "Loop",
    "Payload",
    "PresenceSettings",
    "ReadingSettings",
    "SparkplugSettings",
    "TimeIs",
    "covers",
]
