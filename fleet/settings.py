"""Settings: `fleet.toml` and FLEET_* variables, read once into one frozen value.

A variable's name is the key in capitals, tables and keys joined by two underscores: FLEET_BROKER__URL.
Secrets are never settings: a setting names the 0600 file that holds one.
"""

from __future__ import annotations

import difflib
import os
import tomllib
from pathlib import Path
from typing import Any, Literal

import msgspec

from fleet.errors import SetupError

FILE_NAME = "fleet.toml"
PREFIX = "FLEET_"


class Broker(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where the nodes' messages are."""

    url: str = "mqtt://127.0.0.1:1883"
    root: str = "wakes"
    client_id: str = "wakeledger"
    user: str | None = None
    password_file: str | None = None
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    keepalive_s: int = 60
    session_expiry_s: int = 14 * 86_400
    share: str | None = None


class Ingest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How messages are stored."""

    batch: int = 1000
    linger_s: float = 0.25
    receipts: bool = True
    mapping: str | None = None
    payload_limit_bytes: int = 65_536
    metrics_port: int | None = None


class Orders(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How orders leave."""

    keys: str = "keys"
    valid_d: float = 7.0
    trial_wakes: int = 6
    per_hour: int = 60


class Report(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How the weekly report looks and where it goes."""

    language: str = "en"
    timezone: str = "UTC"
    title: str = "Battery risk"
    mail_from: str | None = None
    mail_to: list[str] = []
    smtp_url: str | None = None
    smtp_password_file: str | None = None
    positions: Literal["exact", "blurred", "none"] = "exact"


class Flags(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How ready to speak the flags are."""

    false_alarms_per_week: float = 1.0
    life_target_d: float | None = None


class Alerts(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who is told of a change of state; all off by default."""

    webhook_url: str | None = None
    webhook_key_file: str | None = None
    mqtt: bool = False
    quiet_hours: str | None = None


class Settings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything a command needs to know beside its options."""

    database: str = "sqlite:///wakeledger.sqlite"
    setup: str = "."
    played: bool = False
    broker: Broker = Broker()
    ingest: Ingest = Ingest()
    orders: Orders = Orders()
    report: Report = Report()
    flags: Flags = Flags()
    alerts: Alerts = Alerts()
    folder: str = "."

    @property
    def setup_dir(self) -> Path:
        """The folder with `profiles/`, `nodes.csv` and `visits.csv`."""
        return Path(self.folder) / self.setup

    @property
    def database_url(self) -> str:
        """The database's URL; a relative SQLite path is taken from the folder of `fleet.toml`."""
        prefix = "sqlite:///"
        if self.database.startswith(prefix) and not self.database.startswith(prefix + "/"):
            return prefix + str((Path(self.folder) / self.database[len(prefix) :]).resolve())
        return self.database

    @property
    def keys_dir(self) -> Path:
        """The folder with the nodes' order keys."""
        return Path(self.folder) / self.orders.keys


def load_settings(file: Path | None = None, environ: dict[str, str] | None = None) -> Settings:
    """Settings from a file (or `fleet.toml` here, if there is one) and from FLEET_* variables, which go first.

    Raises
    ------
    SetupError
        If the file can't be read, or a key or value is not known.
    """
    environ = dict(os.environ) if environ is None else environ
    given = file or (Path(environ["FLEET_SETTINGS"]) if "FLEET_SETTINGS" in environ else None)
    path = given or Path(FILE_NAME)
    values: dict[str, Any] = {}
    if path.exists():
        try:
            values = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as why:
            raise SetupError(f"{path}: not TOML: {why}. Mend the line or run `wakeledger init`.") from why
    elif given is not None:
        raise SetupError(f"{path}: no such file. Run `wakeledger init` to write one.")
    for name, text in environ.items():
        if name.startswith(PREFIX) and name != "FLEET_SETTINGS":
            _put(values, name[len(PREFIX) :].lower().split("__"), text)
    values["folder"] = str(path.resolve().parent)
    try:
        return msgspec.convert(values, Settings, strict=False)
    except msgspec.ValidationError as why:
        raise SetupError(f"{path}: {why}.{_near(str(why))} `wakeledger settings` shows every key.") from why


def _put(values: dict[str, Any], keys: list[str], text: str) -> None:
    for key in keys[:-1]:
        values = values.setdefault(key, {})
    values[keys[-1]] = text


def _near(message: str) -> str:
    """A hint at the key that was probably meant."""
    words = message.split("`")
    kinds = (Settings, Broker, Ingest, Orders, Report, Flags, Alerts)
    known = {name for kind in kinds for name in kind.__struct_fields__}
    near = difflib.get_close_matches(words[1], known, 1) if len(words) > 1 else []
    return f" Did you mean `{near[0]}`?" if near else ""


def source_of(key: str, value: object, defaults: dict[str, object], environ: dict[str, str] | None = None) -> str:
    """Where a setting's value came from: a variable's name, "file", or "default".

    >>> source_of("broker.root", "marsh", {"broker.root": "wakes"}, {"FLEET_BROKER__ROOT": "marsh"})
    'FLEET_BROKER__ROOT'
    >>> source_of("broker.root", "wakes", {"broker.root": "wakes"}, {})
    'default'
    """
    variable = PREFIX + key.replace(".", "__").upper()
    if variable in (os.environ if environ is None else environ):
        return variable
    return "default" if defaults.get(key) == value else "file"
