"""What an unknown topic may carry: a `[[feed]]` block proposed from a few of its messages, for a person to check."""

import json
import re
from collections.abc import Iterator, Mapping, Sequence

from fillguard.core.events import Quantity
from fillguard.intake.formats import Measured, UnusableError
from fillguard.intake.payloads.found import Reader
from fillguard.intake.payloads.plain import hex_found, number_found, text_found
from fillguard.intake.payloads.pointed import json_document
from fillguard.intake.payloads.senml import resolved
from fillguard.settings.feeds import Bits, FeedSettings, Payload, ReadingSettings
from fillguard.settings.feeds.pointers import escaped
from fillguard.settings.units import UNITS

MOST_READINGS = 20
_DEEPEST = 6
_WORDS = (
    ("press", Quantity.PRESSURE),
    ("gauge", Quantity.PRESSURE),
    ("bar", Quantity.PRESSURE),
    ("psi", Quantity.PRESSURE),
    ("bank", Quantity.SUPPLY),
    ("supply", Quantity.SUPPLY),
    ("bath", Quantity.BATH),
    ("water", Quantity.BATH),
    ("ambient", Quantity.AMBIENT),
    ("room", Quantity.AMBIENT),
    ("air", Quantity.AMBIENT),
    ("wall", Quantity.WALL),
    ("temp", Quantity.WALL),
    ("o2", Quantity.O2_FRACTION),
    ("oxygen", Quantity.O2_FRACTION),
    ("milliamp", Quantity.LOOP_CURRENT),
    ("valve", Quantity.VALVE),
)
_TIME_KEYS = re.compile(r"(?:^|_)(t|ts|time|timestamp|when|utc)$", re.IGNORECASE)
_SEQ_KEYS = re.compile(r"^(seq|n|count|counter|sequence)$", re.IGNORECASE)
_EPOCH = {"s": 1e9, "ms": 1e12, "us": 1e15}
_LONGEST_WORD = 20

Lines = list[str]


def proposal(name: str, topic: str, payloads: Sequence[bytes], station: str, whips: Sequence[str]) -> str:
    """A `[[feed]]` block in TOML for `topic`, or a comment that says why there is none. Guesses are marked."""
    template, at_whip = _template(topic, station, whips)
    kind, body = _body(payloads, topic, at_whip=at_whip, whip=whips[0] if whips else "1")
    if kind is None:
        return f"# {_commented(topic)}: no reading in what came; nothing proposed\n"
    head = ["[[feed]]", f"name = {json.dumps(name)}", f"topic = {_quoted(template)}", f'payload = "{kind}"']
    return "\n".join([*head, *body]) + "\n"


def _body(payloads: Sequence[bytes], topic: str, *, at_whip: bool, whip: str) -> tuple[Payload | None, Lines]:
    lone = _Guess(at_whip=at_whip, whip=whip, hint=topic)
    if _all_found(payloads, number_found, Payload.NUMBER):
        return Payload.NUMBER, lone.reading("", unit=None)
    if _all_found(payloads, text_found, Payload.TEXT):
        return Payload.TEXT, lone.reading("", unit="")
    documents = list(_documents(payloads))
    if documents and isinstance(documents[0], list):
        return _senml(documents, lone)
    if documents and isinstance(documents[0], dict):
        return _json(documents[0], lone)
    if _all_found(payloads, hex_found, Payload.HEX):
        return Payload.HEX, lone.reading("", unit=None, more=["bits = [0, 16]  # guessed"])
    return _presence(payloads, at_whip=at_whip, whip=whip)


class _Guess:
    """What a reading may be, by the names that stand about it."""

    def __init__(self, *, at_whip: bool, whip: str, hint: str) -> None:
        self._at_whip, self._whip, self._hint = at_whip, whip, hint
        self._taken: set[Quantity] = set()

    def reading(self, name: str, unit: str | None, more: Sequence[str] = ()) -> Lines:
        """One `[[feed.reading]]`; `unit` None: nobody said; empty: the message does."""
        quantity = self._by_unit(unit) or self._by_name(name) or self._by_name(self._hint) or Quantity.PRESSURE
        if self._at_whip and quantity in (Quantity.AMBIENT, Quantity.BATH):
            quantity = Quantity.WALL
        lines = ["[[feed.reading]]", f'quantity = "{quantity}"  # guessed']
        if quantity in (Quantity.PRESSURE, Quantity.WALL) and not self._at_whip:
            lines.append(f'whip = "{self._whip}"  # guessed')
        lines.extend(more)
        if unit is None:
            lines.append(f'unit = "{next(iter(UNITS[quantity]))}"  # guessed: the message does not say')
        elif unit and unit not in UNITS[quantity]:
            lines.append(f"# unit in the message: {_commented(unit)}")
        if quantity not in self._taken:
            self._taken.add(quantity)
            return lines
        # A second one would claim the same: which of them is it?
        return [f"#{line}" for line in lines]

    @staticmethod
    def _by_unit(unit: str | None) -> Quantity | None:
        if not unit:
            return None
        return next((quantity for quantity, units in UNITS.items() if unit in units), None)

    @staticmethod
    def _by_name(name: str) -> Quantity | None:
        return next((quantity for word, quantity in _WORDS if word in name.lower()), None)


def _all_found(payloads: Sequence[bytes], reader: Reader, kind: Payload) -> bool:
    reading = ReadingSettings(label="", quantity=Quantity.PRESSURE, bits=Bits(first=0, count=8))
    feed = FeedSettings(name="try", payload=kind, subscription="", readings=(reading,))
    if not payloads:
        return False
    try:
        found = [value for payload in payloads for _, value in reader(payload, feed)]
    except UnusableError:
        return False
    return all(isinstance(value, Measured) and (not value.unit or _is_unit(value.unit)) for value in found)


def _is_unit(text: str) -> bool:
    return any(text in units for units in UNITS.values())


def _documents(payloads: Sequence[bytes]) -> Iterator[object]:
    for payload in payloads:
        try:
            yield json_document(payload)
        except UnusableError:
            return


def _senml(documents: Sequence[object], guess: _Guess) -> tuple[Payload | None, Lines]:
    units: dict[str, str] = {}
    try:
        for document in documents:
            units.update({r.name: r.unit for r in resolved(document) if r.value is not None and r.name})
    except UnusableError:
        return None, []
    lines: Lines = []
    for name, unit in list(units.items())[:MOST_READINGS]:
        lines += guess.reading(name, unit or None, [f"record = {_quoted(name)}"])
    return (Payload.SENML, lines) if lines else (None, [])


def _json(document: dict[str, object], guess: _Guess) -> tuple[Payload | None, Lines]:
    head: Lines = []
    readings: Lines = []
    for tokens, value in list(_leaves(document, ()))[: 4 * MOST_READINGS]:
        where = "".join(f"/{escaped(token)}" for token in tokens)
        if isinstance(value, bool) or not isinstance(value, int | float):
            continue
        if _TIME_KEYS.search(tokens[-1]) and (time_is := _time_is(value)):
            head += [] if head else [f"time = {_quoted(where)}", f'time_is = "{time_is}"  # guessed']
        elif _SEQ_KEYS.match(tokens[-1]) and isinstance(value, int):
            head.append(f"seq = {_quoted(where)}  # guessed")
        elif len(readings) < MOST_READINGS * 6:
            unit, at = _unit_beside(document, tokens)
            more = [f"value = {_quoted(where)}", *([f"unit_at = {_quoted(at)}"] if at else [])]
            readings += guess.reading("/".join(tokens), unit, more)
    seqs = [line for line in head if line.startswith("seq")]
    return (Payload.JSON, [*(line for line in head if line not in seqs[1:]), *readings]) if readings else (None, [])


def _leaves(node: object, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], object]]:
    inner: Iterator[tuple[str, object]]
    if isinstance(node, dict) and len(path) < _DEEPEST:
        inner = iter(node.items())
    elif isinstance(node, list) and len(path) < _DEEPEST:
        inner = ((str(index), item) for index, item in enumerate(node))
    else:
        if path:
            yield path, node
        return
    for key, item in inner:
        yield from _leaves(item, (*path, key))


def _unit_beside(document: dict[str, object], tokens: tuple[str, ...]) -> tuple[str | None, str | None]:
    """The unit that stands beside a value under a key like `unit`, and where."""
    parent: object = document
    for token in tokens[:-1]:
        parent = parent[int(token)] if isinstance(parent, list) else parent[token] if isinstance(parent, dict) else None
    if not isinstance(parent, Mapping):
        return None, None
    for key in ("unit", "units", "uom", "u", f"{tokens[-1]}_unit"):
        unit = parent.get(key)
        if isinstance(unit, str) and _is_unit(unit):
            return unit, "".join(f"/{escaped(token)}" for token in (*tokens[:-1], key))
    return None, None


def _time_is(value: float) -> str | None:
    return next((name for name, least in _EPOCH.items() if least <= value < 10.0 * least), None)


def _presence(payloads: Sequence[bytes], *, at_whip: bool, whip: str) -> tuple[Payload | None, Lines]:
    words = sorted({payload.strip() for payload in payloads})
    texts = [
        word.decode("ascii", "replace") for word in words if re.fullmatch(rb"[A-Za-z]{1,%d}" % _LONGEST_WORD, word)
    ]
    if not texts or len(texts) != len(words) or len(words) > 2:  # noqa: PLR2004 - there and gone
        return None, []
    lines = [f"online = [{json.dumps(texts[-1])}]  # guessed", f"offline = [{json.dumps(texts[0])}]  # guessed"]
    if len(texts) == 1:
        lines[1] = 'offline = ["offline"]  # guessed: only the other word came'
    return Payload.PRESENCE, [*lines, *([] if at_whip else [f'serves = ["{whip}"]  # guessed'])]


def _template(topic: str, station: str, whips: Sequence[str]) -> tuple[str, bool]:
    levels = topic.split("/")
    named = [index for index, level in enumerate(levels) if level in whips]
    if len(named) == 1:
        levels[named[0]] = "{whip}"
    return "/".join("{station}" if level == station else level for level in levels), len(named) == 1


def _quoted(text: str) -> str:
    """As a basic string of TOML, which JSON's strings are as well, but for one escape."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _commented(text: str) -> str:
    return json.dumps(text[:200])
