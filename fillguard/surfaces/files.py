"""A gas surface as a JSON file: written whole or not at all, and believed only when its digest is right."""

import hashlib
import json
import os
from pathlib import Path
from typing import Literal, TypeVar

from pydantic import BaseModel, ConfigDict

from fillguard.core.errors import ConfigurationError
from fillguard.core.gas import GasSurface

FORMAT: Literal[1] = 1


class Made(BaseModel):
    """How a surface was made and how far it was from the reference on the points it was fitted to."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    library: str
    lowest_abs_bar: float
    highest_abs_bar: float
    lowest_k: float
    highest_k: float
    pressure_error_percent: float
    pressure_error_bar: float
    energy_error_k: float


class SurfaceFile(BaseModel):
    """One surface on disk; `residual` and `ideal_cv` as in `GasSurface`."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    format: Literal[1] = FORMAT
    key: str
    molar_mass_kg_mol: float
    gas_constant_j_mol_k: float
    residual: tuple[float, ...]
    ideal_cv: tuple[float, float, float, float]
    made: Made

    def surface(self) -> GasSurface:
        """The surface itself. Raises ConfigurationError when the coefficients are not what the formula takes."""
        return GasSurface(
            key=self.key,
            molar_mass_kg_mol=self.molar_mass_kg_mol,
            gas_constant_j_mol_k=self.gas_constant_j_mol_k,
            residual=self.residual,
            ideal_cv=self.ideal_cv,
        )


Model = TypeVar("Model", bound=BaseModel)


def write(path: Path, content: BaseModel) -> None:
    """Put `content` at `path` in one step, on the disk before it has its name: a reader sees all of it or nothing."""
    body = content.model_dump(mode="json")
    text = json.dumps({**body, "sha256": _digest(body)}, indent=1) + "\n"
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def read(path: Path, model: type[Model]) -> Model:
    """The content of `path`.

    Raises:
        FileNotFoundError: there is no such file.
        ConfigurationError: it cannot be read, or is not what was written.
    """
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
        digest = body.pop("sha256", None) if isinstance(body, dict) else None
        if digest != _digest(body):
            raise ConfigurationError(f"gas surface {path}: the content does not match its digest {digest}")
        return model.model_validate(body)
    except FileNotFoundError:
        raise
    except (OSError, ValueError) as error:  # not JSON, not text, not this model
        raise ConfigurationError(f"gas surface {path} cannot be read: {error}") from error


def read_surface(path: Path, key: str) -> GasSurface:
    """The surface at `path`. Raises like `read`, and ConfigurationError when it is another gas's than `key`."""
    content = read(path, SurfaceFile)
    if content.key != key:
        raise ConfigurationError(f"gas surface {path} is of {content.key}, not of {key}")
    return content.surface()


def _digest(body: object) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()
