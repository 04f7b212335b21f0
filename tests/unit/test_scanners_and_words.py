"""Scanners on topics of their own, and sensors that speak in words."""

from pathlib import Path

import pytest

from fillguard.core.events import CylinderAttached, CylinderDetached, Quantity, Reading, ReadingRejected
from tests.shops import Shop, problems_of, settings_with, shop
from tests.sparkplug import BOOLEAN, STRING, Node

SCANNER = """
[[feed]]
name = "scanner"
payload = "attach"
"""


def scanner(folder: Path, more: str) -> Shop:
    return Shop(settings_with(folder, SCANNER + more))


def test_a_scanned_serial_is_attached_to_the_whip_of_its_topic(tmp_path: Path) -> None:
    here = scanner(tmp_path, 'topic = "scan/{station}/{whip}"\nfree = ["FREE"]')
    (event,) = here.brings("scan/tern/2", "TH-0042\r\n")
    assert isinstance(event, CylinderAttached)
    assert (event.whip, event.serial, event.operator) == ("2", "TH-0042", None)
    (event,) = here.brings("scan/tern/2", "FREE")
    assert event == CylinderDetached(stamp=event.stamp, whip="2")
    assert "scan/tern/+" in here.decoder.subscriptions


def test_one_scanner_for_the_whole_panel_says_the_whip_and_who_scanned(tmp_path: Path) -> None:
    here = scanner(
        tmp_path,
        'topic = "counter/scans"\nserial = "/code"\noperator = "/badge"\nwhip_at = "/place/name"\n'
        'whips = {left = "1", right = "2"}',
    )
    (event,) = here.brings("counter/scans", {"code": "TH-0042", "badge": 17, "place": {"name": "right"}})
    assert isinstance(event, CylinderAttached)
    assert (event.whip, event.serial, event.operator) == ("2", "TH-0042", "17")
    (event,) = here.brings("counter/scans", {"code": None, "badge": "op-1", "place": {"name": "left"}})
    assert isinstance(event, CylinderDetached)
    assert (event.whip, event.operator) == ("1", "op-1")


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        ({"code": "TH-0042", "badge": "op-1", "place": {"name": "middle"}}, "unknown-whip"),
        ({"code": "TH-0042", "place": {"name": "left"}}, "no-operator"),
        ({"badge": "op-1", "place": {"name": "left"}}, "no-serial"),
        ({"code": ["TH-0042"], "badge": "op-1", "place": {"name": "left"}}, "bad-serial"),
        ({"code": True, "badge": "op-1", "place": {"name": "left"}}, "bad-serial"),
        ("TH-0042", "not-json"),
        (b"\xff\xfe", "not-json"),
        ("[" * 40 + "]" * 40, "too-deep"),
        ('"' + "x" * 70_000 + '"', "too-large"),
    ],
)
def test_a_scan_that_says_too_little_attaches_nothing(tmp_path: Path, message: object, reason: str) -> None:
    here = scanner(
        tmp_path,
        'topic = "counter/scans"\nserial = "/code"\noperator = "/badge"\nwhip_at = "/place/name"\n'
        'whips = {left = "1", right = "2"}',
    )
    assert here.refuses("counter/scans", message).reason == reason


@pytest.mark.parametrize("payload", ["", " \r\n", "x" * 300, b"\xff\xfe"])
def test_a_bare_scan_of_nothing_attaches_nothing(tmp_path: Path, payload: str | bytes) -> None:
    here = scanner(tmp_path, 'topic = "scan/{station}/{whip}"')
    (event,) = here.brings("scan/tern/1", payload)
    assert isinstance(event, ReadingRejected)
    assert event.reason in {"no-serial", "bad-serial"}


def test_a_scan_that_the_broker_stored_is_taken_once(tmp_path: Path) -> None:
    here = scanner(tmp_path, 'topic = "scan/{station}/{whip}"')
    (first,) = here.brings("scan/tern/1", "TH-0042", retained=True)
    (again,) = here.brings("scan/tern/1", "TH-0042", retained=True)
    assert isinstance(first, CylinderAttached)
    assert isinstance(again, ReadingRejected)
    assert again.reason == "repeated"


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ('topic = "scan/all"', "whip_at: say on which whip it hangs"),
        ('topic = "scan/{whip}"\nwhip_at = "/w"\nserial = "/s"', "whip_at: say on which whip it hangs"),
        ('topic = "scan/all"\nwhip_at = "/w"', "serial: is missing"),
        ('topic = "scan/{whip}"\noperator = "/o"', "operator: a bare serial has no operator beside it"),
        ('topic = "scan/all"\nserial = "s"\nwhip = "1"', 'serial = "s": a JSON pointer starts with /'),
        ('topic = "scan/all"\nserial = "/s"\nwhip = "9"', 'whip = "9": there is no such [[whip]]'),
        ('topic = "scan/{whip}"\nonline = ["up"]', 'online = [...]: does nothing with payload = "attach"'),
    ],
)
def test_a_scanner_that_cannot_be_meant_is_told_before_anybody_scans(tmp_path: Path, more: str, told: str) -> None:
    assert any(told in problem for problem in problems_of(tmp_path, SCANNER + more))


# Words ----------------------------------------------------------------------------------------------------------------

WORDS = 'quantity = "valve"\nwords = {open = 1, shut = 0, true = 1, false = 0}'


def test_a_valve_may_say_open_and_shut(tmp_path: Path) -> None:
    here = shop(tmp_path, "number", WORDS)
    assert here.reads("shop/tern/1/gauge", "open").value == 1.0
    assert here.reads("shop/tern/1/gauge", "shut").value == 0.0
    assert here.reads("shop/tern/1/gauge", "0.4").value == 0.4
    assert here.refuses("shop/tern/1/gauge", "ajar").reason == "not-a-number"


def test_a_boolean_counts_only_where_the_feed_explains_it(tmp_path: Path) -> None:
    here = shop(tmp_path, "json", WORDS + '\nvalue = "/open"')
    assert here.reads("shop/tern/1/gauge", {"open": True}).value == 1.0
    assert here.reads("shop/tern/1/gauge", {"open": "shut"}).quantity is Quantity.VALVE
    assert here.refuses("shop/tern/1/gauge", {"open": None}).reason == "not-a-number"
    plain = shop(tmp_path, "json", 'quantity = "valve"\nvalue = "/open"')
    assert plain.refuses("shop/tern/1/gauge", {"open": True}).reason == "not-a-number"


def test_a_text_with_a_unit_may_be_a_word_as_well(tmp_path: Path) -> None:
    here = shop(tmp_path, "text", WORDS)
    assert here.reads("shop/tern/1/gauge", "open").value == 1.0
    assert here.reads("shop/tern/1/gauge", "40 %").value == 0.4


NODE = """
[[feed]]
name = "gateway"
payload = "sparkplug"
group = "shop"
node = "panel"
[[feed.reading]]
whip = "1"
metric = "Valve"
"""


@pytest.mark.parametrize(
    ("metric", "value"),
    [
        ({"datatype": BOOLEAN, "boolean_value": True}, 1.0),
        ({"datatype": BOOLEAN, "boolean_value": False}, 0.0),
        ({"datatype": STRING, "string_value": "shut"}, 0.0),
    ],
)
def test_a_sparkplug_metric_may_be_a_word(tmp_path: Path, metric: dict[str, object], value: float) -> None:
    here, node = Shop(settings_with(tmp_path, NODE + WORDS)), Node()
    _, reading = here.brings("spBv1.0/shop/NBIRTH/panel", node.birth({"name": "Valve", **metric}))
    assert isinstance(reading, Reading)
    assert (reading.quantity, reading.value, reading.whip) == (Quantity.VALVE, value, "1")
    here.clock.advance(1.0)
    (refused,) = here.brings("spBv1.0/shop/NDATA/panel", node.says({"name": "Valve", "quality": 0, **metric}))
    assert isinstance(refused, ReadingRejected)
    assert refused.reason in {"bad-quality", "not-a-number"}


def test_words_do_nothing_where_no_words_come(tmp_path: Path) -> None:
    feed = '\n[[feed]]\nname = "x"\ntopic = "x/{whip}"\npayload = "hex"\n[[feed.reading]]\nbits = [0, 8]\n' + WORDS
    assert any("words = {...}: does nothing" in problem for problem in problems_of(tmp_path, feed))
