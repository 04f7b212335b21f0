"""One table of a file: checked by pydantic, its complaints turned into `Problem`s that a technician can act on.

Pressures may be written in bar or psi and temperatures in degrees C or F: the end of the key says which. A section
declares its keys in bar and degrees C only; the other spellings are converted before it is checked.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeGuard, TypeVar

from annotated_types import Ge, Le
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticCustomError

from fillguard.core.units import PA_PER_BAR, PA_PER_PSI
from fillguard.settings.problems import HIDDEN, Problem, did_you_mean, quoted

_BAR_PER_PSI = PA_PER_PSI / PA_PER_BAR
_OURS = "fillguard"


class Section(BaseModel):
    """A table of a configuration file: no unknown keys, no silent conversion, no change once read."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


S = TypeVar("S", bound=Section)


def number(low: float, high: float, unit: str) -> Any:  # noqa: ANN401 - what pydantic's own `Field` returns
    """Declare a finite number from `low` to `high`, both allowed, in `unit`."""
    return Field(ge=low, le=high, allow_inf_nan=False, description=unit)


def text(allowed: str, *, pattern: str | None = None) -> Any:  # noqa: ANN401 - what pydantic's own `Field` returns
    """Declare text that is not empty; `allowed` completes "allowed: ..."."""
    return Field(min_length=1, pattern=pattern, description=allowed)


def choice(allowed: str) -> Any:  # noqa: ANN401 - what pydantic's own `Field` returns
    """Declare one of a few values; `allowed` completes "allowed: ..."."""
    return Field(description=allowed)


def refusal(message: str) -> PydanticCustomError:
    """What a section's own check raises: `message` is shown as it stands."""
    return PydanticCustomError(_OURS, "{message}", {"message": message})


@dataclass(frozen=True, slots=True)
class Spelling:
    """Another unit in which a key may be given."""

    suffix: str
    declared_suffix: str
    to_declared: Callable[[float], float]
    from_declared: Callable[[float], float]

    def declared(self, key: str) -> str:
        """`max_working_psi` -> `max_working_bar`."""
        return key.removesuffix(self.suffix) + self.declared_suffix

    def other(self, declared: str) -> str:
        """`max_working_bar` -> `max_working_psi`."""
        return declared.removesuffix(self.declared_suffix) + self.suffix


_SPELLINGS = (
    Spelling("_psi_min", "_bar_min", lambda psi: psi * _BAR_PER_PSI, lambda bar: bar / _BAR_PER_PSI),
    Spelling("_psi", "_bar", lambda psi: psi * _BAR_PER_PSI, lambda bar: bar / _BAR_PER_PSI),
    Spelling("_f", "_c", lambda f: (f - 32.0) / 1.8, lambda c: c * 1.8 + 32.0),
)


def spelling_of(key: str, model: type[Section]) -> Spelling | None:
    """The other unit in which `key` is written, when `model` declares what it means."""
    fields = model.model_fields
    if key in fields:
        return None
    return next((s for s in _SPELLINGS if key.endswith(s.suffix) and s.declared(key) in fields), None)


def declared_key(key: str, model: type[Section]) -> str:
    """The declared key that `key` stands for; itself when it is declared or unknown."""
    spelling = spelling_of(key, model)
    return spelling.declared(key) if spelling else key


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a section was read, to be named in a problem."""

    file: str
    label: str
    """`[station]`, `[[whip]] "2"`, `[overfill]`."""
    secret_keys: frozenset[str] = frozenset()
    """Keys whose value is never quoted."""
    overrides: Mapping[str, str] = field(default_factory=dict)
    """Key -> the environment variable that set it."""

    def problem(self, key: str, message: str, value: object = None) -> Problem:
        """A problem at `key` (empty: the section itself); `value` is quoted unless it may be secret."""
        shown = None if value is None else HIDDEN if key in self.secret_keys else quoted(value)
        if key in self.overrides:
            return Problem(file="environment", key=self.overrides[key], value=shown, text=message)
        return Problem(
            file=self.file, key=f"{self.label} {key}" if key else self.label.rstrip(","), value=shown, text=message
        )


def validated(model: type[S], raw: Mapping[str, object], place: Place, problems: list[Problem]) -> S | None:
    """`raw` as a `model`, or None with everything that is wrong with it appended to `problems`."""
    written: dict[str, str] = {}
    values: dict[str, object] = {}
    for key, value in raw.items():
        spelling = spelling_of(key, model)
        name = spelling.declared(key) if spelling else key
        if name in written:
            problems.append(place.problem(key, f"{written[name]} says the same: keep one of the two", value))
            continue
        written[name] = key
        values[name] = spelling.to_declared(value) if spelling and _is_number(value) else value
    try:
        return model.model_validate(values)
    except ValidationError as error:
        first = {detail["loc"][:1]: detail for detail in reversed(error.errors(include_url=False))}
        problems.extend(_problem(model, raw, written, place, detail) for detail in reversed(first.values()))
        return None


def _problem(
    model: type[Section], raw: Mapping[str, object], written: Mapping[str, str], place: Place, detail: ErrorDetails
) -> Problem:
    """One complaint of pydantic in the words of the file: `written` maps declared keys to those that stand there."""
    declared = str(detail["loc"][0]) if detail["loc"] else ""
    key = written.get(declared, declared)
    info = model.model_fields.get(declared)
    if detail["type"] == _OURS:
        return place.problem(key, detail["msg"], raw.get(key))
    if info is None:  # the value is not quoted: it may be a password under a wrong name
        return place.problem(key, f"unknown key; {did_you_mean(key, model.model_fields)}")
    allowed = _allowed(info, spelling_of(key, model))
    if detail["type"] == "missing":
        return place.problem(key, f"is missing; allowed: {allowed}")
    return place.problem(key, f"allowed: {allowed}{_hint(key, raw[key], info, model)}", raw[key])


def _allowed(info: FieldInfo, spelling: Spelling | None) -> str:
    unit = info.description or ""
    span = _span(info)
    if span is None:
        return unit
    low, high = span
    if spelling:
        low, high = spelling.from_declared(low), spelling.from_declared(high)
        unit = unit.replace("bar", "psi").replace("degrees C", "degrees F")
    return f"a number from {low:.5g} to {high:.5g} {unit}"


def _hint(key: str, value: object, info: FieldInfo, model: type[Section]) -> str:
    """Offer the other unit where the number would fit, and quotes where text is wanted."""
    span = _span(info)
    if span is None:
        bare = not isinstance(value, str | list | dict)
        return f'; write it in quotes: "{value}"' if bare and info.annotation in (str, str | None) else ""
    if not _is_number(value):
        return ""
    spelling = spelling_of(key, model)
    if spelling:
        return f"; did you mean {spelling.declared(key)}?" if span[0] <= value <= span[1] else ""
    fitting = (s for s in _SPELLINGS if key.endswith(s.declared_suffix) and span[0] <= s.to_declared(value) <= span[1])
    other = next(fitting, None)
    return f"; did you mean {other.other(key)}?" if other else ""


def _span(info: FieldInfo) -> tuple[float, float] | None:
    """Lowest and highest allowed number; None for a key that is no plain number."""
    low = next((m.ge for m in info.metadata if isinstance(m, Ge)), None)
    high = next((m.le for m in info.metadata if isinstance(m, Le)), None)
    return (float(low), float(high)) if isinstance(low, int | float) and isinstance(high, int | float) else None


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool)
