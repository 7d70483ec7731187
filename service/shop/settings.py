"""Settings, all from the environment (`RICASSO_...`), all with a safe default."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field
from pydantic_settings import BaseSettings, SettingsConfigDict
from sqlalchemy import make_url

LogLevel = Literal["DEBUG", "INFO", "WARNING", "ERROR"]
PREFIX = "RICASSO_"
#: Names with the same beginning that are no settings of the service: of its tests, its scripts and its
#: container.
_NO_SETTINGS = re.compile(r"RICASSO_(TEST_.*|FIT_CASES|PYTHON|BEAT_FILE)")


_ADDRESS = re.compile(r"https?://[A-Za-z0-9.-]+(:\d{1,5})?|https?://\[[0-9A-Fa-f:]+\](:\d{1,5})?")


def _capitals(value: object) -> object:
    return value.strip().upper() if isinstance(value, str) else value


def _address(value: str) -> str:
    given = value.strip().rstrip("/")
    if given and not _ADDRESS.fullmatch(given):
        raise ValueError("should be http:// or https://, a host, perhaps a port, and nothing behind it")
    return given


class Settings(BaseSettings):
    """What can be set. service/guides/settings.md lists them; a test keeps the two lists equal."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, frozen=True)

    data: Path = Field(default=Path("var"), description="Folder for the embedded database, files and caches")
    database_url: str = Field(default="", description="SQLAlchemy URL; empty: SQLite in the data folder")
    broker_url: str = Field(
        default="", description="Redis-protocol URL for Celery; empty: tasks run in-process"
    )
    fixtures: Path | None = Field(
        default=None, description="Folder with the shop's own description; empty: the made-up shop"
    )
    public_url: Annotated[str, AfterValidator(_address)] = Field(
        default="",
        description="Where people reach the service (`https://shop.example`), for links; empty: as asked",
    )
    hosts: str = Field(
        default="", description="Host names, with commas, that requests may ask for; empty: any"
    )
    proxies: str = Field(
        default="127.0.0.1",
        description="Addresses of proxies, with commas, whose X-Forwarded-For and -Proto are believed",
    )
    lease_seconds: int = Field(
        default=900, ge=30, description="How long an unstarted load stays with a silent operator"
    )
    sweep_seconds: float = Field(
        default=5.0, gt=0, description="How often the sweep looks for what was left lying"
    )
    check_seconds: float = Field(default=10.0, gt=0, description="Longest geometry check inside a request")
    check_workers: int = Field(default=2, ge=0, description="Processes for geometry; 0: in the caller's own")
    measure_fonts: bool = Field(
        default=True,
        description="Measure all fonts behind the service, on all cores at the lowest priority",
    )
    max_body_bytes: int = Field(
        default=65_536, ge=1024, description="Largest request body (uploads have their own limit)"
    )
    requests_a_minute: int = Field(
        default=3000, ge=1, description="Requests of one key (an address: twice as many)"
    )
    previews_a_minute: int = Field(
        default=600, ge=1, description="Previews of one storefront's key (an address: a fifth of it)"
    )
    preview_workers: int = Field(
        default=1,
        ge=1,
        description="Processes for previews, beside those for checks, behind which they stand",
    )
    units_an_order: int = Field(default=500, ge=1, le=19_800, description="Units in one order")
    units_a_day: int = Field(default=20_000, ge=1, description="Units that one store may order in a day")
    idempotency_hours: int = Field(default=72, ge=24, description="How long an Idempotency-Key is remembered")
    keep_words_days: int = Field(
        default=0,
        ge=0,
        description="Days after ship-by for which words and names of finished orders are kept; 0: for ever",
    )
    callbacks_to_loopback: bool = Field(
        default=False, description="For trials: callbacks may go to plain http on this machine"
    )
    traces_to: Annotated[str, AfterValidator(_address)] = Field(
        default="", description="OTLP/HTTP address that traces are sent to (`ricasso[tracing]`); empty: none"
    )
    docs: bool = Field(default=True, description="Serve the OpenAPI description to signed-in callers")
    log_level: Annotated[LogLevel, BeforeValidator(_capitals)] = Field(
        default="INFO", description="DEBUG, INFO, WARNING or ERROR"
    )

    @cached_property
    def host_names(self) -> frozenset[str]:
        """Names that a request's Host may have, small letters, without port; none: any may be asked for."""
        return frozenset(name.strip().lower() for name in self.hosts.split(",") if name.strip())

    @cached_property
    def sandbox(self) -> Settings:
        """The same for the sandbox: a folder of its own and, unless a server keeps both, a database."""
        kept_by_server = self.database_file is None
        changed = {"data": self.data / "sandbox", "database_url": self.url if kept_by_server else ""}
        return Settings(**(self.model_dump() | changed))

    @property
    def font_tables(self) -> Path:
        """Where what was measured of fonts is kept."""
        return self.data / "font-tables"

    @property
    def kept_shops(self) -> Path:
        """Where the processes of this machine read the shop's description in force."""
        return self.data / "shop"

    @property
    def shop_folder(self) -> Path:
        """The folder with the shop's description; the made-up shop's where none is set."""
        from service.shop.catalogue import default_folder

        return self.fixtures or default_folder()

    @cached_property
    def database_file(self) -> Path | None:
        """The file of a SQLite database; None for a database server."""
        url = make_url(self.url)
        return Path(url.database) if url.get_backend_name() == "sqlite" and url.database else None

    @cached_property
    def url(self) -> str:
        """The database URL in force."""
        return self.database_url or f"sqlite:///{self.data / 'ricasso.sqlite3'}"


def unknown_settings(environment: Iterable[str]) -> list[str]:
    """Names in an environment that look like settings and are none, most likely misspelt ones."""
    known = {f"{PREFIX}{name}".upper() for name in Settings.model_fields}
    return sorted(
        name
        for name in environment
        if name.upper().startswith(PREFIX) and name.upper() not in known and not _NO_SETTINGS.fullmatch(name)
    )
