"""Profile files: TOML → Profile, every key checked, every error naming file, table, key and value."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import msgspec

from fleet.errors import SetupError
from fleet.profiles.chemistry import chemistry_names, load_chemistry
from fleet.profiles.keys import CAUSE_KEYS, CAUSE_WORDS, NEEDED_TABLES, TABLES, Key, checked_value
from fleet.profiles.profile import Profile
from fleet.units import UA_PER_MA, US_PER_S

US_PER_MS = US_PER_S / 1000.0


def load_profile(path: Path | str) -> Profile:
    """The profile written in one TOML file.

    A chemistry given as a path is taken from the profile's own folder and comes back absolute.

    Raises
    ------
    SetupError
        If the file can't be read, a key is unknown or missing, or a value is impossible.
    """
    path = Path(path)
    values = _read_toml(path)
    name = checked_value(f"{path}: profile", Key("text"), values.pop("profile", None))
    given: dict[str, Any] = {"profile": name}
    if "cause" in values:
        given["cause"] = _causes(path, values.pop("cause"))
    for table in NEEDED_TABLES:
        if table not in values:
            raise SetupError(f"{path}: table [{table}] is missing. Add it; the set-up contract shows its keys.")
    for table, content in values.items():
        if table not in TABLES:
            known = ("profile", "cause", *TABLES)
            raise SetupError(f"{path}: unknown table or key {table!r}.{_near(table, known)} Known: {', '.join(known)}.")
        given[table] = _table(path, table, content, TABLES[table])
    given["battery"]["chemistry"] = _chemistry_path(path, given["battery"]["chemistry"])
    profile = msgspec.convert(given, Profile)
    _check_together(path, profile)
    return profile


def load_profiles(folder: Path | str) -> tuple[dict[str, Profile], list[SetupError]]:
    """All profiles of a folder by name, and an error for each file that can't be used; the others count."""
    folder = Path(folder)
    profiles: dict[str, Profile] = {}
    errors: list[SetupError] = []
    if not folder.is_dir():
        return {}, [SetupError(f"{folder}: no such folder of profiles. Make it, or run `wakeledger init`.")]
    for path in sorted(folder.glob("*.toml")):
        try:
            profile = load_profile(path)
            if profile.profile in profiles:
                raise SetupError(f"{path}: profile: {profile.profile!r} is already used by another file. Rename one.")
            profiles[profile.profile] = profile
        except SetupError as why:
            errors.append(why)
    return profiles, errors


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as why:
        raise SetupError(f"{path}: can't be read: {why.strerror}. Check the path and its permissions.") from why
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as why:
        raise SetupError(f"{path}: not TOML: {why}. Correct that line.") from why


def _table(path: Path, table: str, content: Any, keys: dict[str, Key]) -> dict[str, Any]:
    if not isinstance(content, dict):
        raise SetupError(f"{path}: {table}: {content!r}; expected a table. Write [{table}] above its keys.")
    for key in content:
        if key not in keys:
            raise SetupError(f"{path}: [{table}]: unknown key {key!r}.{_near(key, keys)} Known: {', '.join(keys)}.")
    for key, form in keys.items():
        if form.needed and key not in content:
            raise SetupError(f"{path}: [{table}]: key {key!r} is missing. Add it; the set-up contract shows its unit.")
    return {key: checked_value(f"{path}: [{table}] {key}", keys[key], value) for key, value in content.items()}


def _causes(path: Path, tables: Any) -> dict[str, dict[str, Any]]:
    if not isinstance(tables, dict):
        raise SetupError(f"{path}: cause: {tables!r}; expected tables like [cause.pin]. Write one a cause.")
    for word in tables:
        if word not in CAUSE_WORDS:
            raise SetupError(
                f"{path}: [cause.{word}]: unknown cause.{_near(word, CAUSE_WORDS)} Known: {', '.join(CAUSE_WORDS)}."
            )
    return {word: _table(path, f"cause.{word}", content, CAUSE_KEYS) for word, content in tables.items()}


def _chemistry_path(path: Path, chemistry: str) -> str:
    """The chemistry's name, or the absolute path of one's own table, checked by reading it."""
    names = chemistry_names()
    if chemistry in names:
        return chemistry
    own = path.parent / chemistry
    if not own.is_file():
        near = _near(chemistry, names)
        raise SetupError(
            f"{path}: [battery] chemistry: {chemistry!r};{near} expected one of {', '.join(names)}, or the path of "
            f"one's own table, and {own} is no file."
        )
    load_chemistry(own)
    return str(own.resolve())


def _check_together(path: Path, profile: Profile) -> None:
    """Figures that are possible alone but not beside each other."""
    battery, coprocessor, limits = profile.battery, profile.coprocessor, profile.limits
    fresh_mv = load_chemistry(battery.chemistry).fresh_mv * battery.series
    if battery.cutoff_mv >= fresh_mv:
        raise SetupError(
            f"{path}: [battery] cutoff_mv: {battery.cutoff_mv:g}; expected below {fresh_mv:.0f}, what {battery.series} "
            f"fresh {battery.chemistry} in series give. Give the pack's cut-off, or correct `series`."
        )
    if profile.sleep.current_ua.mean >= profile.wake.current_ma.mean * UA_PER_MA:
        raise SetupError(
            f"{path}: [sleep] current_ua: {profile.sleep.current_ua.mean:g} is not below the wake current "
            f"({profile.wake.current_ma.mean:g} mA); expected far less asleep than awake. Check µA against mA."
        )
    if coprocessor and coprocessor.run_us.mean >= coprocessor.period_ms * US_PER_MS:
        raise SetupError(
            f"{path}: [coprocessor] run_us: {coprocessor.run_us.mean:g} is as long as its period "
            f"({coprocessor.period_ms:g} ms); expected a shorter run. Check µs against ms."
        )
    widest = limits.hi[1] - limits.lo[0] if limits.hi and limits.lo else None
    if widest is not None and widest < (limits.gap_min or 0.0):
        raise SetupError(
            f"{path}: [limits] gap_min: {limits.gap_min or 0.0:g}; expected at most {widest:g}, the widest gap that "
            "lo and hi allow. Correct lo, hi or gap_min."
        )


def _near(word: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(word, list(known), 1)
    return f" Did you mean {near[0]!r}?" if near else ""
