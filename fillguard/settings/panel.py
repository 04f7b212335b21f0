"""What station.toml says of the work at the panel: what is asked, the shop's classes of cylinder, its scanner."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from fillguard.core.errors import ConfigurationError
from fillguard.core.units import k_from_c, pa_from_bar
from fillguard.core.values import Cylinder, Material
from fillguard.settings.schema import Section, choice, number, refusal, text

_MOD43 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"
"""The characters of Code 39 in order of their value (ISO/IEC 16388, from memory)."""
_TEN = 10


class PanelSection(Section):
    """`[panel]`: what a person at the panel is asked."""

    ask_stamp_read: Annotated[bool, choice("true or false")] = True
    recipient_days: Annotated[float, number(1, 3650, "days that the name of whoever got a cylinder is kept")] = 365.0


class ScannerSection(Section):
    """`[scanner]`: how a scanned serial is told from a typed one, and checked."""

    prefixes: Annotated[
        list[Annotated[str, text("1 to 16 characters that the scanner puts before a serial")]],
        Field(description='a list of texts in quotes, such as ["]C1"]'),
    ] = Field(default_factory=list)
    check: Annotated[Literal["none", "mod10", "mod43"], choice('"none", "mod10" or "mod43", in quotes')] = "none"

    @model_validator(mode="after")
    def _can_be_told(self) -> Self:
        if self.check != "none" and not self.prefixes:
            raise refusal(
                "check is given without prefixes: a typed serial has no check character, so let the scanner put a "
                "prefix before what it scans and enter that in prefixes"
            )
        return self


class ClassSection(Section):
    """`[[class]]`: a kind of cylinder that visitors bring. Capacity and empty mass of ONE cylinder."""

    name: Annotated[
        str, text("1 to 32 letters, digits, - and _, such as alu-11-207", pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$")
    ]
    water_capacity_l: Annotated[float, number(0.2, 150, "litres of one cylinder")]
    material: Annotated[Literal["steel", "aluminium", "composite"], choice("steel, aluminium or composite, in quotes")]
    rated_bar: Annotated[float, number(100, 500, "bar gauge")]
    reference_c: Annotated[float, number(0, 40, "degrees C")]
    empty_mass_kg: Annotated[float | None, number(0.3, 250, "kg of one cylinder")] = None
    count: Annotated[int, number(1, 12, "cylinders in the set")] = 1

    def cylinder(self) -> Cylinder:
        """The same for the core."""
        return Cylinder(
            serial=None,
            water_capacity_m3=self.water_capacity_l / 1e3,
            material=Material(self.material),
            rated_gauge_pa=pa_from_bar(self.rated_bar),
            reference_k=k_from_c(self.reference_c),
            count=self.count,
            empty_mass_kg=self.empty_mass_kg,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanner:
    """Takes a scanned serial apart; a typed one is left as it is."""

    prefixes: tuple[str, ...] = ()
    check: str = "none"

    def serial(self, read: str) -> str:
        """The serial in what was typed or scanned. Raises ConfigurationError for a wrong check character."""
        text = read.strip()
        prefix = max((each for each in self.prefixes if text.startswith(each)), key=len, default=None)
        if prefix is None:
            return text
        scanned = text.removeprefix(prefix).strip()
        if self.check == "none":
            return scanned
        serial, last = scanned[:-1], scanned[-1:]
        expected = _mod10(serial) if self.check == "mod10" else _mod43(serial)
        if not serial or last != expected:
            raise ConfigurationError(
                f"scanned {read!r}: its check character ({self.check}) is wrong: scan it again, or type the serial "
                "as it is stamped"
            )
        return serial


def _mod10(serial: str) -> str | None:
    """The last digit by weights 1 and 2 from the right (Luhn, ISO/IEC 7812-1 annex B), over the digits alone."""
    digits = [int(character) for character in serial if character.isdecimal()]
    if not digits:
        return None
    doubled = (2 * digit if index % 2 == 0 else digit for index, digit in enumerate(reversed(digits)))
    return str(-sum(each // _TEN + each % _TEN for each in doubled) % _TEN)


def _mod43(serial: str) -> str | None:
    """The character whose value is the sum of all values modulo 43 (Code 39)."""
    values = [_MOD43.find(character) for character in serial]
    return None if -1 in values else _MOD43[sum(values) % len(_MOD43)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelSettings:
    """What the work at the panel needs to know."""

    asks_stamp: bool = False
    recipient_days: float = 365.0
    classes: Mapping[str, Cylinder] = field(default_factory=dict)
    scanner: Scanner = field(default_factory=Scanner)


def panel_settings(
    panel: PanelSection | None, scanner: ScannerSection | None, classes: Iterable[ClassSection]
) -> PanelSettings:
    """The sections as settings; a section that is wrong (None) has been told as a problem, and counts as left out."""
    panel, scanner = panel or PanelSection(), scanner or ScannerSection()
    return PanelSettings(
        asks_stamp=panel.ask_stamp_read,
        recipient_days=panel.recipient_days,
        classes={section.name: section.cylinder() for section in classes},
        scanner=Scanner(prefixes=tuple(scanner.prefixes), check=scanner.check),
    )
