"""Every word and number that a person reads, from one catalogue per language (`words/*.toml`)."""

from __future__ import annotations

import math
import tomllib
import unicodedata
from datetime import date, datetime
from functools import cache
from importlib import resources
from typing import Any

from fleet.errors import ReportError
from reports.odds import odds_code, whole_percent

LANGUAGES = ("en", "de")
HARD_SPACE = "\u00a0"
NOT_KNOWN = "–"
BIDI = {chr(code) for code in (0x200E, 0x200F, 0x061C, *range(0x202A, 0x202F), *range(0x2066, 0x206A))}


@cache
def say(language: str) -> Say:
    """The catalogue of a language.

    Raises
    ------
    ReportError
        If there is no catalogue of that name.
    """
    if language not in LANGUAGES:
        raise ReportError(f"language {language!r}: no catalogue; expected one of {', '.join(LANGUAGES)}.")
    text = resources.files("reports").joinpath(f"words/{language}.toml").read_text(encoding="utf-8")
    return Say(language, tomllib.loads(text))


class Say:
    """Looks up sentences by dotted key and fills them; formats numbers, shares and dates."""

    def __init__(self, language: str, words: dict[str, Any]) -> None:
        self.language = language
        self.words = words
        self.format = words["format"]

    def __call__(self, key: str, count: float | str | None = None, **values: Any) -> str:
        """The sentence of that key; with a count its form `one` or `other`, and `{count}` filled in."""
        found: Any = self.words
        for part in key.split("."):
            found = found[part]
        if count is not None:
            found = found["one" if count == 1 else "other"] if isinstance(found, dict) else found
            values["count"] = count if isinstance(count, str) else self.number(count)
        return str(found).format(**values)

    def has(self, key: str) -> bool:
        """Whether the catalogue has a text of that key."""
        found: Any = self.words
        for part in key.split("."):
            if not isinstance(found, dict) or part not in found:
                return False
            found = found[part]
        return isinstance(found, str)

    def number(self, value: float | None, digits: int = 0) -> str:
        """A number with this language's decimal mark and grouping; a dash where it is not known."""
        if value is None or not math.isfinite(value):
            return NOT_KNOWN
        text = f"{value:,.{digits}f}"
        text = text.removeprefix("-") if float(text.replace(",", "")) == 0 else text
        text = text.replace(",", "\0").replace(".", self.format["decimal"]).replace("\0", self.format["group"])
        return text.replace("-", "−")

    def short(self, value: float | None) -> str:
        """Two significant places or whole: 4.8, 23, 0.02."""
        if value is None or not math.isfinite(value):
            return NOT_KNOWN
        size = abs(value)
        return self.number(value, 0 if size >= 19.95 else 1 if size >= 0.95 or size == 0 else 2)

    def expected(self, value: float | None) -> str:
        """An expected count to one place, "under 0.1" where less."""
        if value is None:
            return NOT_KNOWN
        return self.number(value, 1) if value >= 0.05 else self("format.under_tenth", count=self.number(0.1, 1))

    def share(self, value: float | None) -> str:
        """A chance in whole per cent; never 0 or 100."""
        if value is None:
            return NOT_KNOWN
        percent = whole_percent(value)
        if percent < 1:
            return self("format.under_one")
        if percent > 99:
            return self("format.over_99")
        return f"{percent}{HARD_SPACE}%"

    def level(self, value: float | None) -> str:
        """A measured share in whole per cent; 0 and 100 are allowed."""
        return NOT_KNOWN if value is None else f"{whole_percent(value)}{HARD_SPACE}%"

    def odds(self, lasts_frac: float | None) -> str:
        """The words for a chance to last."""
        return self("odds.unsure") if lasts_frac is None else self(f"odds.{odds_code(lasts_frac)}")

    def day(self, day: str | None, *, year: bool = True) -> str:
        """A date, e.g. 9 Dec 2026."""
        if day is None:
            return self("format.far")
        at = date.fromisoformat(day)
        month = self.format["months"][at.month - 1]
        key = "format.day" if year else "format.day_short"
        return self(key, day=at.day, month=month, year=at.year).replace(" ", HARD_SPACE)

    def moment(self, at: datetime) -> str:
        """A date and time with its zone."""
        return f"{self.day(at.date().isoformat())}, {at:%H:%M} {at.tzname()}"

    def weeks(self, days: float | None, *, until: bool = False) -> str:
        """A span of days as weeks, or as days if it is short; `until`: as the time that passes until then."""
        if days is None:
            return NOT_KNOWN
        if until and round(days) < 1:
            return self("format.within_day")
        prefix = "format.in_" if until else "format."
        if days < 13.5:
            return self(f"{prefix}days", count=round(days))
        return self(f"{prefix}weeks", count=round(days / 7))

    def listed(self, texts: list[str]) -> str:
        """a, b and c."""
        if len(texts) < 2:
            return "".join(texts)
        return f"{', '.join(texts[:-1])} {self.format['and']} {texts[-1]}"


def shown(name: str, limit: int = 64) -> str:
    """A name that came from outside, safe to put in a line: no control or direction marks, at most so long.

    >>> shown("a\\u202eb\\n"), shown("abcdefgh", 5)
    ('a?b?', 'abcd…')
    """
    clean = "".join(
        "?" if ch in BIDI or unicodedata.category(ch) in ("Cc", "Cs", "Co", "Zl", "Zp") else ch for ch in name
    )
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"
