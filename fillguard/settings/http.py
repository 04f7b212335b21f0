"""`[http]` of station.toml: where the watch answers machines that look, and links that acknowledge."""

from dataclasses import dataclass
from typing import Annotated, Self

from pydantic import SecretStr, model_validator

from fillguard.settings.schema import Section, number, refusal, text
from fillguard.settings.station import FilePath

SHORTEST_SECRET = 16


class HttpSection(Section):
    """`[http]`. Left out: nothing listens."""

    host: Annotated[str, text("a host name or address, without port", pattern=r"^[A-Za-z0-9._:-]+$")] = "127.0.0.1"
    port: Annotated[int, number(1, 65535, "")]
    base_url: Annotated[
        str | None,
        text("how people reach this server: http:// or https:// with host, no user", pattern=r"^https?://[^@/\s?#]+$"),
    ] = None
    link_secret_file: FilePath | None = None
    link_secret_env: Annotated[
        str | None, text("the name of an environment variable that holds the secret", pattern=r"^[A-Za-z_]\w*$")
    ] = None
    links_last_min: Annotated[float, number(1, 1440, "minutes")] = 60.0

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        if self.link_secret_file and self.link_secret_env:
            raise refusal("give link_secret_file or link_secret_env, not both")
        if bool(self.base_url) != bool(self.link_secret_file or self.link_secret_env):
            raise refusal("links need both: base_url, and a secret (link_secret_file or link_secret_env)")
        return self


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkSettings:
    """Links in notices that acknowledge an alarm."""

    base_url: str
    secret: SecretStr
    last_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpSettings:
    """Where the watch answers."""

    host: str
    port: int
    links: LinkSettings | None
    """None: no notice carries a link, and none is taken."""
