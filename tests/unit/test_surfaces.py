"""Where gas surfaces come from: package, cache, child process, the formula for any mix; and what damage does."""

import dataclasses
import json
import math
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from fillguard.core.errors import ConfigurationError, OutOfRangeError
from fillguard.core.gas import TERMS, GasSurface
from fillguard.core.values import AIR, GasMix
from fillguard.surfaces import GasSurfaceError, SurfaceStore, files, store
from fillguard.surfaces.__main__ import main
from fillguard.surfaces.anymix import DEGREE_OF_MIX, AnyMix, mole_fractions, weights

NEVER_SHIPPED = GasMix(o2=0.173, he=0.391)
SHIPPED_TRIMIX = GasMix(o2=0.18, he=0.45)


def quiet(folder: Path) -> SurfaceStore:
    return SurfaceStore(folder, on_problem=pytest.fail)


def air() -> GasSurface:
    surface = quiet(Path("no-cache")).get(AIR)
    assert surface is not None
    return surface


def copied_to(folder: Path, mix: GasMix, **changes: object) -> Path:
    """A cache file for `mix`, made from a shipped one, its digest right."""
    content = files.read(store.SHIPPED / f"{SHIPPED_TRIMIX.key}.json", files.SurfaceFile)
    path = folder / f"{mix.key}.json"
    files.write(path, content.model_copy(update={"key": mix.key, **changes}))
    return path


# --- Where a surface comes from --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "mix",
    [AIR, GasMix(o2=1.0), GasMix(o2=0.0), GasMix(o2=0.0, he=1.0), GasMix(o2=0.32), GasMix(o2=0.5), SHIPPED_TRIMIX],
    ids=str,
)
def test_the_usual_gases_come_with_the_package(mix: GasMix, tmp_path: Path) -> None:
    surface = quiet(tmp_path / "never-made").get(mix)
    assert surface is not None
    assert (surface.key, surface.approximate) == (mix.key, False)
    assert not (tmp_path / "never-made").exists()


def test_mixes_that_agree_to_a_tenth_of_a_per_cent_share_a_surface(tmp_path: Path) -> None:
    surfaces = quiet(tmp_path)
    assert surfaces.get(GasMix(o2=0.3204)) is surfaces.get(GasMix(o2=0.32))


def test_a_mix_never_seen_has_no_surface_of_its_own_yet(tmp_path: Path) -> None:
    assert quiet(tmp_path).get(NEVER_SHIPPED) is None


def test_until_then_the_formula_for_any_mix_stands_in_and_says_so(tmp_path: Path) -> None:
    surface = quiet(tmp_path).any_mix(NEVER_SHIPPED)
    assert (surface.key, surface.approximate) == (NEVER_SHIPPED.key, True)
    assert surface.molar_mass_kg_mol == pytest.approx(0.173 * 0.031999 + 0.436 * 0.028013 + 0.391 * 0.0040026, rel=1e-4)


def test_air_has_argon_so_the_formula_for_any_mix_leaves_it_alone(tmp_path: Path) -> None:
    surfaces = quiet(tmp_path)
    assert surfaces.any_mix(AIR) is surfaces.get(AIR)


def test_without_its_surface_of_air_the_package_is_damaged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "SHIPPED", tmp_path)
    with pytest.raises(ConfigurationError, match="install fillguard again"):
        quiet(tmp_path).any_mix(AIR)


def test_a_child_process_fits_a_new_mix_and_the_cache_keeps_it(tmp_path: Path) -> None:
    cache = tmp_path / "state" / "surfaces"
    fitted = quiet(cache).fit_in_child(NEVER_SHIPPED)
    assert (fitted.key, fitted.approximate) == (NEVER_SHIPPED.key, False)
    assert [path.name for path in cache.iterdir()] == [f"{NEVER_SHIPPED.key}.json"]  # and no part of one
    assert quiet(cache).get(NEVER_SHIPPED) == fitted
    stand_in = quiet(cache).any_mix(NEVER_SHIPPED)
    assert fitted.pressure_pa(150.0, 300.0) == pytest.approx(stand_in.pressure_pa(150.0, 300.0), rel=1e-4)


def test_a_child_that_fails_says_why(tmp_path: Path) -> None:
    surfaces = quiet(tmp_path)
    nonsense = GasMix(o2=0.5)
    object.__setattr__(nonsense, "o2", 1.5)  # no mix can be built like this: the child must refuse it by itself
    with pytest.raises(GasSurfaceError, match=r"ended with 1: .*1\.5"):
        surfaces.fit_in_child(nonsense)
    assert list(tmp_path.iterdir()) == []


def test_a_cache_folder_that_cannot_be_made_is_a_failed_fit(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(GasSurfaceError, match="did not finish"):
        quiet(tmp_path / "file" / "cache").fit_in_child(NEVER_SHIPPED)


def test_only_the_last_surfaces_used_stay_in_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "_KEPT", 3)
    surfaces = quiet(tmp_path)
    for percent in range(22, 32):
        assert surfaces.get(GasMix(o2=percent / 100)) is not None
    assert list(surfaces._known) == ["o2-290-he-000", "o2-300-he-000", "o2-310-he-000"]


# --- Damage ----------------------------------------------------------------------------------------------------------


def one_digit_changed(text: str) -> str:
    coefficient = json.loads(text)["residual"][5]
    return text.replace(repr(coefficient), repr(coefficient * 1.01))


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param(lambda _: "", id="empty"),
        pytest.param(lambda text: text[: len(text) // 2], id="cut in half"),
        pytest.param(lambda _: "[1, 2]", id="another thing altogether"),
        pytest.param(lambda text: text.replace('"sha256"', '"sha1"'), id="without its digest"),
        pytest.param(one_digit_changed, id="one coefficient changed by a per cent"),
    ],
)
def test_a_damaged_cache_file_counts_as_missing_and_is_told_once(damage: Callable[[str], str], tmp_path: Path) -> None:
    path = copied_to(tmp_path, NEVER_SHIPPED)
    assert quiet(tmp_path).get(NEVER_SHIPPED) is not None
    path.write_text(damage(path.read_text(encoding="utf-8")), encoding="utf-8")
    told: list[str] = []
    surfaces = SurfaceStore(tmp_path, on_problem=told.append)
    assert surfaces.get(NEVER_SHIPPED) is None
    assert surfaces.get(NEVER_SHIPPED) is None
    assert len(told) == 1
    assert str(path) in told[0]
    assert "fitted again" in told[0]


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({"format": 2}, id="of another format"),
        pytest.param({"residual": (0.0,) * 28}, id="with another number of coefficients"),
        pytest.param({"residual": (math.inf,) * len(TERMS)}, id="with an infinite coefficient"),
        pytest.param({"key": "o2-500-he-000"}, id="of another gas"),
    ],
)
def test_a_sound_file_that_is_not_this_surface_counts_as_missing(changes: dict[str, object], tmp_path: Path) -> None:
    copied_to(tmp_path, NEVER_SHIPPED, **changes)
    told: list[str] = []
    assert SurfaceStore(tmp_path, on_problem=told.append).get(NEVER_SHIPPED) is None
    assert len(told) == 1


def test_a_repaired_file_is_taken_again(tmp_path: Path) -> None:
    path = tmp_path / f"{NEVER_SHIPPED.key}.json"
    path.write_text("{", encoding="utf-8")
    told: list[str] = []
    surfaces = SurfaceStore(tmp_path, on_problem=told.append)
    assert surfaces.get(NEVER_SHIPPED) is None
    copied_to(tmp_path, NEVER_SHIPPED)
    assert surfaces.get(NEVER_SHIPPED) is not None
    assert len(told) == 1


def test_a_write_that_fails_leaves_the_old_file_and_no_rest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = copied_to(tmp_path, NEVER_SHIPPED)
    before = path.read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        copied_to(tmp_path, NEVER_SHIPPED)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_formula_for_any_mix_with_other_terms_is_refused(tmp_path: Path) -> None:
    formula = files.read(store.ANY_MIX, AnyMix)
    files.write(tmp_path / "any-mix.json", formula.model_copy(update={"residual": formula.residual[:-1]}))
    with pytest.raises(ConfigurationError, match="not those of this version's formula"):
        files.read(tmp_path / "any-mix.json", AnyMix)


@pytest.mark.parametrize("words", [["0.18"], ["nitrox", "32"], ["0.9", "0.2"]], ids=" ".join)
def test_a_mix_that_makes_no_sense_is_refused_before_anything_is_fitted(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fit", *words, "--into", str(tmp_path)]) == 1
    assert words[0] in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


# --- What never happens in the daemon --------------------------------------------------------------------------------


def test_reading_surfaces_never_imports_the_reference_library() -> None:
    program = """
import pathlib, sys
import fillguard.core.gas, fillguard.surfaces
from fillguard.core.values import AIR, GasMix
store = fillguard.surfaces.SurfaceStore(pathlib.Path("no-cache"), on_problem=print)
store.get(AIR), store.any_mix(GasMix(o2=0.123))
print(sorted({"CoolProp", "numpy"} & set(sys.modules)))
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# --- The surface itself ----------------------------------------------------------------------------------------------


def test_the_weights_of_the_pure_gases_pick_one_coefficient_each() -> None:
    for n in set(DEGREE_OF_MIX):
        for fractions in ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)):
            row = weights(fractions, n)
            assert (sum(row), max(row)) == (1.0, 1.0)
        assert sum(weights((0.2, 0.5, 0.3), n)) == pytest.approx(1.0)


def test_mole_fractions_are_whole_thousandths_and_sum_to_one() -> None:
    assert mole_fractions(GasMix(o2=0.3204, he=0.1)) == (0.32, 0.58, 0.1)
    assert sum(mole_fractions(GasMix(o2=0.0015, he=0.9985))) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("absolute_pa", "kelvin", "says"),
    [
        (401e5, 300.0, "401 bar absolute of air: the gas surface holds from 0.5 to 400 bar"),
        (0.4e5, 300.0, "0.4 bar absolute of air"),
        (math.nan, 300.0, "nan bar absolute of air"),
        (200e5, 229.0, "229 K of air: the gas surface holds from 230 to 400 K"),
        (200e5, 401.0, "401 K of air"),
        (200e5, math.nan, "nan K of air"),
    ],
)
def test_outside_its_range_a_surface_refuses_and_says_which(absolute_pa: float, kelvin: float, says: str) -> None:
    with pytest.raises(OutOfRangeError, match=says):
        air().density_kg_m3(absolute_pa, kelvin)


@pytest.mark.parametrize("density", [-1.0, 0.0, 1000.0, math.nan])
def test_a_density_no_gas_can_have_is_refused(density: float) -> None:
    with pytest.raises(OutOfRangeError, match=f"gas density {density:g} kg/m3 of air"):
        air().pressure_pa(density, 300.0)


def test_a_temperature_found_from_energy_must_be_in_range() -> None:
    with pytest.raises(OutOfRangeError, match="K of air"):
        air().temperature_from_energy(200.0, 150e3)


def test_a_surface_that_finds_no_density_is_damaged() -> None:
    broken = dataclasses.replace(air(), residual=(-40.0, *([0.0] * (len(TERMS) - 1))))
    with pytest.raises(OutOfRangeError, match="damaged"):
        broken.density_kg_m3(200e5, 300.0)


def test_arrays_take_the_same_way_as_floats() -> None:
    gas = air()
    pressure, kelvin = np.meshgrid(np.linspace(1e5, 400e5, 9), np.linspace(230.0, 400.0, 7))
    density = gas.density_unguarded(pressure, kelvin)
    state = gas.state(density, kelvin)
    again = gas.temperature_unguarded(density, state[1])
    for index in np.ndindex(pressure.shape):
        one = gas.density_unguarded(float(pressure[index]), float(kelvin[index]))
        assert density[index] == pytest.approx(one, rel=1e-14)
        assert [part[index] for part in state] == pytest.approx(list(gas.state(one, float(kelvin[index]))), rel=1e-12)
        assert again[index] == pytest.approx(kelvin[index], abs=1e-9)
