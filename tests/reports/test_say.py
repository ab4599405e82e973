"""Words, numbers and dates as a person reads them; both catalogues say the same things."""

from __future__ import annotations

import re
import string
import tomllib
from pathlib import Path

import pytest

from fleet.words import ODDS_WORDS, Flag
from reports.odds import odds_code
from reports.say import LANGUAGES, say, shown

ROOT = Path(__file__).parents[2]
HARD = "\u00a0"


def flat(words: dict[str, object], path: str = "") -> dict[str, str]:
    out: dict[str, str] = {}
    for key, value in words.items():
        name = f"{path}.{key}".lstrip(".")
        out |= flat(value, name) if isinstance(value, dict) else {name: str(value)}
    return out


def catalogue(language: str) -> dict[str, str]:
    return flat(tomllib.loads((ROOT / f"reports/words/{language}.toml").read_text(encoding="utf-8")))


@pytest.mark.parametrize("language", LANGUAGES)
def test_catalogues_have_the_same_sentences_with_the_same_blanks(language: str) -> None:
    ours, english = catalogue(language), catalogue("en")
    assert ours.keys() == english.keys()
    blanks = {key: {name for _, name, _, _ in string.Formatter().parse(text) if name} for key, text in ours.items()}
    wanted = {key: {name for _, name, _, _ in string.Formatter().parse(text) if name} for key, text in english.items()}
    assert blanks == wanted


def test_every_key_asked_for_in_code_is_in_the_catalogue() -> None:
    known = set(catalogue("en")) | {key.rsplit(".", 1)[0] for key in catalogue("en")}
    asked = {
        key
        for path in (ROOT / "reports").rglob("*.py")
        for key in re.findall(r'(?:say|words)\("([a-z0-9_]+\.[a-z0-9_.]+)"', path.read_text(encoding="utf-8"))
    }
    assert asked
    assert asked <= known


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_flag_has_its_sentence(language: str) -> None:
    assert [flag for flag in Flag if not say(language).has(f"flag.{flag.value}")] == []


def test_english_odds_are_the_words_of_the_fleet() -> None:
    assert [say("en").odds(edge) for edge, _ in ODDS_WORDS] == [words for _, words in ODDS_WORDS]


@pytest.mark.parametrize("percent", range(101))
def test_words_never_disagree_with_the_per_cent_shown(percent: int) -> None:
    """The table: at least 90 will, 60 should, 40 may or may not, 10 probably not, under 10 will not."""
    wanted = next(
        (code for edge, code in ((90, "will_last"), (60, "should_last"), (40, "may_or_may_not"), (10, "probably_not"))
         if percent >= edge), "will_not",
    )  # fmt: skip
    for share in (percent / 100, percent / 100 + 0.0049, percent / 100 - 0.0049):
        if say("en").share(share) == f"{percent}{HARD}%":
            assert odds_code(share) == wanted


def test_a_chance_is_never_none_or_all() -> None:
    assert [say("en").share(x) for x in (0.0, 0.004, 0.9951, 1.0)] == [
        "under 1 %",
        "under 1 %",
        "over 99 %",
        "over 99 %",
    ]


def test_numbers_and_dates_follow_the_language() -> None:
    """Decimal and grouping marks: CLDR, locales en and de."""
    assert say("en").number(1234567.5, 1) == "1,234,567.5"
    assert say("de").number(1234567.5, 1) == "1.234.567,5"
    assert say("en").day("2026-12-09") == "9 Dec 2026".replace(" ", HARD)
    assert say("de").day("2026-12-09") == "9. Dez. 2026".replace(" ", HARD)
    assert say("en").number(None) == "–"
    assert say("en").number(-0.04, 1) == "0.0"


def test_a_hostile_name_loses_its_marks_and_keeps_its_letters() -> None:
    assert shown("ab\u202ecd\x07\u2066") == "ab?cd??"
    assert shown("שלום") == "שלום"
    assert len(shown("x" * 200)) == 64
