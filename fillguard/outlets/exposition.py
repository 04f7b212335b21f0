"""Numbers about the watch as Prometheus text (exposition format 0.0.4)."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
Labels = Mapping[str, str]
_EXACT = 1e15
"""Below it every whole number is written as one."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One number."""

    value: float
    labels: Labels = field(default_factory=dict)
    suffix: str = ""
    """`_bucket`, `_sum`, `_count` of a histogram."""


@dataclass(frozen=True, slots=True)
class Family:
    """One metric with all its samples."""

    name: str
    kind: str
    """`counter`, `gauge` or `histogram`."""
    help: str
    samples: Sequence[Sample]


def gauge(name: str, text: str, *samples: Sample) -> Family:
    """What goes up and down."""
    return Family(name, "gauge", text, samples)


def counter(name: str, text: str, *samples: Sample) -> Family:
    """What only grows until the process ends; its name ends in `_total`."""
    return Family(name, "counter", text, samples)


def histogram(name: str, text: str, bounds: Sequence[float], counts: Sequence[int], total: float) -> Family:
    """How often a value was at most each of `bounds`; `counts` has one more for what was above the last."""
    samples, so_far = [], 0
    for bound, count in zip((*bounds, math.inf), counts, strict=True):
        so_far += count
        samples.append(Sample(so_far, {"le": _number(bound)}, "_bucket"))
    return Family(name, "histogram", text, [*samples, Sample(total, {}, "_sum"), Sample(so_far, {}, "_count")])


def exposition(families: Iterable[Family]) -> bytes:
    """The families in their order; one without samples is left out."""
    return "".join(line + "\n" for family in families if family.samples for line in _lines(family)).encode()


def _lines(family: Family) -> Iterator[str]:
    yield f"# HELP {family.name} {family.help.replace(chr(92), chr(92) * 2).replace(chr(10), ' ')}"
    yield f"# TYPE {family.name} {family.kind}"
    for sample in family.samples:
        labels = ",".join(f'{name}="{_escaped(value)}"' for name, value in sample.labels.items())
        yield f"{family.name}{sample.suffix}{'{' + labels + '}' if labels else ''} {_number(sample.value)}"


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _number(value: float) -> str:
    if math.isnan(value):
        return "NaN"
    if math.isinf(value):
        return "+Inf" if value > 0 else "-Inf"
    return repr(int(value)) if value == int(value) and abs(value) < _EXACT else repr(float(value))
